"""Values that are plausible yet outside the usual range: findings, not faults."""

from __future__ import annotations

from collections.abc import Iterator

from dictate.checks.flag import Flag
from dictate.checks.implausible import is_implausible
from dictate.checks.measures import outside
from dictate.checks.raising import raised
from dictate.checks.standing import Standing
from dictate.checks.wording import citation, limits_text, number_text, told
from dictate.exam.catalogue import Item, Limits, Ranges
from dictate.findings.finding import Finding, Grade, Pressure, Quantity


def check_usual(heard: Standing) -> Iterator[Flag]:
    """Note numbers outside the usual range and grades other than the usual one."""
    for finding in heard.findings:
        item = heard.item(finding)
        value = finding.value
        if isinstance(value, Quantity):
            limits = item.ranges.usual
            if (
                limits is not None
                and not is_implausible(item, value)
                and outside(limits, value.number, value.high, value.comparator)
            ):
                yield _note(heard, finding, item, [_bound("", limits, item.ranges, value, heard)])
        elif isinstance(value, Pressure):
            yield from _pressure(heard, finding, item, value)
        elif isinstance(value, Grade):
            yield from _grade(heard, finding, item, value)


def _pressure(heard: Standing, finding: Finding, item: Item, value: Pressure) -> Iterator[Flag]:
    if value.systolic <= value.diastolic:
        return
    bounds = []
    for half, number, ranges in (
        ("systolic ", value.systolic, item.ranges),
        ("diastolic ", value.diastolic, item.diastolic),
    ):
        if ranges.plausible is not None and outside(ranges.plausible, number):
            return  # said already, and more strongly
        if ranges.usual is not None and outside(ranges.usual, number):
            alone = Quantity(number=number, unit=value.unit)
            bounds.append(_bound(half, ranges.usual, ranges, alone, heard))
    if bounds:
        yield _note(heard, finding, item, bounds)


def _grade(heard: Standing, finding: Finding, item: Item, value: Grade) -> Iterator[Flag]:
    scale = heard.catalogue.scales.get(value.scale)
    if scale is None or scale.usual is None or not scale.low <= float(value.grade) <= scale.high:
        return
    top = scale.usual_to if scale.usual_to is not None else scale.usual
    if scale.usual <= float(value.grade) <= top:
        return
    span = number_text(scale.usual)
    if top != scale.usual:
        span += f" to {number_text(top)}"
    bound = (f"usual is {span}", citation(heard.catalogue, scale.source))
    yield _note(heard, finding, item, [bound])


def _bound(
    half: str, usual: Limits, ranges: Ranges, value: Quantity, heard: Standing
) -> tuple[str, str]:
    """The usual range in words and its source, with other textbooks that would include it."""
    text = f"usual {half}is {limits_text(usual, value.unit)}"
    source = citation(heard.catalogue, usual.source, usual.note)
    for other in ranges.others:
        if not outside(other, value.number, value.high, value.comparator):
            text += f", though others give {limits_text(other, value.unit)}"
            source += f"; {citation(heard.catalogue, other.source, other.note)}"
    return text, source


def _note(heard: Standing, finding: Finding, item: Item, bounds: list[tuple[str, str]]) -> Flag:
    text = told(finding, heard.catalogue)
    return raised(
        f"unusual:{item.id}",
        "note",
        f"{text} is outside the usual range ({'; '.join(text for text, _ in bounds)}).",
        [finding],
        "; ".join(dict.fromkeys(source for _, source in bounds)),
    )
