"""What differs between two sessions, item by item and side by side."""

from __future__ import annotations

from decimal import Decimal
from typing import Literal

from pydantic import BaseModel, ConfigDict

from dictate.exam.catalogue import Catalogue
from dictate.findings.finding import Finding, Grade, Level, Pressure, Quantity
from dictate.findings.numerals import number_words, with_unit
from dictate.outputs.arrangement import arrange, site_title
from dictate.outputs.sentences import result_words
from dictate.session.record import Session

Kind = Literal["added", "removed", "changed", "same"]


class Change(BaseModel):
    """One item, side and site: what each session says of it, '' where it says nothing."""

    model_config = ConfigDict(frozen=True)

    region: str
    item: str
    title: str
    place: str
    kind: Kind
    first: str
    second: str
    step: str = ""


class Difference(BaseModel):
    """All changes in the order of the exam, and how many items reached each level."""

    model_config = ConfigDict(frozen=True)

    first: str
    second: str
    changes: tuple[Change, ...]
    levels_first: dict[Level, int]
    levels_second: dict[Level, int]
    flags_only_first: tuple[str, ...]
    flags_only_second: tuple[str, ...]


def difference(first: Session, second: Session, catalogue: Catalogue) -> Difference:
    """Compare the findings that stand; 'both' counts for the left and for the right.

    A place of which several results were said compares all of them. ``step`` is the
    second number less the first, where both are one number in the same unit or scale.
    """
    ones, others = _by_place(first), _by_place(second)
    changes: list[Change] = []
    known = [item.id for region in catalogue.regions for item in region.items]
    order = {name: place for place, name in enumerate(known)}
    for key in sorted(ones.keys() | others.keys(), key=lambda k: (order.get(k[0], len(order)), k)):
        before, after = ones.get(key, []), others.get(key, [])
        told = [_told(found, catalogue) for found in (before, after)]
        kind: Kind = "changed"
        if told[0] == told[1]:
            kind = "same"
        elif not before or not after:
            kind = "added" if after else "removed"
        item = catalogue.items.get(key[0])
        site = site_title((before or after)[0], catalogue)
        side = "side not said" if key[1] == "unspecified" else key[1]
        changes.append(
            Change(
                region=catalogue.region_of(key[0]).title if item is not None else "Other items",
                item=key[0],
                title=item.title if item is not None else key[0],
                place=", ".join(part for part in (site, side) if part),
                kind=kind,
                first=told[0],
                second=told[1],
                step=_step(before, after),
            )
        )
    flags = [
        {flag.sentence for flag in one.flags if flag.severity != "note"} for one in (first, second)
    ]
    return Difference(
        first=first.info.id,
        second=second.info.id,
        changes=tuple(changes),
        levels_first=_levels(first, catalogue),
        levels_second=_levels(second, catalogue),
        flags_only_first=tuple(sorted(flags[0] - flags[1])),
        flags_only_second=tuple(sorted(flags[1] - flags[0])),
    )


def _by_place(session: Session) -> dict[tuple[str, str, str], list[Finding]]:
    places: dict[tuple[str, str, str], list[Finding]] = {}
    for finding in sorted(session.findings, key=lambda one: (one.start, one.end, one.id)):
        if finding.stands:
            for side in ("left", "right") if finding.side == "both" else (finding.side or "",):
                places.setdefault((finding.item, side, finding.site or ""), []).append(finding)
    # A result makes the bare manoeuvre before it uninteresting.
    for key, found in places.items():
        results = [one for one in found if one.level.rank >= Level.REPORTED.rank]
        places[key] = results or found
    return places


def _told(found: list[Finding], catalogue: Catalogue) -> str:
    return "; ".join(dict.fromkeys(result_words(one, catalogue) for one in found))


def _step(before: list[Finding], after: list[Finding]) -> str:
    if len(before) != 1 or len(after) != 1:
        return ""
    one, other = before[0].value, after[0].value
    if isinstance(one, Quantity) and isinstance(other, Quantity) and one.unit == other.unit:
        if one.high is None and other.high is None and one.comparator == other.comparator:
            return _signed(other.number - one.number, one.unit)
    elif isinstance(one, Pressure) and isinstance(other, Pressure) and one.unit == other.unit:
        high = _signed(other.systolic - one.systolic, "")
        low = _signed(other.diastolic - one.diastolic, "")
        return with_unit(f"{high or '0'}/{low or '0'}", one.unit) if high or low else ""
    elif isinstance(one, Grade) and isinstance(other, Grade) and one.scale == other.scale:
        return _signed(other.grade - one.grade, "")
    return ""


def _signed(step: Decimal, unit: str) -> str:
    if not step:
        return ""
    return with_unit(("+" if step > 0 else "") + number_words(step), unit or "1")


def _levels(session: Session, catalogue: Catalogue) -> dict[Level, int]:
    counts = dict.fromkeys(Level, 0)
    for region in arrange(session, catalogue):
        for level, count in region.levels.items():
            counts[level] += count
    return counts
