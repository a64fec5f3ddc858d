"""Findings made: performed, reported, measured, not to be sensed."""

from __future__ import annotations

import hashlib

from dictate.exam.catalogue import Item, Reading
from dictate.findings.claims import best_of, clusters
from dictate.findings.event import Event
from dictate.findings.finding import Choice, Finding, Level, Side, Speaker, Status, Value
from dictate.findings.laterality import paired_near
from dictate.findings.places import side_of, side_of_site, sites_of
from dictate.findings.scene import Scene, reading_felt
from dictate.findings.scopes import hedged
from dictate.findings.sound_alike import READ_BY_SOUND, carried_by_sound, read_by_sound
from dictate.findings.values import doubted_values
from dictate.talk.lexicon import word_lists
from dictate.talk.utterance import Utterance

OPPOSITE: dict[Status, Status] = {
    "normal": "abnormal",
    "abnormal": "normal",
    "present": "absent",
    "absent": "present",
}


_COMPARING = frozenset(["symmetric", "equal"])
_COMPARED = frozenset(["equal", "equally", "symmetric", "symmetrical", "symmetrically"])
_UNSURE_WORD = 0.3  # word confidence below which a finding is marked


def keep_result(scene: Scene, finding: Finding) -> None:
    """Put a result into the book and remember it as one of this utterance."""
    scene.results_here.append(scene.book.keep(finding).id)


def make_finding(
    scene: Scene,
    item: Item,
    side: Side | None,
    inferred: bool,
    site: str | None,
    value: Value | None,
    status: Status | None,
    level: Level,
    first: int,
    last: int,
    doubts: tuple[str, ...] = (),
    alternatives: tuple[Value, ...] = (),
    speaker: Speaker | None = None,
) -> Finding:
    """A finding out of the words at these places, with its certainty and its doubts."""
    tokens = scene.utterance.tokens[first : last + 1] or scene.utterance.tokens
    confidence = min(token.confidence for token in tokens)
    if confidence < _UNSURE_WORD and level is not Level.PERFORMED:
        doubts = (*doubts, "the words were not heard clearly")
    # Written words have full confidence; heard ones hardly ever have.
    risky = word_lists().misheard
    if level is Level.REPORTED and any(
        token.text in risky and token.confidence < 1 for token in tokens
    ):
        doubts = (*doubts, "the word sounds like its opposite")
    if isinstance(value, Choice) and any(
        mark.last < last + 6 and _read_by_sound(scene, mark.first, mark.last)
        for mark in scene.utterance.marked("negation", "no", "not_word", "after_negation")
    ):
        doubts = (*doubts, "a word was taken for 'no' or 'not' by its sound")
    named = any(spot.item == item.id for spot in scene.naming)
    by_sound = read_by_sound(scene.utterance, first, last) or carried_by_sound(
        scene.context, item.id, side, inferred, named
    )
    if by_sound:
        doubts = (*doubts, *by_sound)
        confidence = min(confidence, READ_BY_SOUND)
    scene.context.worked_on = item.id
    spoken_by = speaker or scene.speaker
    start, end = tokens[0].start, max(token.end for token in tokens)
    return Finding(
        id=identity(item.id, side, site, value, start, level.value),
        item=item.id,
        side=side,
        side_inferred=inferred and side not in (None, "unspecified", "midline"),
        site=site,
        value=value,
        status=status,
        level=level,
        certainty="hedged"
        if level is not Level.PERFORMED and hedged(scene.utterance, first, last)
        else "sure",
        start=start,
        end=end,
        words=scene.utterance.text,
        utterances=(scene.utterance.index,),
        confidence=confidence,
        speaker=spoken_by,
        doubts=doubts,
        alternatives=alternatives,
    )


def _read_by_sound(scene: Scene, first: int, last: int) -> bool:
    """Whether a word at these places was read as another of the same sound."""
    said_as = word_lists().said_as
    return any(token.text in said_as for token in scene.utterance.tokens[first : last + 1])


def perform(
    scene: Scene,
    item: Item,
    side: Side | None,
    inferred: bool,
    site: str | None,
    first: int,
    last: int,
) -> None:
    """Credit an item as performed."""
    scene.book.keep(
        make_finding(scene, item, side, inferred, site, None, None, Level.PERFORMED, first, last)
    )


def report_reading(
    scene: Scene, item: Item, reading: Reading, is_denied: bool, event: Event
) -> None:
    """Report a reading of an item, affirmed or denied, at its side and sites."""
    side, inferred = side_of(scene, item, event.place, event.last, act=False)
    sites: list[str | None] = [*sites_of(scene, item, event.place, event.last)] or [None]
    scene.context.speak_of(item, scene.utterance.start)
    compares = reading.code in _COMPARING or _COMPARED & {
        token.text for token in scene.utterance.tokens[event.place : event.last + 1]
    }
    if compares and item.sides == "paired" and not (is_denied or scene.said):
        side, inferred = "both", True  # what is equal is so on both sides
    value, status = said_of(reading, is_denied)
    mended = _mended_here(scene, item, event)
    for site in sites:
        own = side_of_site(scene, item, site)
        new = make_finding(
            scene,
            item,
            own or side,
            inferred and own is None,
            site,
            value,
            status,
            Level.REPORTED,
            event.place,
            event.last,
        )
        for old in [one for one in mended if (one.side, one.site) == (new.side, new.site)]:
            if _contrary(old, new):
                scene.book.replace(old, new)
                scene.results_here.remove(old.id)
        keep_result(scene, new)
        scene.context.topic_site = site
    scene.context.topic_side = side


_FOUND = ("abnormal", "present")


def _contrary(old: Finding, new: Finding) -> bool:
    """Whether two results of one item cannot both be meant."""
    if not (isinstance(old.value, Choice) and isinstance(new.value, Choice)):
        return False
    if old.value.code == new.value.code:
        return old.value.denied != new.value.denied
    return "normal" in (old.status, new.status) and (old.status in _FOUND or new.status in _FOUND)


def _mended_here(scene: Scene, item: Item, event: Event) -> list[Finding]:
    """Results of the item in this utterance that are taken back before this one.

    "It is irregular, no no, it is regular"; "no scars, oh wait, there is one".
    """
    earlier = [
        other
        for other in scene.events
        if other.kind == "result"
        and other.place < event.place
        and other.spot is not None
        and other.spot.item == item.id
    ]
    if not earlier:
        return []
    since = earlier[-1].last
    turned = any(
        since < mark.first and mark.last < event.place - 1
        for mark in scene.utterance.marked("slip", "replace")
    )
    if not turned:
        return []
    return [one for one in scene.made if one.item == item.id and one.stands]


def on_generic(scene: Scene, event: Event) -> None:
    """'Normal' and the like, said of a name."""
    assert event.spot is not None
    item = scene.catalogue.items[event.spot.item]
    known = {reading.code: reading for reading in item.readings}
    status: Status = event.status
    if _not_before(scene.utterance, event.place):
        status = OPPOSITE[status]
    code = "normal" if status == "normal" else "abnormal"
    title = known[code].title if code in known else code
    side, inferred = side_of(scene, item, event.place, event.last, act=False)
    if side == "unspecified" and paired_near(scene.utterance, event.spot.first, event.last):
        side, inferred = "both", True
    sites: list[str | None] = [*sites_of(scene, item, event.spot.first, event.last)] or [None]
    scene.context.speak_of(item, scene.utterance.start)
    for site in sites:
        keep_result(
            scene,
            make_finding(
                scene,
                item,
                side,
                inferred,
                site,
                Choice(code=code, title=title),
                status,
                Level.REPORTED,
                min(event.place, event.spot.first),
                max(event.last, event.spot.last),
            ),
        )
    scene.context.topic_side = side


def on_measure(scene: Scene, event: Event) -> None:
    """A number that an item takes as its value."""
    item, measured = event.measured
    if any(place in scene.asked for place in range(event.place, event.last + 1)):
        if scene.utterance.after == "question":
            return
    side, inferred = side_of(scene, item, event.place, event.last, act=False)
    if (side == "unspecified" or inferred) and (measured.both or _one_of_two(scene, event)):
        side, inferred = "both", True
    sites: list[str | None] = [*sites_of(scene, item, event.place, event.last)] or [None]
    scene.context.speak_of(item, scene.utterance.start)
    earlier = None
    mended = scene.way_round
    if (mended is not None and mended < event.place) or any(
        mark.last < event.place and scene.word(mark) != "no"
        for mark in scene.utterance.marked("replace")
    ):
        earlier = scene.book.recent_of(item.id, side, scene.utterance.start)
    if earlier is None:
        earlier = _not_felt_before(scene, item, side)
    doubts = list(measured.doubts)
    alternatives = list(measured.alternatives)
    wordings = tuple(
        dict.fromkeys(
            wording
            for place in range(event.place, event.last + 1)
            for wording in scene.utterance.doubted.get(place, ())
        )
    )
    if any(place in scene.utterance.doubted for place in range(event.place, event.last + 1)):
        others = [
            value
            for value in doubted_values(item, wordings, scene.catalogue)
            if value != measured.value
        ]
        doubts.append("a second decoding of the sound heard this number differently")
        alternatives += [value for value in others if value not in alternatives]
    doubts += number_doubts(scene, event)
    if _drifts(scene, item, side, measured.value):
        doubts.append(_DRIFTED)
    for site in sites:
        scene.context.topic_site = site
        if event.place == scene.corrected_at:
            continue
        own = side_of_site(scene, item, site)
        finding = make_finding(
            scene,
            item,
            own or side,
            inferred and own is None,
            site,
            measured.value,
            measured.status,
            Level.MEASURED,
            event.place,
            event.last,
            doubts=tuple(doubts),
            alternatives=tuple(alternatives),
        )
        if earlier is not None and earlier.site == site and earlier.value != finding.value:
            scene.book.replace(earlier, finding)
            scene.results_here.append(finding.id)
            continue
        keep_result(scene, finding)
        scene.context.topic_site = site
    scene.context.topic_side = side


_FOUND_AFTER_ALL = 12.0  # seconds


def _not_felt_before(scene: Scene, item: Item, side: Side | None) -> Finding | None:
    """What was not felt a moment ago and is graded now ("hang on, there it is, one plus")."""
    old = scene.book.recent_of(item.id, side, scene.utterance.start)
    if old is None or not isinstance(old.value, Choice) or not old.value.denied:
        return None
    if old.value.code != reading_felt(item):
        return None
    return old if scene.utterance.start - old.end <= _FOUND_AFTER_ALL else None


_DRIFTED = "the same thing was measured before, and nothing says what this number is of"


def _drifts(scene: Scene, item: Item, side: Side | None, value: Value) -> bool:
    """Whether a bare number differs from what was measured there: the talk may have gone on.

    An instruction that was not understood leaves the item before it the topic.
    """
    if any(spot.item == item.id for spot in scene.naming) or scene.acted:
        return False
    if scene.utterance.marked("replace", "slip", "no"):
        return False
    return any(
        old.value is not None
        and old.level is Level.MEASURED
        and old.value != value
        and (old.side == side or "both" in (old.side, side))
        and scene.utterance.index - max(old.utterances) > 1
        for old in scene.book.of_item(item.id)
    )


def number_doubts(scene: Scene, event: Event) -> list[str]:
    """Why the words beside a number make it doubtful that it was heard whole."""
    tokens = scene.utterance.tokens
    beside = [
        place
        for place in (event.place - 1, event.last + 1)
        if 0 <= place < len(tokens) and not tokens[min(place, event.last)].after
    ]
    if any(place in scene.strange or tokens[place].text in _PIECES for place in beside):
        return ["a word beside the number was not understood"]
    words = [token.text for token in tokens[event.place : event.last + 1]]
    item = event.measured[0]
    if (
        item.kind == "quantity"
        and len(words) > 1
        and words[0] == words[1]
        and len(words) <= _TWICE_OR_UNIT
    ):
        return ["the same number was said twice, or it is one of two digits"]
    measured = {one.place for one in scene.events if one.kind == "measure"}
    for number in scene.utterance.numbers:
        if number.first in measured or event.place <= number.first <= event.last:
            continue
        first, last = sorted((number.first, event.place))
        if last - first <= _PIECE_REACH and abs(number.first - event.last) > 0:
            return ["another number close by may belong to it"]
    return []


_TWICE_OR_UNIT = 3  # words: the digit, again, and its unit
_PIECES = frozenset(["point", "tu", "too", "forr", "won", "tree", "ate", "un", "phi"])
_PIECE_REACH = 4  # tokens between pieces of a number that was heard in two


def _one_of_two(scene: Scene, event: Event) -> bool:
    """Whether the same number is said twice, once for each side ("five and five")."""
    item, measured = event.measured
    for other in scene.events:
        if other.kind != "measure" or other is event or other.measured[0].id != item.id:
            continue
        first, second = sorted((event, other), key=lambda one: one.place)
        between = [t.text for t in scene.utterance.tokens[first.last + 1 : second.place]]
        if between in (["and"], []) and other.measured[1].value == measured.value:
            return True
    return False


def on_cannot(scene: Scene, event: Event) -> None:
    """'Cannot see the disc': performed, and the result stays open."""
    if scene.more_follows(event, "reading"):
        return
    item = _unsensed(scene, event)
    if item is None:
        return
    side, inferred = side_of(scene, item, event.place, event.last, act=False)
    sites: list[str | None] = [*sites_of(scene, item, event.place, event.last)] or [None]
    scene.context.speak_of(item, scene.utterance.start)
    code = reading_felt(item)
    value: Value | None = None
    status: Status = "indeterminate"
    if code is not None and event.mark is not None and event.mark.kind == "negation":
        value, status = said_of(item.reading(code), is_denied=True)
    for site in sites:
        keep_result(
        scene,
            make_finding(
        scene,
                item, side, inferred, site, value, status, Level.REPORTED,
                event.place, event.last,
            )
        )  # fmt: skip
        scene.context.topic_site = site
    scene.context.topic_side = side


def _unsensed(scene: Scene, event: Event) -> Item | None:
    """What cannot be felt or seen: named after, named before, or the topic."""
    at = scene.utterance.start
    after = [spot for spot in scene.names if event.last < spot.first <= event.last + 4]
    if after:
        group = [one for one in after if one.first == after[0].first]
        return scene.catalogue.items[best_of(group, scene.context, at, scene.catalogue).item]
    before = [
        spot
        for spot in scene.names
        if spot.last < event.place
        and event.place - spot.last <= 5
        and reading_felt(scene.catalogue.items[spot.item]) is not None
    ]
    topic = scene.topic_item()
    if before and not (topic and any(spot.item == topic.id for spot in before)):
        group = clusters(before)[-1]
        return scene.catalogue.items[best_of(group, scene.context, at, scene.catalogue).item]
    if topic is not None and reading_felt(topic) is not None:
        return topic
    return None


def said_of(reading: Reading, is_denied: bool) -> tuple[Choice, Status]:
    """What a reading amounts to, affirmed or denied."""
    value = Choice(code=reading.code, title=reading.title, denied=is_denied)
    return value, OPPOSITE[reading.status] if is_denied else reading.status


def identity(
    item: str, side: str | None, site: str | None, value: Value | None, start: float, what: str
) -> str:
    """An id out of the content, the same on every run."""
    content = f"{item}|{side}|{site}|{value!r}|{start:.2f}|{what}"
    return "f" + hashlib.sha256(content.encode()).hexdigest()[:12]


def _not_before(utterance: Utterance, first: int) -> bool:
    return any(mark.last < first <= mark.last + 3 for mark in utterance.marked("not_word"))
