"""The order of steps and of regions."""

from __future__ import annotations

from collections.abc import Iterator
from statistics import median_low

from dictate.checks.flag import Flag
from dictate.checks.raising import COMMON_PRACTICE, raised
from dictate.checks.standing import Standing
from dictate.checks.wording import citation, clock, listed
from dictate.findings.finding import Finding

# One item alone, such as a mark on the skin seen on the way, is no visit to its region.
_LEAST_ITEMS = 2


def check_sequence(heard: Standing) -> Iterator[Flag]:
    """Flag steps done before the one that must come first, and regions out of their place."""
    yield from _rules(heard)
    yield from _regions(heard)


def _rules(heard: Standing) -> Iterator[Flag]:
    for rule in heard.catalogue.checks.order:
        firsts = heard.by_item.get(rule.first, ())
        if not firsts:
            continue
        begun = firsts[0]
        early = [
            heard.by_item[item_id][0]
            for item_id in rule.then
            if item_id in heard.by_item and heard.by_item[item_id][0].start < begun.start
        ]
        if early:
            titles = listed([f"{heard.item(f).title} at {clock(f.start)}" for f in early])
            came = f"{heard.item(begun).title} came at {clock(begun.start)}, after {titles}"
            yield raised(
                f"order:{rule.id}",
                "warning",
                f"{rule.sentence.rstrip('.')} ({came}).",
                [begun, *early],
                citation(heard.catalogue, rule.source),
            )


def _regions(heard: Standing) -> Iterator[Flag]:
    """Note each region that has to move for the rest to stand in the usual order.

    A region stands where the middle one of its findings stands, so that one word said
    early or late does not move it.
    """
    held: dict[str, list[Finding]] = {}
    for finding in heard.findings:
        held.setdefault(heard.item(finding).region, []).append(finding)
    usual = [
        region.region
        for region in heard.catalogue.regions
        if len({finding.item for finding in held.get(region.region, ())}) >= _LEAST_ITEMS
    ]
    when = {name: median_low([finding.start for finding in held[name]]) for name in usual}
    done = sorted(usual, key=lambda name: (when[name], usual.index(name)))
    in_order = _longest_rising([usual.index(name) for name in done])
    for name in usual:
        if usual.index(name) in in_order:
            continue
        at = done.index(name)
        later = [other for other in done[:at] if usual.index(other) > usual.index(name)]
        earlier = [other for other in done[at + 1 :] if usual.index(other) < usual.index(name)]
        title = heard.catalogue.region_of(held[name][0].item).title
        if later:
            other, way = later[0], "after"
        else:
            other, way = earlier[-1], "before"
        against = heard.catalogue.region_of(held[other][0].item).title
        yield raised(
            f"region_order:{name}",
            "note",
            f"{title} came {way} {against}, against the usual order from head to toe.",
            [min(held[name], key=lambda f: (f.start, f.id))],
            COMMON_PRACTICE,
        )


def _longest_rising(places: list[int]) -> set[int]:
    """The longest rising run of places that need not be neighbours; the first one found."""
    best: list[list[int]] = []
    for place in places:
        runs = [run for run in best if run[-1] < place]
        before = max(runs, key=len) if runs else []
        best.append([*before, place])
    longest: list[int] = max(best, key=len) if best else []
    return set(longest)
