"""Puts flags together, one by one or gathered by region."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from dictate.checks.flag import Flag, Severity
from dictate.checks.standing import Standing
from dictate.checks.wording import listed
from dictate.findings.finding import Finding

COMMON_PRACTICE = "common practice"
FROM_MEMORY = "from memory"

# Up to here each item is named in a flag of its own; more are told in one sentence.
_SINGLY = 2


def raised(
    rule: str,
    severity: Severity,
    sentence: str,
    findings: Sequence[Finding] = (),
    source: str = "",
    items: tuple[str, ...] | None = None,
) -> Flag:
    """Make a flag that points to the last of its findings."""
    return Flag(
        rule=rule,
        severity=severity,
        sentence=sentence,
        source=source,
        items=items if items is not None else tuple(dict.fromkeys(f.item for f in findings)),
        findings=tuple(finding.id for finding in findings),
        at=max((finding.start for finding in findings), default=None),
    )


@dataclass(frozen=True)
class Lack:
    """Something missing at one item; ``where`` says on which side, if on one only."""

    item: str
    where: str
    findings: tuple[Finding, ...]


def gathered(
    heard: Standing,
    lacks: Sequence[Lack],
    rule: str,
    severity: Severity,
    one: Callable[[str], str],
    many: Callable[[str, int, str], str],
    source: str = COMMON_PRACTICE,
) -> Iterator[Flag]:
    """Make flags of what is missing: one an item, or one a region where there are many.

    ``one`` makes the sentence from the item's name; ``many`` from the region's title,
    the count and the list of names.
    """
    by_region: dict[str, list[Lack]] = {}
    for lack in lacks:
        by_region.setdefault(lack.item.partition(".")[0], []).append(lack)
    for region, held in by_region.items():
        if len(held) <= _SINGLY:
            for lack in held:
                yield raised(
                    f"{rule}:{lack.item}",
                    severity,
                    one(_name(heard, lack)),
                    lack.findings,
                    source,
                    (lack.item,),
                )
            continue
        names = listed([_name(heard, lack) for lack in held])
        title = heard.catalogue.region_of(held[0].item).title
        yield raised(
            f"{rule}:{region}",
            severity,
            many(title, len(held), names),
            [finding for lack in held for finding in lack.findings],
            source,
            tuple(lack.item for lack in held),
        )


def _name(heard: Standing, lack: Lack) -> str:
    title = heard.catalogue.items[lack.item].title
    return f"{title} ({lack.where})" if lack.where else title
