"""Findings while the talk goes on: each phrase is read once, as the whole session would read it."""

from __future__ import annotations

from collections.abc import Iterator

from dictate.exam.catalogue import Catalogue
from dictate.exam.expansion import literal_words, parsed
from dictate.findings.finding import Finding
from dictate.findings.interpret import Interpreter
from dictate.recognition.words import HeardPhrase, Word
from dictate.talk.splitting import utterances_of
from dictate.talk.tokens import tokens_of
from dictate.talk.utterance import Utterance

JOINED_WITHIN = 2.0
"""Seconds of silence after which an unfinished phrase is no longer read with the next one, as in
``dictate.talk.splitting``."""


class Understanding:
    """Takes phrases one by one; its findings are those of reading all of them at once.

    A phrase that stops on an unfinished word waits for the next one, or for ``settle``.
    """

    def __init__(self, catalogue: Catalogue) -> None:
        self._interpreter = Interpreter(catalogue)
        self._waiting: list[HeardPhrase] = []
        self._first_waiting = 0
        self._utterances = 0
        self._ended = 0.0

    @property
    def findings(self) -> tuple[Finding, ...]:
        """All findings so far in the order of their start."""
        return self._interpreter.findings

    @property
    def region(self) -> str | None:
        """The region that the talk is in."""
        return self._interpreter.region

    def add(self, phrase: HeardPhrase) -> None:
        """Take in the next phrase."""
        if not self._waiting and not tokens_of(phrase):
            self._first_waiting += 1  # The reader passes over phrases without a word.
            return
        self._waiting.append(phrase)
        complete: list[Utterance] = []
        try:
            for utterance in utterances_of(self._then_more()):
                complete.append(utterance)
        except _More:
            pass
        self._read(complete)

    def settle(self) -> None:
        """Read what waits: the silence after it is longer than ``JOINED_WITHIN``, or all ended."""
        self._read(list(utterances_of(self._waiting)))
        self._drop(len(self._waiting))

    def settle_by(self, seconds: float) -> bool:
        """Settle where the silence until this moment is long enough; true if something waited."""
        if not self._waiting or seconds - self._waiting[-1].end <= JOINED_WITHIN:
            return False
        self.settle()
        return True

    def _then_more(self) -> Iterator[HeardPhrase]:
        yield from self._waiting
        # Ending here would make the reader close a phrase that may still go on.
        raise _More

    def _read(self, complete: list[Utterance]) -> None:
        if not complete:
            return
        shift = self._first_waiting
        last = complete[-1].tokens[-1].phrase
        for utterance in complete:
            moved = utterance.model_copy(
                update={
                    "index": self._utterances,
                    "before": max(0.0, utterance.tokens[0].start - self._ended),
                    "tokens": tuple(
                        token.model_copy(update={"phrase": token.phrase + shift})
                        for token in utterance.tokens
                    ),
                }
            )
            self._interpreter.feed(moved)
            self._utterances += 1
            self._ended = utterance.end
        self._drop(last + 1)

    def _drop(self, count: int) -> None:
        self._waiting = self._waiting[count:]
        self._first_waiting += count


class _More(Exception):  # noqa: N818 - no error: the talk goes on
    """There is no further phrase yet."""


def warm_up(catalogue: Catalogue) -> None:
    """Compile the patterns of every item, so that no phrase has to wait for them."""
    interpreter = Interpreter(catalogue)
    names = [
        " ".join(sorted(literal_words(parsed(item.names[0], tuple(region.rules.items())))))
        for region in catalogue.regions
        for item in region.items
        if item.names
    ]
    phrases = [
        HeardPhrase(
            words=tuple(Word(text=word, start=at, end=at) for word in name.split()),
            start=at,
            end=at,
        )
        for at, name in enumerate([*names, "pulse seventy two", "strike that", "no make that two"])
    ]
    for utterance in utterances_of(phrases):
        interpreter.feed(utterance)
