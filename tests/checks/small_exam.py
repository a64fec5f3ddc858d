"""A small exam of our own and short ways to write findings for it."""

from __future__ import annotations

from decimal import Decimal
from itertools import count
from typing import Any

from dictate.checks.checking import check
from dictate.checks.flag import Flag
from dictate.exam.catalogue import (
    Catalogue,
    CheckRules,
    Coding,
    Conflict,
    Derived,
    Difference,
    Item,
    Limits,
    OrderRule,
    Ranges,
    Reading,
    Region,
    Scale,
    Site,
    Source,
)
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


def ranges(usual: tuple[float, float] | None, plausible: tuple[float, float]) -> Ranges:
    return Ranges(
        usual=Limits(low=usual[0], high=usual[1], source="usual_book") if usual else None,
        plausible=Limits(low=plausible[0], high=plausible[1], source="memory"),
    )


def readings(**statuses: str) -> tuple[Reading, ...]:
    return tuple(
        Reading(code=code, title=code.replace("_", " "), status=status, say=(code,))
        for code, status in statuses.items()
    )


def _vitals() -> Region:
    return Region(
        region="vitals",
        title="Vital signs",
        order=10,
        items=(
            Item(
                id="vitals.blood_pressure",
                title="Blood pressure",
                kind="pressure",
                sides="paired",
                unit="mm[Hg]",
                ranges=ranges((90, 119), (60, 260)),
                diastolic=ranges((60, 79), (30, 150)),
                differs=Difference(by=10, source="arms_paper", note="between the arms"),
            ),
            Item(
                id="vitals.pulse",
                title="Pulse rate",
                kind="quantity",
                unit="/min",
                ranges=Ranges(
                    usual=Limits(low=60, high=100, source="usual_book"),
                    plausible=Limits(low=25, high=220, source="memory"),
                    others=(Limits(low=50, high=90, source="other_book"),),
                ),
                codes=(Coding(system="loinc", code="8867-4", display="Heart rate"),),
            ),
            Item(
                id="vitals.respirations",
                title="Respirations",
                kind="quantity",
                unit="/min",
                ranges=ranges((12, 20), (4, 60)),
                codes=(Coding(system="loinc", code="9279-1", display="Respiratory rate"),),
            ),
            Item(
                id="vitals.temperature",
                title="Temperature",
                kind="quantity",
                unit="Cel",
                other_units=("[degF]",),
                decimals=1,
                ranges=ranges((36.1, 37.7), (30, 43)),
            ),
            Item(
                id="vitals.height",
                title="Height",
                kind="quantity",
                unit="cm",
                other_units=("[in_i]",),
                ranges=ranges(None, (100, 230)),
            ),
            Item(
                id="vitals.weight",
                title="Weight",
                kind="quantity",
                unit="kg",
                ranges=ranges(None, (30, 300)),
            ),
        ),
    )


def _eyes() -> Region:
    return Region(
        region="eyes",
        title="Eyes",
        order=20,
        items=(
            Item(
                id="eyes.acuity",
                title="Near acuity",
                kind="ratio",
                sides="paired",
                differs=Difference(by=0.2, source="memory"),
            ),
            Item(
                id="eyes.pupil",
                title="Pupil",
                sides="paired",
                readings=readings(brisk="normal", sluggish="abnormal", scar="present"),
            ),
            Item(
                id="eyes.lids",
                title="Lids",
                sides="paired",
                readings=readings(droop="present"),
            ),
            Item(
                id="eyes.smell",
                title="Odours",
                kind="trials",
                sides="paired",
                answers=("coffee", "mint"),
            ),
        ),
    )


def _back() -> Region:
    return Region(
        region="back",
        title="Back",
        order=30,
        items=(
            Item(
                id="back.spine",
                title="Spinal tenderness",
                sites="levels",
                readings=readings(tender="present"),
            ),
            Item(
                id="back.breath",
                title="Breath sounds",
                sides="paired",
                sites="levels",
                readings=readings(clear="normal", crackles="present", faint="abnormal"),
            ),
            Item(
                id="back.descent",
                title="Diaphragm descent",
                kind="quantity",
                sides="paired",
                unit="cm",
                ranges=ranges((3, 5), (0, 10)),
                differs=Difference(by=1, source="memory"),
            ),
            Item(
                id="back.strength",
                title="Shrug strength",
                kind="grade",
                sides="paired",
                scale="strength",
            ),
            Item(
                id="back.reflex", title="Knee reflex", kind="grade", sides="paired", scale="reflex"
            ),
        ),
    )


def _abdomen() -> Region:
    return Region(
        region="abdomen",
        title="Abdomen",
        order=40,
        items=(
            Item(id="abdomen.scrub", title="Hands warmed"),
            Item(
                id="abdomen.listen",
                title="Bowel sounds",
                readings=readings(active="normal", silent="abnormal"),
            ),
            Item(
                id="abdomen.touch",
                title="Light palpation",
                readings=readings(soft="normal", tender="present"),
            ),
        ),
    )


RULES = CheckRules(
    conflicts=(
        Conflict(
            id="clear_and_crackles",
            first="back.breath=clear",
            second="back.breath=crackles",
            sentence="Clear lungs and crackles do not go together",
            source="common",
        ),
        Conflict(
            id="droop_and_brisk",
            first="eyes.lids!droop",
            second="eyes.pupil=scar",
            sentence="No droop does not go with a scar",
            source="common",
        ),
        Conflict(
            id="weak_and_brisk",
            first="back.strength<=1",
            second="back.reflex>=4",
            same_side=False,
            severity="note",
            sentence="A paralysed shoulder and a knee reflex of 4 ask for a second look",
            source="common",
        ),
    ),
    order=(
        OrderRule(
            id="listen_first",
            first="abdomen.listen",
            then=("abdomen.touch",),
            sentence="The abdomen is listened to before it is touched.",
            source="usual_book",
        ),
    ),
    derived=(
        Derived(
            id="pulse_pressure",
            title="Pulse pressure",
            formula="pulse_pressure",
            of=("vitals.blood_pressure",),
            unit="mm[Hg]",
            written="systolic minus diastolic",
            source="common",
            ranges=ranges((30, 60), (10, 120)),
        ),
        Derived(
            id="mean_arterial_pressure",
            title="Mean arterial pressure",
            formula="mean_arterial_pressure",
            of=("vitals.blood_pressure",),
            unit="mm[Hg]",
            written="diastolic plus one third of the pulse pressure",
            source="common",
        ),
        Derived(
            id="body_mass_index",
            title="Body mass index",
            formula="body_mass_index",
            of=("vitals.weight", "vitals.height"),
            unit="kg/m2",
            written="weight over the square of height",
            source="common",
            ranges=ranges((18.5, 24.9), (10, 80)),
        ),
        Derived(
            id="arm_difference",
            title="Difference between the arms",
            formula="side_difference",
            of=("vitals.blood_pressure",),
            unit="mm[Hg]",
            written="systolic of one arm minus the other's",
            source="common",
        ),
        Derived(
            id="logmar",
            title="Acuity as logMAR",
            formula="logmar",
            of=("eyes.acuity",),
            unit="1",
            written="log10 of denominator over numerator",
            source="common",
        ),
        Derived(
            id="decimal_acuity",
            title="Acuity as a decimal",
            formula="decimal_acuity",
            of=("eyes.acuity",),
            unit="1",
            written="numerator over denominator",
            source="common",
        ),
        Derived(
            id="mean_pressure",
            title="Mean of repeated pressures",
            formula="mean_of_repeats",
            of=("vitals.blood_pressure",),
            unit="mm[Hg]",
            written="sum over count",
            source="common",
        ),
    ),
)

EXAM = Catalogue(
    regions=(_vitals(), _eyes(), _back(), _abdomen()),
    sites={
        "levels": (
            Site(id="upper", title="upper zone", say=("upper",)),
            Site(id="lower", title="lower zone", say=("lower",)),
        )
    },
    scales={
        "strength": Scale(title="Strength", high=5, usual=5, out_of=(5,), source="usual_book"),
        "reflex": Scale(
            title="Reflex", high=4, usual=1, usual_to=3, plus=True, trace=0.5, source="usual_book"
        ),
    },
    sources={
        "usual_book": Source(title="Book of the usual", body="A press", year=1999),
        "other_book": Source(title="Another book", body="B press", year=2001),
        "arms_paper": Source(title="Arms that differ", body="C journal", year=2012),
        "common": Source(title="Practice", body="the trade", kind="common practice"),
        "memory": Source(title="Recalled", body="none", kind="from memory"),
    },
    checks=RULES,
    version="test",
)

_ids = count()


def found(
    item: str,
    value: Value | None = None,
    side: Any = None,
    at: float = 10.0,
    **more: Any,
) -> Finding:
    """A finding with an id of its own; level and status follow from the value."""
    measured = isinstance(value, Quantity | Pressure | Ratio | Grade | Trials)
    level = Level.MEASURED if measured else Level.REPORTED if value is not None else Level.PERFORMED
    status = None
    if isinstance(value, Choice):
        said = EXAM.items[item].reading(value.code).status
        opposite = {
            "present": "absent",
            "absent": "present",
            "normal": "abnormal",
            "abnormal": "normal",
        }
        status = opposite[said] if value.denied else said
    number = next(_ids)
    given: dict[str, Any] = {
        "id": f"f{number}",
        "item": item,
        "side": side,
        "value": value,
        "status": status,
        "level": level,
        "start": at,
        "end": at + 1,
        "words": "as heard",
        "utterances": (number,),
    }
    return Finding(**{**given, **more})


def quantity(number: float | str, unit: str, **more: Any) -> Quantity:
    return Quantity(number=Decimal(str(number)), unit=unit, **more)


def pressure(systolic: int, diastolic: int) -> Pressure:
    return Pressure(systolic=Decimal(systolic), diastolic=Decimal(diastolic))


def acuity(numerator: float, denominator: float, letters: int = 0) -> Ratio:
    return Ratio(
        numerator=Decimal(str(numerator)), denominator=Decimal(str(denominator)), letters=letters
    )


def grade(number: float, scale: str, **more: Any) -> Grade:
    return Grade(grade=Decimal(str(number)), scale=scale, **more)


def reading(code: str, denied: bool = False) -> Choice:
    return Choice(code=code, title=code.replace("_", " "), denied=denied)


def flags_of(*findings: Finding, seconds: float = 600.0, exam: Catalogue = EXAM) -> list[Flag]:
    return list(check(findings, coverage_of(findings, exam), exam, seconds))


def rules_of(*findings: Finding, seconds: float = 600.0) -> set[str]:
    return {flag.rule for flag in flags_of(*findings, seconds=seconds)}
