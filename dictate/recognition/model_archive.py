"""Unpacks the archive of a model without letting it write, link or swell where it should not."""

from __future__ import annotations

import shutil
import stat
import zipfile
from pathlib import Path, PurePosixPath

from dictate.errors import UserFault

MOST_BYTES = 8 << 30
MOST_FILES = 5_000
MOST_RATIO = 100
"""Files of more than ``SMALL`` bytes that shrank further than this are taken for a bomb; the
graphs and networks of models shrink to a third at best (measured on one of 87 MB)."""
SMALL = 16 << 20
_PIECE = 1 << 20


def unpack(archive: Path, target: Path, most_bytes: int = MOST_BYTES) -> None:
    """Unpack a zip archive into the existing folder ``target``.

    Every entry is looked at before anything is written, and bytes are counted while
    they are written, since sizes in the archive's own list may lie.

    Raises:
        UserFault: it is no zip archive, is damaged or encrypted, holds names that lead
            out of the folder, links, other special files or names that differ by case
            alone, or would be larger than allowed or than the room on the disk.
    """
    try:
        with zipfile.ZipFile(archive) as opened:
            entries = [entry for entry in opened.infolist() if not entry.is_dir()]
            _look(archive.name, entries, most_bytes, shutil.disk_usage(target).free)
            left = most_bytes
            for entry in entries:
                left -= _write(opened, entry, target, left, archive.name)
    except (zipfile.BadZipFile, EOFError, zipfile.LargeZipFile, NotImplementedError) as error:
        raise UserFault(
            f"{archive.name} is no zip archive or is damaged ({error}); fetch it again."
        ) from error
    except OSError as error:
        raise UserFault(
            f"{archive.name} could not be unpacked into {target}: {error.strerror or error}."
        ) from error


def _look(name: str, entries: list[zipfile.ZipInfo], most_bytes: int, room: int) -> None:
    if not entries:
        raise UserFault(f"{name} holds no files; fetch it again.")
    if len(entries) > MOST_FILES:
        raise UserFault(f"{name} holds {len(entries)} files, which no model does; do not use it.")
    seen: set[str] = set()
    for entry in entries:
        problem = _problem(entry)
        folded = entry.filename.casefold()
        if problem is None and folded in seen:
            problem = "is there twice"
        seen.add(folded)
        if problem:
            raise UserFault(
                f"{name} was not unpacked: its entry '{entry.filename[:80]}' {problem}; "
                "get the model from its makers."
            )
    size = sum(entry.file_size for entry in entries)
    if size > most_bytes:
        raise UserFault(f"{name} would unpack to {size / 1e9:.1f} GB, more than a model has.")
    if size > room:
        raise UserFault(
            f"{name} needs {size / 1e6:.0f} MB, but only {room / 1e6:.0f} MB are free; make room."
        )


def _problem(entry: zipfile.ZipInfo) -> str | None:
    # zipfile turns a backslash into the separator of the system it runs on, so look at both.
    written = entry.orig_filename.replace("\\", "/")
    path = PurePosixPath(written)
    if path.is_absolute() or ".." in path.parts or ":" in written or "\0" in written:
        return "leads out of the folder"
    mode = entry.external_attr >> 16
    if stat.S_IFMT(mode) not in (0, stat.S_IFREG):
        return "is a link or a special file"
    if entry.flag_bits & 1:
        return "is encrypted"
    if entry.file_size > SMALL and entry.file_size > MOST_RATIO * max(entry.compress_size, 1):
        return "would swell beyond measure"
    return None


def _write(
    opened: zipfile.ZipFile, entry: zipfile.ZipInfo, target: Path, left: int, name: str
) -> int:
    path = target / entry.filename
    path.parent.mkdir(parents=True, exist_ok=True)
    written = 0
    with opened.open(entry) as source, path.open("xb") as file:
        while piece := source.read(_PIECE):
            written += len(piece)
            if written > min(left, entry.file_size):
                raise UserFault(f"{name} holds more than it says; do not use it.")
            file.write(piece)
    return written
