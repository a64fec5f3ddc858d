"""A session as one model: what every output is computed from."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator

from dictate.audio.times import Instant, Seconds
from dictate.checks.flag import Derived, Flag
from dictate.findings.coverage import ItemCoverage
from dictate.findings.finding import Finding
from dictate.recognition.words import HeardPhrase


class SessionInfo(BaseModel):
    """What is known about the session apart from the talk.

    ``started`` is an absolute time with zone; times of findings are seconds after it.
    ``sound_sha256`` and ``sound_name`` identify the recording (or transcript).
    Learner and partner are codes, never names.
    """

    model_config = ConfigDict(frozen=True)

    @field_validator("sound_name", "learner", "partner", "consent", mode="before")
    @classmethod
    def _that_can_be_written(cls, text: Any) -> Any:
        # The system gives bytes that are no UTF-8 in a name or an argument as lone surrogates.
        return text.encode("utf-8", "replace").decode() if isinstance(text, str) else text

    id: str
    started: Instant
    sound_name: str
    sound_sha256: str
    seconds: Seconds
    learner: str = "learner"
    partner: str = "partner"
    consent: str = "not recorded here"
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
