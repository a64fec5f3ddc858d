"""Whatever kills a conversion: the journal stays readable and gives the same findings."""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

import dictate.session.journal as journal_module
from dictate import conversion
from dictate.errors import UserFault
from dictate.exam.reading import load_catalogue
from dictate.recognition.words import HeardPhrase
from dictate.session.entries import PhraseHeard
from dictate.session.journal import Journal, read_journal
from dictate.session.record import Session
from tests.trust.running import SHORT_TALK, dictate, one_sentence, talk_file, tiny_disk

# The time between phrases is stretched, so that a kill falls between or within any two of them.
SLOWLY = """
import sys, time
from pathlib import Path
import dictate.conversion as conversion
from dictate.exam.reading import load_catalogue
from dictate.cache import cache_folder
original = conversion.open_words
def slow(*arguments, **named):
    phrases, heard = original(*arguments, **named)
    def each():
        for phrase in phrases:
            time.sleep(0.001)
            yield phrase
    return each(), heard
conversion.open_words = slow
catalogue = load_catalogue(cache=cache_folder() / "exam")
Path(sys.argv[3]).touch()
conversion.convert(Path(sys.argv[1]), catalogue, Path(sys.argv[2]))
"""


def long_talk(folder: Path, lines: int = 300) -> Path:
    text = "".join(
        f"[{n // 60}:{n % 60:02}] pulse {60 + n % 40} and regular\n" for n in range(lines)
    )
    return talk_file(folder, text)


def phrases_of(folder: Path) -> list[HeardPhrase]:
    entries = read_journal(folder / "journal.jsonl").entries
    return [entry.phrase for entry in entries if isinstance(entry, PhraseHeard)]


def killed_at(size: int, wait: float, talk: Path, place: Path) -> Path:
    """A conversion killed ``wait`` seconds after its journal had so many bytes; its folder."""
    folder, ready = place / "session", place / "ready"
    child = subprocess.Popen(
        [sys.executable, "-c", SLOWLY, str(talk), str(folder), str(ready)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    journal = folder / "journal.jsonl"
    while child.poll() is None:
        if ready.exists() and (not size or (journal.exists() and journal.stat().st_size >= size)):
            break
        time.sleep(0.001)
    time.sleep(wait)
    child.send_signal(signal.SIGKILL)
    child.wait()
    return folder


def check_kills(count: int, place: Path, number: int) -> tuple[int, int]:
    talk = long_talk(place)
    whole = place / "whole"
    assert dictate("convert", talk, "--out", whole).returncode == 0
    everything = phrases_of(whole)
    assert len(everything) == 300
    written = (whole / "journal.jsonl").stat().st_size
    chance = random.Random(number)
    inside = torn = 0
    for run in range(count):
        spot = place / str(run)
        spot.mkdir()
        size = int(chance.uniform(0, 0.9) * written) if run % 10 else 0
        folder = killed_at(size, chance.uniform(0, 0.005), talk, spot)
        if not (folder / "journal.jsonl").exists() or not (folder / "journal.jsonl").stat().st_size:
            continue
        reading = read_journal(folder / "journal.jsonl")
        torn += bool(reading.torn_bytes)
        assert not [one for one in reading.problems if "not finished" not in one]
        kept = phrases_of(folder)
        assert kept == everything[: len(kept)]
        inside += 0 < len(kept) < len(everything)
        # The journal can be added to again and stays whole.
        journal, _ = Journal.reopen(folder)
        journal.close()
        assert read_journal(folder / "journal.jsonl").intact
        if run % 10 == 0 and kept:
            assert dictate("rebuild", folder).returncode == 0
            assert (folder / "note.md").stat().st_size > 0
    return inside, torn


def test_a_killed_conversion_keeps_what_was_written(tmp_path: Path) -> None:
    inside, torn = check_kills(6, tmp_path, 1)
    print(f"6 kills, {inside} within the writing, {torn} torn lines")
    assert inside >= 1


@pytest.mark.long
def test_two_hundred_kills(tmp_path: Path) -> None:
    inside, torn = check_kills(200, tmp_path, 2)
    print(f"\n200 kills, {inside} within the writing, {torn} torn lines")
    assert inside >= 50


def test_a_line_torn_at_any_byte_costs_that_line_alone(made: Path, tmp_path: Path) -> None:
    content = (made / "journal.jsonl").read_bytes()
    lines = content.splitlines(keepends=True)
    begin = len(content) - len(lines[-1])
    whole = len(read_journal(made / "journal.jsonl").entries)
    path = tmp_path / "journal.jsonl"
    for cut in range(begin + 1, len(content) - 1):
        path.write_bytes(content[:cut])
        reading = read_journal(path)
        assert len(reading.entries) == whole - 1
        assert reading.torn_bytes == cut - begin


@pytest.mark.skipif(sys.platform != "linux" or os.getuid() != 0, reason="may not mount a tmpfs")
def test_a_full_disk_is_one_sentence_and_the_journal_stays_whole(tmp_path: Path) -> None:
    disk = tmp_path / "disk"
    if not tiny_disk(disk):
        pytest.skip("a tmpfs cannot be mounted here")
    try:
        talk = long_talk(tmp_path, 3000)
        sentence = one_sentence(dictate("convert", talk, "--out", disk / "session"))
        assert "disk is full" in sentence
        reading = read_journal(disk / "session" / "journal.jsonl")
        assert reading.intact and len(reading.entries) > 100
        # With room again, everything written before is there.
        moved = Path(shutil.copytree(disk / "session", tmp_path / "moved"))
        assert dictate("rebuild", moved).returncode == 0
    finally:
        subprocess.run(["umount", str(disk)], check=True)


@pytest.mark.skipif(sys.platform != "linux" or os.getuid() != 0, reason="may not mount a tmpfs")
def test_a_disk_that_can_only_be_read_is_one_sentence(made: Path, tmp_path: Path) -> None:
    disk = tmp_path / "disk"
    if not tiny_disk(disk):
        pytest.skip("a tmpfs cannot be mounted here")
    try:
        (disk / "session").mkdir()
        shutil.copy(made / "journal.jsonl", disk / "session")
        subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
        assert "only be read" in one_sentence(dictate("rebuild", disk / "session"))
        fresh = dictate("convert", talk_file(tmp_path), "--out", disk / "other")
        assert "only be read" in one_sentence(fresh)
    finally:
        subprocess.run(["umount", str(disk)], check=True)


def test_a_clock_that_jumps_back_changes_no_finding(
    made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from datetime import datetime, timedelta, timezone

    moments = iter(
        datetime(2026, 1, 1, tzinfo=timezone.utc) + timedelta(days=(-1) ** n * 400 * n)
        for n in range(1000)
    )
    monkeypatch.setattr(conversion, "now", lambda: next(moments))
    catalogue = load_catalogue()
    session = conversion.convert(talk_file(tmp_path), catalogue, tmp_path / "session")
    assert read_journal(tmp_path / "session" / "journal.jsonl").intact
    usual = conversion.reopened(*conversion.opened(made), catalogue)
    assert session.findings and session.findings == usual.findings
    assert session.info.seconds == usual.info.seconds


def test_a_second_process_is_refused_and_changes_nothing(made: Path, tmp_path: Path) -> None:
    folder = Path(shutil.copytree(made, tmp_path / "session"))
    before = (folder / "journal.jsonl").read_bytes()
    journal, _ = Journal.reopen(folder)
    with journal:
        code = (
            "import sys; from pathlib import Path; from dictate.session.journal import Journal;"
            "Journal.reopen(Path(sys.argv[1]))"
        )
        other = subprocess.run(
            [sys.executable, "-c", code, str(folder)], capture_output=True, text=True, check=False
        )
        assert "open in another program" in other.stderr
        assert "open in another program" in one_sentence(
            dictate("convert", talk_file(tmp_path, SHORT_TALK), "--out", folder)
        )
        assert (folder / "journal.jsonl").read_bytes() == before
    assert (folder / "journal.jsonl").read_bytes() == before


def test_the_outputs_are_of_the_journal_beside_them(tmp_path: Path) -> None:
    # The outputs are written before another conversion can begin a journal in the folder.
    catalogue = load_catalogue(cache=tmp_path / "cache")
    folder = tmp_path / "session"
    told: list[str] = []

    def write(session: Session, head: str) -> None:
        assert head == read_journal(folder / "journal.jsonl").head
        with pytest.raises(UserFault, match="open in another program"):
            conversion.convert(talk_file(tmp_path, "[0:01] Pulse ninety."), catalogue, folder)
        told.append(head)

    for _ in range(2):  # The second time with an earlier journal that is moved aside.
        conversion.convert(talk_file(tmp_path), catalogue, folder, write=write)
    assert len(told) == 2
    assert len(list(folder.glob("journal-*.jsonl"))) == 1
    assert told[1] == read_journal(folder / "journal.jsonl").head


@pytest.mark.skipif(sys.platform == "win32", reason="an open file cannot be renamed there")
def test_a_journal_begun_in_the_same_moment_is_not_moved_aside(
    made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = Path(shutil.copytree(made, tmp_path / "session"))
    whole = (folder / "journal.jsonl").read_bytes()
    opened = journal_module._open_locked

    def late(path: Path, flags: int) -> int:
        descriptor = opened(path, flags)
        path.rename(tmp_path / "elsewhere")
        path.write_bytes(b"begun by another")
        return descriptor

    monkeypatch.setattr(journal_module, "_open_locked", late)
    with pytest.raises(UserFault, match="at this moment"):
        journal_module.set_aside(folder)
    assert (folder / "journal.jsonl").read_bytes() == b"begun by another"
    assert (tmp_path / "elsewhere").read_bytes() == whole
