"""The findings that stand, arranged for the checks."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property

from dictate.exam.catalogue import Catalogue, Item
from dictate.findings.coverage import ItemCoverage
from dictate.findings.finding import Finding, Ratio, Side


@dataclass(frozen=True)
class Standing:
    """Everything a check looks at.

    ``findings`` leaves out what was struck or replaced and what belongs to no item of
    the catalogue, in order of time, so that a check sees the same however they came.
    ``seconds`` is the length of the recording.
    """

    findings: tuple[Finding, ...]
    coverage: Mapping[str, ItemCoverage]
    catalogue: Catalogue
    seconds: float

    @cached_property
    def by_item(self) -> dict[str, tuple[Finding, ...]]:
        """The findings of each item that has any; items in exam order."""
        held: dict[str, list[Finding]] = {}
        for finding in self.findings:
            held.setdefault(finding.item, []).append(finding)
        place = self.catalogue.place
        return {item: tuple(held[item]) for item in sorted(held, key=place.__getitem__)}

    def item(self, finding: Finding) -> Item:
        """The item that the finding is about."""
        return self.catalogue.items[finding.item]


def standing(
    findings: Iterable[Finding],
    coverage: Mapping[str, ItemCoverage],
    catalogue: Catalogue,
    seconds: float,
) -> Standing:
    """Keep the findings that stand, in order of time (then of their ids)."""
    kept = [finding for finding in findings if finding.stands and finding.item in catalogue.items]
    kept.sort(key=lambda finding: (finding.start, finding.end, finding.id))
    return Standing(tuple(kept), coverage, catalogue, seconds)


def sides_meet(one: Finding, other: Finding) -> bool:
    """Whether both may speak of the same side; a side that was never said meets none."""
    if "unspecified" in (one.side, other.side):
        return False
    if one.side is None or other.side is None:
        return True
    return bool(set(sides_of(one)) & set(sides_of(other)))


def sides_of(finding: Finding) -> tuple[Side | None, ...]:
    """The sides that a finding speaks of; 'both' is left and right.

    An acuity of both eyes is a measure of its own and says nothing of either eye alone.
    """
    if finding.side == "both" and not isinstance(finding.value, Ratio):
        return ("left", "right")
    return (finding.side,)
