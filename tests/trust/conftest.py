from __future__ import annotations

from pathlib import Path

import pytest

from tests.trust.running import dictate, talk_file


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A session folder made from a short transcript; tests copy it before they change it."""
    place = tmp_path_factory.mktemp("made")
    done = dictate("convert", talk_file(place), "--out", place / "session")
    assert done.returncode == 0, done.stderr
    return place / "session"
