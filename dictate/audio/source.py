"""The one interface for anything that gives sound: a recording now, a microphone later."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

SAMPLE_RATE = 16_000
"""Samples per second of every block, the rate of the acoustic models in use."""

Samples = NDArray[np.int16]
"""One-dimensional signed 16-bit samples, mono, at ``SAMPLE_RATE``."""


class Block(NamedTuple):
    """A stretch of sound and the time of its first sample, in seconds from the start."""

    start: float
    samples: Samples


class Source(Protocol):
    """Gives sound in blocks, in order and without holes, in constant memory."""

    @property
    def name(self) -> str:
        """What the user calls it: a file name or a device name."""
        ...

    @property
    def duration(self) -> float | None:
        """Seconds in total, or None where it is not known beforehand."""
        ...

    def blocks(self) -> Iterator[Block]:
        """Yield the sound from its beginning."""
        ...
