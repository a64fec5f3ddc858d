"""Properties that hold for any findings."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from hypothesis import given
from hypothesis import strategies as st
from small_exam import EXAM, acuity, flags_of, found, reading

from dictate.checks.checking import check
from dictate.checks.derived import derive
from dictate.findings.coverage import coverage_of
from dictate.findings.finding import Finding, Grade, Pressure, Quantity, Value

_WORDS = (
    "hypertension", "hypotension", "disease", "diagnosis", "suggests", "infection",
    "tachycardia", "fever", "obese", "pneumonia", "patient has",
)  # fmt: skip


# Body size has no usual range of its own.
_ORDINARY = {"vitals.height": (160, 190), "vitals.weight": (50, 90)}


@st.composite
def _inside(draw: st.DrawFn) -> list[Finding]:
    """One finding an item and side, each inside the usual range of its item."""
    drawn = []
    for item in EXAM.items.values():
        if not draw(st.booleans()):
            continue
        for side in ("left", "right") if item.sides == "paired" else (None,):
            value = _usual_value(draw, item.id)
            if value is not None:
                drawn.append(found(item.id, value, side, draw(st.floats(0, 500))))
    return drawn


def _usual_value(draw: st.DrawFn, item_id: str) -> Value | None:
    item = EXAM.items[item_id]
    if item.kind == "quantity":
        limits = item.ranges.usual
        low, high = (limits.low, limits.high) if limits else _ORDINARY[item_id]
        number = draw(st.decimals(str(low), str(high), places=1))
        return Quantity(number=number, unit=item.unit or "")
    if item.kind == "pressure":
        # Usual numbers that leave a plausible pulse pressure (10 or more).
        systolic = draw(st.integers(90, 119))
        return Pressure(
            systolic=Decimal(systolic),
            diastolic=Decimal(draw(st.integers(60, min(79, systolic - 10)))),
        )
    if item.kind == "grade":
        scale = EXAM.scales[item.scale or ""]
        top = int(scale.usual_to or scale.usual or scale.high)
        number = draw(st.integers(int(scale.usual or 0), top))
        return Grade(grade=Decimal(number), scale=item.scale or "")
    if item.kind == "ratio":
        return acuity(20, draw(st.sampled_from([15, 20, 25, 30])))
    if item.readings:
        one = item.readings[0]
        return reading(one.code, denied=one.status == "present")
    return None


@st.composite
def _anything(draw: st.DrawFn) -> list[Finding]:
    """Findings of any kind, often at odds with each other."""
    drawn = []
    for _ in range(draw(st.integers(0, 12))):
        item = draw(st.sampled_from(list(EXAM.items.values())))
        sides: tuple[Any, ...] = (None,)
        if item.sides == "paired":
            sides = ("left", "right", "both", "unspecified")
        number = draw(st.integers(0, 400))
        value: Value | None = None
        if item.kind == "quantity":
            value = Quantity(number=Decimal(number), unit=item.unit or "")
        elif item.kind == "pressure":
            value = Pressure(systolic=Decimal(number), diastolic=Decimal(draw(st.integers(0, 200))))
        elif item.kind == "grade":
            value = Grade(grade=Decimal(number % 9), scale=item.scale or "")
        elif item.kind == "ratio":
            value = acuity(20, number)
        elif item.readings:
            value = reading(draw(st.sampled_from(item.readings)).code, draw(st.booleans()))
        drawn.append(
            found(
                item.id,
                draw(st.sampled_from([value, None])),
                draw(st.sampled_from(sides)),
                draw(st.sampled_from([1.0, 2.0, 50.0, 300.0])),
                struck=draw(st.booleans()),
            )
        )
    return drawn


@given(_inside())
def test_no_error_inside_usual_ranges(findings: list[Finding]) -> None:
    assert [flag for flag in flags_of(*findings) if flag.severity == "error"] == []


@given(_inside())
def test_nothing_unusual_inside_usual_ranges(findings: list[Finding]) -> None:
    rules = {flag.rule.partition(":")[0] for flag in flags_of(*findings) if flag.items}
    unusual = {
        flag.rule
        for flag in flags_of(*findings)
        if flag.rule.startswith("unusual")
        and not flag.rule.endswith(("pulse_pressure", "body_mass_index"))
    }
    assert unusual == set()
    assert not rules & {"implausible", "scale", "acuity", "unit", "conflict", "contradiction"}


@given(_anything(), st.randoms(use_true_random=False))
def test_order_of_findings_does_not_matter(findings: list[Finding], shuffler: Any) -> None:
    shuffled = list(findings)
    shuffler.shuffle(shuffled)
    one = check(findings, coverage_of(findings, EXAM), EXAM, 600)
    other = check(shuffled, coverage_of(shuffled, EXAM), EXAM, 600)
    assert one == other
    assert derive(findings, EXAM) == derive(shuffled, EXAM)


@given(_anything())
def test_flags_are_sentences_that_rest_on_what_stands(findings: list[Finding]) -> None:
    standing = {finding.id for finding in findings if finding.stands}
    flags = flags_of(*findings)
    severities = [("error", "warning", "note").index(flag.severity) for flag in flags]
    assert severities == sorted(severities)
    for flag in flags:
        assert set(flag.findings) <= standing
        assert set(flag.items) <= set(EXAM.items)
        assert flag.sentence[-1] in ".?" and "  " not in flag.sentence
        assert not any(word in flag.sentence.lower() for word in _WORDS)
        assert "None" not in flag.sentence and "mm[Hg]" not in flag.sentence


@given(_anything())
def test_struck_findings_change_nothing(findings: list[Finding]) -> None:
    assert flags_of(*findings) == flags_of(*(f for f in findings if f.stands))
