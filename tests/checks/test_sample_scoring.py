"""The scorer of the sample sessions gives full marks to the truth and takes them off for faults."""

from __future__ import annotations

import sys
from datetime import datetime, timezone
from decimal import Decimal
from functools import lru_cache
from pathlib import Path
from typing import Any

import pytest

from dictate.checks.checking import check
from dictate.exam.catalogue import Catalogue
from dictate.exam.reading import load_catalogue
from dictate.findings.coverage import coverage_of
from dictate.findings.finding import (
    Choice,
    Finding,
    Grade,
    Level,
    Pressure,
    Quantity,
    Ratio,
    Trials,
    Value,
)
from dictate.session.record import Session, SessionInfo

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "bench"))

from samples import Score, read, score


@lru_cache(maxsize=1)
def exam() -> Catalogue:
    return load_catalogue()


def value_of(row: dict[str, Any]) -> Value | None:
    item = exam().items[row["item"]]
    if "pressure" in row:
        systolic, diastolic = map(Decimal, row["pressure"])
        return Pressure(systolic=systolic, diastolic=diastolic)
    if "acuity" in row:
        numerator, denominator = map(Decimal, row["acuity"])
        return Ratio(numerator=numerator, denominator=denominator)
    if "grade" in row:
        return Grade(grade=Decimal(row["grade"]), scale=item.scale or "")
    if "number" in row:
        return Quantity(number=Decimal(str(row["number"])), unit=item.unit or "")
    if "answers" in row:
        return Trials(answers=("yes",) * row["answers"])
    if "reading" in row:
        reading = item.reading(row["reading"])
        denied = reading.status != row["status"]
        return Choice(code=reading.code, title=reading.title, denied=denied)
    return None


def perfect(truth: dict[str, Any]) -> list[Finding]:
    return [
        Finding(
            id=f"f{place}",
            item=row["item"],
            side="unspecified" if row.get("side") == "any" else row.get("side"),
            site=row.get("site"),
            value=value_of(row),
            status=row.get("status"),
            level=Level(row["level"]),
            start=row["at"],
            end=row["at"] + 1,
            words="as heard",
            utterances=(place,),
        )
        for place, row in enumerate(truth["findings"])
    ]


def scored(findings: list[Finding], truth: dict[str, Any]) -> Score:
    info = SessionInfo(
        id="s",
        started=datetime(2024, 1, 1, tzinfo=timezone.utc),
        sound_name="s",
        sound_sha256="0",
        seconds=300,
        engine="none",
        engine_version="0",
        program_version="0",
        exam_version="0",
    )
    coverage = coverage_of(findings, exam())
    session = Session(
        info=info,
        phrases=(),
        findings=tuple(findings),
        coverage=coverage,
        flags=check(findings, coverage, exam(), 300),
    )
    return score(session, truth, exam())


@pytest.mark.parametrize("name", ["short", "long", "flawed"])
def test_the_truth_itself_has_full_marks(name: str) -> None:
    truth = read(name, "truth")
    got = scored(perfect(truth), truth)
    assert got.errors == []
    assert got.found == got.expected > 10
    assert got.told_right == got.told > 10
    assert got.values_exact == got.values > 5
    assert got.status_right == got.status == got.reading_right
    assert got.acts_found == got.acts
    assert got.flags_raised == got.flags
    assert got.never == 0
    assert max(got.late) == 0


def changed(findings: list[Finding], item: str, **changes: Any) -> list[Finding]:
    return [f.model_copy(update=changes) if f.item == item else f for f in findings]


def test_faults_cost_marks() -> None:
    truth = read("short", "truth")
    whole = perfect(truth)
    full = scored(whole, truth)

    lost = scored([f for f in whole if f.item != "vitals.pulse_rate"], truth)
    assert lost.found == full.found - 1 and lost.values_exact == full.values_exact - 1

    number = Quantity(number=Decimal(27), unit="/min")
    wrong = scored(changed(whole, "vitals.pulse_rate", value=number), truth)
    assert wrong.values_wrong == 1 and wrong.found == full.found

    marked = scored(changed(whole, "vitals.pulse_rate", value=number, doubts=("Unclear.",)), truth)
    assert marked.values_wrong == 0 and marked.values_doubtful == 1

    swapped = scored(changed(whole, "eyes.near_acuity", side="left"), truth)
    assert swapped.found == full.found - 1

    status = scored(changed(whole, "head.face", status="abnormal"), truth)
    assert status.status_right == full.status_right - 1

    struck = scored(changed(whole, "head.face", struck=True), truth)
    assert struck.found == full.found - 1

    courtesy = whole[0].model_copy(
        update={"id": "x", "item": "head.forehead", "side": "both", "level": Level.REPORTED}
    )
    assert scored([*whole, courtesy], truth).never == 1

    stray = whole[0].model_copy(update={"id": "x", "item": "heart.thrill", "level": Level.REPORTED})
    assert scored([*whole, stray], truth).told_right == full.told_right
    assert scored([*whole, stray], truth).told == full.told + 1
