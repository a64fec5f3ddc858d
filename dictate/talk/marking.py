"""Marks in a run of tokens: sides, negation, replies, corrections and the rest."""

from __future__ import annotations

from collections.abc import Sequence

from dictate.talk.lexicon import mark_matcher, word_lists
from dictate.talk.patterns import document, matches
from dictate.talk.tokens import Token
from dictate.talk.utterance import Mark

# Kinds of which only the longest at a place is kept, the earlier named winning a tie.
_EXCLUSIVE = ("strike", "replace", "flip", "same", "next_place", "demonstration")
_CUT_OFF = {
    # A kind that loses its place where a longer mark of another kind covers it.
    "no": ("negation", "courtesy", "slip", "replace", "same", "cannot", "after_negation"),
    "yes": ("question",),
    "flip": ("same", "strike"),
    "next_place": ("question",),
    "question": ("courtesy", "strike"),
    "courtesy": ("not_word",),
}


def marks_of(tokens: Sequence[Token]) -> list[Mark]:
    """Find all marks, sorted by place; marks of different kinds may overlap."""
    words = [token.text for token in tokens]
    found = _longest(matches(mark_matcher(), document(words)))
    blocked = {
        place
        for mark in found
        if mark.kind == "not_side"
        for place in range(mark.first, mark.last + 1)
    }
    kept = [mark for mark in found if mark.kind != "not_side" and not _covered(mark, found)]
    kept += _sides(words, tokens, blocked, kept)
    return sorted(kept, key=lambda mark: (mark.first, -mark.last, mark.kind))


def _longest(found: list[tuple[str, int, int]]) -> list[Mark]:
    """Drop marks inside a longer mark of their own kind, and crossing exclusive ones."""
    by_length = sorted(found, key=lambda one: (one[1] - one[2], one[1]))
    taken: dict[str, set[int]] = {}
    kept: list[Mark] = []
    for kind, first, last in by_length:
        group = "exclusive" if kind in _EXCLUSIVE else kind
        places = set(range(first, last + 1))
        if places & taken.setdefault(group, set()):
            continue
        taken[group] |= places
        kept.append(Mark(kind=kind, first=first, last=last))
    return kept


def _covered(mark: Mark, others: Sequence[Mark]) -> bool:
    rivals = _CUT_OFF.get(mark.kind, ())
    length = mark.last - mark.first
    return any(
        other.kind in rivals
        and other.first <= mark.first
        and other.last >= mark.last
        and other.last - other.first > length
        for other in others
    )


def _sides(
    words: Sequence[str], tokens: Sequence[Token], blocked: set[int], marks: Sequence[Mark]
) -> list[Mark]:
    lists = word_lists()
    in_both = {
        place for mark in marks if mark.kind == "both" for place in range(mark.first, mark.last + 1)
    }
    sides: list[Mark] = []
    for place, word in enumerate(words):
        if place in in_both:
            continue
        if word in ("left", "right") and place not in blocked:
            opens = place == 0 or tokens[place - 1].after in ("strong", "question")
            follows = words[place + 1] if place + 1 < len(words) else ""
            # A 'right' that opens a sentence is a side only before a word of the body
            # or where it stands alone before a value.
            if word == "right" and opens and follows and follows not in lists.body:
                if not follows[0].isdigit():
                    continue
            if word == "right" and opens and tokens[place].after in ("weak", "strong"):
                continue
            sides.append(Mark(kind=word, first=place, last=place))
        elif word in lists.paired:
            sides.append(Mark(kind="paired", first=place, last=place))
    return sides
