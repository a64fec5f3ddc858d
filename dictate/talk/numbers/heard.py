"""The atoms of one utterance, and what is read from them on the way to a number."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from dictate.talk.numbers.atoms import NO_BREAK, SENTENCE, atoms_of
from dictate.talk.numbers.lexicon import Lexicon
from dictate.talk.numbers.model import Comparator, Reading
from dictate.talk.numbers.terms import Terms


@dataclass
class Core:
    """What was read between the words before a number and the words after it."""

    readings: list[Reading]
    end: int
    unit: str | None = None
    doubtful: bool = False
    approximate: bool = False
    lone: bool = False


@dataclass
class Prefix:
    """The words before a number."""

    end: int
    comparator: Comparator | None = None
    approximate: bool = False
    graded: bool = False
    doubtful: bool = False
    between: bool = False


class Heard:
    """One utterance as atoms, with what every reader of it asks."""

    def __init__(self, tokens: Sequence[str], words: Lexicon) -> None:
        self.tokens = tokens
        self.words = words
        self.atoms = atoms_of(tokens)
        self.terms = Terms(self.atoms, words)
        self.texts = self.terms.texts

    def figure(self, at: int) -> bool:
        """Whether a written figure or a number word stands at ``at``."""
        return self.atoms[at].value is not None or self.texts[at] in self.words.number_words

    def unit(self, at: int) -> tuple[str, int] | None:
        """Return the unit at ``at`` and its end; a '?' before the key marks a mis-hearing."""
        if at >= len(self.atoms) or self.atoms[at].before == SENTENCE:
            return None
        found = self.words.unit_phrases.match(self.texts, at)
        if found is None:
            return None
        length, sense = found
        if sense.written and not (
            self.atoms[at].glued or (at > 0 and self.atoms[at - 1].value is not None)
        ):
            return None
        if sense.written and self.texts[at].isalpha() and not self.atoms[at].glued:
            following = at + 1
            if following < len(self.atoms) and self.atoms[following].before == NO_BREAK:
                return None
        return ("?" if sense.misheard else "") + sense.key, at + length
