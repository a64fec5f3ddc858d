"""What is examined on two sides of the trunk alike: chest from behind and from the front."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from dictate.exam.catalogue import Catalogue
from dictate.findings.spotting import Spot


def on_the_side_in_hand(
    spots: Sequence[Spot], region: str | None, catalogue: Catalogue, before: str | None = None
) -> list[Spot]:
    """Take mentions of the opposite region for the same item of the region in hand.

    "My hands on your ribs" is said of the back, too, while that is examined; going over to the
    front is announced. An item is the same where only the region in its id differs. ``before``
    is the region that was in hand until just now: a word of elsewhere does not end it.
    """
    other = next((one.opposite for one in catalogue.regions if one.region == region), None)
    if other is None:
        if before is None:
            spots = _in_front(spots, catalogue)
        other = next((one.opposite for one in catalogue.regions if one.region == before), None)
        region = before
    if other is None or any(spot.role == "region" and spot.item == other for spot in spots):
        return list(spots)
    prefix = f"{region}."
    own = [spot for spot in spots if spot.item.startswith(prefix)]
    turned = list(own)
    for spot in spots:
        if spot.item.startswith(prefix):
            continue
        twin = _twin(spot, f"{region}", other, catalogue)
        if twin.item == spot.item:
            turned.append(spot)
        elif not any(_meet(twin, one) for one in own) and twin not in turned:
            turned.append(twin)
    return sorted(turned, key=lambda one: (one.first, one.last))


def _in_front(spots: Sequence[Spot], catalogue: Catalogue) -> list[Spot]:
    """While neither side is in hand, a bare "chest" is the front of it: the region that is later.

    Names of several words ("chest expansion") stay with both.
    """
    behind = catalogue.behind
    bare = {
        (behind[region], spot.first, spot.last)
        for spot in spots
        if spot.role == "name" and spot.weight == 1
        if (region := spot.item.partition(".")[0]) in behind
    }
    return [
        spot
        for spot in spots
        if spot.role != "name" or (spot.item.partition(".")[0], spot.first, spot.last) not in bare
    ]


def _meet(twin: Spot, own: Spot) -> bool:
    """Whether the region in hand knows these words in the same role itself."""
    return twin.role == own.role and twin.first <= own.last and own.first <= twin.last


def _twin(spot: Spot, region: str, other: str, catalogue: Catalogue) -> Spot:
    prefix, _, name = spot.item.partition(".")
    there, here = catalogue.items.get(spot.item), catalogue.items.get(f"{region}.{name}")
    if prefix != other or there is None or here is None or here.kind != there.kind:
        return spot
    if spot.role == "reading" and spot.detail not in {one.code for one in here.readings}:
        return spot
    if spot.role == "question" and len(here.asked) <= int(spot.detail):
        return spot
    return replace(spot, item=here.id)
