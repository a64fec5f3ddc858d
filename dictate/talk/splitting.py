"""Utterances out of heard phrases: where one ends and the next begins."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from functools import lru_cache

from dictate.recognition.words import HeardPhrase
from dictate.talk.lexicon import dialogue_phrases
from dictate.talk.marking import marks_of
from dictate.talk.numbers import find_numbers
from dictate.talk.numbers.model import Spoken
from dictate.talk.patterns import plain_lines
from dictate.talk.tokens import Token, tokens_of
from dictate.talk.utterance import Mark, Utterance

_LONGEST_JOIN = 2.0  # seconds of silence over which an unfinished phrase may go on
_LONGEST_RUN = 400  # tokens; a transcript line longer than this is cut anyway


def utterances_of(phrases: Iterable[HeardPhrase]) -> Iterator[Utterance]:
    """Turn heard phrases into utterances, in order, as soon as each is complete.

    A phrase that stops on an unfinished word ("blood pressure is") is read together with
    the next one when little silence lies between. Phrases that were not recognised come
    out as they are, so that the record shows them.
    """
    count, ended = 0, 0.0
    for run in _runs(phrases):
        for utterance in run.cut(count, ended):
            yield utterance
            count, ended = count + 1, utterance.end


def _runs(phrases: Iterable[HeardPhrase]) -> Iterator[_Run]:
    """Phrases as they are read together, each as soon as it is complete."""
    held: _Run | None = None
    for index, phrase in enumerate(phrases):
        run = _Run.of(phrase, index)
        if not run.tokens:
            continue
        if held is not None and held.goes_on_in(run):
            run = held.joined_to(run)
        elif held is not None:
            yield held
        held = None
        if run.unfinished and len(run.tokens) < _LONGEST_RUN:
            held = run
        else:
            yield run
    if held is not None:
        yield held


class _Run:
    """Tokens that are read together: a phrase, or several over short pauses."""

    def __init__(
        self,
        tokens: list[Token],
        speaker: str | None,
        recognised: bool,
        doubted: dict[int, tuple[str, ...]],
    ) -> None:
        self.tokens = tokens
        self.speaker = speaker
        self.recognised = recognised
        self.doubted = doubted

    @classmethod
    def of(cls, phrase: HeardPhrase, index: int) -> _Run:
        tokens = tokens_of(phrase, index)
        doubted = {
            place: doubt.alternatives
            for doubt in phrase.number_doubts
            for place, token in enumerate(tokens)
            if doubt.first <= token.word <= doubt.last
        }
        return cls(tokens, phrase.speaker, phrase.recognised, doubted)

    @property
    def unfinished(self) -> bool:
        last = self.tokens[-1]
        if not self.recognised or last.after:
            return False
        if last.text in ("over", "point") and len(self.tokens) > 1:
            return bool(find_numbers([self.tokens[-2].text]))
        return last.text in _remains()

    def goes_on_in(self, other: _Run) -> bool:
        return (
            self.unfinished
            and other.recognised
            and other.speaker == self.speaker
            and other.tokens[0].start - self.tokens[-1].end <= _LONGEST_JOIN
        )

    def joined_to(self, other: _Run) -> _Run:
        shift = len(self.tokens)
        doubted = self.doubted | {place + shift: said for place, said in other.doubted.items()}
        return _Run(self.tokens + other.tokens, self.speaker, True, doubted)

    def cut(self, count: int, ended: float) -> Iterator[Utterance]:
        if not self.recognised:
            yield self._utterance(0, len(self.tokens), count, ended, [], [])
            return
        marks = marks_of(self.tokens)
        numbers = find_numbers([token.text for token in self.tokens])
        first = 0
        for end in _cuts(self.tokens, marks, numbers):
            utterance = self._utterance(first, end, count, ended, marks, numbers)
            yield utterance
            first, count, ended = end, count + 1, utterance.end

    def _utterance(
        self,
        first: int,
        end: int,
        index: int,
        ended: float,
        marks: Sequence[Mark],
        numbers: Sequence[Spoken],
    ) -> Utterance:
        return Utterance(
            index=index,
            tokens=tuple(self.tokens[first:end]),
            numbers=tuple(
                number.model_copy(
                    update={"first": number.first - first, "last": number.last - first}
                )
                for number in numbers
                if first <= number.first and number.last < end
            ),
            marks=tuple(
                Mark(kind=mark.kind, first=mark.first - first, last=mark.last - first)
                for mark in marks
                if first <= mark.first and mark.last < end
            ),
            speaker=self.speaker,
            recognised=self.recognised,
            before=max(0.0, self.tokens[first].start - ended),
            doubted={
                place - first: said for place, said in self.doubted.items() if first <= place < end
            },
        )


def _cuts(tokens: Sequence[Token], marks: Sequence[Mark], numbers: Sequence[Spoken]) -> list[int]:
    """Ends of utterances: after full stops and courtesies, before openers."""
    ends = {len(tokens)}
    for place, token in enumerate(tokens):
        if token.after in ("strong", "question"):
            ends.add(place + 1)
    for mark in marks:
        if mark.kind == "courtesy":
            ends.update((mark.first, mark.last + 1))
        elif mark.kind in ("opener", "strike"):
            ends.add(mark.first)
        if mark.kind == "strike":
            ends.add(mark.last + 1)
    # Nothing is cut inside a number or inside a longer mark.
    spans = [(number.first, number.last) for number in numbers]
    spans += [(m.first, m.last) for m in marks if m.kind not in ("courtesy", "opener")]
    inside = {place for first, last in spans for place in range(first + 1, last + 1)}
    return sorted(end for end in ends if end > 0 and (end == len(tokens) or end not in inside))


@lru_cache(maxsize=1)
def _remains() -> frozenset[str]:
    return frozenset(
        word
        for phrase in dialogue_phrases()["remains"]
        for line in plain_lines(phrase)
        for step in line
        for word in step.words
    )
