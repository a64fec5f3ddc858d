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
_BEFORE_NO = frozenset(
    ["is", "are", "was", "were", "there", "have", "has", "had", "with", "see", "feel", "hear"]
)
_GOING_ON = frozenset(
    ["your", "back", "out", "down", "up", "swallow", "push", "relax", "hold", "release", "bring",
     "straighten", "open", "mine", "again", "touch", "blow", "breathe"]
)  # fmt: skip
_SIDES = frozenset(["left", "right", "other"])
_ASKING = frozenset(["what", "how", "why", "when", "where", "which", "who", "whom"])
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
        if last.text == "no":
            # "sore? no" is a reply; "there is no" goes on.
            return len(self.tokens) > 1 and self.tokens[-2].text in _BEFORE_NO
        if last.text in ("over", "point") and len(self.tokens) > 1:
            return bool(find_numbers([self.tokens[-2].text]))
        if last.text == "not" and any(t.text in _SIDES for t in self.tokens[-5:-1]):
            return False  # "left tender, right not"
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
        if (
            mark.kind == "courtesy"
            and not _corrects(tokens, mark, marks)
            and not _strengthens(tokens, mark)
            and not _judges(tokens, mark)
        ):
            ends.update((mark.first, mark.last + 1))
        elif mark.kind == "strike":
            ends.add(mark.first - _led_in(tokens, mark))
        elif mark.kind == "opener" and not (
            _goes_on(tokens, mark) or _puts_off(tokens, mark, marks)
        ):
            ends.add(mark.first)
        if mark.kind == "strike":
            ends.add(mark.last + 1)
    # Nothing is cut inside a number or inside a longer mark.
    spans = [(number.first, number.last) for number in numbers]
    spans += [(m.first, m.last) for m in marks if m.kind not in ("courtesy", "opener")]
    inside = {place for first, last in spans for place in range(first + 1, last + 1)}
    return sorted(end for end in ends if end > 0 and (end == len(tokens) or end not in inside))


_LEADING_IN = frozenset(["no", "oh", "wait", "actually", "sorry", "er", "um"])


def _led_in(tokens: Sequence[Token], strike: Mark) -> int:
    """How many words lead in to a 'strike that' ("no, scratch that")."""
    count = 0
    while count < strike.first and tokens[strike.first - count - 1].text in _LEADING_IN:
        count += 1
    return count


_SHORT = 4  # words of a phrase whose last word may be its result


def _judges(tokens: Sequence[Token], courtesy: Mark) -> bool:
    """Whether a 'good' at the end is the result of the few words before it ("air entry good")."""
    if (
        0 < courtesy.first == courtesy.last
        and tokens[courtesy.last].text in ("good", "fine")
        and tokens[courtesy.first - 1].text in _SIDES
        and not tokens[courtesy.first - 1].after
        and courtesy.first > 1
    ):
        return True  # "finger to nose right good left good"
    return (
        0 < courtesy.first == courtesy.last == len(tokens) - 1 < _SHORT
        and tokens[courtesy.last].text == "good"
        and not any(token.after for token in tokens[: courtesy.first])
    )


def _strengthens(tokens: Sequence[Token], courtesy: Mark) -> bool:
    """Whether a 'nice and' goes with the result after it ("nice and regular")."""
    word, following = tokens[courtesy.last], tokens[courtesy.last + 1 : courtesy.last + 2]
    return (
        courtesy.first == courtesy.last
        and word.text in ("nice", "good", "lovely")
        and not word.after
        and [token.text for token in following] == ["and"]
    )


def _corrects(tokens: Sequence[Token], courtesy: Mark, marks: Sequence[Mark]) -> bool:
    """Whether an 'excuse me' takes back what stands before it ("ten no excuse me eleven")."""
    if courtesy.first == 0 or tokens[courtesy.first - 1].text not in ("no", "oh", "wait", "er"):
        return False
    return any(
        mark.kind == "replace" and (mark.first, mark.last) == (courtesy.first, courtesy.last)
        for mark in marks
    )


def _goes_on(tokens: Sequence[Token], opener: Mark) -> bool:
    """Whether it goes on with the words before: "do not let me", "what would you"."""
    if opener.first > 0 and not tokens[opener.first - 1].after:
        word = tokens[opener.first - 1].text
        if word in _ASKING and tokens[opener.last].text == "you":
            return True
        if word in _SAYING and opener.first == opener.last and tokens[opener.last].text == "now":
            return True  # "say now when you feel it"
        if word in ("not", "never", "to") and tokens[opener.first].text in ("let", "tell", "show"):
            return True
        following = [token.text for token in tokens[opener.last + 1 : opener.last + 2]]
        if tokens[opener.last].text == "then" and following and following[0] in _GOING_ON:
            return True  # "touch my finger then your nose"
    return _names_side(tokens, opener)


def _puts_off(tokens: Sequence[Token], opener: Mark, marks: Sequence[Mark]) -> bool:
    """Whether what was named just before is put off ("clonus i will do next time")."""
    return (
        0 < opener.first <= _SHORT
        and not any(token.after for token in tokens[: opener.first])
        and any(mark.kind == "plan" and mark.first == opener.first for mark in marks)
    )


_SAYING = frozenset(["say", "says", "saying", "shout", "me"])


def _names_side(tokens: Sequence[Token], opener: Mark) -> bool:
    """Whether the 'right' of "right so" is a side: "two plus on the right so that is it"."""
    if tokens[opener.first].text != "right" or opener.first == 0:
        return False
    before = tokens[opener.first - 1]
    return not before.after and before.text in ("the", "on", "your", "my", "to", "and")


@lru_cache(maxsize=1)
def _remains() -> frozenset[str]:
    return frozenset(
        word
        for phrase in dialogue_phrases()["remains"]
        for line in plain_lines(phrase)
        for step in line
        for word in step.words
    )
