"""The index: what it takes in, what it reads again, and what it forgets."""

from __future__ import annotations

import os
import shutil
import sqlite3
import stat
from pathlib import Path

import pytest

from dictate.cohort import refreshing
from dictate.cohort.digest import Digest, Judge
from dictate.cohort.digesting import checklist_for, digest_folder
from dictate.cohort.index import INDEX_NAME, Index, Stamp, forget_rows
from dictate.cohort.refreshing import index_of, refresh
from dictate.conversion import opened, reopened
from dictate.errors import UserFault
from dictate.session.entries import Confirmation, now
from dictate.session.journal import JOURNAL_NAME, Journal
from tests.cohort.folders import VITALS, made_session

TABLES = ("session", "spoken", "told", "raised", "reached", "spent", "expected", "judge")


@pytest.fixture
def cohort(tmp_path: Path) -> Path:
    made_session(tmp_path / "ann" / "one.session")
    made_session(tmp_path / "ann" / "two.session", day=7)
    made_session(tmp_path / "bob" / "one.session", VITALS[:2], learner="bob")
    return tmp_path


def content(folder: Path) -> dict[str, list[tuple[object, ...]]]:
    """Every row but the numbers of rows, in an order of its own."""
    with Index.open(index_of(folder)) as index:
        rows = {}
        for table in TABLES:
            names = [row[1] for row in index.connection.execute(f"PRAGMA table_info({table})")]
            kept = [name for name in names if name not in ("id", "session", "item", "judge")]
            joins = " LEFT JOIN item ON item.id = t.item" if "item" in names else ""
            extra = ", item.name" if "item" in names else ""
            rows[table] = sorted(
                index.connection.execute(
                    f"SELECT {', '.join(f't.{name}' for name in kept)}{extra} FROM {table} t{joins}"
                ),
                key=repr,
            )
        return rows


def test_the_digest_holds_what_was_said(cohort: Path) -> None:
    got = digest_folder(cohort / "ann" / "one.session")
    assert (got.learner, got.partner, got.problem) == ("ann", "p1", "")
    told = {(one.item, one.side): (one.number, one.second) for one in got.told}
    assert told["vitals.blood_pressure", "right"] == (118, 76)
    assert told["vitals.pulse_rate", ""] == (72, None)
    assert told["vitals.respiratory_rate", ""] == (16, None)
    levels = {(one.item, one.side): one.level for one in got.spoken}
    assert levels["vitals.blood_pressure", "right"] == 3
    assert ("vitals.blood_pressure", "left") not in levels
    assert "single_arm" in {one.rule for one in got.raised}
    assert got.results == len([one for one in got.told if one.status or one.number is not None])


def test_only_what_changed_is_read_again(cohort: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    read: list[Path] = []

    def noted(folder: Path) -> Digest:
        read.append(folder)
        return digest_folder(folder)

    monkeypatch.setattr(refreshing, "digest_folder", noted)
    with Index.open(index_of(cohort)) as index:
        assert refresh(index, cohort).read == 3
        read.clear()
        assert refresh(index, cohort).read == 0
        assert read == []
        new = made_session(cohort / "bob" / "two.session", learner="bob", day=7)
        assert (refresh(index, cohort).read, read) == (1, [new])
        # The same content with another time is not read as a session again.
        os.utime(new / JOURNAL_NAME, ns=(1, 1))
        assert refresh(index, cohort).read == 0
        # A correction makes the journal longer, and that one session is read.
        first = cohort / "ann" / "one.session"
        session_read = digest_folder(first)
        read.clear()
        journal, reading = Journal.reopen(first)
        with journal:
            info, reading = opened(first)
            finding = reopened(info, reading, checklist_for("usual").catalogue).findings[0]
            journal.add(Confirmation(at=now(), by="ann", seen=finding))
        assert (refresh(index, cohort).read, read) == (1, [first])
        held = dict(index.connection.execute("SELECT path, content FROM session"))
        assert held["ann/one.session"] != session_read.content_sha256


def test_it_can_be_built_again_and_says_the_same(cohort: Path) -> None:
    with Index.open(index_of(cohort)) as index:
        refresh(index, cohort)
    made_session(cohort / "cat" / "one.session", learner="cat")
    shutil.rmtree(cohort / "ann" / "two.session")
    with Index.open(index_of(cohort)) as index:
        done = refresh(index, cohort)
    assert (done.read, done.removed) == (1, 1)
    grown = content(cohort)
    (cohort / INDEX_NAME).unlink()
    with Index.open(index_of(cohort)) as index:
        refresh(index, cohort)
    assert content(cohort) == grown
    assert len(grown["session"]) == 3


def test_reading_with_processes_gives_the_same(
    cohort: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Index.open(index_of(cohort)) as index:
        refresh(index, cohort)
    alone = content(cohort)
    monkeypatch.setattr(refreshing, "_WORTH_PROCESSES", 2)
    with Index.open(index_of(cohort)) as index:
        assert refresh(index, cohort, anew=True, processes=2).read == 3
    assert content(cohort) == alone


def test_a_session_that_is_deleted_leaves_nothing_in_the_index(cohort: Path) -> None:
    marked = made_session(
        cohort / "deep" / "er.session", ("pulse ninety three",), learner="zebrafish77"
    )
    with Index.open(index_of(cohort)) as index:
        refresh(index, cohort)
    assert b"zebrafish77" in (cohort / INDEX_NAME).read_bytes()
    shutil.rmtree(marked)
    assert forget_rows(marked) == 1
    assert b"zebrafish77" not in (cohort / INDEX_NAME).read_bytes()
    assert [path.name for path in cohort.glob(f"{INDEX_NAME}*")] == [INDEX_NAME]
    with Index.open(index_of(cohort)) as index:
        for table in ("spoken", "told", "raised", "reached", "spent"):
            (left,) = index.connection.execute(
                f"SELECT count(*) FROM {table} WHERE session NOT IN (SELECT id FROM session)"
            ).fetchone()
            assert left == 0
        assert len(index.stamps()) == 3
    assert forget_rows(marked) == 0


def test_no_words_are_kept_and_the_file_is_private(tmp_path: Path) -> None:
    made_session(tmp_path / "a.session", ("pulse seventy two said the walrus", *VITALS))
    with Index.open(index_of(tmp_path)) as index:
        refresh(index, tmp_path)
    raw = (tmp_path / INDEX_NAME).read_bytes()
    assert b"walrus" not in raw and b"seventy" not in raw
    assert stat.S_IMODE((tmp_path / INDEX_NAME).stat().st_mode) == 0o600


def test_one_bad_session_is_told_and_the_others_are_read(cohort: Path) -> None:
    bad = cohort / "bad" / "one.session"
    bad.mkdir(parents=True)
    (bad / JOURNAL_NAME).write_text("nothing of the kind\n")
    made_session(cohort / "far" / "one.session", course="nowhere@9")
    with Index.open(index_of(cohort)) as index:
        done = refresh(index, cohort)
        assert (done.found, done.read) == (5, 5)
        assert len(done.problems) == 2
        assert any("is not a journal" in problem for problem in done.problems)
        assert any("nowhere@9 is not installed" in problem for problem in done.problems)
        (learners,) = index.connection.execute(
            "SELECT count(*) FROM session WHERE problem = ''"
        ).fetchone()
        assert learners == 3


@pytest.mark.parametrize("damage", [b"no database", b""])
def test_a_damaged_index_is_built_again(cohort: Path, damage: bytes) -> None:
    (cohort / INDEX_NAME).write_bytes(damage)
    with Index.open(index_of(cohort)) as index:
        assert refresh(index, cohort).read == 3


def test_an_index_of_another_format_is_built_again(cohort: Path) -> None:
    other = sqlite3.connect(cohort / INDEX_NAME)
    other.execute("CREATE TABLE session (x)")
    other.execute("PRAGMA user_version = 999")
    other.close()
    with Index.open(index_of(cohort)) as index:
        assert refresh(index, cohort).read == 3


def test_a_busy_index_and_a_missing_folder_are_one_sentence(
    cohort: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("dictate.cohort.index._WAIT", 0.05)
    with Index.open(index_of(cohort)) as index:
        refresh(index, cohort)
        other = sqlite3.connect(cohort / INDEX_NAME)
        other.execute("BEGIN EXCLUSIVE")
        with pytest.raises(UserFault, match="Another program is writing the index"):
            index.remove(["ann/one.session"])
        other.close()
        assert len(index.stamps()) == 3
        with pytest.raises(UserFault, match="no folder"):
            refresh(index, cohort / "nothing")


def test_sessions_judged_by_older_exam_data_are_counted_and_left(
    cohort: Path,
) -> None:
    with Index.open(index_of(cohort)) as index:
        refresh(index, cohort)
        digest = digest_folder(cohort / "ann" / "one.session")
        old = digest.model_copy(update={"judge": Judge(course="usual", exam_version="older")})
        stamp = Stamp.of(cohort / "ann" / "one.session" / JOURNAL_NAME)
        index.add("ann/one.session", stamp, old, ())
        done = refresh(index, cohort)
        assert (done.read, done.stale) == (0, 1)
        assert refresh(index, cohort, anew=True).stale == 0
