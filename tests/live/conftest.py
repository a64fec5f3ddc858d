from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile

from dictate.audio.recording import Recording
from dictate.audio.source import SAMPLE_RATE, Samples
from dictate.exam.catalogue import Catalogue
from dictate.live.command_words import load_command_words
from dictate.live.session import Ears


@pytest.fixture(scope="session")
def ears(exam: Catalogue) -> Iterator[Ears]:
    """Both processes that hear, loaded once."""
    both = Ears.open(exam, load_command_words(), None)
    yield both
    both.close()


@pytest.fixture
def fresh_ears(exam: Catalogue) -> Iterator[Ears]:
    """Processes that have heard nothing yet, where every word has to be alike."""
    both = Ears.open(exam, load_command_words(), None)
    yield both
    both.close()


@pytest.fixture(scope="session")
def talk(samples: Path) -> Samples:
    """The first 45 seconds of a sample: a pressure, a slip taken back, a pulse, a correction."""
    blocks = [block.samples for block in Recording(samples / "flawed.flac").blocks()]
    return np.concatenate(blocks)[: 45 * SAMPLE_RATE]


@pytest.fixture(scope="session")
def talk_file(talk: Samples, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("talk") / "talk.wav"
    soundfile.write(path, talk, SAMPLE_RATE)
    return path
