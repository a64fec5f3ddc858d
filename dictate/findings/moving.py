"""From side to side, place to place and subject to subject."""

from __future__ import annotations

from collections.abc import Sequence

from dictate.exam.catalogue import Item
from dictate.findings.claims import best_of, clusters
from dictate.findings.event import Event
from dictate.findings.finding import Choice, Finding, Level, Side
from dictate.findings.laterality import flipped, side_for
from dictate.findings.making import keep_result, make_finding, perform
from dictate.findings.places import COVERING, side_of, side_of_site
from dictate.findings.questions import ask_again
from dictate.findings.scene import MOST_FOREIGN, SOME, Scene, others_of_kind
from dictate.findings.spotting import Spot
from dictate.talk.lexicon import compared, word_lists
from dictate.talk.utterance import Mark

_SERIES = 30.0  # seconds that the results of one item can be said of the next
_SIDE_WORDS = frozenset(
    ["left", "right", "both", "side", "other", "next", "again", "now", "and", "across", "over",
     "along", "up", "down", "round", "around", "back", "onto", "towards", "place", "spot", "bit",
     "area", "come", "coming", "going", "go", "moving", "move", "upper", "lower", "quadrant"]
)  # fmt: skip


def moves_on(scene: Scene) -> bool:
    """Take in talk that only names the next side or place ("other side, forehead")."""
    topic = scene.topic_item()
    if topic is None or scene.speaker == "partner" or scene.quiet or scene.asked:
        return False
    if any(token.text in SOME for token in scene.utterance.tokens):
        return False  # "some on the left" tells
    topic = _twin_there(scene, topic)
    if topic.sites is None and topic.sides != "paired":
        return False
    if scene.utterance.numbers or any(
        spot.role == "reading" and spot.item == topic.id for spot in scene.spots
    ):
        return False
    sites = [s for s in scene.spots if s.role == "site" and s.item == topic.sites]
    marks = scene.utterance.marked("flip", "next_place", "first_side", "opener", "courtesy")
    stretches: list[Spot | Mark] = [*sites, *marks]
    covered = {p for one in stretches for p in range(one.first, one.last + 1)}
    light = word_lists().light
    if any(
        place not in covered and token.text not in light and token.text not in _SIDE_WORDS
        for place, token in enumerate(scene.utterance.tokens)
    ):
        return False
    explicit = scene.said[-1].side if scene.said else None
    if not sites and explicit is None and scene.flip is None:
        return False
    if any(spot.role in ("act", "question") and spot.weight > 1 for spot in scene.spots):
        return False
    side, inferred = scene.context.topic_side, True
    if topic.sides == "paired":
        if explicit is not None:
            side, inferred = explicit, False
        elif scene.flip is not None:
            side = flipped(side)
    site = sites[-1].detail if sites else None
    if site is None and scene.flip is not None and topic.kind != "trials":
        site = scene.context.topic_site
    if (
        site is None
        and explicit in ("left", "right")
        and explicit == flipped(scene.context.topic_side)
    ):
        site = scene.context.topic_site  # "forehead right", "left"
    own = side_of_site(scene, topic, site)
    last = len(scene.utterance.tokens) - 1
    if side != scene.context.topic_side or not scene.book.of_item(topic.id):
        perform(scene, topic, own or side, inferred, site, 0, last)
    question = scene.context.question
    scene.context.speak_of(topic, scene.utterance.start)
    scene.context.topic_side, scene.context.topic_site = own or side, site
    scene.context.question = question
    gone_to = explicit or side
    if topic.sides == "paired" and gone_to in ("left", "right"):
        scene.context.announced_side = scene.context.said_side = gone_to
        scene.context.announced_at = scene.context.said_at = scene.utterance.end
    ask_again(scene, own or side, inferred, site)
    return True


def _twin_there(scene: Scene, topic: Item) -> Item:
    """The topic, or the same test of the part of the body that is named.

    "Tell me sharp or dull" may begin the test of the face or of the limbs; "right hand"
    says which.
    """
    places = {spot.item for spot in scene.spots if spot.role == "site"}
    if topic.kind != "trials" or topic.sites in places:
        return topic
    for item in scene.catalogue.items.values():
        alike = (
            item.kind == "trials" and item.answers == topic.answers and item.sides == topic.sides
        )
        if not alike or item.id == topic.id or item.sites not in places or not item.default:
            continue
        begun = scene.book.of_item(topic.id)
        if all(one.level is Level.PERFORMED for one in begun):
            for one in begun:
                scene.book.forget(one.id)  # it was this one from the start
        scene.context.speak_of(item, scene.utterance.start)
        return item
    return topic


_AWAY = frozenset(["up", "off", "out", "back", "forward", "forwards", "towards", "against"])


def goes_on(scene: Scene) -> bool:
    """Whether the partner was told to move a part that the topic does not know, in strange words.

    What follows without a name is then not taken for the topic's ("bring the knee to the
    chest", "right leg up off the couch").
    """
    lists = word_lists()
    first = scene.first_heavy()
    if first < 0 or scene.speaker == "partner" or first in scene.quiet:
        return False
    words = [token.text for token in scene.utterance.tokens]
    moves = any(word in lists.moving for word in words[first : first + 4])
    topic = scene.topic_item()
    if (
        moves
        and topic is not None
        and (topic.scale is not None or topic.unit == "deg")
        and not (scene.utterance.numbers or scene.utterance.marked("others", "hypothetical"))
    ):
        return True  # "now push me off": the next grade is not of the muscle before
    if scene.utterance.marked("yes", "no", "question", "others", "hypothetical"):
        return False
    if not moves and not any(word in _AWAY for word in words[first + 1 :]):
        return False
    parts = [word for word in words if word in lists.limbs]
    return bool(parts) and not any(compared(word) in scene.topic_words for word in parts)


def enter_region(scene: Scene) -> None:
    """Go to the region that the talk announces."""
    regions = [
        spot
        for spot in scene.spots
        if spot.role == "region"
        and spot.first not in scene.quiet
        and scene.announces(spot)
        and not _told_here(scene, spot)
    ]
    if regions:
        longest = max(regions, key=lambda spot: (spot.weight, -spot.first))
        if longest.item != scene.context.region:
            scene.context.enter(longest.item)
            scene.context.topic = None


def _told_here(scene: Scene, announced: Spot) -> bool:
    """Whether the words belong to a result of the region in hand ("full range of motion")."""
    return any(
        spot.role == "reading"
        and spot.weight > announced.weight
        and spot.first <= announced.first
        and announced.last <= spot.last
        and scene.catalogue.items[spot.item].region == scene.context.region
        for spot in scene.spots
    )


def announce_side(scene: Scene, events: Sequence[Event]) -> None:
    """A side said without a result names the side of what follows."""
    at = scene.utterance.start
    if any(event.kind in ("result", "generic", "measure") for event in events):
        return
    explicit = scene.said[-1].side if scene.said else None
    if explicit in ("left", "right") and _covers_first(scene):
        explicit = flipped(explicit)  # "cover the right": the left one's turn
        scene.covered = True
    if explicit is not None:
        scene.context.announced_side = explicit
        scene.context.announced_at = at
    if any(event.kind in ("act", "question", "same", "replace") for event in events):
        return
    topic = scene.topic_item()
    if explicit is None or topic is None or topic.sides != "paired":
        return
    names = [
        spot
        for spot in scene.names
        if not scene.only_body(spot) or _graded_alike(scene, topic, spot)
    ]
    if any(spot.item != topic.id for spot in names) and not any(
        spot.item == topic.id for spot in names
    ):
        return
    before = [one for one in scene.book.of_item(topic.id) if one.side != explicit]
    if before and at - scene.context.topic_at <= 25:
        perform(scene, topic, explicit, False, None, 0, len(scene.utterance.tokens) - 1)
        ask_again(scene, explicit, False, None)
    scene.context.topic_side = explicit


def _covers_first(scene: Scene) -> bool:
    """Whether the side said is the one to be covered."""
    words = [token.text for token in scene.utterance.tokens]
    at = scene.said[-1].first
    return bool(COVERING.intersection(words[max(0, at - 3) : at]))


def announce_first_side(scene: Scene) -> None:
    """Take in the side said to come first, whatever else was said ("sitting, left arm first")."""
    tokens = [token.text for token in scene.utterance.tokens]
    for one in scene.said:
        if "first" in tokens[one.last + 1 : one.last + 3]:
            scene.context.announced_side = one.side
            scene.context.announced_at = scene.utterance.start
            return


def on_flip(scene: Scene, event: Event) -> None:
    """The other side's turn: the act is credited there, and a question is open again."""
    topic = scene.topic_item()
    if topic is None or topic.sides != "paired" or scene.acted:
        return
    explicit = side_for(scene.said, event.place, event.last, [event.place])
    side = explicit or flipped(scene.context.topic_side)
    if scene.results_follow(event) or scene.utterance.marked("same"):
        return
    perform(scene, topic, side, explicit is None, scene.context.topic_site, event.place, event.last)
    scene.context.topic_side = side
    ask_again(scene, side, explicit is None, scene.context.topic_site)
    scene.context.topic_at = scene.utterance.start


def on_same(scene: Scene, event: Event) -> None:
    """The result of the first side, said of the other."""
    topic = scene.topic_item()
    if topic is None or (topic.sides != "paired" and topic.sites is None):
        return
    if event.place in scene.asked or event.place in scene.sought or len(scene.strange) > 1:
        return
    assert event.mark is not None
    if any(
        other.kind in ("result", "question", "act")
        and other.spot is not None
        and not (event.mark.first <= other.place and other.last <= event.mark.last)
        and not (other.kind == "act" and other.spot.item == topic.id and scene.said)
        for other in scene.events
    ) and not any(finding_id for finding_id in scene.results_here):
        return
    if _same_of_another(scene, event, topic) or _same_of_named(scene, event, topic):
        return
    named = {spot.item for spot in scene.names if spot.last < event.place}
    moved = scene.said or scene.flip is not None  # "the other knee the same"
    if (
        named
        and not moved
        and topic.id not in named
        and any(_names_one(scene, one) for one in scene.names)
    ):
        return  # "the drum is the same", while the wax is in hand
    results = scene.book.results_of(topic.id)
    explicit = side_for(scene.said, event.place, event.last, [event.place])
    if _same_there(scene, event, topic, results, explicit) or topic.sides != "paired":
        return
    before = results[-1].side if results else scene.context.topic_side
    if explicit == "both" or before == "both":
        return
    side = explicit or flipped(before)
    if side == before:
        return
    if not results:
        perform(
            scene, topic, side, explicit is None, scene.context.topic_site, event.place, event.last
        )
    for old in results:
        keep_result(
            scene,
            make_finding(
                scene,
                topic,
                side,
                explicit is None,
                old.site,
                old.value,
                old.status,
                old.level,
                event.place,
                event.last,
            ),
        )
    scene.context.topic_side = side
    scene.context.topic_at = scene.utterance.start


def _same_there(
    scene: Scene, event: Event, topic: Item, results: Sequence[Finding], explicit: Side | None
) -> bool:
    """'Middles same': the results of one place, said of the next one."""
    sites = [
        spot.detail for spot in scene.spots if spot.role == "site" and spot.item == topic.sites
    ]
    if not sites or not results or results[-1].site in (None, sites[-1]):
        return False
    here = results[-1].site
    for old in [one for one in scene.book.results_of_sides(topic.id) if one.site == here]:
        if explicit in ("left", "right") and old.side not in (explicit, "both"):
            continue
        side = explicit if explicit is not None and topic.sides == "paired" else old.side
        keep_result(
            scene,
            make_finding(
                scene, topic, side, explicit is None, sites[-1], old.value, old.status, old.level,
                event.place, event.last,
            ),
        )  # fmt: skip
    scene.context.topic_site = sites[-1]
    scene.context.topic_at = scene.utterance.start
    return True


def _same_of_another(scene: Scene, event: Event, topic: Item) -> bool:
    """'Triceps same': the results of the item before, said of another of its kind."""
    at = scene.utterance.start
    names = others_of_kind(scene, topic, event.place) or _others_with_reading(scene, event, topic)
    made = [scene.book.get(one) for one in scene.results_here]
    if not names or any(one is None or one.item != topic.id for one in made):
        return False
    if any(
        spot.item == topic.id and (not made or spot.first > names[0].first) for spot in scene.names
    ):
        return False
    item = scene.catalogue.items[
        best_of(clusters(names)[-1], scene.context, at, scene.catalogue).item
    ]
    said = None if made else side_for(scene.said, event.place, event.last, [event.place])
    old = [
        one
        for one in scene.book.of_item(topic.id)
        if one.level is (Level.REPORTED if topic.kind == "finding" else Level.MEASURED)
        and at - one.end <= _SERIES
    ]
    scene.context.speak_of(item, at)
    for one in old:
        side = said or one.side
        keep_result(
            scene,
            make_finding(
                scene, item, side, said is None, one.site, one.value, one.status, one.level,
                event.place, event.last,
            ),
        )  # fmt: skip
        scene.context.topic_side = side
    return True


def _others_with_reading(scene: Scene, event: Event, topic: Item) -> list[Spot]:
    """Names right before a 'same' of items that have the topic's last result, too."""
    last = scene.book.last_result_of(topic.id)
    if last is None or not isinstance(last.value, Choice) or scene.said or scene.flip:
        return []
    code = last.value.code
    return [
        spot
        for spot in scene.names
        if spot.last == event.place - 1
        and spot.item != topic.id
        and _names_one(scene, spot)
        and scene.catalogue.items[spot.item].region == topic.region
        and scene.catalogue.items[spot.item].sides == topic.sides
        and scene.catalogue.items[spot.item].kind == "finding"
        and code in {reading.code for reading in scene.catalogue.items[spot.item].readings}
        and not scene.book.results_of(spot.item)
    ]


def _names_one(scene: Scene, spot: Spot) -> bool:
    """Whether a mention names one item: more than a part of the body, or a part of that alone."""
    return not scene.only_body(spot) or not any(
        other.item != spot.item and (other.first, other.last) == (spot.first, spot.last)
        for other in scene.names
    )


def _same_of_named(scene: Scene, event: Event, topic: Item) -> bool:
    """'The drum is the same', said of the second ear: the drum's own results on the first."""
    at = scene.utterance.start
    names = [
        spot
        for spot in scene.names
        if spot.last < event.place
        and spot.item != topic.id
        and scene.catalogue.items[spot.item].sides == "paired"
        and _names_one(scene, spot)
    ]
    if not names or scene.said or scene.results_here:
        return False
    item = scene.catalogue.items[
        best_of(clusters(names)[-1], scene.context, at, scene.catalogue).item
    ]
    old = scene.book.results_of(item.id)
    side = scene.context.said_side or scene.context.side_announced(at) or scene.context.topic_side
    if item.region != topic.region or not old or old[0].side != flipped(side):
        return False
    scene.context.speak_of(item, at)
    for one in old:
        keep_result(
            scene,
            make_finding(
                scene, item, side, True, one.site, one.value, one.status, one.level,
                event.place, event.last,
            ),
        )  # fmt: skip
    scene.context.topic_side = side
    return True


def name_only(scene: Scene) -> None:
    """A name without a result becomes the topic; being looked at, it is performed."""
    topic = scene.topic_item()
    names = [
        name
        for name in scene.names
        if name.first not in scene.quiet and not _forbidden(scene, name)
    ]
    headed = {
        place: spot.item
        for spot in scene.spots
        if spot.role == "region" and scene.announces(spot)
        for place in range(spot.first, spot.last + 1)
    }
    if topic is not None:
        leading = [name for name in names if _of_series(scene, topic, name)]
        names = leading or names
    names = [
        name
        for name in names
        if name.weight > 1
        or headed.get(name.first) in (None, scene.catalogue.items[name.item].region)
    ]
    if topic is not None and all(
        scene.only_body(name)
        and not (
            _of_series(scene, topic, name) or (_graded_alike(scene, topic, name) and scene.said)
        )
        for name in names
    ):
        heads = names and scene.announces(names[0])
        if not heads or scene.flip is not None:
            return  # "pop your arm up here" is no new subject
    if scene.said and topic is not None and topic.sides == "paired":
        # "now the right arm" goes on with what is being done, "triceps right" does not.
        names = [
            name for name in names if not scene.only_body(name) or _graded_alike(scene, topic, name)
        ]
    if not names or (topic is not None and _of_the_topic(scene, names)):
        return
    at = scene.utterance.start
    group = clusters(names)[0]
    foreign = _is_said_in_passing(scene, names) or not _is_mainly(scene, names)
    if topic is not None and group[0].first not in scene.sought and foreign:
        near = best_of(group, scene.context, at, scene.catalogue)
        if near.weight <= 2 and scene.catalogue.items[near.item].region != scene.context.region:
            return
    spot = best_of(group, scene.context, at, scene.catalogue)
    item = scene.catalogue.items[spot.item]
    contenders = {one.item for one in group if one.weight == spot.weight}
    side, inferred = side_of(scene, item, spot.first, spot.last, act=True)
    surely = len(contenders) == 1 or item.region == scene.context.region
    scene.context.speak_of(item, at)
    if spot.first in scene.sought and surely:
        perform(scene, item, side, inferred, None, spot.first, spot.last)
    if side != "unspecified":
        scene.context.topic_side = side
    places = [s.detail for s in scene.spots if s.role == "site" and s.item == item.sites]
    if places:
        scene.context.topic_site = places[-1]


def _of_series(scene: Scene, topic: Item, name: Spot) -> bool:
    """Whether a name leads on in a series of alike items ("now dangle your legs for the knees")."""
    words = [token.text for token in scene.utterance.tokens]
    return _graded_alike(scene, topic, name) and (
        "for" in words[max(0, name.first - 2) : name.first]
    )


def _graded_alike(scene: Scene, topic: Item, name: Spot) -> bool:
    """Whether a name is that of another item on the topic's scale."""
    item = scene.catalogue.items[name.item]
    return (
        topic.kind == "grade"
        and (item.kind, item.scale) == (topic.kind, topic.scale)
        and item.id != topic.id
    )


def _of_the_topic(scene: Scene, names: Sequence[Spot]) -> bool:
    """Whether a question is about what is being done ("can you still hear it")."""
    if not any(name.first in scene.asked for name in names) or any(n.weight > 1 for n in names):
        return False
    last = max(name.last for name in names)
    return any(token.text in ("it", "that", "this") for token in scene.utterance.tokens[last + 1 :])


def _forbidden(scene: Scene, name: Spot) -> bool:
    """Whether the partner is told not to do it ("do not talk for a moment")."""
    return any(mark.last + 1 == name.first for mark in scene.utterance.marked("not_word"))


def _is_said_in_passing(scene: Scene, names: Sequence[Spot]) -> bool:
    """Whether single words of an instruction only happen to be names ("hold your breath")."""
    named = {place for name in names for place in range(name.first, name.last + 1)}
    opening = scene.first_heavy()
    return opening >= 0 and opening not in named and all(name.weight == 1 for name in names)


def _is_mainly(scene: Scene, names: Sequence[Spot]) -> bool:
    """Whether the talk is little more than the names in it."""
    light = word_lists().light
    marks = scene.utterance.marked("opener", "courtesy", "first_side", "flip", "seeking")
    stretches: list[Spot | Mark] = [*names, *marks]
    passed = {p for one in stretches for p in range(one.first, one.last + 1)}
    passed |= {p for s in scene.spots if s.role == "site" for p in range(s.first, s.last + 1)}
    foreign = [
        token.text
        for place, token in enumerate(scene.utterance.tokens)
        if place not in passed and token.text not in light
    ]
    return len(foreign) <= MOST_FOREIGN
