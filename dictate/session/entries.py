"""The facts that a journal can hold, one model for each kind."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from dictate.audio.times import Instant, Seconds
from dictate.findings.finding import Figure, Finding
from dictate.recognition.words import HeardPhrase
from dictate.session.record import SessionInfo, Writable

Person = Annotated[str, Field(min_length=1, max_length=200, description="A code, never a name.")]
Role = Literal["learner", "instructor"]

LONGEST_REMARK = 4000  # characters; some two pages of print
Remark = Annotated[str, Field(max_length=LONGEST_REMARK)]


class _Entry(BaseModel):
    """``at`` is when the fact was written down; seconds count from the recording's start."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    at: Instant


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
    """Words that were meant for the program and not for the record, or a key.

    ``said_until`` is where in the recording the words ended: what lies before was heard. It is
    None for a key, which may be pressed while somebody speaks.
    """

    kind: Literal["command"] = "command"
    name: str
    words: str
    seconds: Seconds
    said_until: Seconds | None = None


class Mark(_Entry):
    """A place in the recording to come back to."""

    kind: Literal["mark"] = "mark"
    seconds: Seconds
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
    role: Role
    comment: Remark = ""
    findings_sha256: str = Field(
        default="", description="Of the findings as signed; '' in journals of older versions."
    )


class Amendment(_Entry):
    """A signed record is opened again, for a reason; the earlier signatures stay."""

    kind: Literal["amendment"] = "amendment"
    by: Person
    role: Role
    reason: Annotated[str, Field(min_length=1, max_length=LONGEST_REMARK)]


class Judged(_Entry):
    """From here on the session is judged by another course, or another version of it.

    ``course`` is the course's name (``key@version`` where it is installed, 'usual' for the
    usual exam) and ``exam_version`` the hash of its exam data; ``before`` is the course
    that judged it until now.
    """

    kind: Literal["judged"] = "judged"
    by: Person
    course: Annotated[str, Field(min_length=1, max_length=400)]
    exam_version: str
    before: str
    reason: Remark = ""


class Score(_Entry):
    """A mark that a person gave for one criterion; the last one given counts.

    ``points`` is None where the mark was taken away again; ``most`` is what could be had.
    """

    kind: Literal["score"] = "score"
    by: Person
    criterion: Annotated[str, Field(min_length=1, max_length=200)]
    points: Annotated[Figure, Field(ge=0)] | None
    most: Annotated[Figure, Field(gt=0)]
    remark: Remark = ""


class Comment(_Entry):
    """A free remark of a person, about one moment of the recording or about all of it."""

    kind: Literal["comment"] = "comment"
    by: Person
    role: Role
    seconds: Seconds | None = None
    text: Annotated[str, Field(min_length=1, max_length=LONGEST_REMARK)]


class Acknowledgement(_Entry):
    """A person has seen a flag and lets it stand; the flag stays in every output."""

    kind: Literal["acknowledgement"] = "acknowledgement"
    by: Person
    rule: str
    sentence: str
    reason: Remark = ""


Undoable = Annotated[
    Correction | Confirmation | Score | Comment | Acknowledgement, Field(discriminator="kind")
]


class Undo(_Entry):
    """What a person did is taken back; ``undone`` is the earlier line, word for word."""

    kind: Literal["undo"] = "undo"
    by: Person
    undone: Undoable


class Notice(_Entry):
    """Something the reader should know, such as a sound level that was too low."""

    kind: Literal["notice"] = "notice"
    sentence: Writable
    detail: Writable = ""


class SessionEnd(_Entry):
    """The recording is over; ``seconds`` is its whole length.

    ``sound_sha256`` is set where the sound was recorded during the session, so that it could
    not be told at the start. A session that was taken up again has several ends; the last counts.
    """

    kind: Literal["end"] = "end"
    seconds: Seconds
    sound_sha256: str = ""


Entry = Annotated[
    SessionStart
    | PhraseHeard
    | SpokenCommand
    | Mark
    | Correction
    | Confirmation
    | Signature
    | Amendment
    | Judged
    | Score
    | Comment
    | Acknowledgement
    | Undo
    | Notice
    | SessionEnd,
    Field(discriminator="kind"),
]


def now() -> datetime:
    """The present moment with its zone, to the millisecond."""
    moment = datetime.now().astimezone()
    return moment.replace(microsecond=moment.microsecond // 1000 * 1000)
