"""Findings out of utterances: the one reader that live and batch use share."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from dictate.exam.catalogue import Catalogue, Item
from dictate.findings.book import Book
from dictate.findings.context import Context
from dictate.findings.corrections import on_contrast, on_except, on_replace
from dictate.findings.event import Event, Kind
from dictate.findings.events import events_of
from dictate.findings.finding import Finding, Speaker
from dictate.findings.making import on_cannot, on_generic, on_measure
from dictate.findings.moving import (
    announce_first_side,
    announce_side,
    enter_region,
    goes_on,
    moves_on,
    name_only,
    on_flip,
    on_same,
)
from dictate.findings.questions import on_act, on_question, on_result
from dictate.findings.replies import on_affirmed, on_answer, on_no, on_none, on_unsure, on_yes
from dictate.findings.scene import Scene
from dictate.findings.sound_alike import Rescue, remember
from dictate.findings.spotting import Spot, spotter_for
from dictate.talk.lexicon import compared
from dictate.talk.utterance import Utterance

_TAKES_BACK = 6.0  # seconds after talk within which "strike that" means it


def findings_of(utterances: Iterable[Utterance], catalogue: Catalogue) -> tuple[Finding, ...]:
    """Read all utterances of a session; corrected and struck findings stay, marked."""
    interpreter = Interpreter(catalogue)
    for utterance in utterances:
        interpreter.feed(utterance)
    return interpreter.findings


class Interpreter:
    """Reads utterances one after the other and keeps the findings so far."""

    def __init__(self, catalogue: Catalogue) -> None:
        self._catalogue = catalogue
        self._spotter = spotter_for(catalogue)
        self._context = Context()
        self._book = Book()
        self._rescue = Rescue(catalogue, self._spotter)
        self._first_speaker: str | None = None
        self._lost_until = -1e9  # when talk ended that was not understood

    @property
    def findings(self) -> tuple[Finding, ...]:
        """All findings in the order of their start, struck and superseded ones too."""
        return self._book.findings

    @property
    def region(self) -> str | None:
        """The region that the talk is in."""
        return self._context.region

    def feed(self, utterance: Utterance) -> None:
        """Take in the next utterance."""
        if not utterance.tokens:
            return
        if not utterance.recognised:
            self._lost_until = utterance.end
            return
        self._context.hear(utterance.start, utterance.end)
        if utterance.marked("strike"):
            # What is taken back may be what was not understood: then nothing is struck.
            if utterance.start - self._lost_until > _TAKES_BACK:
                self._book.strike()
            self._lost_until = -1e9
            return
        self._lost_until = -1e9
        spots = self._spotter.spots(utterance)
        utterance, spots = self._rescue.of(utterance, spots, self._context)
        topic = self._context.topic
        series = self._in_hand(utterance, spots)
        if series is not None:
            short = self._spotter.short_names(utterance, series)
            spots = _with_short_names(spots, short, self._catalogue)
        scene = Scene(
            utterance,
            spots,
            self.speaker_of(utterance),
            self._book,
            self._context,
            self._catalogue,
            self._spotter.known_in(self._context.region),
            self._spotter.named,
            self._spotter.words_of(topic) if topic is not None else frozenset(),
            self._spotter.of_one_item(self._context.region),
            self._spotter.words_of,
        )
        _read(scene)
        remember(utterance, spots, topic, self._context)

    def _in_hand(self, utterance: Utterance, spots: Sequence[Spot]) -> Item | None:
        """The item whose series short names belong to: a movement named here, or the topic."""
        items = self._catalogue.items
        named = [
            items[spot.item]
            for spot in spots
            if spot.role == "name"
            and spot.weight > 1
            and items[spot.item].short
            and _joint(spot.item)
            in {compared(t.text) for t in utterance.tokens[spot.first : spot.last + 1]}
        ]
        if named:
            return named[0]
        topic = self._context.topic
        if topic is None or not self._context.topic_holds(utterance.start):
            return None
        return items[topic]

    def speaker_of(self, utterance: Utterance) -> Speaker:
        """Who speaks, where the source says so: the first voice is the examiner's."""
        label = utterance.speaker
        if label is None:
            return "unknown"
        low = label.strip().lower()
        if low in ("partner", "patient", "model", "volunteer"):
            return "partner"
        if low in ("examiner", "learner", "student", "instructor"):
            return "examiner"
        if self._first_speaker is None:
            self._first_speaker = low
        return "examiner" if low == self._first_speaker else "partner"


def _joint(item: str) -> str | None:
    """The joint of a movement, as compared: the first word of its own key."""
    return compared(item.partition(".")[2].partition("_")[0])


def _with_short_names(spots: list[Spot], short: Sequence[Spot], catalogue: Catalogue) -> list[Spot]:
    """Mentions and short names; those of movements win over the same words of another joint."""
    longer = [
        spot
        for spot in spots
        if spot.role == "name"
        and any(
            (spot.first < one.first or one.last < spot.last or spot.item == one.item)
            and spot.first <= one.first
            and one.last <= spot.last
            for one in short
        )
    ]
    kept = [
        one
        for one in short
        if not any(spot.first <= one.first and one.last <= spot.last for spot in longer)
    ]
    return [
        spot
        for spot in spots
        if spot.role != "name"
        or spot in longer
        or catalogue.items[spot.item].unit != "deg"
        or not any((spot.first, spot.last) == (one.first, one.last) for one in kept)
    ] + kept


_DOING: dict[Kind, Callable[[Scene, Event], None]] = {
    "act": on_act,
    "question": on_question,
    "result": on_result,
    "generic": on_generic,
    "measure": on_measure,
    "yes": on_yes,
    "no": on_no,
    "unsure": on_unsure,
    "flip": on_flip,
    "same": on_same,
    "replace": on_replace,
    "answer": on_answer,
    "except": on_except,
    "cannot": on_cannot,
    "none": on_none,
    "affirmed": on_affirmed,
    "contrast": on_contrast,
}


_TOLD = ("result", "generic", "measure", "cannot", "none", "affirmed", "answer")


def _read(scene: Scene) -> None:
    """Do what happens in an utterance, in the order of its words."""
    if moves_on(scene):
        scene.context.moved_in = scene.utterance.index
        return
    enter_region(scene)
    events = events_of(scene)
    scene.statements = [
        event.place for event in events if event.kind in ("act", "question", *_TOLD)
    ] or [0]
    scene.result_places = [event.place for event in events if event.kind in _TOLD]
    scene.events = events
    if not events and goes_on(scene):
        scene.context.gone_on = True
    else:
        announce_side(scene, events)
    for event in events:
        _DOING[event.kind](scene, event)
    announce_first_side(scene)
    if events and all(event.kind == "flip" for event in events):
        scene.context.moved_in = scene.utterance.index
    if not any(
        event.kind in ("act", "question", "result", "generic", "measure", "answer", "flip")
        for event in events
    ):
        name_only(scene)
    if scene.results_here:
        scene.context.last_results = scene.results_here
        if not scene.said and all(_is_of_both(scene, one) for one in scene.results_here):
            scene.context.said_side = None  # "ankles one plus": "right two" before holds no more
    named = frozenset(spot.item for spot in scene.names if spot.first not in scene.quiet)
    if named:
        scene.context.name(named, scene.utterance.end)
    if scene.utterance.marked("right_lead") and not (scene.said or scene.results_here):
        scene.context.perhaps_right = scene.utterance.end
    if scene.said or events:
        quiet = not any(e.kind in ("act", "question", "result", "measure") for e in events)
        alone = scene.said[-1].side if scene.said and quiet else None
        scene.context.bare_side = (alone, scene.utterance.end)
    if scene.said and not scene.covered:
        last = scene.said[-1].side
        if _only_of_midline(scene):
            return
        # "Clear both sides, a little less at the right base": what follows is of no one side.
        one_side = last in ("left", "right") and all(one.side != "both" for one in scene.said)
        scene.context.said_side = last if one_side else None
        scene.context.said_at = scene.utterance.end
        scene.context.said_after = bool(scene.results_here) and (
            scene.said[-1].first > max(scene.result_places, default=-1)
        )


def _is_of_both(scene: Scene, finding_id: str) -> bool:
    finding = scene.book.get(finding_id)
    return finding is not None and finding.side == "both"


def _only_of_midline(scene: Scene) -> bool:
    """Whether the sides belong to results of what has none ("septum deviated to the left")."""
    made = [scene.book.get(one) for one in scene.results_here]
    return bool(made) and all(
        one is not None and scene.catalogue.items[one.item].sides != "paired" for one in made
    )
