"""How much of the exam data rests on publications."""

from __future__ import annotations

from collections.abc import Iterator

from pydantic import BaseModel, ConfigDict

from dictate.exam.catalogue import Catalogue
from dictate.exam.reading import sources_of


class Share(BaseModel):
    """How many citations there are, by the kind of their source."""

    model_config = ConfigDict(frozen=True)

    published: int = 0
    common_practice: int = 0
    from_memory: int = 0

    @property
    def total(self) -> int:
        """All citations."""
        return self.published + self.common_practice + self.from_memory

    @property
    def published_percent(self) -> float:
        """The published share in percent; 0 where nothing is cited."""
        return 100 * self.published / self.total if self.total else 0.0


def share_of_sources(keys: Iterator[str], catalogue: Catalogue) -> Share:
    """Count source keys by the kind of the source that they name."""
    counts = {"published": 0, "common practice": 0, "from memory": 0}
    for key in keys:
        counts[catalogue.sources[key].kind] += 1
    return Share(
        published=counts["published"],
        common_practice=counts["common practice"],
        from_memory=counts["from memory"],
    )


def range_sources(catalogue: Catalogue) -> Iterator[str]:
    """The sources of all ranges and left/right differences of the items."""
    for item in catalogue.items.values():
        yield from sources_of(item)


def usual_range_sources(catalogue: Catalogue) -> Iterator[str]:
    """The sources of the ranges by which a value is called normal."""
    for item in catalogue.items.values():
        for ranges in (item.ranges, item.diastolic):
            if ranges.usual is not None:
                yield ranges.usual.source


def scale_sources(catalogue: Catalogue) -> Iterator[str]:
    """The sources of the grading scales."""
    for scale in catalogue.scales.values():
        yield scale.source


def rule_sources(catalogue: Catalogue) -> Iterator[str]:
    """The sources of the rules between items and of the computed measures."""
    for rules in (catalogue.checks.conflicts, catalogue.checks.order, catalogue.checks.derived):
        for rule in rules:
            yield rule.source
