"""One process at a time on one journal."""

from __future__ import annotations

import errno
import sys
from pathlib import Path

from dictate.errors import UserFault

if sys.platform == "win32":
    import msvcrt
else:
    import fcntl


def lock_or_refuse(descriptor: int, path: Path) -> None:
    """Lock the open file until it is closed; the system frees it when the process dies.

    Raises:
        UserFault: another process (or another part of this one) has it, or the disk
            knows no locks.
    """
    try:
        if sys.platform == "win32":
            # Far beyond any content, so that reading stays possible for others.
            import os

            os.lseek(descriptor, 1 << 40, os.SEEK_SET)
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        else:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno in (errno.EWOULDBLOCK, errno.EAGAIN, errno.EACCES, errno.EDEADLK):
            raise UserFault(
                f"The session in {path.parent} is open in another program; close it there first."
            ) from error
        raise UserFault(
            f"The disk that holds {path.parent} cannot lock files; copy the session to a "
            "local disk and open it there."
        ) from error
