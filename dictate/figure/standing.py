"""How far the items behind a shape got."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

from pydantic import BaseModel, ConfigDict

from dictate.exam.catalogue import Catalogue, Item
from dictate.figure.shapes import Shape, View
from dictate.findings.coverage import ItemCoverage
from dictate.findings.finding import Finding, Level
from dictate.session.record import Session

BodySide = Literal["left", "right"]
LEVEL_WORDS = {
    Level.UNSPOKEN: "never spoken of",
    Level.PERFORMED: "performed only",
    Level.REPORTED: "reported",
    Level.MEASURED: "measured",
}


class Standing(BaseModel):
    """Levels of several items, or of one side of them.

    ``level`` is the furthest that any of them got; ``gaps`` counts those that were never
    spoken of, and ``sideless`` those that were, without their side.
    """

    model_config = ConfigDict(frozen=True)

    items: tuple[str, ...]
    levels: tuple[Level, ...]
    sideless: int = 0

    @property
    def level(self) -> Level:
        """The furthest that any of the items got."""
        return max(self.levels, key=lambda level: level.rank, default=Level.UNSPOKEN)

    @property
    def gaps(self) -> int:
        """How many of the items were never spoken of."""
        return self.levels.count(Level.UNSPOKEN)

    @property
    def complete(self) -> bool:
        """True when all of the items were spoken of, with their side."""
        return self.gaps == 0 and self.sideless == 0

    @property
    def words(self) -> str:
        """The counts by level as half a sentence."""
        told = [
            f"{self.levels.count(level)} {LEVEL_WORDS[level]}"
            for level in reversed(Level)
            if level in self.levels
        ]
        if self.sideless:
            told.append(f"side not said of {self.sideless}")
        return ", ".join(told)


def standing_of(
    items: Iterable[Item],
    session: Session,
    *,
    side: BodySide | None = None,
    site: str | None = None,
) -> Standing:
    """Find how far ``items`` got on one side (None: at their best side).

    Items that are not in force are left out. What was said without a side counts for both
    and is counted as ``sideless``; what was said without a site counts for every site.
    """
    names, levels, sideless = [], [], 0
    for item in items:
        covered = session.coverage.get(item.id)
        if covered is None:
            continue
        if site is not None and item.sites is not None:
            covered = _at_site(item, site, session.findings)
        level = covered.level if side is None else covered.sides.get(side, covered.level)
        if side in covered.sides and covered.side_unsaid.rank > level.rank:
            level = covered.side_unsaid
            sideless += 1
        names.append(item.id)
        levels.append(level)
    return Standing(items=tuple(names), levels=tuple(levels), sideless=sideless)


def _at_site(item: Item, site: str, findings: tuple[Finding, ...]) -> ItemCoverage:
    sides = ("left", "right") if item.sides == "paired" else ("",)
    levels = dict.fromkeys(sides, Level.UNSPOKEN)
    unsaid = Level.UNSPOKEN
    for finding in findings:
        if finding.item != item.id or not finding.stands or finding.site not in (site, None):
            continue
        touched = sides if sides == ("",) or finding.side == "both" else (finding.side,)
        for side in touched:
            if side in levels:
                levels[side] = max(levels[side], finding.level, key=lambda level: level.rank)
            else:
                unsaid = max(unsaid, finding.level, key=lambda level: level.rank)
    return ItemCoverage(item=item.id, sides=levels, side_unsaid=unsaid)


def items_behind(shape: Shape, catalogue: Catalogue) -> tuple[Item, ...]:
    """The items that a shape stands for; none where the exam has not got them."""
    return tuple(
        item
        for region in catalogue.regions
        if region.region == shape.region
        for item in region.items
        if not shape.items or item.id.partition(".")[2] in shape.items
    )


def items_without_shape(views: Iterable[View], catalogue: Catalogue) -> dict[str, tuple[Item, ...]]:
    """By region, the items that no shape stands for: those are told in badges."""
    shown = {
        item.id
        for view in views
        for shape in view.shapes
        for item in items_behind(shape, catalogue)
    }
    left: dict[str, tuple[Item, ...]] = {}
    for region in catalogue.regions:
        items = tuple(item for item in region.items if item.id not in shown)
        if items:
            left[region.region] = items
    return left
