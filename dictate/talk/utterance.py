"""An utterance: a stretch of talk between breaks, marked up for the findings stage."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict, Field

from dictate.talk.numbers.model import Spoken
from dictate.talk.tokens import Break, Token, joined


class Mark(BaseModel):
    """A stretch of tokens with a meaning of its own; ``first`` and ``last`` inclusive.

    ``kind`` is a key of ``dialogue.yaml``, or 'left', 'right', 'paired' (a plural body
    word that means both sides).
    """

    model_config = ConfigDict(frozen=True)

    kind: str
    first: int = Field(ge=0)
    last: int = Field(ge=0)


class Utterance(BaseModel):
    """Tokens between two breaks, with the numbers and marks in them.

    Indices in ``numbers`` and ``marks`` count the tokens of this utterance.
    ``before`` is the silence in seconds in front of it. ``doubted`` lists tokens whose
    number a second decoding heard otherwise, with the other wordings. ``taken_for`` has
    what was heard where a token is read as a word of like sound.
    """

    model_config = ConfigDict(frozen=True)

    index: int
    tokens: tuple[Token, ...]
    numbers: tuple[Spoken, ...] = ()
    marks: tuple[Mark, ...] = ()
    speaker: str | None = None
    recognised: bool = True
    before: float = 0.0
    doubted: dict[int, tuple[str, ...]] = Field(default_factory=dict)
    taken_for: dict[int, str] = Field(default_factory=dict)

    @property
    def start(self) -> float:
        """Seconds from the start of the recording."""
        return self.tokens[0].start

    @property
    def end(self) -> float:
        """Seconds from the start of the recording."""
        return max(token.end for token in self.tokens)

    @property
    def text(self) -> str:
        """What was heard: the tokens joined by blanks."""
        if not self.taken_for:
            return joined(self.tokens)
        return " ".join(
            self.taken_for.get(place, token.text) for place, token in enumerate(self.tokens)
        )

    @property
    def after(self) -> Break:
        """The break that ends it."""
        return self.tokens[-1].after

    def marked(self, *kinds: str) -> list[Mark]:
        """The marks of these kinds, in order."""
        return [mark for mark in self.marks if mark.kind in kinds]
