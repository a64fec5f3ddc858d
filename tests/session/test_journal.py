"""The journal keeps what it was given, notices damage, and refuses what it cannot do safely."""

from __future__ import annotations

import errno
import json
import os
import stat
import subprocess
import sys
from datetime import datetime, timezone
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dictate.errors import UserFault
from dictate.recognition.words import HeardPhrase, NumberDoubt, Word
from dictate.session import journal as journal_module
from dictate.session.entries import (
    Mark,
    Notice,
    PhraseHeard,
    SessionEnd,
    SessionStart,
    Signature,
    SpokenCommand,
)
from dictate.session.journal import NOTHING_BEFORE, Journal, hash_of, read_journal
from dictate.session.record import SessionInfo

WHEN = datetime(2026, 3, 4, 9, 30, tzinfo=timezone.utc)
INFO = SessionInfo(
    id="practice-7",
    started=WHEN,
    sound_name="practice.flac",
    sound_sha256="ab" * 32,
    seconds=61.5,
    engine="pocketsphinx",
    engine_version="5.1",
    program_version="0.1.0",
    exam_version="12" * 32,
)
START = SessionStart(at=WHEN, info=INFO)


def phrase(text: str, start: float = 1.0) -> PhraseHeard:
    words = tuple(
        Word(text=word, start=start + 0.3 * place, end=start + 0.3 * place + 0.25, confidence=0.5)
        for place, word in enumerate(text.split(" "))
    )
    heard = HeardPhrase(
        words=words,
        start=start,
        end=words[-1].end,
        confidence=0.1,
        number_doubts=(NumberDoubt(first=0, last=0, alternatives=("eighty",)),),
    )
    return PhraseHeard(at=WHEN, phrase=heard)


def write_five(folder: Path) -> Path:
    """A journal of five lines: start, three phrases, end."""
    with Journal.create(folder, START) as journal:
        for place, text in enumerate(("pulse is", "eighty two", "and regular")):
            journal.add(phrase(text, place * 2.0))
        journal.add(SessionEnd(at=WHEN, seconds=61.5))
    return folder / "journal.jsonl"


def test_everything_written_is_read_back(tmp_path: Path) -> None:
    entries = [
        phrase('he said "left", \\ <script> \u2028 ärm\n'),
        SpokenCommand(at=WHEN, name="pause", words="pause recording", seconds=3),
        Mark(at=WHEN, seconds=4.25, text="look here"),
        Notice(at=WHEN, sentence="The sound is very low."),
        Signature(at=WHEN, by="learner-4", role="learner"),
        SessionEnd(at=WHEN, seconds=61.5),
    ]
    with Journal.create(tmp_path / "new" / "session", START) as journal:
        heads = [journal.add(entry) for entry in entries]
    reading = read_journal(tmp_path / "new" / "session" / "journal.jsonl")
    assert reading.entries == (START, *entries)
    assert reading.intact
    assert reading.head == heads[-1]
    assert reading.last_line == 7


def test_each_line_carries_the_hash_of_the_line_before(tmp_path: Path) -> None:
    lines = write_five(tmp_path).read_bytes().splitlines()
    carried = [json.loads(line)["previous"] for line in lines]
    assert carried == [NOTHING_BEFORE, *(hash_of(line) for line in lines[:-1])]


def test_files_are_for_the_owner_alone(tmp_path: Path) -> None:
    old = os.umask(0)
    try:
        path = write_five(tmp_path / "session")
    finally:
        os.umask(old)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700


@pytest.mark.parametrize("kept", [1, 10, 60, -1])
def test_a_torn_last_line_is_dropped_with_a_warning(tmp_path: Path, kept: int) -> None:
    path = write_five(tmp_path)
    lines = path.read_bytes().splitlines()
    path.write_bytes(b"\n".join([*lines[:-1], lines[-1][:kept]]))
    reading = read_journal(path)
    assert len(reading.entries) == 4
    assert len(reading.problems) == 1 and "line (5) was not finished" in reading.problems[0]


def test_a_missing_last_line_feed_loses_nothing(tmp_path: Path) -> None:
    path = write_five(tmp_path)
    path.write_bytes(path.read_bytes()[:-1])
    assert read_journal(path).intact
    journal, reading = Journal.reopen(tmp_path)
    with journal:
        journal.add(Mark(at=WHEN, seconds=1))
    assert len(reading.entries) == 5
    after = read_journal(path)
    assert after.intact and len(after.entries) == 6


def test_zeros_after_a_power_cut_are_a_torn_line(tmp_path: Path) -> None:
    path = write_five(tmp_path)
    path.write_bytes(path.read_bytes() + b"\x00" * 4096)
    assert len(read_journal(path).entries) == 5
    journal, _ = Journal.reopen(tmp_path)
    with journal:
        journal.add(Mark(at=WHEN, seconds=1))
    after = read_journal(path)
    assert after.intact
    assert [entry.kind for entry in after.entries[-2:]] == ["notice", "mark"]


def test_a_damaged_line_in_the_middle_is_named_and_the_rest_read(tmp_path: Path) -> None:
    path = write_five(tmp_path)
    lines = path.read_bytes().splitlines()
    lines[2] = lines[2][:40] + b"\xff\xfe" + lines[2][42:]
    path.write_bytes(b"\n".join(lines) + b"\n")
    reading = read_journal(path)
    assert reading.problems == ("Line 3 is damaged and is left out.",)
    assert [entry.kind for entry in reading.entries] == ["start", "phrase", "phrase", "end"]


@pytest.mark.parametrize("changed", [1, 2, 3])
def test_a_line_changed_by_hand_is_named_alone(tmp_path: Path, changed: int) -> None:
    path = write_five(tmp_path)
    lines = path.read_bytes().splitlines()
    lines[changed] = lines[changed].replace(b'"confidence":0.5', b'"confidence":0.9')
    path.write_bytes(b"\n".join(lines) + b"\n")
    reading = read_journal(path)
    assert len(reading.problems) == 1
    assert f"Line {changed + 1} was changed after it was written" in reading.problems[0]
    assert len(reading.entries) == 4


def test_a_removed_line_and_swapped_lines_are_noticed(tmp_path: Path) -> None:
    path = write_five(tmp_path)
    lines = path.read_bytes().splitlines()
    path.write_bytes(b"\n".join(lines[:2] + lines[3:]) + b"\n")
    removed = read_journal(path)
    assert removed.problems == ("Between lines 2 and 3 1 line(s) are missing.",)
    assert len(removed.entries) == 4
    path.write_bytes(b"\n".join([lines[0], lines[2], lines[1], *lines[3:]]) + b"\n")
    assert any("out of order" in problem for problem in read_journal(path).problems)


@pytest.mark.parametrize(
    "content", [b"", b"\n\n", b"hello\n", b'{"line": 1}\n', b"\x00" * 100, b"\x1f\x8b\x08junk"]
)
def test_a_foreign_file_is_refused_in_a_sentence(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "journal.jsonl"
    path.write_bytes(content)
    with pytest.raises(UserFault, match="not a journal"):
        read_journal(path)


def test_a_journal_without_its_beginning_is_refused(tmp_path: Path) -> None:
    path = write_five(tmp_path)
    path.write_bytes(b"\n".join(path.read_bytes().splitlines()[1:]) + b"\n")
    with pytest.raises(UserFault, match="does not begin with the start of a session"):
        read_journal(path)


def test_reopening_continues_the_chain(tmp_path: Path) -> None:
    path = write_five(tmp_path)
    journal, reading = Journal.reopen(tmp_path)
    assert journal.head == reading.head
    with journal:
        journal.add(Signature(at=WHEN, by="teacher-2", role="instructor"))
    after = read_journal(path)
    assert after.intact and len(after.entries) == 6


def test_reopening_a_torn_journal_keeps_the_torn_bytes_in_a_notice(tmp_path: Path) -> None:
    path = write_five(tmp_path)
    with path.open("ab") as file:
        file.write(b'{"line":6,"previous":"ab')
    journal, _ = Journal.reopen(tmp_path)
    journal.close()
    after = read_journal(path)
    assert after.intact
    last = after.entries[-1]
    assert isinstance(last, Notice) and last.detail == '{"line":6,"previous":"ab'


def test_two_holders_of_one_session_are_refused(tmp_path: Path) -> None:
    write_five(tmp_path)
    journal, _ = Journal.reopen(tmp_path)
    program = (
        "import sys; from pathlib import Path\n"
        "from dictate.errors import UserFault\n"
        "from dictate.session.journal import Journal\n"
        "try:\n    Journal.reopen(Path(sys.argv[1]))\n"
        "except UserFault as fault:\n    print(fault)\n"
        "else:\n    print('opened')\n"
    )

    def other_process() -> str:
        done = subprocess.run(
            [sys.executable, "-c", program, str(tmp_path)],
            capture_output=True,
            text=True,
            check=True,
            cwd=Path(__file__).parents[2],
        )
        return done.stdout.strip()

    with journal:
        assert "is open in another program" in other_process()
        with pytest.raises(UserFault, match="open in another program"):
            Journal.reopen(tmp_path)
    assert other_process() == "opened"


def test_a_session_is_never_begun_over_another(tmp_path: Path) -> None:
    before = write_five(tmp_path).read_bytes()
    with pytest.raises(UserFault, match="There is a session in"):
        Journal.create(tmp_path, START)
    assert (tmp_path / "journal.jsonl").read_bytes() == before


def test_a_killed_writer_leaves_a_readable_journal_and_no_lock(tmp_path: Path) -> None:
    program = (
        "import os, sys; sys.path[:0] = [sys.argv[2], sys.argv[3]]\n"
        "from pathlib import Path\n"
        "import test_journal as t\n"
        "journal = t.Journal.create(Path(sys.argv[1]), t.START)\n"
        "for number in range(50):\n    journal.add(t.phrase('again', float(number)))\n"
        "os.kill(os.getpid(), 9)\n"
    )
    here = Path(__file__).parent
    done = subprocess.run(
        [sys.executable, "-c", program, str(tmp_path), str(here), str(here.parents[1])],
        check=False,
    )
    assert done.returncode == -9
    journal, reading = Journal.reopen(tmp_path)
    journal.close()
    assert reading.intact and len(reading.entries) == 51


@pytest.mark.parametrize(
    ("number", "told"),
    [(errno.ENOSPC, "disk is full"), (errno.EROFS, "only be read"), (errno.EIO, "cannot be used")],
)
def test_a_failing_disk_loses_nothing_written_before(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int, told: str
) -> None:
    path = write_five(tmp_path)
    before = path.read_bytes()
    journal, _ = Journal.reopen(tmp_path)
    real = os.write

    with journal:
        calls = iter([True])

        def write(descriptor: int, content: bytes) -> int:
            if next(calls, False):
                return real(descriptor, bytes(content[:20]))
            raise OSError(number, os.strerror(number))

        monkeypatch.setattr(os, "write", write)
        with pytest.raises(UserFault, match=told):
            journal.add(Mark(at=WHEN, seconds=1))
        monkeypatch.undo()
        assert path.read_bytes() == before
        journal.add(Mark(at=WHEN, seconds=2))  # there is room again
    after = read_journal(path)
    assert after.intact and len(after.entries) == 6


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full on this system")
def test_a_really_full_device_is_told_in_a_sentence() -> None:
    descriptor = os.open("/dev/full", os.O_WRONLY)
    journal = Journal(Path("/dev/full"), descriptor, NOTHING_BEFORE, 0, 0)
    try:
        with pytest.raises(UserFault, match="disk is full"):
            journal.add(START)
    finally:
        os.close(descriptor)


@pytest.mark.skipif(os.geteuid() == 0, reason="the super-user may write everywhere")
def test_a_read_only_folder_is_told_in_a_sentence(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    with pytest.raises(UserFault, match="permissions"):
        Journal.create(tmp_path, START)


def test_a_file_in_place_of_the_folder_is_told(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("x")
    with pytest.raises(UserFault, match="is a file and not a folder"):
        Journal.create(tmp_path / "taken", START)
    with pytest.raises(UserFault, match="There is no session in"):
        Journal.reopen(tmp_path / "absent")


def test_what_would_not_read_back_is_refused(tmp_path: Path) -> None:
    with Journal.create(tmp_path, START) as journal:
        with pytest.raises(ValueError, match="read back"):
            journal.add(Mark.model_construct(at=WHEN, seconds=float("inf")))
        journal.add(Mark(at=WHEN, seconds=1))
    assert read_journal(tmp_path / "journal.jsonl").intact


def test_phrases_are_synced_at_intervals_and_facts_by_people_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    synced: list[int] = []
    clock = [100.0]
    monkeypatch.setattr(journal_module.os, "fsync", synced.append)
    monkeypatch.setattr(journal_module.time, "monotonic", lambda: clock[0])
    with Journal.create(tmp_path, START) as journal:
        assert len(synced) == 1
        journal.add(phrase("one"))
        assert len(synced) == 1
        clock[0] += 2.5
        journal.add(phrase("two"))
        assert len(synced) == 2
        journal.add(Signature(at=WHEN, by="learner-4", role="learner"))
        assert len(synced) == 3


@given(st.lists(st.text(st.characters(exclude_categories=["Cs"]), max_size=80), max_size=12))
@settings(max_examples=50, deadline=None)
def test_any_text_comes_back(tmp_path_factory: pytest.TempPathFactory, texts: list[str]) -> None:
    folder = tmp_path_factory.mktemp("any")
    with Journal.create(folder, START) as journal:
        for text in texts:
            journal.add(Mark(at=WHEN, seconds=0, text=text))
    reading = read_journal(folder / "journal.jsonl")
    assert reading.intact
    assert [entry.text for entry in reading.entries if isinstance(entry, Mark)] == texts


@given(data=st.data())
@settings(max_examples=120, deadline=None)
def test_no_single_changed_byte_goes_unnoticed_and_none_stops_the_reading(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    path = write_five(tmp_path_factory.mktemp("byte"))
    content = bytearray(path.read_bytes())
    lines = content.split(b"\n")
    last_begins = len(content) - len(lines[-2]) - 1
    first_ends = len(lines[0])
    place = data.draw(st.integers(first_ends + 1, last_begins - 2))
    change = data.draw(st.integers(1, 255))
    content[place] ^= change
    path.write_bytes(bytes(content))
    reading = read_journal(path)
    assert not reading.intact
    assert len(reading.entries) >= 2
