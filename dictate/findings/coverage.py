"""The four levels of coverage, by item and side."""

from __future__ import annotations

from collections.abc import Iterable

from pydantic import BaseModel, ConfigDict

from dictate.exam.catalogue import Catalogue
from dictate.findings.finding import Finding, Level


class ItemCoverage(BaseModel):
    """How far one item got: ``sides`` has 'left' and 'right' for paired items, else ''."""

    model_config = ConfigDict(frozen=True)

    item: str
    sides: dict[str, Level]
    side_unsaid: Level = Level.UNSPOKEN

    @property
    def level(self) -> Level:
        """The highest level that any side reached."""
        return max((*self.sides.values(), self.side_unsaid), key=lambda level: level.rank)


def coverage_of(findings: Iterable[Finding], catalogue: Catalogue) -> dict[str, ItemCoverage]:
    """Compute the coverage of every item that is in force, in exam order.

    Only findings that stand count. A finding whose side was never said raises
    ``side_unsaid`` and no side, so that it cannot pass for either.
    """
    by_item: dict[str, list[Finding]] = {}
    for finding in findings:
        if finding.stands:
            by_item.setdefault(finding.item, []).append(finding)
    table: dict[str, ItemCoverage] = {}
    for region in catalogue.regions:
        for item in region.items:
            said = by_item.get(item.id, [])
            if not said and not (item.default and region.default):
                continue
            names = ("left", "right") if item.sides == "paired" else ("",)
            sides = dict.fromkeys(names, Level.UNSPOKEN)
            unsaid = Level.UNSPOKEN
            for finding in said:
                touched = _touched(finding, names)
                for name in touched:
                    sides[name] = max(sides[name], finding.level, key=lambda level: level.rank)
                if not touched:
                    unsaid = max(unsaid, finding.level, key=lambda level: level.rank)
            table[item.id] = ItemCoverage(item=item.id, sides=sides, side_unsaid=unsaid)
    return table


def _touched(finding: Finding, names: tuple[str, ...]) -> tuple[str, ...]:
    if names == ("",) or finding.side == "both":
        return names
    return (finding.side,) if finding.side in names else ()
