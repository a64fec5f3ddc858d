"""Acts and questions: what they credit, and which reply they wait for."""

from __future__ import annotations

from dictate.exam.catalogue import Item
from dictate.findings.claims import NEIGHBOURS
from dictate.findings.context import Question
from dictate.findings.event import Event
from dictate.findings.finding import Choice, Side, Trials
from dictate.findings.laterality import flipped, side_for
from dictate.findings.making import perform, report_reading
from dictate.findings.places import covers_only, side_of, side_of_site, sites_of
from dictate.findings.scene import Scene, reading_felt
from dictate.findings.scopes import COMPLAINTS, denied, wonders
from dictate.talk.lexicon import word_lists


def on_act(scene: Scene, event: Event) -> None:
    """An instruction credits the manoeuvre and makes it the topic."""
    assert event.spot is not None
    if covers_only(scene, event.place, event.last):
        _cover(scene, event)
        return
    item = scene.catalogue.items[event.spot.item]
    side, inferred = side_of(scene, item, event.place, event.last, act=True)
    sites: list[str | None] = [*sites_of(scene, item, event.place, event.last)] or [None]
    scene.context.speak_of(item, scene.utterance.start)
    scene.acted = True
    for site in sites:
        own = side_of_site(scene, item, site)
        perform(scene, item, own or side, inferred, site, event.place, event.last)
        scene.context.topic_site = site
    scene.context.topic_side = side
    _ask_from_act(scene, item, side, inferred, sites[-1])


def _cover(scene: Scene, event: Event) -> None:
    """One eye is covered: the other one's turn, in the test in hand or in the one to come."""
    assert event.spot is not None
    region = scene.catalogue.items[event.spot.item].region
    topic = scene.topic_item()
    in_hand = topic if topic is not None and topic.sides == "paired" else None
    said = side_for(scene.said, event.place, event.last, [event.place])
    if said is None and (scene.flip is None or in_hand is None):
        return
    side = flipped(said or scene.context.topic_side)
    if side == "unspecified":
        return
    scene.context.enter(region)
    scene.context.announced_side, scene.context.announced_at = side, scene.utterance.end
    scene.covered = True
    if in_hand is not None and in_hand.region == region:
        perform(scene, in_hand, side, said is None, None, event.place, event.last)
        scene.context.topic_side = side
        scene.context.topic_at = scene.utterance.start


def _ask_from_act(
    scene: Scene, item: Item, side: Side | None, inferred: bool, site: str | None
) -> None:
    """An act that goes with a yes/no question leaves it open ("tell me if it hurts")."""
    abouts = [q.about for q in item.asked if q.about is not None]
    if len(set(abouts)) == 1 and _question_of(scene, item) is None:
        scene.context.question = new_question(scene, item, abouts[0], side, inferred, site)
        # A flip opens it again; before that, only a bare 'no' at once answers it.
        scene.context.question.implied = True
        scene.context.question.from_act = True


def _question_of(scene: Scene, item: Item) -> Question | None:
    question = scene.context.open_question(scene.utterance.start)
    return question if question is not None and question.item == item.id else None


def new_question(
    scene: Scene, item: Item, about: str | None, side: Side | None, inferred: bool, site: str | None
) -> Question:
    """A question open from now on."""
    return Question(
        item=item.id,
        about=about,
        asked_at=scene.utterance.end,
        first_at=scene.utterance.start,
        side=side,
        inferred=inferred,
        site=site,
        words=scene.utterance.text,
        utterance=scene.utterance.index,
    )


def on_question(scene: Scene, event: Event) -> None:
    """A question put to the partner."""
    assert event.spot is not None
    item = scene.catalogue.items[event.spot.item]
    about = item.asked[int(event.spot.detail)].about
    topic = scene.topic_item()
    if item.region != scene.context.region and scene.context.region and _only_symptom(scene, event):
        # "Does any of that hurt?" is about the region in hand, whoever else asks so.
        pained = _pained_here(scene, event)
        if pained is None:
            return
        item, about = pained
    if event.shared and topic is not None and topic.id != item.id and topic.region != item.region:
        # "Any pain?" belongs to what is being done, not to another region's item.
        own = [question.about for question in topic.asked if question.about is not None]
        if own and scene.utterance.start - scene.context.topic_at <= 12:
            item, about = topic, own[0]
    ask(scene, item, about, event)


def _pained_here(scene: Scene, event: Event) -> tuple[Item, str] | None:
    """The item in hand, or the last one of its region, that knows a complaint as its sign."""
    topic = scene.topic_item()
    known = {
        spot.item: spot.detail
        for spot in scene.all_spots
        if spot.role == "reading"
        and event.place <= spot.first <= event.last
        and scene.catalogue.items[spot.item].region == scene.context.region
        and not scene.catalogue.items[spot.item].by_name
    }
    if topic is None or not known:
        return None
    if topic.id in known:
        return topic, known[topic.id]
    place = scene.catalogue.place
    nearest = min(known, key=lambda item: abs(place[item] - place[topic.id]))
    if abs(place[nearest] - place[topic.id]) > NEIGHBOURS:
        return None
    return scene.catalogue.items[nearest], known[nearest]


def _only_symptom(scene: Scene, event: Event) -> bool:
    """Whether a question names nothing but a complaint."""
    words = word_lists()
    return all(
        token.text in _COMPLAINTS
        or token.text in words.light
        or token.text in words.hollow
        or token.text in words.plain
        for token in scene.utterance.tokens[event.place : event.last + 1]
    )


_COMPLAINTS = COMPLAINTS | frozenset(
    ["aches", "uncomfortable", "discomfort", "bother", "bothers", "giving", "sorer"]
)


def ask(scene: Scene, item: Item, about: str | None, event: Event) -> None:
    """Open a question about an item and credit it as performed."""
    side, inferred = side_of(scene, item, event.place, event.last, act=True)
    sites = sites_of(scene, item, event.place, event.last)
    site = sites[-1] if sites else None
    own = side_of_site(scene, item, site)
    side = own or side
    scene.context.speak_of(item, scene.utterance.start)
    perform(scene, item, side, inferred, site, event.place, event.last)
    scene.context.topic_side = side
    scene.context.topic_site = site
    before = scene.context.question
    scene.context.question = new_question(scene, item, about, side, inferred, site)
    if (
        before is not None
        and not (before.answered or before.from_act)
        and before.utterance == scene.utterance.index
        and before.item != item.id
        and before.about == about
    ):
        scene.context.question.also = (*before.also, before)


def on_result(scene: Scene, event: Event) -> None:
    """Words of result: stated, asked or looked for."""
    assert event.spot is not None
    item = scene.catalogue.items[event.spot.item]
    reading = item.reading(event.spot.detail)
    places = range(event.place, event.last + 1)
    if any(place in scene.sought for place in places):
        on_act(scene, event)
        return
    if any(place in scene.asked for place in places) and scene.speaker != "partner":
        if not wonders(scene.utterance):
            ask(scene, item, reading.code, event)
        return
    if _asks_while_doing(scene, item, reading.code, event):
        ask(scene, item, reading.code, event)
        return
    is_denied = denied(scene.utterance, event.place, event.last, reading.status, scene.spots)
    if item.of is not None and _denied_here(scene, item.of):
        return  # "aortic area, no murmur" tells of no place of a murmur
    if reading.status == "normal" and not is_denied and _praises_trials(scene, item):
        return
    report_reading(scene, item, reading, is_denied, event)


def _denied_here(scene: Scene, item: str) -> bool:
    """Whether the utterance denies an item's sign and affirms it nowhere."""
    said = [
        denied(
            scene.utterance,
            event.place,
            event.last,
            scene.catalogue.items[item].reading(event.spot.detail).status,
            scene.spots,
        )
        for event in scene.events
        if event.kind == "result" and event.spot is not None and event.spot.item == item
    ]
    return bool(said) and all(said)


def _praises_trials(scene: Scene, item: Item) -> bool:
    """Whether an 'all correct' only sums up the answers that were counted just before."""
    last = scene.book.last_result_of(item.id)
    if last is None or not isinstance(last.value, Trials) or scene.said:
        return False
    return scene.utterance.start - last.end <= _JUST_ANSWERED


_JUST_ANSWERED = 8.0  # seconds


def _asks_while_doing(scene: Scene, item: Item, code: str, event: Event) -> bool:
    """Whether a bare complaint ends what the examiner does: "pressing above your eyes, tender".

    Without punctuation it may be a question; a result that nobody stated costs more than one
    that is missed, so it waits for its reply.
    """
    if not scene.acted or scene.speaker == "partner":
        return False
    if not any(question.about == code for question in item.asked):
        return False
    acts = [spot for spot in scene.spots if spot.role == "act" and spot.last < event.place]
    if not acts or event.last != len(scene.utterance.tokens) - 1:
        return False
    between = scene.utterance.tokens[max(spot.last for spot in acts) + 1 : event.place]
    return not any(token.text in _TELLING for token in between)


_TELLING = frozenset(
    ["is", "are", "was", "were", "it", "that", "feels", "seems", "very", "slightly", "no", "not",
     "but", "and", "with", "quite", "a"]
)  # fmt: skip


def ask_again(scene: Scene, side: Side | None, inferred: bool, site: str | None) -> None:
    """Put the question of the topic again, at another side or site."""
    topic = scene.topic_item()
    if topic is None:
        return
    question = scene.context.question
    if question is not None and question.item == topic.id:
        about, implied = question.about, question.implied
    else:
        if scene.asked:
            return  # something else is asked ("does that bother you")
        about, implied = sign_of(scene, topic), True
        if about is None or _merely_seen(scene, topic, about):
            return
    scene.context.question = new_question(scene, topic, about, side, inferred, site)
    scene.context.question.implied = implied
    scene.context.question.again = True


def _merely_seen(scene: Scene, item: Item, code: str) -> bool:
    """Whether a sign was found by itself and nobody would ask for it at the other side."""
    if code in {question.about for question in item.asked} or code == reading_felt(item):
        return False
    last = scene.book.last_result_of(item.id)
    return (
        last is not None
        and isinstance(last.value, Choice)
        and last.value.code == code
        and not last.value.denied
    )


def sign_of(scene: Scene, item: Item) -> str | None:
    """The sign that a bare 'none' denies of an item."""
    for code in (reading_felt(item), _last_sign(scene, item)):
        if code is not None:
            return code
    asked = {question.about for question in item.asked if question.about is not None}
    if len(asked) == 1:
        return asked.pop()
    signs = [one.code for one in item.readings if one.status in ("present", "abnormal")]
    if signs and len(signs) == len(item.readings) and item.readings[0].status == "present":
        return signs[0]  # all that can be said of varicose veins is that they are there
    return signs[0] if len(signs) == 1 else None


def _last_sign(scene: Scene, item: Item) -> str | None:
    for finding in reversed(scene.book.results_of(item.id)):
        if isinstance(finding.value, Choice):
            known = {one.code: one for one in item.readings}
            reading = known.get(finding.value.code)
            if reading is not None and reading.status in ("present", "abnormal"):
                return reading.code
    return None
