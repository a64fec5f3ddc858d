"""How loud the speech is and how far it stands above the noise."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from dictate.audio.source import Samples

SILENT_DBFS = -90.0
QUIET_SPEECH_DBFS = -45.0
NOISY_SNR_DB = 20.0
"""Below this the embedded recogniser's word errors rise steeply (see tests/bench)."""


class Level(NamedTuple):
    """Levels in dB below full scale; ``snr`` in dB, None before both parts were heard."""

    speech_dbfs: float | None
    noise_dbfs: float | None
    snr: float | None
    clipped: float

    @property
    def warning(self) -> str | None:
        """One plain sentence for the speaker, or None where the sound is good enough."""
        if self.speech_dbfs is None:
            return None
        if self.clipped > 0.001:
            return "The sound is overdriven: turn the microphone down or move a little away."
        if self.speech_dbfs < QUIET_SPEECH_DBFS:
            return "The speech is very quiet: move closer to the microphone or turn it up."
        if self.snr is not None and self.snr < NOISY_SNR_DB:
            return (
                f"The speech stands only about {max(self.snr, 0):.0f} dB above the noise: move "
                "closer, use a headset, or find a quieter room; numbers may be misheard."
            )
        return None


class LevelMeter:
    """Adds up the power of speech and of pauses; constant memory, any length.

    The noise is what is heard in pauses; its power is taken off the speech, which
    is heard together with it.
    """

    def __init__(self) -> None:
        self._power = {True: 0.0, False: 0.0}
        self._count = {True: 0, False: 0}
        self._clipped = 0

    def add(self, samples: Samples, speech: bool) -> None:
        """Count a stretch of sound as speech or as pause."""
        if not len(samples):
            return
        values = samples.astype(np.float64)
        if not speech and not values.any():
            return  # Digital silence says nothing about the room.
        self._power[speech] += float(np.dot(values, values))
        self._count[speech] += len(values)
        if speech:
            self._clipped += int(np.count_nonzero(np.abs(samples.astype(np.int32)) >= 32_700))

    @property
    def level(self) -> Level:
        """The levels of everything added so far."""
        speech, noise = (self._mean(kind) for kind in (True, False))
        snr: float | None = None
        if speech is not None and noise is not None:
            snr = 10 * math.log10(max(speech - noise, 1e-9 * noise) / noise) if noise else None
        clipped = self._clipped / self._count[True] if self._count[True] else 0.0
        return Level(_dbfs(speech), _dbfs(noise), snr, clipped)

    def _mean(self, kind: bool) -> float | None:
        count = self._count[kind]
        return self._power[kind] / count if count else None


def dbfs(samples: Samples) -> float:
    """Root-mean-square level of ``samples`` in dB below full scale."""
    if not len(samples):
        return SILENT_DBFS
    values = samples.astype(np.float64)
    level = _dbfs(float(np.dot(values, values)) / len(values))
    return SILENT_DBFS if level is None else level


def _dbfs(power: float | None) -> float | None:
    if power is None:
        return None
    return max(10 * math.log10(max(power, 1e-12) / 32_768.0**2), SILENT_DBFS)
