"""What the program says about the session: what is left, what was read, where we are."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from dictate.checks.wording import listed
from dictate.exam.catalogue import Catalogue, Item
from dictate.findings.coverage import ItemCoverage
from dictate.findings.finding import Finding, Level
from dictate.outputs.sentences import result_words

MOST_READ = 8
"""Nobody listens to a longer list."""
_LEVEL_WORDS = {
    Level.UNSPOKEN: "not spoken of",
    Level.PERFORMED: "performed",
    Level.REPORTED: "reported",
    Level.MEASURED: "measured",
}


def level_words(coverage: ItemCoverage | None) -> str:
    """The level of an item in words, by side where the sides differ."""
    if coverage is None:
        return _LEVEL_WORDS[Level.UNSPOKEN]
    levels = list(dict.fromkeys(coverage.sides.values()))
    if len(levels) == 1:
        only = max(levels[0], coverage.side_unsaid, key=lambda level: level.rank)
        return _LEVEL_WORDS[only]
    return ", ".join(
        f"{side} {_LEVEL_WORDS[level]}" for side, level in coverage.sides.items() if side
    )


def finding_title(finding: Finding, catalogue: Catalogue) -> str:
    """The item's title with the side."""
    item = catalogue.items.get(finding.item)
    title = item.title if item is not None else finding.item
    if finding.side in ("left", "right", "both"):
        title += ", both sides" if finding.side == "both" else f", {finding.side}"
    return title


def finding_words(finding: Finding, catalogue: Catalogue) -> str:
    """A finding in short: title, side, result."""
    return f"{finding_title(finding, catalogue)}: {result_words(finding, catalogue)}"


def left_words(
    coverage: Mapping[str, ItemCoverage], catalogue: Catalogue, region: str | None
) -> str:
    """What was never spoken of: items of one region, or the regions in all."""
    if region is not None:
        title = next(one.title for one in catalogue.regions if one.region == region)
        missing = [_open_words(catalogue.items[key], one) for key, one in _of(coverage, region)]
        missing = [words for words in missing if words]
        if not missing:
            return f"{title}: nothing is left."
        return f"{title}, left: {_shortened(missing)}."
    lines: list[str] = []
    for one in catalogue.regions:
        here = _of(coverage, one.region)
        unspoken = sum(1 for _, cover in here if cover.level is Level.UNSPOKEN)
        if unspoken:
            lines.append(
                f"all of {one.title}" if unspoken == len(here) else f"{unspoken} of {one.title}"
            )
    if not lines:
        return "Nothing is left."
    return f"Left: {_shortened(lines)}."


def read_back_words(findings: Iterable[Finding], catalogue: Catalogue, region: str | None) -> str:
    """The results of a region as they stand."""
    told = [
        finding_words(one, catalogue)
        for one in findings
        if one.stands
        and one.level is not Level.PERFORMED
        and (region is None or one.item.partition(".")[0] == region)
    ]
    if not told:
        return "No result was recorded here yet."
    return ". ".join(told[-MOST_READ:]) + "."


def where_words(
    coverage: Mapping[str, ItemCoverage], catalogue: Catalogue, region: str | None, seconds: float
) -> str:
    """The region in hand, how much of it was spoken of, and the time."""
    minutes = int(seconds // 60)
    clock = f"{minutes} minute{'s' if minutes != 1 else ''} {int(seconds % 60)} seconds"
    if region is None:
        return f"No region yet; {clock}."
    here = _of(coverage, region)
    title = next(one.title for one in catalogue.regions if one.region == region)
    spoken = sum(1 for _, one in here if one.level is not Level.UNSPOKEN)
    return f"{title}: {spoken} of {len(here)} items spoken of; {clock}."


def question_words(finding: Finding, catalogue: Catalogue) -> str:
    """A doubtful value as a question that is answered by yes, no or another value."""
    return f"{finding_title(finding, catalogue)}, {result_words(finding, catalogue)}?"


def _of(coverage: Mapping[str, ItemCoverage], region: str) -> list[tuple[str, ItemCoverage]]:
    return [(key, one) for key, one in coverage.items() if key.partition(".")[0] == region]


def _open_words(item: Item, coverage: ItemCoverage) -> str:
    """What of an item was never spoken of; empty where all of it was."""
    if coverage.level is Level.UNSPOKEN:
        return item.title
    if coverage.side_unsaid is not Level.UNSPOKEN:
        return ""
    sides = [side for side, level in coverage.sides.items() if level is Level.UNSPOKEN]
    return f"{item.title} on the {sides[0]}" if len(sides) == 1 and sides[0] else ""


def _shortened(parts: list[str]) -> str:
    if len(parts) <= MOST_READ:
        return listed(parts)
    return f"{', '.join(parts[:MOST_READ])} and {len(parts) - MOST_READ} more"
