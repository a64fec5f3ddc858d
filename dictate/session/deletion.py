"""Deleting a session: everything that this program wrote into its folder."""

from __future__ import annotations

import contextlib
import os
import shutil
from pathlib import Path
from typing import Final

from pydantic import BaseModel, ConfigDict

from dictate.errors import UserFault
from dictate.session.journal import JOURNAL_NAME
from dictate.session.locking import lock_or_refuse
from dictate.session.private_files import disk_fault

_MADE_HERE: Final = (
    "journal*.jsonl",
    "note.*",
    "findings*.csv",
    "findings*.parquet",
    "coverage*.csv",
    "captions*.*",
    "chapters*.*",
    "fhir-*.json",
    "*.fhir.json",
    "figure*.*",
    "picture*.*",
    "body*.svg",
    "waveform*",
    "peaks*",
    "sound*.flac",
    "sound*.wav",
    "recording*.flac",
    ".*.part",
    ".waveform*",
    ".peaks*",
)
_FOLDERS_MADE_HERE: Final = ("export", "export-redacted", "clips")
_CLIPS: Final = ("*.flac",)
CANNOT_ERASE: Final = (
    "Not erased, because this program cannot reach it: the original recording or transcript "
    "outside the folder, copies, printouts and exports sent elsewhere, backups and snapshots, "
    "the shell's history, and old blocks that a flash disk keeps until it uses them again."
)


class Deleted(BaseModel):
    """What was removed, and what of the folder was left because it is not of this program."""

    model_config = ConfigDict(frozen=True)

    removed: tuple[Path, ...]
    left: tuple[Path, ...]


def delete_session(folder: Path, *, everything: bool = False) -> Deleted:
    """Remove the sound, the journal and all outputs of the session in ``folder``.

    Links are removed and never followed. The journal goes last, so that a deletion that
    was broken off can be repeated. The folder itself goes when nothing is left in it.

    Args:
        folder: a session's folder.
        everything: also remove files and folders that this program did not write.

    Raises:
        UserFault: there is no session, another program has it open, or a file cannot
            be removed.
    """
    journal = folder / JOURNAL_NAME
    if not journal.is_file() or journal.is_symlink():
        raise UserFault(f"There is no session in {folder}; nothing was deleted.")
    try:
        descriptor = os.open(journal, os.O_RDWR)
    except OSError as error:
        raise disk_fault(error, journal) from error
    removed: list[Path] = []
    try:
        lock_or_refuse(descriptor, journal)
        for path in sorted(folder.iterdir()):
            if path == journal:
                continue
            if not everything and _is_folder(path) and path.name in _FOLDERS_MADE_HERE:
                _empty(path, removed)
            elif everything or (_known(path) and not _is_folder(path)):
                _remove(path)
                removed.append(path)
        _remove(journal)
        removed.append(journal)
    except OSError as error:
        raise disk_fault(error, folder) from error
    finally:
        os.close(descriptor)
    left = tuple(sorted(folder.iterdir()))
    if not left:
        with contextlib.suppress(OSError):
            folder.rmdir()
    return Deleted(removed=tuple(removed), left=left)


def _empty(folder: Path, removed: list[Path]) -> None:
    """Remove what this program exported into a folder, and the folder when that was all."""
    for path in sorted(folder.iterdir()):
        if _is_folder(path) and path.name in _FOLDERS_MADE_HERE:
            _empty(path, removed)
        elif not _is_folder(path) and _known(path):
            _remove(path)
            removed.append(path)
    with contextlib.suppress(OSError):
        folder.rmdir()


def _known(path: Path) -> bool:
    patterns = _CLIPS if path.parent.name == "clips" else _MADE_HERE
    return any(path.match(pattern) for pattern in patterns)


def _is_folder(path: Path) -> bool:
    return path.is_dir() and not path.is_symlink()


def _remove(path: Path) -> None:
    if _is_folder(path):
        shutil.rmtree(path)
    else:
        path.unlink()
