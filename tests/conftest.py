from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest

from dictate.exam.catalogue import Catalogue
from dictate.exam.reading import load_catalogue
from dictate.recognition.words import HeardPhrase, Word

ROOT = Path(__file__).resolve().parent.parent


@pytest.fixture(scope="session")
def exam() -> Catalogue:
    """The whole exam as installed."""
    return load_catalogue()


@pytest.fixture(scope="session")
def samples() -> Path:
    """The folder of sample recordings."""
    return ROOT / "sample_audio"


def spoken(lines: Sequence[str], pause: float = 1.0) -> list[HeardPhrase]:
    """Phrases as a recogniser would give them, a third of a second for each word."""
    phrases: list[HeardPhrase] = []
    start = 0.0
    for line in lines:
        words = line.split()
        heard = tuple(
            Word(text=word, start=start + place / 3, end=start + (place + 0.9) / 3)
            for place, word in enumerate(words)
        )
        end = start + len(words) / 3
        phrases.append(HeardPhrase(words=heard, start=start, end=end))
        start = end + pause
    return phrases
