"""A session as one model: what every output is computed from."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from dictate.audio.times import Instant, Seconds
from dictate.checks.flag import Derived, Flag
from dictate.findings.coverage import ItemCoverage
from dictate.findings.finding import Finding
from dictate.recognition.words import HeardPhrase


def _that_can_be_written(text: Any) -> Any:
    return text.encode("utf-8", "replace").decode() if isinstance(text, str) else text


Writable = Annotated[str, BeforeValidator(_that_can_be_written)]
"""Text that may hold a name or an argument from the system, which gives bytes that are no UTF-8
as lone surrogates; they become question marks."""


class SessionInfo(BaseModel):
    """What is known about the session apart from the talk.

    ``started`` is an absolute time with zone; times of findings are seconds after it.
    ``sound_sha256`` and ``sound_name`` identify the recording (or transcript).
    Learner and partner are codes, never names.
    """

    model_config = ConfigDict(frozen=True)

    id: str
    started: Instant
    sound_name: Writable
    sound_sha256: str
    seconds: Seconds
    learner: Writable = "learner"
    partner: Writable = "partner"
    consent: Writable = "not recorded here"
    engine: str
    engine_version: str
    program_version: str
    exam_version: str
    course: str = "complete"
    notices: tuple[str, ...] = Field(default=(), description="Sentences such as a low sound level.")


class Session(BaseModel):
    """Everything about one session, recomputable from its journal."""

    model_config = ConfigDict(frozen=True)

    info: SessionInfo
    phrases: tuple[HeardPhrase, ...]
    findings: tuple[Finding, ...]
    coverage: dict[str, ItemCoverage]
    flags: tuple[Flag, ...]
    derived: tuple[Derived, ...] = ()
    state: Literal["preliminary", "final", "amended"] = "preliminary"
