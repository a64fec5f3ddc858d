"""Replies of the partner: yes, no, none, unsure, and what is called out in trials."""

from __future__ import annotations

from dictate.exam.catalogue import Item
from dictate.findings.claims import best_of, clusters
from dictate.findings.context import Question
from dictate.findings.event import Event
from dictate.findings.finding import Choice, Finding, Level, Status, Trials, Value
from dictate.findings.laterality import side_for
from dictate.findings.making import (
    OPPOSITE,
    identity,
    keep_result,
    make_finding,
    report_reading,
    said_of,
)
from dictate.findings.places import sites_of
from dictate.findings.questions import sign_of
from dictate.findings.scene import Scene, affirmable, reading_felt

_SAME_PHRASE_REPLY = 4.0  # seconds after a bare sign within which 'no' makes it a question


def on_yes(scene: Scene, event: Event) -> None:
    """A 'yes' to the open question."""
    _reply(scene, event, affirm=True)


def on_no(scene: Scene, event: Event) -> None:
    """A 'no' to the open question, or to a bare sign that was one."""
    _reply(scene, event, affirm=False)


def on_unsure(scene: Scene, event: Event) -> None:
    """A reply that leaves it open."""
    question = scene.context.open_question(scene.utterance.start)
    if question is None or question.answered:
        return
    item = scene.catalogue.items[question.item]
    question.answered = True
    _answer_with(scene, question, item, None, "indeterminate", event)


def _reply(scene: Scene, event: Event, affirm: bool) -> None:
    at = scene.utterance.start
    question = scene.context.open_question(max(at, scene.utterance.tokens[event.place].start))
    if question is not None and not _only_reply(scene, at):
        # What nobody asked in words is answered by a bare reply at most.
        if question.from_act or (affirm and question.implied):
            question = None
    elif question is not None and question.from_act and affirm:
        question = None
    if question is not None and not question.answered:
        question.answered = True
        if question.about is None:
            return
        # A 'no' is to all that was asked; a 'yes' may be to one of them.
        for one in (question,) if affirm else (*question.also, question):
            assert one.about is not None
            item = scene.catalogue.items[one.item]
            value, status = said_of(item.reading(one.about), is_denied=not affirm)
            _answer_with(scene, one, item, value, status, event)
        return
    if not affirm:
        _question_after_all(scene, event)


def _only_reply(scene: Scene, at: float) -> bool:
    """Whether the utterance is a bare reply to what was done just before."""
    question = scene.context.question
    assert question is not None
    polite = scene.utterance.marked("no", "yes", "courtesy", "fine_word")
    places = {p for mark in polite for p in range(mark.first, mark.last + 1)}
    bare = scene.utterance.tokens[0].text not in _FINE and all(
        place in places or token.text in _REPLYING
        for place, token in enumerate(scene.utterance.tokens)
    )
    return bare and (
        scene.utterance.index == question.utterance + 1 and at - question.asked_at <= 6
    )


_FINE = frozenset(["fine", "good", "okay", "ok", "lovely", "great", "thanks"])  # no replies
_REPLYING = frozenset(["that", "is", "was", "too", "it", "either", "also", "just"])


def _answer_with(
    scene: Scene, question: Question, item: Item, value: Value | None, status: Status, event: Event
) -> None:
    finding = make_finding(
        scene,
        item, question.side, question.inferred, question.site, value, status,
        Level.REPORTED, event.place, event.last, speaker="partner",
    ).model_copy(
        update={
            "start": question.first_at,
            "utterances": tuple(dict.fromkeys((question.utterance, scene.utterance.index))),
            "words": question.words
            if question.utterance == scene.utterance.index
            else f"{question.words} / {scene.utterance.text}",
        }
    )  # fmt: skip
    scene.results_here.append(scene.book.keep(finding).id)


def _question_after_all(scene: Scene, event: Event) -> None:
    """A bare sign that is answered 'no' was a question ("sore when I press" "nope")."""
    # A 'no' amid other words answers what those words say, not what was said before.
    before = scene.context.last_results if len(scene.heavy()) <= 2 else []
    candidates = scene.results_here or before
    if not candidates:
        return
    old = scene.book.get(candidates[-1])
    moment = scene.utterance.tokens[event.place].start
    if (
        old is None
        or not old.stands
        or not isinstance(old.value, Choice)
        or old.value.denied
        or old.status not in ("present", "abnormal")
        or moment - old.end > _SAME_PHRASE_REPLY
        or scene.utterance.index - max(old.utterances, default=0) > 1
    ):
        return
    scene.book.forget(old.id)
    status: Status = OPPOSITE[old.status]
    value = old.value.model_copy(update={"denied": True})
    new = old.model_copy(
        update={
            "id": identity(old.item, old.side, old.site, value, old.start, "reply"),
            "value": value,
            "status": status,
            "end": scene.utterance.tokens[event.last].end,
            "speaker": "partner",
            "utterances": tuple(dict.fromkeys((*old.utterances, scene.utterance.index))),
        }
    )
    kept = scene.book.keep(new)
    scene.results_here = [one for one in scene.results_here if one != old.id] + [kept.id]
    scene.context.last_results = [kept.id]


def on_none(scene: Scene, event: Event) -> None:
    """'Right none', 'behind the ears nothing': the sign of the item is denied there."""
    at = scene.utterance.start
    names = [
        spot
        for spot in scene.names
        if spot.last < event.place and sign_of(scene, scene.catalogue.items[spot.item])
    ]
    topic = scene.topic_item()
    found = scene.book.get(scene.results_here[-1]) if scene.results_here else None
    if found is not None and isinstance(found.value, Choice) and (scene.said or scene.flip):
        # "Wiggly veins on the left calf, nothing on the right": no more of what was found.
        item = scene.catalogue.items[found.item]
    elif topic is not None and not names and _of_other_places(scene, topic):
        return
    elif topic is not None and (
        any(spot.role == "site" and spot.item == topic.sites for spot in scene.spots)
        or not any(spot.role == "name" and spot.last < event.place for spot in scene.spots)
    ):
        item = topic
    elif names:
        group = clusters(names)[-1]
        if any(spot.item == one.item for spot in group for one in _denials(scene)):
            return  # "carotid bruits none" is told already
        # "Spleen nil felt" is of the item that is felt, not of the one that is percussed.
        felt = [one for one in group if reading_felt(scene.catalogue.items[one.item]) is not None]
        item = scene.catalogue.items[
            best_of(felt or group, scene.context, at, scene.catalogue).item
        ]
    else:
        return
    if item.kind == "trials" or _was_perceived(scene, item):
        lacking = [one for one in item.readings if one.status == "abnormal"]
        if len(lacking) == 1:
            report_reading(scene, item, lacking[0], False, event)
            return
    code = sign_of(scene, item)
    if code is None:
        return
    report_reading(scene, item, item.reading(code), True, event)


def _denials(scene: Scene) -> list[Finding]:
    """The results of this utterance so far that deny a sign."""
    return [one for one in scene.made if isinstance(one.value, Choice) and one.value.denied]


def _of_other_places(scene: Scene, topic: Item) -> bool:
    """Whether the places said belong to other items of the region than the topic."""
    lists = {spot.item for spot in scene.spots if spot.role == "site" and spot.last > spot.first}
    return topic.sites not in lists and bool(lists & scene.catalogue.places_of[topic.region])


def _was_perceived(scene: Scene, item: Item) -> bool:
    """Whether 'nothing' is what was perceived, as on the first side something was."""
    code = affirmable(item)
    last = scene.book.last_result_of(item.id)
    if code is None or last is None or not isinstance(last.value, Choice):
        return False
    return item.reading(code).status == "normal" and (
        last.value.code == code and not last.value.denied
    )


def on_affirmed(scene: Scene, event: Event) -> None:
    """A name and 'yes': its good reading is stated."""
    groups = clusters(
        spot
        for spot in scene.names
        if spot.last < event.place and affirmable(scene.catalogue.items[spot.item]) is not None
    )
    topic = scene.topic_item()
    if groups:
        spot = best_of(groups[-1], scene.context, scene.utterance.start, scene.catalogue)
        item = scene.catalogue.items[spot.item]
    elif topic is not None:
        item = topic
    else:
        return
    code = affirmable(item)
    assert code is not None
    report_reading(scene, item, item.reading(code), False, event)


def on_answer(scene: Scene, event: Event) -> None:
    """What the partner calls out in a trial."""
    topic = scene.topic_item()
    assert topic is not None
    answers: tuple[str, ...] = event.measured
    side, site = scene.context.topic_side, scene.context.topic_site
    rivals = [one.place for one in scene.events if one.kind == "answer"] or [event.place]
    said = side_for(scene.said, event.place, event.last, rivals)
    if topic.sides == "paired":
        side = said or side or "unspecified"
    sites = sites_of(scene, topic, event.place, event.last)
    site = sites[-1] if sites else site
    scene.context.speak_of(topic, scene.utterance.start)
    scene.context.topic_side, scene.context.topic_site = side, site
    for old in scene.book.of_item(topic.id):
        if isinstance(old.value, Trials) and (old.side, old.site) == (side, site):
            longer = old.model_copy(
                update={
                    "value": Trials(answers=old.value.answers + answers),
                    "end": scene.utterance.end,
                    "utterances": (*old.utterances, scene.utterance.index),
                    "words": f"{old.words} {' '.join(answers)}",
                }
            )
            scene.book.replace(old, longer)
            scene.results_here.append(old.id)
            return
    keep_result(
        scene,
        make_finding(
            scene,
            topic,
            side if topic.sides != "single" else None,
            said is None,
            site,
            Trials(answers=answers),
            None,
            Level.REPORTED,
            event.place,
            event.last,
            speaker="partner",
        ),
    )
