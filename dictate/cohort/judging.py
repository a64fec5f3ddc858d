"""Judges a session anew by another course or another version of it, on request only."""

from __future__ import annotations

from pathlib import Path

from pydantic import BaseModel, ConfigDict

from dictate.cohort.courses import checklist_of, full_name
from dictate.conversion import opened, session_of
from dictate.errors import UserFault
from dictate.outputs.folder import write_outputs
from dictate.session.corrections import signatures_in_force
from dictate.session.entries import Amendment, Entry, Judged, Role, now
from dictate.session.journal import Journal
from dictate.session.record import SessionInfo


class Judgement(BaseModel):
    """What became of a session: ``changed`` is False where it was judged so already.

    ``flags_before`` is None where the former course is no longer to be had here.
    """

    model_config = ConfigDict(frozen=True)

    folder: Path
    before: str
    course: str
    changed: bool = False
    flags_before: int | None
    flags: int | None = None


def judge(folder: Path, course: str, *, by: str, role: Role, reason: str = "") -> Judgement:
    """Judge a session by ``course`` from now on, and write its outputs again.

    The journal keeps who did it, when and why; the earlier judgement can be had back by
    judging by the earlier version. A signed session is opened again by an amendment, for
    which a reason must be given.

    Args:
        folder: the session's folder.
        course: an installed course (its newest version where none is named), a course
            file, a shipped course, or 'usual'.
        by: code of the person who decides it.
        role: who that person is.
        reason: why.

    Raises:
        UserFault: there is no such course or session, the session is open elsewhere, or it
            is signed and no reason was given.
    """
    name = full_name(course) or "usual"
    catalogue = checklist_of(name).catalogue
    info, reading = opened(folder)
    before, flags_before = info.course, _flags(info, reading.entries)
    if (before, info.exam_version) == (name, catalogue.version):
        return Judgement(folder=folder, before=before, course=name, flags_before=flags_before)
    signed = signatures_in_force(reading.entries)
    if signed and not reason.strip():
        raise UserFault(
            f"The session in {folder} is signed by {signed[-1].by}; give --reason to open it again "
            "by an amendment."
        )
    journal, _ = Journal.reopen(folder)
    with journal:
        if signed:
            journal.add(Amendment(at=now(), by=by, role=role, reason=reason.strip()))
        journal.add(
            Judged(
                at=now(),
                by=by,
                course=name,
                exam_version=catalogue.version,
                before=before,
                reason=reason.strip(),
            )
        )
        head = journal.head
    info, reading = opened(folder)
    session = session_of(info, reading.entries, catalogue)
    write_outputs(session, catalogue, folder, journal_head=head)
    return Judgement(
        folder=folder,
        before=before,
        course=name,
        changed=True,
        flags_before=flags_before,
        flags=len(session.flags),
    )


def _flags(info: SessionInfo, entries: tuple[Entry, ...]) -> int | None:
    """How many flags the judgement in force raises; None where its course is gone."""
    try:
        return len(session_of(info, entries, checklist_of(info.course).catalogue).flags)
    except UserFault:
        return None
