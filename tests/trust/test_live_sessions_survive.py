"""A live session that is killed at any moment keeps its sound and its words and can be ended."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from dictate.live.sound_file import SOUND_NAME, readable_sound
from dictate.session.entries import PhraseHeard, SessionEnd
from dictate.session.journal import read_journal
from tests.trust.running import ROOT, dictate, one_sentence, tiny_disk

RATE = 16_000
MOST_LOST = 1.0
"""Seconds of sound that a kill may cost, as the README promises."""

# The sound that the session took until now is counted outside of it.
PLAYING = """
import os, sys
from dictate.live import listening
from dictate.__main__ import main
counted = os.open(sys.argv.pop(1), os.O_WRONLY | os.O_CREAT)
taken, original = 0, listening.Listening._hear
def hear(self, sound):
    global taken
    taken += len(sound.samples)
    os.pwrite(counted, b"%012d" % taken, 0)
    return original(self, sound)
listening.Listening._hear = hear
main()
"""


def killed_after(seconds: float, samples: Path, place: Path) -> tuple[Path, float]:
    """A session that heard for ``seconds`` and was killed; its folder and the seconds it took."""
    folder, counted = place / "session", place / "counted"
    arguments = ["listen", "--from", samples / "short.opus", "--out", folder, "--plain"]
    child = subprocess.Popen(
        [sys.executable, "-c", PLAYING, counted, *arguments, "--no-check", "--consent", "T"],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        cwd=ROOT,
    )
    try:
        until = time.monotonic() + 300
        while taken_seconds(counted) < seconds and time.monotonic() < until:
            assert child.poll() is None, "the session ended before it was killed"
            time.sleep(0.005)
    finally:
        child.send_signal(signal.SIGKILL)
        child.wait()
    return folder, taken_seconds(counted)


def taken_seconds(counted: Path) -> float:
    content = counted.read_bytes() if counted.exists() else b""
    return int(content or b"0") / RATE


def kept_seconds(folder: Path) -> float:
    if not (folder / SOUND_NAME).is_file():
        return 0.0
    return sum(len(piece) for piece in readable_sound(folder / SOUND_NAME)) / RATE


def check_kills(moments: list[float], samples: Path, place: Path) -> float:
    worst = 0.0
    for number, moment in enumerate(moments):
        spot = place / str(number)
        spot.mkdir()
        folder, heard = killed_after(moment, samples, spot)
        reading = read_journal(folder / "journal.jsonl")
        assert not [one for one in reading.problems if "not finished" not in one]
        lost = heard - kept_seconds(folder)
        worst = max(worst, lost)
        assert lost <= MOST_LOST, f"killed after {heard:.2f} s, {lost:.2f} s of sound are lost"
        if number % 10 == 0:
            done = dictate("resume", folder, "--finish")
            assert done.returncode == 0, done.stderr
            after = read_journal(folder / "journal.jsonl")
            assert any(isinstance(entry, SessionEnd) for entry in after.entries)
            assert (folder / "note.md").stat().st_size > 0
            assert after.entries[: len(reading.entries)] == reading.entries
    return worst


@pytest.mark.slow
def test_a_killed_live_session_loses_less_than_a_second(samples: Path, tmp_path: Path) -> None:
    worst = check_kills([4.3, 1.7], samples, tmp_path)
    print(f"2 kills of a live session, at most {worst:.2f} s of sound lost")


@pytest.mark.long
def test_two_hundred_kills_of_a_live_session(samples: Path, tmp_path: Path) -> None:
    chance = random.Random(3)
    worst = check_kills([chance.uniform(0.2, 8) for _ in range(200)], samples, tmp_path)
    print(f"\n200 kills of a live session, at most {worst:.2f} s of sound lost")


def running(folder: Path, samples: Path) -> subprocess.Popen[bytes]:
    """A session that has written its first phrase."""
    child = subprocess.Popen(
        [
            sys.executable, "-m", "dictate", "listen", "--from", str(samples / "short.opus"),
            "--speed", "3", "--out", str(folder), "--plain", "--consent", "T",
        ],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        cwd=ROOT,
    )  # fmt: skip
    journal = folder / "journal.jsonl"
    for _ in range(3000):
        if child.poll() is not None:
            break
        if journal.exists() and b'"kind":"phrase"' in journal.read_bytes():
            break
        time.sleep(0.02)
    return child


def refused(child: subprocess.Popen[bytes]) -> str:
    """The sentence with which a running session ended; nothing else may follow the usual lines."""
    _, told = child.communicate(timeout=300)
    lines = told.decode().splitlines()
    assert child.returncode == 2, told
    assert [line for line in lines if "Traceback" in line or "callback" in line] == []
    assert lines[-1].startswith("dictate: "), told
    assert sum(line.startswith("dictate: ") for line in lines) == 1
    return lines[-1]


def check_all_there(folder: Path, *command: str) -> None:
    """After the cure: every line from before, and words up to the last of the sound."""
    before = read_journal(folder / "journal.jsonl").entries
    kept = kept_seconds(folder)
    assert kept > 2
    done = dictate(*command)
    assert done.returncode == 0, done.stderr
    after = read_journal(folder / "journal.jsonl")
    assert after.intact
    assert after.entries[: len(before)] == before
    ends = [entry for entry in after.entries if isinstance(entry, SessionEnd)]
    assert ends and abs(ends[-1].seconds - kept) < 0.3
    assert (folder / "note.md").stat().st_size > 0
    heard = [entry.phrase.end for entry in after.entries if isinstance(entry, PhraseHeard)]
    assert heard[-1] > kept - 8


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux" or os.getuid() != 0, reason="may not mount a tmpfs")
def test_a_disk_that_fills_up_ends_a_running_session_in_one_sentence(
    samples: Path, tmp_path: Path
) -> None:
    disk = tmp_path / "disk"
    if not tiny_disk(disk):
        pytest.skip("a tmpfs cannot be mounted here")
    try:
        folder = disk / "session"
        sentence = refused(running(folder, samples))
        assert "disk is full" in sentence and f"'dictate resume {folder}'" in sentence
        # Without more room it is the same sentence again, and nothing gets lost by it.
        held = kept_seconds(folder)
        again = dictate("resume", folder, "--finish")
        assert again.returncode == 2 and "disk is full" in again.stderr
        assert kept_seconds(folder) == held
        assert not list(folder.glob(".*.part"))
        subprocess.run(["mount", "-o", "remount,size=32m", str(disk)], check=True)
        check_all_there(folder, "resume", str(folder), "--finish")
    finally:
        subprocess.run(["umount", str(disk)], check=True)


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="limits of another process are Linux's")
def test_a_file_that_may_not_grow_ends_a_running_session_in_one_sentence(
    samples: Path, tmp_path: Path
) -> None:
    import resource

    folder = tmp_path / "session"
    child = running(folder, samples)
    size = (folder / SOUND_NAME).stat().st_size + 50_000
    resource.prlimit(child.pid, resource.RLIMIT_FSIZE, (size, size))  # type: ignore[attr-defined]
    sentence = refused(child)
    assert "may not grow" in sentence and f"'dictate resume {folder}'" in sentence
    check_all_there(folder, "resume", str(folder), "--finish")


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux" or os.getuid() != 0, reason="may not mount a folder")
def test_of_a_folder_that_becomes_read_only_nothing_but_the_outputs_is_missing(
    samples: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "session"
    child = running(folder, samples)
    # Meanwhile no other program may have it.
    assert "open in another program" in one_sentence(dictate("resume", folder, "--finish"))
    assert child.poll() is None
    # The open files can be written on, but nothing new can be made beside them.
    made = subprocess.run(["mount", "--bind", str(folder), str(folder)], check=False)
    if made.returncode:
        child.kill()
        child.wait()
        pytest.skip("a folder cannot be mounted here")
    try:
        subprocess.run(["mount", "-o", "remount,bind,ro", str(folder)], check=True)
        child.send_signal(signal.SIGINT)
        sentence = refused(child)
        assert "only be read" in sentence and f"'dictate rebuild {folder}'" in sentence
        assert not (folder / "note.md").exists()
    finally:
        subprocess.run(["umount", str(folder)], check=True)
    check_all_there(folder, "rebuild", str(folder))
