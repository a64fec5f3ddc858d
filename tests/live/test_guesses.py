"""A guess that was wrong is told to the recogniser before anything else is asked of it."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from dictate.audio.segments import Span
from dictate.audio.source import SAMPLE_RATE, Samples
from dictate.exam.catalogue import Catalogue
from dictate.live.capture import Sound
from dictate.live.hearing import TaskKind
from dictate.live.session import Ears
from tests.live.test_live_session import BLOCK, begun


class Recording:
    """In place of a recogniser: keeps what it is asked."""

    name, version, pending = "none", "", 0

    def __init__(self) -> None:
        self.asked: list[tuple[TaskKind, bool]] = []

    def send(self, kind: TaskKind, number: int, span: Span, again: bool) -> None:
        self.asked.append((kind, again))

    def close(self) -> None:
        pass


def test_what_is_shown_after_a_wrong_guess_undoes_it_first(
    exam: Catalogue, talk: Samples, tmp_path: Path
) -> None:
    talking = Recording()
    session = begun(tmp_path / "live", exam, Ears(talking, None))  # type: ignore[arg-type]
    quiet = np.random.default_rng(1).normal(0, 10, SAMPLE_RATE).astype(np.int16)
    said = talk[round(20.2 * SAMPLE_RATE) : round(21.8 * SAMPLE_RATE)]
    short_pause = quiet[: round(0.38 * SAMPLE_RATE)]
    sound = np.concatenate([quiet, said, short_pause, said, quiet])
    for at in range(0, len(sound), BLOCK):
        session.listening._take(Sound(sound[at : at + BLOCK], 100 + at / SAMPLE_RATE))
    session.leave()
    guess = talking.asked.index(("guess", False))
    assert talking.asked[guess + 1] == ("partial", True), talking.asked
    assert sum(again for _, again in talking.asked) == 1
