"""Fetches one file of a model: goes on where it stopped, and checks size and sum."""

from __future__ import annotations

import hashlib
import http.client
import shutil
import urllib.error
import urllib.request
from collections.abc import Callable
from pathlib import Path

from dictate.errors import UserFault
from dictate.recognition.model_manifest import ModelFile

Fetched = Callable[[int, "int | None"], None]
"""Called with the bytes there are and the bytes there will be, None where not known."""

TIMEOUT = 20.0
"""Seconds without an answer after which the other side counts as out of reach."""
_PIECE = 1 << 16
_HELD_ALL = 416


def fetch(file: ModelFile, folder: Path, progress: Fetched | None = None) -> Path:
    """Return the file, fetched into ``folder``; a part fetched before is gone on with.

    The server's mark of the file's version (ETag) is kept beside the part: where the
    file has changed meanwhile it is fetched from the beginning.

    Raises:
        UserFault: no network, an error of the server, no room, or a wrong sum or size.
    """
    folder.mkdir(parents=True, exist_ok=True)
    done, part = folder / file.name, folder / f"{file.name}.part"
    if done.is_file() and file.sha256 is not None and sha256(done) == file.sha256:
        return done
    try:
        _transfer(file, part, progress)
    except (urllib.error.URLError, http.client.HTTPException, OSError) as error:
        raise UserFault(_failed(file, part, error)) from error
    _check(file, part)
    part.replace(done)
    _mark(part).unlink(missing_ok=True)
    return done


def _transfer(file: ModelFile, part: Path, progress: Fetched | None) -> None:
    held = part.stat().st_size if part.is_file() else 0
    if file.bytes is not None and held == file.bytes:
        return
    request = urllib.request.Request(file.url, headers={"User-Agent": "dictate"})
    mark = _mark(part).read_text(encoding="utf-8") if _mark(part).is_file() else ""
    if held and mark:
        request.add_header("Range", f"bytes={held}-")
        request.add_header("If-Range", mark)
    else:
        held = 0
    try:
        answer = urllib.request.urlopen(request, timeout=TIMEOUT)
    except urllib.error.HTTPError as error:
        if error.code == _HELD_ALL and held:
            _forget(part)
            _transfer(file, part, progress)
            return
        raise
    with answer:
        if answer.status != 206 or not _begins_at(answer.headers.get("Content-Range"), held):
            held = 0
        mark = answer.headers.get("ETag", "")
        # A weak mark does not promise the same bytes, so it cannot be gone on with.
        _mark(part).write_text("" if mark.startswith("W/") else mark, encoding="utf-8")
        length = answer.headers.get("Content-Length")
        total = held + int(length) if length and length.isdigit() else file.bytes
        _room(part.parent, (total or 0) - held, file.name)
        with part.open("ab" if held else "wb") as out:
            while piece := answer.read(_PIECE):
                out.write(piece)
                held += len(piece)
                if file.bytes is not None and held > file.bytes:
                    break
                if progress is not None:
                    progress(held, total)
        if total is not None and held < total:
            raise http.client.IncompleteRead(b"", total - held)


def _begins_at(content_range: str | None, held: int) -> bool:
    return (content_range or "").replace(" ", "").startswith(f"bytes{held}-")


def _check(file: ModelFile, part: Path) -> None:
    size = part.stat().st_size
    if file.bytes is not None and size != file.bytes:
        _forget(part)
        raise UserFault(
            f"{file.name} has {size} bytes instead of {file.bytes}, so it was thrown away; "
            "try again, or tell whoever keeps the list of models."
        )
    if file.sha256 is not None and sha256(part) != file.sha256:
        _forget(part)
        raise UserFault(
            f"{file.name} does not have the SHA-256 sum that the list of models gives, so it was "
            "thrown away; try again, and do not use a copy with another sum."
        )


def _failed(file: ModelFile, part: Path, error: Exception) -> str:
    kept = part.stat().st_size if part.is_file() else 0
    if isinstance(error, urllib.error.HTTPError):
        return (
            f"{file.url} answered {error.code} ({error.reason}); look whether the model has moved, "
            "and add a copy with 'dictate models add FILE'."
        )
    reason = getattr(error, "reason", None) or error
    if kept:
        return (
            f"Fetching {file.name} broke off after {kept / 1e6:.1f} MB ({reason}); what came is "
            "kept: give the same command again to go on."
        )
    return (
        f"{file.url} could not be reached ({reason}); without a network, fetch it on another "
        "machine, carry it over, and give 'dictate models add FILE'."
    )


def _room(folder: Path, needed: int, name: str) -> None:
    free = shutil.disk_usage(folder).free
    if needed > free:
        raise UserFault(
            f"{name} needs {needed / 1e6:.0f} MB, but only {free / 1e6:.0f} MB are free; make room."
        )


def _mark(part: Path) -> Path:
    return part.with_name(f"{part.name}.etag")


def _forget(part: Path) -> None:
    part.unlink(missing_ok=True)
    _mark(part).unlink(missing_ok=True)


def sha256(path: Path) -> str:
    """Return the SHA-256 sum of a file, in lower-case hexadecimal digits."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while piece := file.read(1 << 20):
            digest.update(piece)
    return digest.hexdigest()
