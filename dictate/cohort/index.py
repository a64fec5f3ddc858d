"""The index of a cohort: an SQLite file computed from the session folders, never the only copy.

It holds no words that anybody said: codes, levels, numbers and counts alone. What is
removed from it is overwritten with zeros in the file (``secure_delete``).
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Iterable, Iterator
from datetime import timezone
from pathlib import Path
from types import TracebackType

from dictate.cohort.digest import Digest, Expected, Judge
from dictate.errors import UserFault
from dictate.session.private_files import FILE_MODE, disk_fault

INDEX_NAME = ".cohort-index.sqlite"
_FORMAT = 1
_WAIT = 20.0  # seconds for another program that is writing
_TABLES = """
CREATE TABLE judge (
    id INTEGER PRIMARY KEY, course TEXT NOT NULL, exam_version TEXT NOT NULL,
    UNIQUE (course, exam_version));
CREATE TABLE item (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE);
CREATE TABLE expected (
    judge INTEGER NOT NULL REFERENCES judge ON DELETE CASCADE, place INTEGER NOT NULL,
    item INTEGER NOT NULL, side TEXT NOT NULL, required INTEGER NOT NULL,
    PRIMARY KEY (judge, item, side)) WITHOUT ROWID;
CREATE TABLE session (
    id INTEGER PRIMARY KEY, path TEXT NOT NULL UNIQUE, size INTEGER NOT NULL,
    modified_ns INTEGER NOT NULL, content TEXT NOT NULL, judge INTEGER NOT NULL REFERENCES judge,
    problem TEXT NOT NULL, session_id TEXT NOT NULL, sound TEXT NOT NULL, learner TEXT NOT NULL,
    partner TEXT NOT NULL, started TEXT NOT NULL, seconds REAL NOT NULL, engine TEXT NOT NULL,
    state TEXT NOT NULL, results INTEGER NOT NULL, doubtful INTEGER NOT NULL,
    fingerprint TEXT NOT NULL, covered REAL NOT NULL, errors INTEGER NOT NULL,
    warnings INTEGER NOT NULL, order_faults INTEGER NOT NULL);
CREATE INDEX session_by_learner ON session (learner, started);
CREATE INDEX session_by_partner ON session (partner, started);
CREATE TABLE spoken (
    session INTEGER NOT NULL REFERENCES session ON DELETE CASCADE, item INTEGER NOT NULL,
    side TEXT NOT NULL, level INTEGER NOT NULL,
    PRIMARY KEY (session, item, side)) WITHOUT ROWID;
CREATE TABLE told (
    session INTEGER NOT NULL REFERENCES session ON DELETE CASCADE, place INTEGER NOT NULL,
    item INTEGER NOT NULL, side TEXT NOT NULL, site TEXT NOT NULL, kind TEXT NOT NULL,
    number REAL, second REAL, unit TEXT NOT NULL, text TEXT NOT NULL, status TEXT NOT NULL,
    doubtful INTEGER NOT NULL,
    PRIMARY KEY (session, place)) WITHOUT ROWID;
CREATE INDEX told_number ON told (item, number) WHERE kind IN ('quantity', 'pressure');
CREATE TABLE reached (
    session INTEGER NOT NULL REFERENCES session ON DELETE CASCADE, region TEXT NOT NULL,
    expected INTEGER NOT NULL, performed INTEGER NOT NULL, reported INTEGER NOT NULL,
    measured INTEGER NOT NULL,
    PRIMARY KEY (session, region)) WITHOUT ROWID;
CREATE TABLE raised (
    session INTEGER NOT NULL REFERENCES session ON DELETE CASCADE, place INTEGER NOT NULL,
    rule TEXT NOT NULL, about TEXT NOT NULL, severity TEXT NOT NULL,
    PRIMARY KEY (session, place)) WITHOUT ROWID;
CREATE TABLE spent (
    session INTEGER NOT NULL REFERENCES session ON DELETE CASCADE, region TEXT NOT NULL,
    seconds REAL NOT NULL,
    PRIMARY KEY (session, region)) WITHOUT ROWID;
"""


class Stamp:
    """Size and time of a journal: while both are the same, it is not read again."""

    __slots__ = ("modified_ns", "size")

    def __init__(self, size: int, modified_ns: int) -> None:
        self.size = size
        self.modified_ns = modified_ns

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Stamp) and (self.size, self.modified_ns) == (
            other.size,
            other.modified_ns,
        )

    def __hash__(self) -> int:
        return hash((self.size, self.modified_ns))

    @classmethod
    def of(cls, journal: Path) -> Stamp:
        """The stamp of a file.

        Raises:
            OSError: there is none.
        """
        held = journal.stat()
        return cls(held.st_size, held.st_mtime_ns)


class Index:
    """An index open for reading and writing; use it as a context manager.

    Every change is one transaction: another program sees the index before or after it.
    """

    def __init__(self, connection: sqlite3.Connection, path: Path) -> None:
        self.connection = connection
        self.path = path
        self._items: dict[str, int] = {
            name: number for number, name in connection.execute("SELECT id, name FROM item")
        }

    @classmethod
    def open(cls, path: Path) -> Index:
        """Open the index, or make an empty one where there is none that can be used.

        A file that is damaged or of another format is thrown away: it can be built again.

        Raises:
            UserFault: the file cannot be written, or another program keeps it busy.
        """
        try:
            return cls(_connected(path), path)
        except sqlite3.DatabaseError as error:
            if isinstance(error, sqlite3.OperationalError) and path.is_file() and _sound(path):
                raise _index_fault(error, path) from error
            with contextlib.suppress(OSError):
                path.unlink()
        try:
            return cls(_connected(path), path)
        except sqlite3.Error as error:
            raise _index_fault(error, path) from error

    def stamps(self) -> dict[str, tuple[Stamp, str]]:
        """By path: the stamp and the content's SHA-256 of every session held."""
        return {
            path: (Stamp(size, modified), content)
            for path, size, modified, content in self.connection.execute(
                "SELECT path, size, modified_ns, content FROM session"
            )
        }

    def judges(self) -> list[tuple[Judge, int]]:
        """The exams in use and how many readable sessions each has judged."""
        return [
            (Judge(course=course, exam_version=version), count)
            for course, version, count in self.connection.execute(
                "SELECT course, exam_version, count(*) FROM session JOIN judge "
                "ON judge.id = session.judge WHERE problem = '' GROUP BY judge.id "
                "ORDER BY course, exam_version"
            )
        ]

    def add(self, path: str, stamp: Stamp, digest: Digest, expected: Iterable[Expected]) -> None:
        """Put a session in, in place of what was held of the same path.

        Args:
            path: of the session's folder, relative to the cohort's, with forward slashes.
            stamp: of its journal, taken before it was read.
            digest: what was read.
            expected: the checklist that it was judged by.
        """
        with self._writing() as write:
            write.execute("DELETE FROM session WHERE path = ?", (path,))
            started = digest.started.astimezone(timezone.utc).isoformat() if digest.started else ""
            number = write.execute(
                "INSERT INTO session (path, size, modified_ns, content, judge, problem, "
                "session_id, sound, learner, partner, started, seconds, engine, state, results, "
                "doubtful, fingerprint, covered, errors, warnings, order_faults) "
                f"VALUES ({', '.join('?' * 21)})",
                (
                    path,
                    stamp.size,
                    stamp.modified_ns,
                    digest.content_sha256,
                    self._judge(digest.judge, expected),
                    digest.problem,
                    digest.session_id,
                    digest.sound_sha256,
                    digest.learner,
                    digest.partner,
                    started,
                    digest.seconds,
                    digest.engine,
                    digest.state,
                    digest.results,
                    digest.doubtful,
                    digest.fingerprint,
                    digest.covered,
                    sum(one.severity == "error" for one in digest.raised),
                    sum(one.severity == "warning" for one in digest.raised),
                    sum(one.of_order for one in digest.raised),
                ),
            ).lastrowid
            write.executemany(
                "INSERT INTO spoken VALUES (?, ?, ?, ?)",
                [(number, self._item(one.item), one.side, one.level) for one in digest.spoken],
            )
            write.executemany(
                "INSERT INTO told VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                [
                    (
                        number,
                        place,
                        self._item(one.item),
                        one.side,
                        one.site,
                        one.kind,
                        one.number,
                        one.second,
                        one.unit,
                        one.text,
                        one.status,
                        one.doubtful,
                    )
                    for place, one in enumerate(digest.told)
                ],
            )
            write.executemany(
                "INSERT INTO raised VALUES (?, ?, ?, ?, ?)",
                [
                    (number, place, one.rule, one.about, one.severity)
                    for place, one in enumerate(digest.raised)
                ],
            )
            write.executemany(
                "INSERT INTO reached VALUES (?, ?, ?, ?, ?, ?)",
                [
                    (
                        number,
                        one.region,
                        one.expected,
                        one.performed,
                        one.reported,
                        one.measured,
                    )
                    for one in digest.reached
                ],
            )
            write.executemany(
                "INSERT INTO spent VALUES (?, ?, ?)",
                [(number, region, seconds) for region, seconds in digest.region_seconds.items()],
            )

    def touch(self, path: str, stamp: Stamp) -> None:
        """Note that a journal was written again with the same content."""
        with self._writing() as write:
            write.execute(
                "UPDATE session SET size = ?, modified_ns = ? WHERE path = ?",
                (stamp.size, stamp.modified_ns, path),
            )

    def remove(self, paths: Iterable[str]) -> int:
        """Take sessions out; return how many were there."""
        with self._writing() as write:
            gone = sum(
                write.execute("DELETE FROM session WHERE path = ?", (path,)).rowcount
                for path in paths
            )
            write.execute("DELETE FROM judge WHERE id NOT IN (SELECT judge FROM session)")
        return gone

    def _judge(self, judge: Judge, expected: Iterable[Expected]) -> int:
        key = (judge.course, judge.exam_version)
        known = self.connection.execute(
            "SELECT id FROM judge WHERE course = ? AND exam_version = ?", key
        ).fetchone()
        if known is not None:
            return int(known[0])
        number = self.connection.execute(
            "INSERT INTO judge (course, exam_version) VALUES (?, ?)", key
        ).lastrowid
        self.connection.executemany(
            "INSERT INTO expected VALUES (?, ?, ?, ?, ?)",
            [
                (number, place, self._item(one.item), one.side, one.required)
                for place, one in enumerate(expected)
            ],
        )
        return int(number or 0)

    def _item(self, name: str) -> int:
        known = self._items.get(name)
        if known is None:
            known = int(
                self.connection.execute("INSERT INTO item (name) VALUES (?)", (name,)).lastrowid
                or 0
            )
            self._items[name] = known
        return known

    @contextlib.contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        try:
            with self.connection:
                yield self.connection
        except sqlite3.Error as error:
            # Names given in the broken transaction are gone again.
            self._items = {}
            raise _index_fault(error, self.path) from error

    def close(self) -> None:
        """Close the file."""
        self.connection.close()

    def __enter__(self) -> Index:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def forget_rows(folder: Path) -> int:
    """Remove a deleted session from every index above it; return how many rows went.

    Args:
        folder: where the session was; it need not be there any more.

    Raises:
        UserFault: an index above it cannot be written.
    """
    place = folder.resolve()
    gone = 0
    for parent in place.parents:
        file = parent / INDEX_NAME
        if file.is_file():
            with Index.open(file) as index:
                gone += index.remove([place.relative_to(parent).as_posix()])
    return gone


def _connected(path: Path) -> sqlite3.Connection:
    if not path.exists():
        try:
            os.close(os.open(path, os.O_WRONLY | os.O_CREAT, FILE_MODE))
        except OSError as error:
            raise disk_fault(error, path) from error
    connection = sqlite3.connect(path, timeout=_WAIT)
    try:
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("PRAGMA secure_delete = ON")
        connection.execute("PRAGMA temp_store = MEMORY")
        (held,) = connection.execute("PRAGMA user_version").fetchone()
        if held == 0:
            with connection:
                connection.executescript(f"BEGIN; {_TABLES} PRAGMA user_version = {_FORMAT};")
        elif held != _FORMAT:
            raise sqlite3.DatabaseError("the index has another format")
        connection.execute("SELECT count(*) FROM item").fetchone()
    except BaseException:
        connection.close()
        raise
    return connection


def _sound(path: Path) -> bool:
    """Whether the file begins as an SQLite file does, and so is busy or read-only, not damaged."""
    try:
        with path.open("rb") as file:
            return file.read(16) == b"SQLite format 3\x00"
    except OSError:
        return True


def _index_fault(error: sqlite3.Error, path: Path) -> UserFault:
    if "locked" in str(error):
        return UserFault(f"Another program is writing the index {path}; try again in a moment.")
    return UserFault(
        f"The index {path} cannot be written ({error}); free some space or name another place for "
        "it with --index."
    )
