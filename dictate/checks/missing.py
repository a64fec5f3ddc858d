"""What an instructor would miss: sides, results, numbers, vital signs, whole regions."""

from __future__ import annotations

from collections.abc import Iterator

from dictate.checks.flag import Flag
from dictate.checks.raising import COMMON_PRACTICE, Lack, gathered, raised
from dictate.checks.standing import Standing
from dictate.checks.wording import listed
from dictate.exam.catalogue import Item
from dictate.findings.coverage import ItemCoverage
from dictate.findings.finding import Finding, Level

_VITALS = "vitals"
_WITH_NUMBER = ("quantity", "pressure", "ratio", "grade")


def check_missing(heard: Standing) -> Iterator[Flag]:
    """Flag all that was begun and not brought to its end, and all that was left out."""
    touched = [
        (heard.catalogue.items[item_id], cover)
        for item_id, cover in heard.coverage.items()
        if item_id in heard.catalogue.items and cover.level is not Level.UNSPOKEN
    ]
    touched.sort(key=lambda pair: heard.catalogue.place[pair[0].id])
    yield from _one_side(heard, touched)
    yield from _side_unsaid(heard, touched)
    yield from _no_result(heard, touched)
    yield from _no_number(heard, touched)
    yield from _vital_signs(heard)
    yield from _regions(heard, {item.region for item, _ in touched})


_Touched = list[tuple[Item, ItemCoverage]]


def _held(heard: Standing, item: Item, side: str = "") -> tuple[Finding, ...]:
    findings = heard.by_item.get(item.id, ())
    return tuple(f for f in findings if not side or f.side in (side, "both"))


def _one_side(heard: Standing, touched: _Touched) -> Iterator[Flag]:
    lacks = []
    for item, cover in touched:
        spoken = [side for side, level in cover.sides.items() if level is not Level.UNSPOKEN]
        if item.sides != "paired" or len(spoken) != 1 or _reported(cover.side_unsaid):
            continue
        if item.kind == "pressure":
            yield raised(
                f"single_arm:{item.id}",
                "warning",
                f"{item.title}: only the {spoken[0]} arm was heard; it is taken in both arms.",
                _held(heard, item, spoken[0]),
                COMMON_PRACTICE,
            )
        else:
            lacks.append(Lack(item.id, f"{spoken[0]} only", _held(heard, item, spoken[0])))
    yield from gathered(
        heard,
        lacks,
        "one_side",
        "warning",
        lambda name: f"{name}: nothing was heard of the other side.",
        lambda region, count, names: (
            f"{region}: of {count} paired items only one side was heard: {names}."
        ),
    )


def _reported(level: Level) -> bool:
    return level.rank >= Level.REPORTED.rank


def _side_unsaid(heard: Standing, touched: _Touched) -> Iterator[Flag]:
    lacks = [
        Lack(item.id, "", _held(heard, item))
        for item, cover in touched
        if item.sides == "paired"
        and _reported(cover.side_unsaid)
        and any(level is Level.UNSPOKEN for level in cover.sides.values())
    ]
    yield from gathered(
        heard,
        lacks,
        "side_unsaid",
        "warning",
        lambda name: f"{name}: a result was heard, but not on which side.",
        lambda region, count, names: (
            f"{region}: {count} paired items have results whose side was not said: {names}."
        ),
    )


def _no_result(heard: Standing, touched: _Touched) -> Iterator[Flag]:
    lacks = []
    for item, cover in touched:
        if item.kind == "finding" and not item.readings:
            continue  # an act such as cleaning the hands: there is no result to say
        if not item.default:
            continue  # nobody asked for it
        if cover.level is Level.PERFORMED:
            lacks.append(Lack(item.id, "", _held(heard, item)))
            continue
        waiting = [side for side, level in cover.sides.items() if level is Level.PERFORMED]
        # A result whose side was never said may be the one that is waited for.
        if waiting and not _reported(cover.side_unsaid):
            lacks.append(Lack(item.id, waiting[0], _held(heard, item, waiting[0])))
    yield from gathered(
        heard,
        lacks,
        "no_result",
        "warning",
        lambda name: f"{name}: it was performed, but its result was never said.",
        lambda region, count, names: (
            f"{region}: {count} items were performed, but their results were never said: {names}."
        ),
    )


def _no_number(heard: Standing, touched: _Touched) -> Iterator[Flag]:
    lacks = [
        Lack(item.id, "", _held(heard, item))
        for item, cover in touched
        if item.kind in _WITH_NUMBER and cover.level is Level.REPORTED
    ]
    yield from gathered(
        heard,
        lacks,
        "no_number",
        "note",
        lambda name: f"{name}: a result was heard, but no number.",
        lambda region, count, names: (
            f"{region}: {count} items that are measured were reported without a number: {names}."
        ),
    )


def _vital_signs(heard: Standing) -> Iterator[Flag]:
    lacks = [
        Lack(item_id, "", ())
        for item_id, cover in heard.coverage.items()
        if item_id in heard.catalogue.items
        and heard.catalogue.items[item_id].region == _VITALS
        and heard.catalogue.items[item_id].default
        and heard.catalogue.items[item_id].kind in _WITH_NUMBER
        and cover.level is Level.UNSPOKEN
    ]
    lacks.sort(key=lambda lack: heard.catalogue.place[lack.item])
    yield from gathered(
        heard,
        lacks,
        "missing_vital",
        "warning",
        lambda name: f"{name} was never heard; it belongs to the vital signs.",
        lambda region, count, names: f"{region}: {count} were never heard: {names}.",
    )


def _regions(heard: Standing, spoken: set[str]) -> Iterator[Flag]:
    expected = {item_id.partition(".")[0] for item_id in heard.coverage}
    silent = [
        region.title
        for region in heard.catalogue.regions
        if region.default
        and region.region in expected
        and region.region not in spoken
        and region.region != _VITALS
    ]
    if silent:
        count = f"{len(silent)} regions" if len(silent) > 1 else "one region"
        yield raised(
            "unspoken_regions",
            "warning",
            f"Nothing was heard of {count}: {listed(silent)}.",
            source=COMMON_PRACTICE,
        )
