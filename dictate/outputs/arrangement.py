"""Findings put into the order of the exam, with what was left out said by name."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict

from dictate.exam.catalogue import Catalogue, Coding, Item, Region
from dictate.findings.coverage import ItemCoverage
from dictate.findings.finding import Finding, Level
from dictate.session.record import Session

UNKNOWN_REGION = "other"


class ItemView(BaseModel):
    """One item with the findings that stand, in the order of time."""

    model_config = ConfigDict(frozen=True)

    id: str
    title: str
    item: Item | None
    findings: tuple[Finding, ...]
    coverage: ItemCoverage

    @property
    def results(self) -> tuple[Finding, ...]:
        """Findings that say a result; a manoeuvre alone is none."""
        return tuple(one for one in self.findings if one.level.rank >= Level.REPORTED.rank)

    @property
    def paired(self) -> bool:
        """True where left and right are told apart."""
        return set(self.coverage.sides) == {"left", "right"}

    def left_out(self, level: Level) -> str | None:
        """The item's title with the sides that got no further than ``level``; None if none.

        A result whose side was never said stands for the item as a whole: the sides are
        then not reported as missing here, the flag about the side does that.
        """
        if self.coverage.side_unsaid.rank > level.rank:
            return None
        at = [
            side
            for side, reached in self.coverage.sides.items()
            if max(reached, self.coverage.side_unsaid, key=lambda one: one.rank) is level
        ]
        if not at:
            return None
        if len(at) == len(self.coverage.sides):
            return self.title
        return f"{self.title} ({', '.join(at)})"


class RegionView(BaseModel):
    """One region of the exam: its items in order, and the levels that they reached."""

    model_config = ConfigDict(frozen=True)

    key: str
    title: str
    loinc: Coding | None = None
    items: tuple[ItemView, ...]

    @property
    def spoken(self) -> bool:
        """True when anything of the region was heard."""
        return any(view.coverage.level is not Level.UNSPOKEN for view in self.items)

    @property
    def performed_only(self) -> tuple[str, ...]:
        """Items (with sides) that were done and whose result was never said."""
        return self._left_out(Level.PERFORMED)

    @property
    def unspoken(self) -> tuple[str, ...]:
        """Items (with sides) that were never spoken of."""
        return self._left_out(Level.UNSPOKEN)

    @property
    def levels(self) -> dict[Level, int]:
        """How many items reached each level at their best side."""
        counts = dict.fromkeys(Level, 0)
        for view in self.items:
            counts[view.coverage.level] += 1
        return counts

    @property
    def span(self) -> tuple[float, float] | None:
        """First and last second at which the region was spoken of."""
        times = [(one.start, one.end) for view in self.items for one in view.findings]
        if not times:
            return None
        return min(start for start, _ in times), max(end for _, end in times)

    def _left_out(self, level: Level) -> tuple[str, ...]:
        named = (view.left_out(level) for view in self.items)
        return tuple(name for name in named if name is not None)


def arrange(session: Session, catalogue: Catalogue) -> tuple[RegionView, ...]:
    """Put a session into the exam's order, head to toe.

    Items that the catalogue does not know (a session made with other exam data) come
    last, in a region of their own, so that nothing said is lost.
    """
    by_item: dict[str, list[Finding]] = {}
    for finding in session.findings:
        if finding.stands:
            by_item.setdefault(finding.item, []).append(finding)
    views = []
    for region in catalogue.regions:
        items = tuple(
            _view(item.id, item.title, item, by_item, session.coverage)
            for item in region.items
            if item.id in session.coverage or item.id in by_item
        )
        if items:
            views.append(_region(region, items))
    strangers = [name for name in by_item if name not in catalogue.items]
    if strangers:
        items = tuple(
            _view(name, name, None, by_item, session.coverage) for name in sorted(strangers)
        )
        views.append(RegionView(key=UNKNOWN_REGION, title="Other items", items=items))
    return tuple(views)


def _region(region: Region, items: tuple[ItemView, ...]) -> RegionView:
    return RegionView(key=region.region, title=region.title, loinc=region.loinc, items=items)


def _view(
    name: str,
    title: str,
    item: Item | None,
    by_item: dict[str, list[Finding]],
    coverage: dict[str, ItemCoverage],
) -> ItemView:
    found = tuple(sorted(by_item.get(name, ()), key=lambda one: (one.start, one.end, one.id)))
    known = coverage.get(name)
    if known is None:
        best = max((one.level for one in found), key=lambda one: one.rank, default=Level.UNSPOKEN)
        known = ItemCoverage(item=name, sides={"": best})
    return ItemView(id=name, title=title, item=item, findings=found, coverage=known)


def site_title(finding: Finding, catalogue: Catalogue) -> str:
    """The site's title, '' where the finding has none, its key where it is not known."""
    if finding.site is None:
        return ""
    item = catalogue.items.get(finding.item)
    for site in catalogue.sites_of(item) if item is not None else ():
        if site.id == finding.site:
            return site.title
    return finding.site.replace("_", " ")


def site_side(finding: Finding, catalogue: Catalogue) -> str | None:
    """The side on which the site itself lies, if it does."""
    item = catalogue.items.get(finding.item)
    for site in catalogue.sites_of(item) if item is not None else ():
        if site.id == finding.site:
            return site.side
    return None
