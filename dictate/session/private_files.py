"""Files that only their owner may read, written whole or not at all."""

from __future__ import annotations

import contextlib
import errno
import os
from pathlib import Path

from dictate.errors import UserFault

FILE_MODE = 0o600
FOLDER_MODE = 0o700


def make_private_folder(folder: Path) -> Path:
    """Create ``folder`` (and its parents) for the owner alone; an existing one is left as it is.

    Raises:
        UserFault: it cannot be created, or something else has its name.
    """
    if folder.is_dir():
        return folder
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        folder.mkdir(mode=FOLDER_MODE, exist_ok=True)
    except FileExistsError as error:
        raise UserFault(
            f"{folder} is a file and not a folder; choose another place for the session."
        ) from error
    except OSError as error:
        raise disk_fault(error, folder) from error
    return folder


def write_private(path: Path, content: bytes) -> Path:
    """Write ``content`` so that ``path`` holds either what it held before or all of it.

    Raises:
        UserFault: the disk is full, the folder is read-only or gone; what ``path``
            held before is untouched.
    """
    partial = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        descriptor = os.open(
            partial, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | getattr(os, "O_NOFOLLOW", 0), FILE_MODE
        )
        try:
            write_all(descriptor, content)
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
        partial.replace(path)
    except OSError as error:
        with contextlib.suppress(OSError):
            partial.unlink()
        raise disk_fault(error, path) from error
    return path


def write_all(descriptor: int, content: bytes) -> None:
    """Hand all of ``content`` to the system, however many calls it takes.

    Raises:
        OSError: as the system gave it; a part may have been written.
    """
    view = memoryview(content)
    while view:
        view = view[os.write(descriptor, view) :]


def disk_fault(error: OSError, path: Path) -> UserFault:
    """Say in one sentence for people why ``path`` could not be written or read."""
    if error.errno in (errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC)):
        return UserFault(
            f"The disk is full, so {path} could not be written; free some space and try again "
            "(everything written before is kept)."
        )
    if error.errno == errno.EFBIG:
        return UserFault(
            f"{path} may not grow any further on this disk or for this user; choose another disk "
            "or raise the limit (everything written before is kept)."
        )
    if error.errno == errno.EROFS:
        return UserFault(
            f"{path} lies on a disk that can only be read; choose a folder that can be written."
        )
    if error.errno in (errno.EACCES, errno.EPERM):
        return UserFault(
            f"{path} may not be opened by this user; change the permissions or choose "
            "another folder."
        )
    if error.errno == errno.ENOENT:
        return UserFault(f"{path} does not exist; check the path.")
    if error.errno == errno.ENAMETOOLONG:
        return UserFault(f"The name {path} is too long for this disk; choose a shorter one.")
    return UserFault(f"{path} cannot be used: {error.strerror or error}.")
