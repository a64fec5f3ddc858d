"""Session folders as the program would leave them, made from invented talk."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import datetime, timedelta, timezone
from pathlib import Path

from dictate.session.entries import PhraseHeard, SessionEnd, SessionStart, now
from dictate.session.journal import Journal
from dictate.session.record import SessionInfo
from tests.conftest import spoken

FIRST_DAY = datetime(2026, 1, 5, 9, tzinfo=timezone.utc)

VITALS = (
    "blood pressure on the right one eighteen over seventy six",
    "pulse seventy two and regular",
    "respirations sixteen",
)


def made_session(
    folder: Path,
    lines: Sequence[str] = VITALS,
    *,
    learner: str = "ann",
    partner: str = "p1",
    day: int = 0,
    course: str = "usual",
    exam_version: str = "",
) -> Path:
    """Write a journal of these lines into ``folder``; return the folder."""
    phrases = spoken(lines)
    mark = hashlib.sha256(f"{learner} {partner} {day} {lines}".encode()).hexdigest()
    info = SessionInfo(
        id=mark[:16],
        started=FIRST_DAY + timedelta(days=day),
        sound_name="invented.txt",
        sound_sha256=mark,
        seconds=phrases[-1].end,
        learner=learner,
        partner=partner,
        engine="timed text",
        engine_version="1",
        program_version="0",
        exam_version=exam_version,
        course=course,
    )
    with Journal.create(folder, SessionStart(at=now(), info=info)) as journal:
        for phrase in phrases:
            journal.add(PhraseHeard(at=now(), phrase=phrase))
        journal.add(SessionEnd(at=now(), seconds=phrases[-1].end))
    return folder
