"""Where what can be built again is kept."""

from __future__ import annotations

import os
from pathlib import Path


def cache_folder() -> Path:
    """The user's cache folder, or the one named by ``DICTATE_CACHE``."""
    import platformdirs

    return Path(os.environ.get("DICTATE_CACHE") or platformdirs.user_cache_dir("dictate"))
