"""The same thing said in two ways that cannot both hold, without a correction between."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations
from typing import NamedTuple

from dictate.checks.flag import Flag
from dictate.checks.raising import raised
from dictate.checks.standing import Standing, sides_meet
from dictate.checks.wording import clock, listed, named, place_text, said
from dictate.exam.catalogue import Item
from dictate.findings.finding import (
    Choice,
    Finding,
    Grade,
    Pressure,
    Quantity,
    Ratio,
    Text,
    Value,
)

# 'About 70' and 72 agree: within a tenth (common practice).
_ABOUT = 0.1
_OPPOSITES = ({"present", "absent"}, {"normal", "abnormal"})


class _Clash(NamedTuple):
    narrower: Finding
    nested: bool


def check_contradictions(heard: Standing) -> Iterator[Flag]:
    """Flag statements about one item and place that exclude each other.

    A statement about the whole item and one about a part of it that exclude each other
    give a note, unless they were said in the same breath ('clear except at the base').
    """
    repeats = {
        item
        for rule in heard.catalogue.checks.derived
        if rule.formula == "mean_of_repeats"
        for item in rule.of
    }
    for item_id, findings in heard.by_item.items():
        item = heard.catalogue.items[item_id]
        groups: dict[tuple[str | None, str | None, bool], dict[str, Finding]] = {}
        for one, other in combinations(findings, 2):
            clash = _clash(one, other)
            if clash is None or not _exclude(one, other, item, item_id in repeats):
                continue
            key = (clash.narrower.side, clash.narrower.site, clash.nested)
            groups.setdefault(key, {}).update({one.id: one, other.id: other})
        for (_, _, nested), held in sorted(groups.items(), key=lambda entry: str(entry[0])):
            yield _flag(heard, item, list(held.values()), nested)


def _flag(heard: Standing, item: Item, held: list[Finding], nested: bool) -> Flag:
    held.sort(key=lambda finding: (finding.start, finding.end, finding.id))
    if nested:
        parts = []
        for finding in held:
            place = place_text(finding, heard.catalogue) or "as a whole"
            parts.append(f"{said(finding, heard.catalogue)} ({place}) at {clock(finding.start)}")
        sentence = f"{item.title}: {listed(parts)} may not go together; which holds?"
        return raised(f"contradiction:{item.id}", "note", sentence, held)
    parts = [f"{said(finding, heard.catalogue)} at {clock(finding.start)}" for finding in held]
    name = named(_narrowest(held), heard.catalogue)
    sentence = f"{name}: {listed(parts)}, without a word of correction between; which holds?"
    return raised(f"contradiction:{item.id}", "warning", sentence, held)


def _narrowest(held: list[Finding]) -> Finding:
    return next((finding for finding in held if finding.side != "both"), held[0])


def _clash(one: Finding, other: Finding) -> _Clash | None:
    """How the places of two findings meet; None where they do not or cannot be known to."""
    if not sides_meet(one, other):
        return None
    if one.site == other.site:
        return _Clash(_narrowest([one, other]), nested=False)
    if one.site is not None and other.site is not None:
        return None
    if set(one.utterances) & set(other.utterances):
        return None
    return _Clash(one if one.site is not None else other, nested=True)


def _exclude(one: Finding, other: Finding, item: Item, repeated: bool) -> bool:
    first, second = one.value, other.value
    if isinstance(first, Choice) and isinstance(second, Choice):
        if first.title == second.title:  # several wordings of one result share its title
            return first.denied != second.denied
        together = bool(set(one.utterances) & set(other.utterances))
        return (
            not together
            and not first.denied
            and not second.denied
            and {one.status, other.status} == {"normal", "abnormal"}
        )
    if first is not None and second is not None and _numbers_exclude(first, second, item, repeated):
        return True
    unspecific = isinstance(first, Text | None) and isinstance(second, Text | None)
    return unspecific and {one.status, other.status} in _OPPOSITES


def _numbers_exclude(first: Value, second: Value, item: Item, repeated: bool) -> bool:
    """Whether two numbers differ; repeats of one measure may by less than sides may."""
    if isinstance(first, Pressure) and isinstance(second, Pressure):
        apart = max(abs(first.systolic - second.systolic), abs(first.diastolic - second.diastolic))
        if first.approximate or second.approximate:
            return float(apart) > _ABOUT * float(max(first.systolic, second.systolic))
        return float(apart) >= _allowed(item) if repeated else apart > 0
    if isinstance(first, Quantity) and isinstance(second, Quantity):
        if first.comparator or second.comparator:
            return _bounds_exclude(first, second)
        low, high = sorted((first, second), key=lambda value: value.number)
        gap = float(low.high if low.high is not None else low.number)
        apart_by = float(high.number) - gap
        if first.approximate or second.approximate:
            return apart_by > _ABOUT * float(high.number)
        return apart_by >= _allowed(item) if repeated else apart_by > 0
    if isinstance(first, Grade) and isinstance(second, Grade):
        return first.scale == second.scale and first.grade != second.grade
    if isinstance(first, Ratio) and isinstance(second, Ratio):
        return (
            first.numerator * second.denominator != second.numerator * first.denominator
            or first.letters != second.letters
        )
    return False


def _allowed(item: Item) -> float:
    return item.differs.by if item.differs is not None else float("inf")


def _bounds_exclude(first: Quantity, second: Quantity) -> bool:
    """Whether 'under 2' and '3', or 'over 5' and 'under 4', cannot both be."""
    low = max(_lower(first), _lower(second))
    high = min(_upper(first), _upper(second))
    return low > high


def _lower(value: Quantity) -> float:
    return float("-inf") if value.comparator in ("<", "<=") else float(value.number)


def _upper(value: Quantity) -> float:
    if value.comparator in (">", ">="):
        return float("inf")
    return float(value.high if value.high is not None else value.number)
