from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest

from dictate.exam.catalogue import Catalogue
from dictate.exam.reading import load_catalogue
from dictate.recognition.words import HeardPhrase, Word

ROOT = Path(__file__).resolve().parent.parent


# Tests that listen in real time have one process to themselves: one after the other.
_IN_REAL_TIME = ("live", "test_live_sessions_survive.py")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Keep the tests of a file in one process, so that what they share is made once."""
    for item in items:
        place = item.path.relative_to(ROOT / "tests")
        real = place.parts[0] in _IN_REAL_TIME or place.name in _IN_REAL_TIME
        item.add_marker(pytest.mark.xdist_group("real time" if real else str(place)))


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
