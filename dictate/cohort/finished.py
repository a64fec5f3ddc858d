"""Whether a session folder holds the finished conversion of a certain recording."""

from __future__ import annotations

from pathlib import Path
from typing import BinaryIO

from pydantic import BaseModel, ConfigDict, ValidationError

from dictate.session.entries import SessionStart
from dictate.session.journal import JOURNAL_NAME
from dictate.session.record import SessionInfo

_MACHINE_MADE = frozenset(
    f'"kind":"{kind}"'.encode() for kind in ("start", "phrase", "command", "mark", "notice", "end")
)
_END = b'"kind":"end"'
_KIND = b'"entry":{"at":"'


class _FirstLine(BaseModel):
    model_config = ConfigDict(extra="ignore")

    entry: SessionStart


class Version(BaseModel):
    """What a conversion depends on: the same version of the same recording gives the same."""

    model_config = ConfigDict(frozen=True)

    sound_sha256: str
    engine: str
    engine_version: str
    exam_version: str

    @classmethod
    def of(cls, info: SessionInfo) -> Version:
        """The version of a session."""
        return cls(**{name: getattr(info, name) for name in cls.model_fields})


def first_info(folder: Path) -> SessionInfo | None:
    """What the journal's first line says of the session; None where there is none."""
    try:
        with _journal(folder) as file:
            return _FirstLine.model_validate_json(file.readline()).entry.info
    except (OSError, ValidationError):
        return None


def is_finished(folder: Path) -> bool:
    """Whether the recording was heard to its end and the outputs were written after it."""
    try:
        with _journal(folder) as file:
            ended = any(_END in line[:400] for line in file)
    except OSError:
        return False
    return ended and (folder / "fhir-bundle.json").is_file()


def people_worked_on(folder: Path) -> bool:
    """Whether the journal holds corrections, signatures or other entries made by a person."""
    try:
        with _journal(folder) as file:
            return any(
                _KIND in line and not any(kind in line[:400] for kind in _MACHINE_MADE)
                for line in file
            )
    except OSError:
        return False


def _journal(folder: Path) -> BinaryIO:
    path = folder / JOURNAL_NAME
    if not path.is_file():
        raise FileNotFoundError(path)  # or something whose end would never come
    return path.open("rb")
