"""Time spent in a region against what its manoeuvres take."""

from __future__ import annotations

from collections.abc import Iterator

from dictate.checks.flag import Flag
from dictate.checks.raising import COMMON_PRACTICE, raised
from dictate.checks.standing import Standing, sides_of
from dictate.exam.catalogue import Kind
from dictate.findings.finding import Finding

# The least seconds that one item takes on one side, by kind: common practice. A cuff is
# let down at 2 to 3 mmHg a second; a rate is counted for at least 15 s.
SECONDS: dict[Kind, float] = {
    "finding": 2.0,
    "text": 2.0,
    "grade": 3.0,
    "trials": 6.0,
    "ratio": 8.0,
    "quantity": 8.0,
    "pressure": 30.0,
}
# 'Far below': under this part of the least time, and only where enough was examined.
_PART = 0.25
_LEAST_ITEMS = 4


def check_pace(heard: Standing) -> Iterator[Flag]:
    """Note regions that went by far faster than their manoeuvres take."""
    spent = seconds_by_region(heard)
    for region in heard.catalogue.regions:
        needed, findings = _needed(heard, region.region)
        items = {finding.item for finding in findings}
        if len(items) < _LEAST_ITEMS or spent[region.region] >= _PART * needed:
            continue
        yield raised(
            f"pace:{region.region}",
            "note",
            f"{region.title}: {len(items)} items went by in {spent[region.region]:.0f} s; "
            f"their manoeuvres take about {needed:.0f} s.",
            findings[:1],
            COMMON_PRACTICE,
        )


def _needed(heard: Standing, region: str) -> tuple[float, list[Finding]]:
    findings = [finding for finding in heard.findings if heard.item(finding).region == region]
    steps = {
        (finding.item, side, finding.site) for finding in findings for side in sides_of(finding)
    }
    return sum(SECONDS[heard.catalogue.items[item].kind] for item, _, _ in steps), findings


def seconds_by_region(heard: Standing) -> dict[str, float]:
    """Seconds in each region: from a finding until the next one, or the end of the sound.

    What precedes the first finding of all belongs to its region.
    """
    spent: dict[str, float] = {}
    for place, finding in enumerate(heard.findings):
        region = heard.item(finding).region
        last = place + 1 == len(heard.findings)
        end = max(heard.seconds, finding.end) if last else heard.findings[place + 1].start
        start = 0.0 if place == 0 else finding.start
        spent[region] = spent.get(region, 0.0) + max(0.0, end - start)
    return spent
