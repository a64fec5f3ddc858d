"""Finds the recordings of a folder, whose each is, and where its session goes."""

from __future__ import annotations

import csv
import glob
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime, timezone
from pathlib import Path

from pydantic import BaseModel, ConfigDict

from dictate.cohort.finished import first_info
from dictate.errors import UserFault
from dictate.recognition.timed_text import is_timed_text
from dictate.session.journal import JOURNAL_NAME

SOUND = frozenset({".wav", ".flac", ".ogg", ".opus", ".mp3", ".m4a", ".mp4", ".webm"})
TIMED_TEXT = frozenset({".vtt", ".srt", ".txt"})
LIST_NAME = "recordings.csv"
_COLUMNS = ("file", "learner", "partner", "started", "consent")


class Listed(BaseModel):
    """What ``recordings.csv`` says of one recording; what is empty stays as it is by default."""

    model_config = ConfigDict(frozen=True)

    learner: str = ""
    partner: str = ""
    started: datetime | None = None
    consent: str = ""


class Found(BaseModel):
    """A recording, the folder that its session goes to, and what is known of it."""

    model_config = ConfigDict(frozen=True)

    recording: Path
    folder: Path
    size: int
    about: Listed


def find_recordings(sources: Sequence[str], out: Path | None = None) -> list[Found]:
    """Recordings and timed transcripts under folders, matched by patterns, or named singly.

    A folder with a journal is a session and is not looked into. Within a folder given,
    the learner is the name of the subfolder that a recording lies in, unless a file
    ``recordings.csv`` there (columns file, learner, partner, started, consent) says who.

    Args:
        sources: folders, files, and patterns such as ``week3/*.flac``.
        out: folder for the sessions, laid out like the recordings; beside them if None.

    Raises:
        UserFault: a source does not exist, nothing was found, or the list is faulty.
    """
    found: list[Found] = []
    seen: set[Path] = set()
    for source in sources:
        root, paths, listed = _spread(source)
        stems = Counter((path.parent, path.stem) for path in paths)
        for path in paths:
            if path.resolve() in seen:
                continue
            seen.add(path.resolve())
            relative = path.relative_to(root)
            about = listed.get(relative.as_posix(), Listed())
            if not about.learner and len(relative.parts) > 1:
                about = about.model_copy(update={"learner": relative.parts[0]})
            parent = path.parent if out is None else out / relative.parent
            found.append(
                Found(
                    recording=path,
                    folder=_session_folder(path, parent, stems[path.parent, path.stem] > 1),
                    size=path.stat().st_size,
                    about=about,
                )
            )
    if not found:
        kinds = ", ".join(sorted(kind.lstrip(".") for kind in SOUND | TIMED_TEXT))
        raise UserFault(f"No recordings were found in {', '.join(sources)} (looked for {kinds}).")
    twice = [folder for folder, count in Counter(one.folder for one in found).items() if count > 1]
    if twice:
        raise UserFault(
            f"Two recordings would both go to {twice[0]}; convert their folders one by one, or "
            "without --out."
        )
    return found


def _spread(source: str) -> tuple[Path, list[Path], dict[str, Listed]]:
    path = Path(source)
    if path.is_dir():
        if (path / JOURNAL_NAME).exists():
            raise UserFault(
                f"{path} is a session already; 'dictate rebuild' computes its outputs again."
            )
        listed = read_list(path / LIST_NAME)
        paths = sorted(_within(path))
        known = {one.relative_to(path).as_posix() for one in paths}
        lost = [name for name in listed if name not in known]
        if lost:
            raise UserFault(
                f"{path / LIST_NAME} names '{lost[0]}', which is no recording in {path}; "
                "correct the list."
            )
        return path, paths, listed
    if path.is_file():
        return path.parent, [path], {}
    matched = [Path(name) for name in glob.glob(source, recursive=True)]  # noqa: PTH207 - any root
    paths = sorted(one for one in matched if one.is_file() and _is_recording(one))
    for folder in sorted(one for one in matched if one.is_dir()):
        if not (folder / JOURNAL_NAME).exists():
            paths += sorted(_within(folder))
    if not paths:
        raise UserFault(f"There is no recording at {source}; check the path or the pattern.")
    fixed = path.parent
    while glob.has_magic(str(fixed)):
        fixed = fixed.parent
    return fixed, list(dict.fromkeys(paths)), {}


def _within(folder: Path) -> Iterator[Path]:
    for path in sorted(folder.iterdir()):
        if path.name.startswith("."):
            continue
        if path.is_dir():
            if not (path / JOURNAL_NAME).exists() and path.suffix != ".session":
                yield from _within(path)
        elif path.is_file() and _is_recording(path):
            yield path


def _is_recording(path: Path) -> bool:
    suffix = path.suffix.lower()
    if suffix in SOUND:
        return True
    if suffix not in TIMED_TEXT:
        return False
    if suffix != ".txt":
        return True
    try:
        with path.open("rb") as file:
            return is_timed_text(file.read(1 << 16))
    except OSError:
        return True  # named as unreadable when its turn comes


def _session_folder(path: Path, parent: Path, shared: bool) -> Path:
    """``NAME.session``; with the ending kept where two recordings differ in it alone."""
    short, long = parent / f"{path.stem}.session", parent / f"{path.name}.session"
    held = first_info(short)
    if held is not None:
        return short if held.sound_name == path.name else long
    return long if shared else short


def read_list(path: Path) -> dict[str, Listed]:
    """Read ``recordings.csv``: file name relative to its folder -> what is known of it.

    Raises:
        UserFault: naming the line that is faulty.
    """
    if not path.is_file():
        return {}
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise UserFault(f"{path} cannot be read as UTF-8 text; save it as CSV again.") from error
    rows = csv.DictReader(text.splitlines())
    names = [name.strip() for name in rows.fieldnames or []]
    unknown = [name for name in names if name not in _COLUMNS]
    if "file" not in names or unknown:
        odd = f" (not '{unknown[0]}')" if unknown else ""
        raise UserFault(f"{path} needs a first line with columns from {', '.join(_COLUMNS)}{odd}.")
    listed: dict[str, Listed] = {}
    for row in rows:
        cells = {(key or "").strip(): (value or "").strip() for key, value in _texts(row.items())}
        name = cells.get("file", "")
        if not name:
            continue
        started = cells.get("started", "")
        try:
            moment = datetime.fromisoformat(started) if started else None
        except ValueError:
            raise UserFault(
                f"{path}, line {rows.line_num}: '{started}' is no date; write it as 2026-03-14 or "
                "2026-03-14T09:30."
            ) from None
        if moment is not None and moment.tzinfo is None:
            moment = moment.replace(tzinfo=timezone.utc)
        listed[name] = Listed(
            learner=cells.get("learner", ""),
            partner=cells.get("partner", ""),
            started=moment,
            consent=cells.get("consent", ""),
        )
    return listed


def _texts(cells: Iterable[tuple[object, object]]) -> Iterator[tuple[str, str]]:
    for key, value in cells:
        if isinstance(key, str) and isinstance(value, str):
            yield key, value
