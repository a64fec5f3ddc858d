"""Brings a cohort's index up to date with the session folders; reads only what has changed."""

from __future__ import annotations

import hashlib
import multiprocessing
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path

from pydantic import BaseModel, ConfigDict

from dictate.cohort.digest import Digest, Expected
from dictate.cohort.digesting import checklist_for, digest_folder, expected_of
from dictate.cohort.index import INDEX_NAME, Index, Stamp
from dictate.errors import UserFault
from dictate.session.journal import JOURNAL_NAME

# Below this many new sessions, processes would take longer to start than they save.
_WORTH_PROCESSES = 12

Told = Callable[[int, int], None]
"""Called with the sessions read so far and those to be read."""


class Refreshed(BaseModel):
    """What a refresh did. ``stale`` sessions were judged by exam data that has changed since.

    ``problems`` are sentences about sessions that cannot be read.
    """

    model_config = ConfigDict(frozen=True)

    found: int
    read: int
    removed: int
    stale: int
    problems: tuple[str, ...]


def session_folders(folder: Path) -> Iterator[Path]:
    """Every folder under ``folder`` (itself too) that holds a journal; links are not followed.

    Raises:
        UserFault: ``folder`` is no folder, or may not be read.
    """
    if not folder.is_dir():
        raise UserFault(f"{folder} is no folder; name the folder that holds the sessions.")
    waiting = [folder]
    while waiting:
        place = waiting.pop()
        inside: list[Path] = []
        try:
            with os.scandir(place) as entries:
                names = list(entries)
        except OSError as error:
            if place == folder:
                raise UserFault(f"{folder} cannot be read ({error.strerror}).") from error
            continue
        if any(entry.name == JOURNAL_NAME for entry in names):
            yield place
            continue
        for entry in names:
            if not entry.name.startswith(".") and entry.is_dir(follow_symlinks=False):
                inside.append(Path(entry.path))
        waiting += sorted(inside, reverse=True)


def refresh(
    index: Index,
    folder: Path,
    *,
    anew: bool = False,
    processes: int = 1,
    told: Told = lambda done, whole: None,
) -> Refreshed:
    """Take in new and changed sessions, and drop those that are gone.

    Args:
        index: the index to bring up to date.
        folder: the folder under which the sessions lie.
        anew: read and judge every session again, by today's exam data.
        processes: how many processes may read at once.
        told: told how far it is.

    Raises:
        UserFault: the folder cannot be read or the index cannot be written.
    """
    held = index.stamps()
    found: set[str] = set()
    waiting: list[tuple[str, Stamp]] = []
    for place in session_folders(folder):
        journal = place / JOURNAL_NAME
        path = place.relative_to(folder).as_posix()
        try:
            stamp = Stamp.of(journal)
        except OSError:
            continue
        found.add(path)
        known = held.get(path)
        if known is None or anew:
            waiting.append((path, stamp))
        elif known[0] != stamp:
            if journal.is_file() and _sha256(journal) == known[1]:
                index.touch(path, stamp)
            else:
                waiting.append((path, stamp))
    removed = index.remove(sorted(set(held) - found))
    for done, (path, stamp, digest) in enumerate(_digests(folder, waiting, processes), 1):
        index.add(path, stamp, digest, _expected(digest))
        told(done, len(waiting))
    problems = [
        problem
        for (problem,) in index.connection.execute(
            "SELECT problem FROM session WHERE problem <> '' ORDER BY path"
        )
    ]
    return Refreshed(
        found=len(found),
        read=len(waiting),
        removed=removed,
        stale=_stale(index),
        problems=tuple(problems),
    )


def index_of(folder: Path, place: Path | None = None) -> Path:
    """Where the index of a folder lies: within it, unless another place is named."""
    return place if place is not None else folder / INDEX_NAME


def _sha256(journal: Path) -> str:
    return hashlib.sha256(journal.read_bytes()).hexdigest()


def _digests(
    folder: Path, waiting: Sequence[tuple[str, Stamp]], processes: int
) -> Iterator[tuple[str, Stamp, Digest]]:
    if processes < 2 or len(waiting) < _WORTH_PROCESSES:
        for path, stamp in waiting:
            yield path, stamp, digest_folder(folder / path)
        return
    # Spawned and not forked: threads of numerical libraries do not outlive a fork.
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(processes, mp_context=context) as pool:
        running = {
            pool.submit(digest_folder, folder / path): (path, stamp) for path, stamp in waiting
        }
        for future in as_completed(running):
            path, stamp = running[future]
            yield path, stamp, future.result()


def _expected(digest: Digest) -> tuple[Expected, ...]:
    return () if digest.problem else expected_of(checklist_for(digest.judge.course))


def _stale(index: Index) -> int:
    count = 0
    for judge, sessions in index.judges():
        try:
            today = checklist_for(judge.course).catalogue.version
        except UserFault:
            continue  # the course is no longer installed here; its judgement stands
        if today != judge.exam_version:
            count += sessions
    return count
