"""Segmentation for live use: a span's sound is known before its pause is long enough."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from dictate.audio.segments import FRAME_SECONDS, Pauses, Span, SpanCutter
from dictate.audio.source import SAMPLE_RATE, Samples


class LiveCutter(SpanCutter):
    """Gives the same spans as ``SpanCutter``, and each a little ahead as a guess.

    A span ends with half of the pause that closes it. Once that half was heard, the sound of the
    span is complete if nobody speaks on; decoding can begin then, a quarter of a second early.
    """

    def __init__(self, pauses: Pauses | None = None) -> None:
        super().__init__(pauses)
        self.guess: Span | None = None
        """The span that will come if the pause goes on; None while somebody speaks."""
        self._half = max(round(self._set.after / FRAME_SECONDS), 1)

    @property
    def seconds(self) -> float:
        """How much was heard so far."""
        return self._position / SAMPLE_RATE

    @property
    def speaking(self) -> bool:
        """Whether a span is open."""
        return bool(self._open)

    def start_at(self, seconds: float) -> None:
        """Let the next sample be at this moment."""
        self._position = round(seconds * SAMPLE_RATE)

    def _frame(self, frame: Samples) -> Iterator[Span]:
        yield from super()._frame(frame)
        if not self._open or self._silent == 0:
            self.guess = None
        elif self._silent == self._half:
            self.guess = Span(
                self._open_start / SAMPLE_RATE, np.concatenate(self._open), self.level
            )


def same_sound(one: Span | None, other: Span) -> bool:
    """Whether two spans of one stream hold the same sound."""
    return one is not None and one.start == other.start and len(one.samples) == len(other.samples)
