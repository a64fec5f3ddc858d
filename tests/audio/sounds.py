"""Sound that a voice activity detector takes for speech, made without a synthesiser."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from dictate.audio.source import SAMPLE_RATE, Block


def vowels(seconds: float, level: float = 0.3) -> np.ndarray:
    """Syllables of buzzing vowels: pulses at 120 Hz through three moving resonances."""
    count = int(seconds * SAMPLE_RATE)
    time = np.arange(count) / SAMPLE_RATE
    sound = np.zeros(count)
    pitch = 120 + 15 * np.sin(2 * np.pi * 1.5 * time)
    phase = 2 * np.pi * np.cumsum(pitch) / SAMPLE_RATE
    for harmonic in range(1, 30):
        frequency = harmonic * 120
        gain = sum(
            np.exp(-(((frequency - centre) / 180) ** 2))
            for centre in (600 + 200 * np.sin(2 * np.pi * 3 * time), 1400, 2600)
        )
        sound += gain * np.sin(harmonic * phase)
    sound *= 0.6 + 0.4 * np.sin(2 * np.pi * 4 * time - np.pi / 2)
    return level * sound / np.abs(sound).max()


def blocks(sound: np.ndarray, size: int = 1777) -> Iterator[Block]:
    samples = (np.clip(sound, -1, 1) * 32767).astype(np.int16)
    for at in range(0, len(samples), size):
        yield Block(at / SAMPLE_RATE, samples[at : at + size])


def noise(seconds: float, level: float, number: int = 0) -> np.ndarray:
    return np.random.default_rng(number).normal(0, level, int(seconds * SAMPLE_RATE))
