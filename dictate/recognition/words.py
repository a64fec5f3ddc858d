"""What every recogniser hands on: words with times, in phrases between pauses."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict, Field

from dictate.audio.times import Seconds


class Word(BaseModel):
    """One heard word. Times are seconds from the start of the recording."""

    model_config = ConfigDict(frozen=True)

    text: str
    start: Seconds
    end: Seconds
    confidence: float = Field(default=1.0, ge=0, le=1)


class NumberDoubt(BaseModel):
    """A stretch of words holding a number that a second decoding heard otherwise.

    ``first`` and ``last`` index the words of the phrase, both inclusive;
    ``alternatives`` are other wordings of the same stretch, likeliest first.
    """

    model_config = ConfigDict(frozen=True)

    first: int = Field(ge=0)
    last: int = Field(ge=0)
    alternatives: tuple[str, ...] = ()


class HeardPhrase(BaseModel):
    """The words between two pauses, or one cue of a timed transcript.

    ``recognised`` is false when the sound did not fit the language of the exam:
    the words are then kept for the record but no finding may rest on them.
    ``speaker`` is set only where the source says who spoke (a voice tag of a
    transcript, one channel per person).
    """

    model_config = ConfigDict(frozen=True)

    words: tuple[Word, ...]
    start: Seconds
    end: Seconds
    confidence: float = Field(default=1.0, ge=0, le=1)
    recognised: bool = True
    speaker: str | None = None
    number_doubts: tuple[NumberDoubt, ...] = ()

    @property
    def text(self) -> str:
        """The words joined by blanks, as heard."""
        return " ".join(word.text for word in self.words)
