"""Values, sides and results taken back or taken out: 'make that', 'except'."""

from __future__ import annotations

from dictate.exam.catalogue import Item
from dictate.findings.event import Event
from dictate.findings.finding import Choice, Finding, Level
from dictate.findings.making import OPPOSITE, identity, keep_result, make_finding, said_of
from dictate.findings.scene import Scene
from dictate.findings.scopes import denied
from dictate.findings.spotting import Spot
from dictate.findings.values import amended


def on_replace(scene: Scene, event: Event) -> None:
    """'Make that ...': what follows takes the place of the last result."""
    old = scene.book.correctable(scene.utterance.start)
    if scene.results_here:
        old = scene.book.get(scene.results_here[-1])
    if old is None:
        return
    item = scene.catalogue.items[old.item]
    assert event.mark is not None
    if _of_other_side(scene, old, event):
        return
    if scene.way_round is not None and scene.way_round > event.place:
        said = [one for one in scene.spots if one.role == "reading" and one.first > scene.way_round]
        if not said and not scene.number_follows(event):
            _swap_sides(scene, old)
        return
    reach = event.last + (8 if event.mark.kind == "replace" else 4)
    numbers = [n for n in scene.utterance.numbers if event.last < n.first <= reach]
    later = [one for one in scene.said if event.last < one.first <= reach]
    if len(numbers) > 1:
        # "Four right, correction, three left two": the side after the number is the next one's.
        later = [one for one in later if one.first < numbers[0].first]
    if later and item.sides == "paired" and old.side != later[0].side:
        # "The other way round, four right": the right one is mended, not the last one.
        old = scene.book.recent_of(item.id, later[0].side, scene.utterance.start) or old
    for spoken in numbers[:1]:
        measured = amended(item, old.value, spoken, scene.catalogue)
        if measured is not None and old.level is Level.MEASURED and measured.fits:
            side = later[0].side if later and item.sides == "paired" else old.side
            new = make_finding(
        scene,
                item, side, old.side_inferred and not later, old.site, measured.value,
                measured.status, Level.MEASURED, spoken.first, spoken.last,
                doubts=measured.doubts, alternatives=measured.alternatives,
            )  # fmt: skip
            scene.book.replace(old, new)
            scene.results_here = [one for one in scene.results_here if one != old.id]
            scene.results_here.append(new.id)
            scene.corrected_at = spoken.first
            return
    if later and item.sides == "paired" and old.side not in (None, later[0].side):
        if not scene.more_follows(event, "reading", "act", "question"):
            new = old.model_copy(
                update={
                    "id": identity(old.item, later[0].side, old.site, old.value, old.start, "side"),
                    "side": later[0].side,
                    "side_inferred": False,
                    "end": scene.utterance.end,
                    "utterances": tuple(dict.fromkeys((*old.utterances, scene.utterance.index))),
                }
            )
            scene.book.replace(old, new)
            scene.context.topic_side = later[0].side
            scene.results_here.append(new.id)
        return
    if event.mark.first == event.mark.last and scene.word(event.mark) == "no":
        return  # "no perforation" denies, it does not correct
    for spot in scene.spots:
        if (
            spot.role == "reading"
            and spot.item == old.item
            and event.last < spot.first <= reach
            and isinstance(old.value, Choice)
        ):
            _correct_reading(scene, old, item, spot)
            return


def _of_other_side(scene: Scene, old: Finding, event: Event) -> bool:
    """Whether this utterance is of the other side: what is mended there was not understood."""
    if scene.results_here or old.side not in ("left", "right"):
        return False
    before = [one.side for one in scene.said if one.last < event.place]
    after = [one for one in scene.said if one.first > event.last]
    numbers = [one for one in scene.utterance.numbers if one.last < event.place]
    return bool(before and numbers) and not after and before[-1] not in (old.side, "both")


def _swap_sides(scene: Scene, last: Finding) -> None:
    """'No, the other way round': what was said of the left goes for the right."""
    both = {one.side: one for one in scene.book.results_of_sides(last.item)}
    left, right = both.get("left"), both.get("right")
    if left is None or right is None or left.site != right.site:
        return
    for old, given in ((left, right), (right, left)):
        new = old.model_copy(
            update={
                "id": identity(old.item, old.side, old.site, given.value, old.start, "swap"),
                "value": given.value,
                "status": given.status,
                "level": given.level,
                "doubts": given.doubts,
                "alternatives": given.alternatives,
                "end": scene.utterance.end,
                "utterances": tuple(dict.fromkeys((*old.utterances, scene.utterance.index))),
            }
        )
        scene.book.replace(old, new)
        scene.results_here.append(new.id)


def _correct_reading(scene: Scene, old: Finding, item: Item, spot: Spot) -> None:
    reading = item.reading(spot.detail)
    is_denied = denied(scene.utterance, spot.first, spot.last, reading.status, scene.spots)
    value, status = said_of(reading, is_denied)
    if value == old.value:
        return
    new = make_finding(
        scene,
        item, old.side, old.side_inferred, old.site, value, status, Level.REPORTED,
        spot.first, spot.last,
    )  # fmt: skip
    scene.book.replace(old, new)
    scene.results_here.append(new.id)


def on_contrast(scene: Scene, event: Event) -> None:
    """'Heard right, not left': there, what was said of the first side does not hold."""
    if not scene.results_here:
        return
    old = scene.book.get(scene.results_here[-1])
    near = [one for one in scene.said if -3 <= one.first - event.last <= 4]
    if old is None or not isinstance(old.value, Choice) or old.status is None or not near:
        return
    side = near[-1].side
    if scene.catalogue.items[old.item].sides != "paired" or side == old.side:
        return
    value, status = old.value, old.status
    if not value.denied:  # "no nodes, not right, not left" denies once more
        value = value.model_copy(update={"denied": True})
        status = OPPOSITE.get(old.status, old.status)
    keep_result(
        scene,
        make_finding(
            scene, scene.catalogue.items[old.item], side, False, old.site, value, status,
            Level.REPORTED, event.place, len(scene.utterance.tokens) - 1,
        ),
    )  # fmt: skip
    scene.context.topic_side = side


def on_except(scene: Scene, event: Event) -> None:
    """'... except at the left base': there, what was said does not hold."""
    if scene.more_follows(event, "reading") or scene.number_follows(event):
        return
    for finding_id in list(scene.results_here):
        old = scene.book.get(finding_id)
        if old is None or not isinstance(old.value, Choice) or old.status is None:
            continue
        item = scene.catalogue.items[old.item]
        sides = [one.side for one in scene.said if one.first > event.mark.first]  # type: ignore[union-attr]
        sites = [
            spot.detail
            for spot in scene.spots
            if spot.role == "site" and spot.item == item.sites and spot.last >= event.last
        ]
        if not sides and not sites:
            continue
        side = sides[0] if sides and item.sides == "paired" else old.side
        value = old.value.model_copy(update={"denied": not old.value.denied})
        keep_result(
            scene,
            make_finding(
                scene,
                item,
                side,
                False,
                sites[0] if sites else None,
                value,
                OPPOSITE[old.status],
                Level.REPORTED,
                event.place,
                len(scene.utterance.tokens) - 1,
            ),
        )
