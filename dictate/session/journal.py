"""The journal: a text file that is only ever added to, one fact on a line.

Each line is a JSON object ``{"line": 7, "previous": "<hex>", "entry": {...}}``, where
``previous`` is the SHA-256 of the bytes of the line before (without its line feed) and
64 zeros on the first line. So any line vouches for every line above it, and the hash of
the last line (the head) stands for the whole file.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import threading
import time
from pathlib import Path
from types import TracebackType

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from dictate.errors import UserFault
from dictate.session.entries import Entry, Notice, PhraseHeard, SessionStart, now
from dictate.session.locking import lock_or_refuse
from dictate.session.private_files import FILE_MODE, disk_fault, make_private_folder, write_all

JOURNAL_NAME = "journal.jsonl"
NOTHING_BEFORE = "0" * 64
_LARGEST_JOURNAL = 512 * 1024 * 1024  # bytes; a day of talk is some 30 MB
_PHRASE_SYNC_SECONDS = 2.0  # at most so much talk is lost when the power goes


class _Line(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    line: int = Field(ge=1)
    previous: str = Field(pattern=r"^[0-9a-f]{64}$")
    entry: Entry


class JournalReading(BaseModel):
    """A journal as read: its sound entries in order, and what was wrong with it.

    ``problems`` are sentences that name lines; ``head`` is the hash of the last sound
    line; ``torn_bytes`` counts the bytes of an unfinished last line, which is left out.
    """

    model_config = ConfigDict(frozen=True)

    entries: tuple[Entry, ...]
    problems: tuple[str, ...] = ()
    head: str = NOTHING_BEFORE
    last_line: int = 0
    torn_bytes: int = 0

    @property
    def intact(self) -> bool:
        """True when every line was read and every hash fits."""
        return not self.problems


def read_journal(path: Path) -> JournalReading:
    """Read a journal and check its chain of hashes.

    A line is left out when it cannot be read, or when the line after it, itself
    sound, gives another hash for it. An unfinished last line is dropped.

    Raises:
        UserFault: the file cannot be opened, or holds nothing of a journal.
    """
    return _read_lines(journal_bytes(path), path)


def journal_bytes(path: Path) -> bytes:
    """What stands in a journal, read in one piece.

    Raises:
        UserFault: the file cannot be opened, or is none that ends.
    """
    try:
        _must_be_ordinary(path)
        if path.stat().st_size > _LARGEST_JOURNAL:
            raise UserFault(f"{path} is far larger than any journal; check the path.")
        return path.read_bytes()
    except OSError as error:
        raise disk_fault(error, path) from error


def _must_be_ordinary(path: Path) -> None:
    # Reading a pipe or a device would never end.
    if path.exists() and not path.is_file() and not path.is_dir():
        raise UserFault(f"{path} is no ordinary file, so no journal; check the folder.")


def _read_lines(content: bytes, path: Path) -> JournalReading:
    raw = content.split(b"\n")
    tail = raw.pop()
    torn = 0
    if tail:
        # A whole object whose line feed alone is missing is a whole fact; half an object never
        # parses.
        if _parsed(tail) is not None:
            raw.append(tail)
        else:
            torn = len(tail)
    read = [_parsed(line) for line in raw]
    sound, problems = _judge(raw, read)
    if torn:
        problems.append(
            f"The last line ({len(raw) + 1}) was not finished and is left out ({torn} bytes)."
        )
    kept = [line for line, good in zip(read, sound, strict=True) if line is not None and good]
    if not kept:
        raise UserFault(f"{path} is not a journal of this program, or nothing of it can be read.")
    if not isinstance(kept[0].entry, SessionStart):
        raise UserFault(
            f"{path} does not begin with the start of a session, so it cannot be read; "
            "restore it from a copy."
        )
    last = max(index for index, good in enumerate(sound) if good)
    return JournalReading(
        entries=tuple(line.entry for line in kept),
        problems=tuple(problems),
        head=hash_of(raw[last]),
        last_line=kept[-1].line,
        torn_bytes=torn,
    )


def _parsed(raw: bytes) -> _Line | None:
    try:
        return _Line.model_validate_json(raw)
    except ValidationError:
        return None


def _judge(raw: list[bytes], read: list[_Line | None]) -> tuple[list[bool], list[str]]:
    """Decide from the last line upwards: only a sound line may speak against the one above."""
    sound = [line is not None for line in read]
    problems: list[str] = []
    for index in range(len(raw) - 1, -1, -1):
        line = read[index]
        shown = index + 1
        if line is None:
            problems.append(f"Line {shown} is damaged and is left out.")
            continue
        after = read[index + 1] if index + 1 < len(raw) else None
        if after is None or not sound[index + 1]:
            continue
        if after.line != line.line + 1:
            gap = after.line - line.line - 1
            told = f"{gap} line(s) are missing" if gap > 0 else "the lines are out of order"
            problems.append(f"Between lines {shown} and {shown + 1} {told}.")
        elif after.previous != hash_of(raw[index]):
            sound[index] = False
            problems.append(
                f"Line {shown} was changed after it was written (its hash does not fit) "
                "and is left out."
            )
    first = read[0] if read else None
    if first is not None and sound[0] and first.previous != NOTHING_BEFORE:
        problems.append("The beginning of the journal is missing.")
    problems.reverse()
    return sound, problems


def hash_of(raw: bytes) -> str:
    """SHA-256 of a line's bytes without the line feed, as hexadecimal digits."""
    return hashlib.sha256(raw).hexdigest()


class Journal:
    """A journal open for adding. One process at a time; use it as a context manager.

    >>> with Journal.create(folder, info) as journal:  # doctest: +SKIP
    ...     journal.add(PhraseHeard(at=now(), phrase=phrase))
    """

    def __init__(self, path: Path, descriptor: int, head: str, last_line: int, size: int) -> None:
        self.path = path
        self.head = head
        self.last_line = last_line
        self.phrase_sync_seconds = _PHRASE_SYNC_SECONDS
        self._descriptor = descriptor
        self._size = size
        self._synced = time.monotonic()
        self._turn = threading.Lock()

    @classmethod
    def create(cls, folder: Path, start: SessionStart) -> Journal:
        """Begin a journal in ``folder``, which is created where needed.

        Raises:
            UserFault: there is a journal already, another process has it, or the
                folder cannot be written.
        """
        path = make_private_folder(folder) / JOURNAL_NAME
        descriptor = _open_locked(path, os.O_CREAT)
        try:
            if os.fstat(descriptor).st_size:
                raise UserFault(
                    f"There is a session in {folder} already; choose another folder, "
                    "or open that session."
                )
            journal = cls(path, descriptor, NOTHING_BEFORE, 0, 0)
            journal.add(start)
        except BaseException:
            os.close(descriptor)
            raise
        return journal

    @classmethod
    def reopen(cls, folder: Path) -> tuple[Journal, JournalReading]:
        """Open an existing journal to add to it, and hand over what it holds.

        An unfinished last line is cut off and a notice about it is added.

        Raises:
            UserFault: there is none, another process has it, or it cannot be read.
        """
        path = folder / JOURNAL_NAME
        descriptor = _open_locked(path, 0)
        try:
            reading = read_journal(path)
            size = os.fstat(descriptor).st_size - reading.torn_bytes
            last = _last_line(descriptor, size)
            known = _parsed(last)
            # The next line continues from what stands last in the file, sound or not.
            journal = cls(path, descriptor, hash_of(last), reading.last_line, size)
            if known is not None:
                journal.last_line = known.line
            if reading.torn_bytes:
                torn = _read_at(descriptor, min(reading.torn_bytes, 2000), size)
                os.ftruncate(descriptor, size)
                journal.add(
                    Notice(
                        at=now(),
                        sentence="An unfinished last line was cut off when the journal was "
                        f"opened again ({reading.torn_bytes} bytes).",
                        detail=torn.decode("utf-8", "replace").replace("\x00", ""),
                    )
                )
            elif size and _read_at(descriptor, 1, size - 1) != b"\n":
                write_all(descriptor, b"\n")
                journal._size += 1
        except OSError as error:
            os.close(descriptor)
            raise disk_fault(error, path) from error
        except BaseException:
            os.close(descriptor)
            raise
        return journal, reading

    def add(self, entry: Entry) -> str:
        """Write one fact and return the hash of its line, the new head.

        Everything but a heard phrase is on the disk when this returns; phrases are
        handed to the system at once and brought to the disk every
        ``phrase_sync_seconds``.

        Raises:
            UserFault: the disk is full or can no longer be written; the lines
                written before are whole and nothing of this one stays.
            ValueError: the entry would not read back the same (such as an infinite time).
        """
        with self._turn:
            line = _Line(line=self.last_line + 1, previous=self.head, entry=entry)
            raw = line.model_dump_json().encode("utf-8")
            if _parsed(raw) != line:
                raise ValueError(f"This entry would not read back the same: {entry!r}")
            try:
                write_all(self._descriptor, raw + b"\n")
                self._size += len(raw) + 1
            except OSError as error:
                with contextlib.suppress(OSError):
                    os.ftruncate(self._descriptor, self._size)
                raise disk_fault(error, self.path) from error
            self.head, self.last_line = hash_of(raw), line.line
            waited = time.monotonic() - self._synced
            if not isinstance(entry, PhraseHeard) or waited >= self.phrase_sync_seconds:
                self._sync()
            return self.head

    def _sync(self) -> None:
        try:
            os.fsync(self._descriptor)
        except OSError as error:
            raise disk_fault(error, self.path) from error
        self._synced = time.monotonic()

    def close(self) -> None:
        """Bring everything to the disk and give the journal free for others."""
        if self._descriptor < 0:
            return
        try:
            self._sync()
        finally:
            os.close(self._descriptor)
            self._descriptor = -1

    def __enter__(self) -> Journal:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def _open_locked(path: Path, flags: int) -> int:
    _must_be_ordinary(path)
    try:
        descriptor = os.open(
            path, os.O_RDWR | os.O_APPEND | getattr(os, "O_BINARY", 0) | flags, FILE_MODE
        )
    except FileNotFoundError as error:
        raise UserFault(f"There is no session in {path.parent}; check the folder.") from error
    except OSError as error:
        raise disk_fault(error, path) from error
    try:
        lock_or_refuse(descriptor, path)
    except BaseException:
        os.close(descriptor)
        raise
    return descriptor


def refuse_if_open(folder: Path) -> None:
    """Make sure that nobody writes the journal of ``folder`` at this moment.

    Raises:
        UserFault: another process has it open.
    """
    path = folder / JOURNAL_NAME
    if path.exists():
        os.close(_open_locked(path, 0))


def set_aside(folder: Path) -> None:
    """Rename the journal of ``folder`` after its content, so that another can begin there.

    Does nothing where there is none, or an empty one.

    Raises:
        UserFault: another process has it open, or it cannot be renamed.
    """
    path = folder / JOURNAL_NAME
    if not path.is_file() or not path.stat().st_size:
        return
    descriptor = _open_locked(path, 0)
    try:
        if not os.path.samestat(os.fstat(descriptor), path.stat()):
            raise UserFault(
                f"Another program began a session in {folder} at this moment; choose another "
                "folder with --out."
            )
        mark = hashlib.sha256(path.read_bytes()).hexdigest()[:8]
        path.replace(folder / f"journal-{mark}.jsonl")
    except OSError as error:
        raise UserFault(
            f"{path} cannot be moved aside ({error.strerror}); choose another folder with --out."
        ) from error
    finally:
        os.close(descriptor)


def _read_at(descriptor: int, count: int, place: int) -> bytes:
    # Adding always goes to the end whatever the position, and os.pread is not on every system.
    os.lseek(descriptor, place, os.SEEK_SET)
    parts: list[bytes] = []
    while count > 0 and (part := os.read(descriptor, count)):
        parts.append(part)
        count -= len(part)
    return b"".join(parts)


def _last_line(descriptor: int, size: int) -> bytes:
    """The bytes of the last whole line before ``size``, without its line feed."""
    step = 65_536
    tail, begin = b"", size
    while begin > 0:
        begin = max(0, begin - step)
        tail = _read_at(descriptor, size - begin, begin)
        body = tail[:-1] if tail.endswith(b"\n") else tail
        if b"\n" in body:
            return body.rpartition(b"\n")[2]
    return tail[:-1] if tail.endswith(b"\n") else tail
