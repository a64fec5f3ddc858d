"""A recogniser that dies in mid-session is started again, and nothing that was said is lost."""

from __future__ import annotations

import contextlib
import os
import queue
import secrets
import signal
import threading
import time
from collections.abc import Callable, Iterator
from multiprocessing.connection import Connection
from pathlib import Path

import numpy as np
import pytest
import soundfile

from dictate.audio.level import Level
from dictate.audio.segments import Span
from dictate.audio.source import SAMPLE_RATE, Samples
from dictate.exam.catalogue import Catalogue
from dictate.live.capture import FileMicrophone
from dictate.live.hearing import (
    Decoded,
    Failed,
    Listener,
    Ready,
    Report,
    Restarted,
    Task,
    still_wanted,
)
from dictate.live.session import Around, Ears, LiveSession
from dictate.live.sound_file import readable_sound
from dictate.session.entries import Notice, PhraseHeard
from tests.live.test_live_session import begun, kinds, pieces

PATIENCE = 120.0
SPAN = Span(
    0.0, np.zeros(400_000, dtype=np.int16), Level(None, None, None, 0.0)
)  # More than a pipe holds.
DEADLY = 3


def answer_until_killed(pipe: Connection, scratch: Path, lives: int) -> None:
    """A stand-in for a recogniser: dies ``lives`` times when it gets the deadly span.

    It takes nothing before the folder ``go`` stands beside its scratch folder.
    """
    pipe.send(Ready("stand-in", str(os.getpid())))
    while not scratch.with_name("go").exists():
        time.sleep(0.01)
    while True:
        try:
            task = pipe.recv()
        except (EOFError, OSError):
            return
        died = len(list(scratch.iterdir()))
        if task.number == DEADLY and died < lives:
            (scratch / str(died)).touch()
            os.kill(os.getpid(), signal.SIGKILL)
        pipe.send(Decoded(task.number, (), 0.0))


def listener(scratch: Path, lives: int) -> tuple[Listener, queue.SimpleQueue[Report]]:
    reports: queue.SimpleQueue[Report] = queue.SimpleQueue()
    deaths = scratch / "deaths"
    deaths.mkdir()
    made = Listener(answer_until_killed, (deaths, lives), reports.put)
    made.wait_until_ready()
    return made, reports


def test_what_was_not_answered_is_decoded_by_the_next_process(tmp_path: Path) -> None:
    made, reports = listener(tmp_path, 1)
    for number in range(1, 7):
        made.send("span", number, SPAN, False)
    # Whoever writes the sound is not held up by a full pipe: this line would not be reached.
    (tmp_path / "go").mkdir()
    got = [reports.get(timeout=PATIENCE) for _ in range(7)]
    assert sum(isinstance(report, Restarted) for report in got) == 1
    assert [one.number for one in got if isinstance(one, Decoded)] == [1, 2, 3, 4, 5, 6]
    assert made.pending == 0
    made.close()


def test_one_that_dies_again_has_failed(tmp_path: Path) -> None:
    made, reports = listener(tmp_path, 2)
    (tmp_path / "go").mkdir()
    for number in range(1, 5):
        made.send("span", number, SPAN, False)
    got = [reports.get(timeout=PATIENCE) for _ in range(4)]
    assert [type(one) for one in got] == [Decoded, Decoded, Restarted, Failed]
    assert made.pending == 0
    made.close()


def test_a_wrong_guess_and_what_is_only_shown_are_not_decoded_again() -> None:
    def tasks(*given: tuple[str, int, bool]) -> list[Task]:
        return [Task(kind, number, SPAN, again) for kind, number, again in given]  # type: ignore[arg-type]

    sent = tasks(
        ("guess", 1, False), ("span", 2, True), ("partial", 0, False), ("guess", 3, False),
        ("partial", 0, True), ("span", 4, False), ("guess", 5, False),
    )  # fmt: skip
    assert [task.number for task in still_wanted(sent)] == [2, 4, 5]


@pytest.fixture
def talk_alone(
    exam: Catalogue, monkeypatch: pytest.MonkeyPatch
) -> Iterator[tuple[Ears, Callable[[], int]]]:
    """A recogniser without commands, and what kills it whatever process it is in just now."""
    mark = secrets.token_hex(8)
    monkeypatch.setenv("DICTATE_TEST_MARK", mark)
    ears = Ears.open(exam, None, None)

    def found() -> set[int]:
        pids = set()
        for entry in Path("/proc").iterdir():
            try:
                if entry.name.isdigit() and mark.encode() in (entry / "environ").read_bytes():
                    if b"resource_tracker" not in (entry / "cmdline").read_bytes():
                        pids.add(int(entry.name))
            except OSError:
                continue
        return pids

    def kill() -> int:
        halted: set[int] = set()
        while fresh := found() - halted:  # It copies itself, so that all have to stand still.
            for pid in fresh:
                with contextlib.suppress(ProcessLookupError):
                    os.kill(pid, signal.SIGSTOP)
            halted |= fresh
        for pid in halted:
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        return len(halted)

    yield ears, kill
    ears.close()


needs_proc = pytest.mark.skipif(not Path("/proc/self/environ").exists(), reason="there is no /proc")


def words_of(folder: Path) -> str:
    return " ".join(entry.phrase.text for entry in kinds(folder, PhraseHeard))  # type: ignore[union-attr]


def notices(folder: Path) -> str:
    return " ".join(entry.sentence for entry in kinds(folder, Notice))  # type: ignore[union-attr]


@needs_proc
def test_a_session_goes_on_after_its_recogniser_was_killed(
    exam: Catalogue,
    talk_alone: tuple[Ears, Callable[[], int]],
    talk: Samples,
    tmp_path: Path,
) -> None:
    ears, kill = talk_alone
    spoken = tmp_path / "spoken.wav"
    soundfile.write(spoken, talk[: 26 * SAMPLE_RATE], SAMPLE_RATE)
    lines: list[str] = []
    session = begun(tmp_path / "live", exam, ears, Around(line=lines.append))
    killed: list[int] = []
    clock = threading.Timer(2.0, lambda: killed.append(kill()))
    clock.start()
    ending = session.run(FileMicrophone(spoken, 5))
    clock.join()
    assert killed and killed[0] >= 1
    assert ending == "over"
    session.finish()
    told = notices(tmp_path / "live")
    assert told.count("is started again") == 1
    assert any("is started again" in line for line in lines)
    sound = np.concatenate(list(readable_sound(tmp_path / "live" / "sound.flac")))
    assert np.array_equal(sound, np.concatenate(list(FileMicrophone(spoken).pieces())))
    words = words_of(tmp_path / "live")
    for before_and_after in ("vital signs", "right arm", "strike that", "regular"):
        assert before_and_after in words


@needs_proc
def test_killed_twice_it_ends_and_taken_up_again_everything_is_there(
    exam: Catalogue,
    ears: Ears,
    talk_alone: tuple[Ears, Callable[[], int]],
    talk: Samples,
    tmp_path: Path,
) -> None:
    folder = tmp_path / "live"
    session = begun(folder, exam, talk_alone[0])

    def with_deaths() -> Iterator[Samples]:
        for place, piece in enumerate(pieces(talk, session)):
            if place * len(piece) in (12 * SAMPLE_RATE, 24 * SAMPLE_RATE):
                assert talk_alone[1]() >= 1
            yield piece

    assert session.listening.play(with_deaths()) == "failed"
    session.leave()
    before = words_of(folder)
    assert "oxygen saturation" not in before
    held = session.listening.sound.seconds
    assert held > 12
    again = LiveSession.take_up(folder, exam, ears, Around())
    again.hear_the_rest()
    done = again.finish()
    assert words_of(folder).startswith(before)
    assert done.info.seconds == pytest.approx(held, abs=0.3)
    heard_to = max(phrase.end for phrase in done.phrases)
    assert heard_to > held - 6, "what was said before the second death was not heard"
