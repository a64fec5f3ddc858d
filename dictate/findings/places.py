"""The side and the site that a statement of an utterance is about."""

from __future__ import annotations

from collections.abc import Sequence

from dictate.exam.catalogue import Item
from dictate.findings.context import SIDE_LINGERS
from dictate.findings.finding import Side
from dictate.findings.laterality import Sided, flipped, paired_near, side_for, sites_for
from dictate.findings.scene import Scene
from dictate.talk.lexicon import word_lists

COVERING = frozenset(["cover", "covering", "block", "plug", "occlude", "covered", "blocked"])


def side_of(scene: Scene, item: Item, first: int, last: int, act: bool) -> tuple[Side | None, bool]:
    """The side of a statement and whether it was carried from earlier talk."""
    at = scene.utterance.start
    if item.sides == "midline":
        said = side_for(scene.said, first, last, _rival_places(scene, act)) if not act else None
        return (said if said in ("left", "right") else "midline"), False
    if item.sides == "single":
        return None, False
    limit = next((m.first for m in scene.utterance.marked("except") if m.first > last), None)
    said_here = [one for one in scene.said if limit is None or one.last < limit]
    side = side_for(said_here, first, last, _rival_places(scene, act))
    if side in ("left", "right") and not act and _turned_since(scene, first):
        return flipped(side), True
    if side in ("left", "right") and not act and _plural_since(scene, said_here, first, last):
        return "both", True
    if side is not None:
        if act and side in ("left", "right") and _only_covers(scene, side):
            return flipped(side), False
        return side, False
    if limit is not None:
        return "both", True
    if scene.flip is not None and (act or scene.flip.first <= first or len(scene.statements) == 1):
        if scene.context.topic == item.id or act:
            known = (
                scene.context.topic_side
                if scene.context.topic == item.id
                else (scene.context.side_announced(at))
            )
            return flipped(known), True
    if not (act and _is_examiners(scene, first)) and paired_near(scene.utterance, first, last):
        return "both", True
    if scene.context.topic == item.id and scene.context.topic_side is not None:
        if scene.context.topic_holds(at):
            if not act and _went_right(scene, item):
                return "right", True
            return scene.context.topic_side, True
    if scene.context.said_side is not None and item.region == scene.context.region:
        if at - scene.context.said_at <= SIDE_LINGERS and not act:
            return (
                ("unspecified", False)
                if _both_told(scene, item)
                else (scene.context.said_side, True)
            )
    announced = scene.context.side_announced(at)
    if announced is not None and announced != "both" and item.region == scene.context.region:
        return announced, True
    bare, since = scene.context.bare_side
    if bare is not None and at - since <= SIDE_LINGERS * 2:
        return bare, True  # "left" by itself, then the reading
    return "unspecified", False


def _turned_since(scene: Scene, first: int) -> bool:
    """Whether an 'other one' stands between the last side said and the result.

    "Left nostril airy, other one stuffy"
    """
    flip = scene.flip
    before = [one for one in scene.said if one.last < first]
    return (
        flip is not None
        and bool(before)
        and before[-1].side in ("left", "right")
        and before[-1].last < flip.first < first
        and not any(flip.first < one.first for one in scene.said)
    )


def _went_right(scene: Scene, item: Item) -> bool:
    """Whether a 'right' before meant the side: the left one has its result ("right, hunting")."""
    since = scene.context.perhaps_right
    told = [one for one in scene.book.results_of(item.id) if one.end < since]
    return (
        scene.context.topic_side == "left"
        and scene.utterance.start - since <= SIDE_LINGERS
        and bool(told)
        and all(one.side == "left" for one in told)
    )


def _plural_since(scene: Scene, said: Sequence[Sided], first: int, last: int) -> bool:
    """Whether a plural of a paired part heads the statement after the last side before it.

    "Septum deviated to the right, turbinates boggy": the turbinates are both.
    """
    plural = next(
        (mark for mark in reversed(scene.utterance.marked("paired")) if mark.first < first), None
    )
    if plural is None or first - plural.last > _PLURAL_REACH:
        return False
    later = [one for one in said if one.first > plural.first]
    others = [place for place in scene.result_places if place > last]
    limit = min(others, default=10_000)
    own = [one for one in later if one.first < limit]
    if {"left", "right"} <= {one.side for one in said if one.first > plural.first}:
        return False  # each side has its own
    return not own and any(one.last < plural.first for one in said)


_POINTING = frozenset(["this", "here", "there", "other", "same", "too", "also"])


def _both_told(scene: Scene, item: Item) -> bool:
    """Whether the item before was told of both sides: the last side said is no longer in hand."""
    topic = scene.topic_item()
    if topic is None or topic.id == item.id or topic.sides != "paired" or topic.sites or item.sites:
        return False
    if _POINTING & {token.text for token in scene.utterance.tokens}:
        return False
    if scene.context.said_after and any(spot.item == item.id for spot in scene.names):
        return True
    results = scene.book.results_of_sides(topic.id)
    told = {one.side for one in results}
    # A side said since then, with an instruction, is still in hand.
    return {"left", "right"} <= told and scene.context.said_at <= results[-1].end


_PLURAL_REACH = 4  # tokens from the plural to its result


def _rival_places(scene: Scene, act: bool) -> list[int]:
    """The places between which said sides are shared out."""
    return (scene.statements if act else scene.result_places) or scene.statements


def _act_places(scene: Scene) -> set[int]:
    return {place for place in scene.statements if place not in scene.result_places}


def _only_covers(scene: Scene, side: Side) -> bool:
    """Whether that side is only covered or closed, so that the other one is examined."""
    tokens = [token.text for token in scene.utterance.tokens]
    for place, word in enumerate(tokens):
        following = tokens[place + 1 : place + 4]
        if side not in following:
            continue
        if word in COVERING or (word == "over" and set(tokens[:place]) & _FINGERS):
            return True
        after = place + 2 + following.index(side)
        if word in _CLOSING and tokens[after : after + 1] in _CLOSED:
            return True
    return False


_CLOSING = frozenset(["close", "closing", "shut", "shutting", "pinch", "press", "hold"])
_FINGERS = frozenset(["finger", "thumb", "hand", "palm"])
_CLOSED = (["nostril"], ["eye"])
_COVER_WORDS = COVERING | frozenset(
    ["left", "right", "other", "eye", "eyes", "one", "side", "hand", "palm", "up", "close", "shut"]
)


def covers_only(scene: Scene, first: int, last: int) -> bool:
    """Whether an act does nothing but cover one eye ("now cover the other eye")."""
    light = word_lists().light
    words = [token.text for token in scene.utterance.tokens[first : last + 1]]
    return any(word in COVERING for word in words) and all(
        word in _COVER_WORDS or word in light for word in words
    )


def _is_examiners(scene: Scene, first: int) -> bool:
    """Whether the plural near is the examiner's own ("squeeze my fingers")."""
    words = [token.text for token in scene.utterance.tokens[max(0, first - 1) :]]
    return "my" in words or ("see" in words and "fingers" in words)


def sites_of(scene: Scene, item: Item, first: int, last: int) -> list[str]:
    """The sites that a statement is about: said with it, or carried on from the topic."""
    if item.sites is None:
        return []
    limit = next((m.first for m in scene.utterance.marked("except") if m.first > last), None)
    sites = sites_for(
        scene.spots,
        item.sites,
        first,
        last,
        _rival_places(scene, first in _act_places(scene)),
        limit,
    )
    if sites:
        return sites
    if any(one.side == "both" for one in scene.said):
        return []  # what is said of both sides is no longer of the one place
    moved = any(m.first not in scene.quiet for m in scene.utterance.marked("next_place"))
    if scene.context.topic == item.id and scene.context.topic_site and not moved:
        if scene.context.topic_holds(scene.utterance.start):
            return [scene.context.topic_site]
    return []


def side_of_site(scene: Scene, item: Item, site: str | None) -> Side | None:
    """The side that the place itself lies on, for items that have sides."""
    if item.sides != "paired":
        return None
    for one in scene.catalogue.sites_of(item):
        if one.id == site:
            return one.side
    return None
