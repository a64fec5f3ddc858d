"""Small invented sessions: the shipped exam with findings put in by hand."""

from __future__ import annotations

from datetime import datetime, timezone
from typing import Any

from dictate.exam.catalogue import Catalogue
from dictate.findings.coverage import coverage_of
from dictate.findings.finding import Finding, Level
from dictate.session.record import Session, SessionInfo


def finding(item: str, level: Level, **more: Any) -> Finding:
    known: dict[str, Any] = {"id": f"{item} {more}", "start": 1, "end": 2, "words": "invented"}
    return Finding(item=item, level=level, **{**known, **more})


def session(catalogue: Catalogue, *findings: Finding) -> Session:
    return Session(
        info=SessionInfo(
            id="invented",
            started=datetime(2026, 3, 4, 9, 30, tzinfo=timezone.utc),
            sound_name="none.vtt",
            sound_sha256="0" * 64,
            seconds=60,
            engine="text",
            engine_version="1",
            program_version="0",
            exam_version=catalogue.version,
        ),
        phrases=(),
        findings=findings,
        coverage=coverage_of(findings, catalogue),
        flags=(),
    )
