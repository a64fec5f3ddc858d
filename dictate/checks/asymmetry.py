"""Left and right that differ more than sides usually do."""

from __future__ import annotations

from collections.abc import Iterator

from dictate.checks.flag import Flag
from dictate.checks.implausible import is_implausible
from dictate.checks.measures import logmar, number_of
from dictate.checks.raising import COMMON_PRACTICE, raised
from dictate.checks.standing import Standing, sides_of
from dictate.checks.wording import citation, number_text, said, site_text, unit_text
from dictate.exam.catalogue import Item
from dictate.findings.finding import (
    Choice,
    Finding,
    Grade,
    Level,
    Pressure,
    Quantity,
    Ratio,
    Trials,
)

_Sides = dict[str, list[Finding]]


def check_asymmetry(heard: Standing) -> Iterator[Flag]:
    """Compare both sides of every paired item, place by place.

    Numbers are compared by the item's own threshold (a warning), grades, scored trials
    and readings by any difference (a note). The last number said on a side counts.
    """
    for item_id, findings in heard.by_item.items():
        item = heard.catalogue.items[item_id]
        if item.sides != "paired":
            continue
        for _, sides in sorted(_by_site(findings).items(), key=lambda entry: entry[0] or ""):
            if sides["left"] and sides["right"]:
                yield from _numbers(heard, item, sides)
                yield from _readings(heard, item, sides)


def _by_site(findings: tuple[Finding, ...]) -> dict[str | None, _Sides]:
    table: dict[str | None, _Sides] = {}
    for finding in findings:
        sides = table.setdefault(finding.site, {"left": [], "right": []})
        for side in ("left", "right"):
            if side in sides_of(finding):
                sides[side].append(finding)
    return table


def _last_number(item: Item, findings: list[Finding]) -> Finding | None:
    for finding in reversed(findings):
        value = finding.value
        if isinstance(value, Quantity) and (value.comparator or is_implausible(item, value)):
            continue
        if isinstance(value, Pressure) and value.systolic <= value.diastolic:
            continue
        if number_of(value) is not None:
            return finding
    return None


def _numbers(heard: Standing, item: Item, sides: _Sides) -> Iterator[Flag]:
    left, right = (_last_number(item, sides[side]) for side in ("left", "right"))
    if left is None or right is None or left.id == right.id:
        return
    apart = _apart(left, right)
    if apart is None or apart < 1e-9:
        return
    if item.differs is not None:
        if apart < item.differs.by - 1e-9:
            return
        limit = item.differs
        unit = _unit(item, left)
        note = f" ({limit.note})" if limit.note else ""
        yield _flag(
            heard,
            item,
            left,
            right,
            "warning",
            f"the difference is {number_text(round(apart, 2))}{unit}; "
            f"look again from {number_text(limit.by)}{unit} on{note}",
            citation(heard.catalogue, limit.source),
        )
    elif isinstance(left.value, Grade | Trials):
        yield _flag(heard, item, left, right, "note", "the sides differ", COMMON_PRACTICE)


def _apart(left: Finding, right: Finding) -> float | None:
    """The difference in the item's own unit; acuity in logMAR, pressure by its systolic."""
    one, other = left.value, right.value
    if isinstance(one, Ratio) and isinstance(other, Ratio):
        first, second = logmar(one), logmar(other)
    elif isinstance(one, Grade) and isinstance(other, Grade) and one.scale != other.scale:
        return None
    else:
        first, second = number_of(one), number_of(other)
    return None if first is None or second is None else abs(first - second)


def _unit(item: Item, finding: Finding) -> str:
    if isinstance(finding.value, Ratio):
        return " logMAR"
    return unit_text(item.unit) if item.unit is not None else ""


def _flag(
    heard: Standing,
    item: Item,
    left: Finding,
    right: Finding,
    severity: str,
    because: str,
    source: str,
) -> Flag:
    site = site_text(left, heard.catalogue)
    name = f"{item.title} ({site})" if site else item.title
    sentence = (
        f"{name}: {said(left, heard.catalogue)} on the left and "
        f"{said(right, heard.catalogue)} on the right; {because}."
    )
    return raised(
        f"asymmetry:{item.id}",
        "warning" if severity == "warning" else "note",
        sentence,
        [left, right],
        source,
    )


def _readings(heard: Standing, item: Item, sides: _Sides) -> Iterator[Flag]:
    """Note readings that one side has and the other, though reported, has not."""
    last: dict[str, dict[str, Finding]] = {"left": {}, "right": {}}
    for side, findings in sides.items():
        for finding in findings:
            if isinstance(finding.value, Choice) and finding.level is not Level.PERFORMED:
                last[side][finding.value.title] = finding
    if not last["left"] or not last["right"]:
        return
    remarkable = {
        side: {title for title, finding in held.items() if _remarkable(finding)}
        for side, held in last.items()
    }
    differing = sorted(remarkable["left"] ^ remarkable["right"])
    for title in differing:
        side, other = ("left", "right") if title in remarkable["left"] else ("right", "left")
        held = last[side][title]
        against = last[other].get(title) or _latest(last[other])
        if held.id == against.id:
            continue
        pair = (held, against) if side == "left" else (against, held)
        yield _flag(heard, item, *pair, "note", "the sides differ", COMMON_PRACTICE)


def _remarkable(finding: Finding) -> bool:
    return finding.status in ("abnormal", "present")


def _latest(held: dict[str, Finding]) -> Finding:
    return max(held.values(), key=lambda finding: (finding.start, finding.end, finding.id))
