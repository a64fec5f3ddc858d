"""The facts that a journal can hold, one model for each kind."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from dictate.findings.finding import Finding
from dictate.recognition.words import HeardPhrase
from dictate.session.record import SessionInfo

Person = Annotated[str, Field(min_length=1, max_length=200, description="A code, never a name.")]


class _Entry(BaseModel):
    """``at`` is when the fact was written down; seconds count from the recording's start."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    at: AwareDatetime


class SessionStart(_Entry):
    """The session begins: who, which recording, which engine and exam data."""

    kind: Literal["start"] = "start"
    format: Literal[1] = 1
    info: SessionInfo


class PhraseHeard(_Entry):
    """What the recogniser or the transcript gave for the stretch between two pauses."""

    kind: Literal["phrase"] = "phrase"
    phrase: HeardPhrase


class SpokenCommand(_Entry):
    """Words that were meant for the program and not for the record."""

    kind: Literal["command"] = "command"
    name: str
    words: str
    seconds: float = Field(ge=0)


class Mark(_Entry):
    """A place in the recording to come back to."""

    kind: Literal["mark"] = "mark"
    seconds: float = Field(ge=0)
    text: str = ""


class Correction(_Entry):
    """A finding changed by a person.

    ``before`` is what stood there, None where a finding was added; ``after`` is what
    it was changed to, None where it was struck.
    """

    kind: Literal["correction"] = "correction"
    by: Person
    before: Finding | None
    after: Finding | None
    reason: str = ""


class Confirmation(_Entry):
    """A person looked at a finding and let it stand; ``seen`` is what was shown."""

    kind: Literal["confirmation"] = "confirmation"
    by: Person
    seen: Finding


class Signature(_Entry):
    """A person closes the record; it covers every line above it through their hashes."""

    kind: Literal["signature"] = "signature"
    by: Person
    role: Literal["learner", "instructor"]


class Notice(_Entry):
    """Something the reader should know, such as a sound level that was too low."""

    kind: Literal["notice"] = "notice"
    sentence: str
    detail: str = ""


class SessionEnd(_Entry):
    """The recording is over; ``seconds`` is its whole length."""

    kind: Literal["end"] = "end"
    seconds: float = Field(ge=0)


Entry = Annotated[
    SessionStart
    | PhraseHeard
    | SpokenCommand
    | Mark
    | Correction
    | Confirmation
    | Signature
    | Notice
    | SessionEnd,
    Field(discriminator="kind"),
]


def now() -> datetime:
    """The present moment with its zone, to the millisecond."""
    moment = datetime.now().astimezone()
    return moment.replace(microsecond=moment.microsecond // 1000 * 1000)
