"""Phrases of the grammar as token patterns for spaCy's Matcher."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from dictate.exam.expansion import Choice, Literal, Maybe, Part, Slot, parse_expansion

if TYPE_CHECKING:
    from spacy.matcher import Matcher
    from spacy.tokens import Doc
    from spacy.vocab import Vocab

NUMBER = "<number>"
_MOST_OPTIONS = 4
_MOST_PATTERNS = 600  # of one phrase; more means the phrase is better written as two


@dataclass(frozen=True)
class Step:
    """One place of a pattern: any of ``words``; it may be missing if ``optional``."""

    words: frozenset[str]
    optional: bool = False


Line = tuple[Step, ...]


def lines_of(part: Part, norm: Callable[[str], str | None]) -> tuple[Line, ...]:
    """Lay a phrase out as lines of steps.

    ``norm`` gives the form that a word is compared by, or None for a word that is passed
    over. Alternatives of single words stay one step, so that few lines are needed.
    """
    lines = [line for line in _lines(part, norm) if any(not step.optional for step in line)]
    return tuple(dict.fromkeys(lines))[:_MOST_PATTERNS]


def _lines(part: Part, norm: Callable[[str], str | None]) -> list[Line]:
    if isinstance(part, Literal):
        word = norm(part.text)
        return [()] if word is None else [(Step(frozenset({word})),)]
    if isinstance(part, Slot):
        return [(Step(frozenset({NUMBER})),)] if part.name == "number" else [()]
    if isinstance(part, Maybe):
        inner = _lines(part.part, norm)
        if len(inner) == 1 and len(inner[0]) <= 1:
            return [tuple(Step(step.words, True) for step in inner[0])]
        return [(), *inner]
    if isinstance(part, Choice):
        options = [line for option in part.options for line in _lines(option, norm)]
        singles = [line[0] for line in options if len(line) == 1 and not line[0].optional]
        others = [line for line in options if not (len(line) == 1 and not line[0].optional)]
        merged: list[Line] = list(dict.fromkeys(others))
        if singles:
            words = frozenset().union(*(step.words for step in singles))
            if () in merged:
                merged.remove(())
                merged.append((Step(words, True),))
            else:
                merged.append((Step(words),))
        return merged
    lines: list[Line] = [()]
    for inner_part in part.parts:
        tails = _lines(inner_part, norm)
        lines = [head + tail for head in lines for tail in tails][: _MOST_PATTERNS * 2]
    return lines


def spacy_pattern(line: Line, gap: int = 0) -> list[dict[str, Any]]:
    """Write a line as a Matcher pattern; ``gap`` foreign words may stand between steps."""
    pattern: list[dict[str, Any]] = []
    for place, step in enumerate(line):
        if place and gap:
            pattern.append({"OP": f"{{0,{gap}}}"})
        token: dict[str, Any] = (
            {"ORTH": next(iter(step.words))}
            if len(step.words) == 1
            else {"ORTH": {"IN": sorted(step.words)}}
        )
        if step.optional:
            token["OP"] = "?"
        pattern.append(token)
    return pattern


@lru_cache(maxsize=1)
def vocabulary() -> Vocab:
    """The vocabulary of a blank English pipeline: no model is loaded."""
    import spacy

    return spacy.blank("en").vocab


def without_options(line: Line) -> list[Line]:
    """Write a line's optional steps out, there or not, so that a gap never leads."""
    options = sum(step.optional for step in line)
    if options > _MOST_OPTIONS:
        return [tuple(step for step in line if not step.optional)]
    written: list[Line] = [()]
    for step in line:
        sure = Step(step.words)
        with_step = [(*head, sure) for head in written]
        written = with_step + (written if step.optional else [])
    return [one for one in written if one]


def matcher_for(phrases: Iterable[tuple[str, Sequence[Line], int]]) -> Matcher:
    """Build a Matcher from (key, lines, gap) triples; matches carry the key."""
    from spacy.matcher import Matcher

    matcher = Matcher(vocabulary(), validate=False)
    for key, lines, gap in phrases:
        if lines:
            written = [one for line in lines for one in (without_options(line) if gap else [line])]
            matcher.add(key, [spacy_pattern(line, gap) for line in dict.fromkeys(written)])
    return matcher


Needs = dict[str, list[tuple[frozenset[str], ...]]]
"""What must be heard for any line to match, by a word of the step of fewest words."""


def needs_of(lines: Iterable[Line]) -> Needs:
    """The sure steps of lines; a Matcher is only run where those of one line are all heard."""
    needs: Needs = {}
    for line in lines:
        sure = sorted({step.words for step in line if not step.optional}, key=len)
        if not sure:
            continue
        rest = tuple(sure[1:])
        for word in sure[0]:
            kept = needs.setdefault(word, [])
            if rest not in kept:
                kept.append(rest)
    return needs


def met(needs: Needs, heard: set[str]) -> bool:
    """Whether all sure steps of some line are among the words heard."""
    return any(
        all(not step.isdisjoint(heard) for step in rest)
        for word in heard
        for rest in needs.get(word, ())
    )


def met_by(needs: Needs, heard: set[str], word: str) -> bool:
    """Whether ``word`` and the words heard hold all sure steps of some line of that word."""
    return any(
        (word == first or any(word in step for step in rest))
        and all(word in step or not step.isdisjoint(heard) for step in rest)
        for first in {word, *heard}
        for rest in needs.get(first, ())
    )


def document(words: Sequence[str]) -> Doc:
    """A document of exactly these words."""
    from spacy.tokens import Doc

    return Doc(vocabulary(), words=list(words))


def matches(matcher: Matcher, doc: Doc) -> list[tuple[str, int, int]]:
    """All matches as (key, first, last), last inclusive."""
    strings = vocabulary().strings
    return [(strings[key], start, end - 1) for key, start, end in matcher(doc)]


def plain(word: str) -> str | None:
    """Compare words as they are written."""
    return word


def plain_lines(phrase: str) -> tuple[Line, ...]:
    """Lines of a phrase of talk: every word counts, contractions are taken apart."""
    from dictate.talk.tokens import pieces_of

    spread = " ".join(
        " ".join(pieces_of(word)[0]) if "'" in word else word for word in phrase.split()
    )
    return lines_of(parse_expansion(spread), plain)
