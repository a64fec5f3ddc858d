"""Values so far out that they were more likely misheard than measured."""

from __future__ import annotations

from collections.abc import Iterator

from dictate.checks.flag import Flag
from dictate.checks.measures import logmar, outside
from dictate.checks.raising import raised
from dictate.checks.standing import Standing
from dictate.checks.wording import (
    citation,
    limits_text,
    listed,
    number_text,
    told,
    unit_text,
)
from dictate.exam.catalogue import Item, Limits
from dictate.findings.finding import Finding, Grade, Pressure, Quantity, Ratio
from dictate.findings.units import converted, converts

# From 20/8 to 20/2000: the table of Holladay 1997 ends at counting fingers (20/2000 in
# round numbers) and acuity better than 20/8 is not on charts (from memory).
_LOGMAR = (-0.4, 2.0)
_ACUITY_SOURCE = (
    "Proper method for calculating average visual acuity. "
    "Journal of Refractive Surgery 13:388-391, 1997 (ends of the range from memory)"
)


def check_implausible(heard: Standing) -> Iterator[Flag]:
    """Flag values outside the plausible range, grades off their scale, impossible pairs."""
    for finding in heard.findings:
        item = heard.item(finding)
        value = finding.value
        if isinstance(value, Quantity):
            yield from _quantity(heard, finding, item, value)
        elif isinstance(value, Pressure):
            yield from _pressure(heard, finding, item, value)
        elif isinstance(value, Grade):
            yield from _grade(heard, finding, value)
        elif isinstance(value, Ratio):
            yield from _acuity(heard, finding, value)


def is_implausible(item: Item, value: Quantity) -> bool:
    """Whether a quantity lies outside the item's plausible range."""
    limits = item.ranges.plausible
    return limits is not None and outside(limits, value.number, value.high, value.comparator)


def _quantity(heard: Standing, finding: Finding, item: Item, value: Quantity) -> Iterator[Flag]:
    limits = item.ranges.plausible
    if limits is None or not is_implausible(item, value):
        return
    text = told(finding, heard.catalogue)
    source = citation(heard.catalogue, limits.source, limits.note)
    meant = _other_unit(item, value, limits)
    if meant is None:
        yield raised(
            f"implausible:{item.id}",
            "error",
            f"{text} was likely misheard; plausible is {limits_text(limits, item.unit or '')}.",
            [finding],
            source,
        )
        return
    number = value.said_number if value.said_number is not None else value.number
    yield raised(
        f"unit:{item.id}",
        "error",
        f"{text} does not fit its unit; was {number_text(number)}{unit_text(meant)} meant?",
        [finding],
        source,
    )


def _other_unit(item: Item, value: Quantity, limits: Limits) -> str | None:
    """The unit in which the number as said would be plausible."""
    number = value.said_number if value.said_number is not None else value.number
    said_in = value.said_unit or value.unit
    for unit in (item.unit or "", *item.other_units):
        if unit == said_in or not converts(unit, item.unit or ""):
            continue
        if not outside(limits, converted(number, unit, item.unit or "")):
            return unit
    return None


def _pressure(heard: Standing, finding: Finding, item: Item, value: Pressure) -> Iterator[Flag]:
    text = told(finding, heard.catalogue)
    if value.systolic <= value.diastolic:
        yield raised(
            f"systolic_not_above_diastolic:{item.id}",
            "error",
            f"{text} was likely misheard; the systolic must be above the diastolic.",
            [finding],
            "by definition of the two pressures",
        )
        return
    far = []
    sources = []
    for half, number, ranges in (
        ("systolic", value.systolic, item.ranges),
        ("diastolic", value.diastolic, item.diastolic),
    ):
        limits = ranges.plausible
        if limits is not None and outside(limits, number):
            far.append(f"a plausible {half} is {limits_text(limits, value.unit)}")
            sources.append(citation(heard.catalogue, limits.source, limits.note))
    if far:
        yield raised(
            f"implausible:{item.id}",
            "error",
            f"{text} was likely misheard; {listed(far)}.",
            [finding],
            "; ".join(dict.fromkeys(sources)),
        )


def _grade(heard: Standing, finding: Finding, value: Grade) -> Iterator[Flag]:
    scale = heard.catalogue.scales.get(value.scale)
    if scale is None:
        return
    item = heard.item(finding)
    text = told(finding, heard.catalogue)
    source = citation(heard.catalogue, scale.source)
    ends = f"{number_text(scale.low)} to {number_text(scale.high)}"
    trace = scale.trace is not None and float(value.grade) == scale.trace
    if not trace and not scale.low <= float(value.grade) <= scale.high:
        yield raised(
            f"scale:{item.id}",
            "error",
            f"{text} is not on the scale, which goes from {ends}.",
            [finding],
            source,
        )
    elif value.out_of is not None and scale.out_of and value.out_of not in scale.out_of:
        yield raised(
            f"scale:{item.id}",
            "warning",
            f"{text} was said on another scale than the one used here, which goes from {ends}.",
            [finding],
            source,
        )


def _acuity(heard: Standing, finding: Finding, value: Ratio) -> Iterator[Flag]:
    item = heard.item(finding)
    measure = logmar(value)
    if measure is not None and _LOGMAR[0] - 1e-9 <= measure <= _LOGMAR[1] + 1e-9:
        return
    text = told(finding, heard.catalogue)
    yield raised(
        f"acuity:{item.id}",
        "error",
        f"{text} is no possible acuity; charts reach from 20/8 to 20/2000.",
        [finding],
        _ACUITY_SOURCE,
    )
