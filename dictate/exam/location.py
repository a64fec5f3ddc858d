"""Where the exam data lies: inside the installed package or at the top of a checkout."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

from dictate.errors import UserFault


@lru_cache(maxsize=1)
def grammars_folder() -> Path:
    """Return the folder ``grammars/`` that this installation reads.

    Raises:
        UserFault: the folder is missing, so the installation is damaged.
    """
    package = Path(__file__).resolve().parent.parent
    for candidate in (package / "grammars", package.parent / "grammars"):
        if (candidate / "regions").is_dir():
            return candidate
    raise UserFault(
        "The exam data (folder 'grammars') is missing from this installation; "
        "install dictate again."
    )
