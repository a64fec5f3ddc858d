"""Findings out of utterances: the one reader that live and batch use share."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from dictate.exam.catalogue import Catalogue, Item, Reading
from dictate.findings.book import Book
from dictate.findings.claims import (
    best_of,
    clusters,
    joined_claims,
    reading_claims,
    without_covered,
)
from dictate.findings.context import SIDE_LINGERS, Context, Question
from dictate.findings.finding import (
    Choice,
    Finding,
    Level,
    Side,
    Speaker,
    Status,
    Trials,
    Value,
)
from dictate.findings.laterality import (
    Sided,
    flipped,
    paired_near,
    side_for,
    sides_said,
    sites_for,
)
from dictate.findings.measures import measures_of
from dictate.findings.scopes import (
    denied,
    hedged,
    question_places,
    quiet_places,
    sought_places,
)
from dictate.findings.spotting import Spot, spotter_for
from dictate.findings.values import amended, doubted_values
from dictate.talk.lexicon import word_lists
from dictate.talk.utterance import Mark, Utterance

_SAME_PHRASE_REPLY = 4.0  # seconds after a bare sign within which 'no' makes it a question
_UNSURE_WORD = 0.3  # word confidence below which a finding is marked

_COVERING = frozenset(["cover", "covering", "block", "plug", "occlude", "covered", "blocked"])

_OPPOSITE: dict[Status, Status] = {
    "normal": "abnormal",
    "abnormal": "normal",
    "present": "absent",
    "absent": "present",
}


_Kind = Literal[
    "act", "question", "result", "generic", "measure", "yes", "no", "unsure",
    "flip", "same", "replace", "answer", "except", "cannot",
]  # fmt: skip


@dataclass
class _Event:
    """Something to be done at a place of an utterance, in order of place."""

    place: int
    kind: _Kind
    last: int
    spot: Spot | None = None
    mark: Mark | None = None
    measured: Any = None
    status: Literal["normal", "abnormal"] = "normal"


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
        self._first_speaker: str | None = None

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
        if not utterance.recognised or not utterance.tokens:
            return
        if utterance.marked("strike"):
            self._book.strike()
            return
        _Reading(self, utterance).run()

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


class _Reading:
    """The reading of one utterance."""

    def __init__(self, interpreter: Interpreter, utterance: Utterance) -> None:
        self.book = interpreter._book
        self.context = interpreter._context
        self.catalogue = interpreter._catalogue
        self.utterance = utterance
        self.speaker = interpreter.speaker_of(utterance)
        self.quiet = quiet_places(utterance)
        spots = interpreter._spotter.spots(utterance)
        self.asked = question_places(utterance)
        self.spots = without_covered(
            [
                spot
                for spot in spots
                if not self._overlaps(spot.first, spot.last, self.quiet)
                and not self._is_statement(spot, spots)
            ]
        )
        self.names = [spot for spot in self.spots if spot.role == "name"]
        # An act in the same utterance says what its results are of, as a name does.
        self.naming = [spot for spot in self.spots if spot.role in ("name", "act", "question")]
        self.sought = sought_places(utterance)
        self.said: list[Sided] = [
            one
            for one in sides_said(
                utterance,
                self.spots,
                self.catalogue,
                stated=bool(utterance.numbers or any(s.role == "reading" for s in self.spots))
                and not any(spot.role in ("act", "question") for spot in self.spots),
            )
            if one.first not in self.quiet
        ]
        self.flip = next(
            (mark for mark in utterance.marked("flip") if mark.first not in self.quiet), None
        )
        self.statements: list[int] = []
        self.results_here: list[str] = []
        self.acted = False
        # Where a number took another's place: its own event does not report it again.
        self.corrected_at: int | None = None

    def _is_statement(self, spot: Spot, spots: Sequence[Spot]) -> bool:
        """Whether the words of a question hold a result and nothing asks ("sinus tender")."""
        if spot.role != "question" or self._overlaps(spot.first, spot.last, self.asked):
            return False
        return any(
            other.role == "reading"
            and other.item == spot.item
            and spot.first <= other.first
            and other.last <= spot.last
            for other in spots
        )

    @staticmethod
    def _overlaps(first: int, last: int, places: frozenset[int]) -> bool:
        return any(place in places for place in range(first, last + 1))

    # -- order of events ------------------------------------------------------------

    def run(self) -> None:
        self._enter_region()
        events = self._events()
        self.statements = [
            event.place
            for event in events
            if event.kind in ("act", "question", "result", "generic", "measure")
        ] or [0]
        self._announce_side(events)
        for event in events:
            getattr(self, f"_on_{event.kind}")(event)
        if not any(
            event.kind in ("act", "question", "result", "generic", "measure", "answer")
            for event in events
        ):
            self._name_only()
        if self.results_here:
            self.context.last_results = self.results_here
        if self.said:
            last = self.said[-1].side
            self.context.said_side = last if last in ("left", "right") else None
            self.context.said_at = self.utterance.end

    def _enter_region(self) -> None:
        regions = [
            spot for spot in self.spots if spot.role == "region" and spot.first not in self.quiet
        ]
        if regions:
            longest = max(regions, key=lambda spot: (spot.weight, -spot.first))
            if longest.item != self.context.region:
                self.context.enter(longest.item)
                self.context.topic = None

    def _events(self) -> list[_Event]:
        at = self.utterance.start
        events: list[_Event] = []
        # A labelled partner replies; what they say is no instruction and no report.
        partner = self.speaker == "partner"
        busy: set[int] = set()
        kinds: tuple[_Kind, ...] = ("question", "act")
        for kind in kinds:
            group_spots = [] if partner else [s for s in self.spots if s.role == kind]
            for group in clusters(group_spots):
                spot = best_of(group, self.context, at, self.catalogue)
                if any(place in busy for place in range(spot.first, spot.last + 1)):
                    continue
                events.append(_Event(spot.first, kind, spot.last, spot=spot))
                busy.update(range(spot.first, spot.last + 1))
        events += self._trial_answers(busy)
        answered = {
            place
            for event in events
            if event.kind == "answer"
            for place in range(event.place, event.last + 1)
        }
        polite = {
            place
            for mark in self.utterance.marked("courtesy")
            for place in range(mark.first, mark.last + 1)
        }
        readings = [
            spot
            for spot in self.spots
            if spot.role == "reading"
            and not set(range(spot.first, spot.last + 1)) <= polite
            and not any(p in busy or p in answered for p in range(spot.first, spot.last + 1))
        ]
        taken: set[int] = set(busy)
        for group in clusters(readings):
            for spot in self._winners(group):
                events.append(_Event(spot.first, "result", spot.last, spot=spot))
                taken.update(range(spot.first, spot.last + 1))
        for place, last, measured in measures_of(
            self.utterance, self.spots, busy | set(self.quiet), self.context, self.catalogue
        ):
            if place in answered:
                continue
            events.append(_Event(place, "measure", last, measured=measured))
            taken.update(range(place, last + 1))
        events += self._generic(taken, partner)
        events += self._talk_marks(busy, taken)
        return sorted(events, key=lambda event: (event.place, event.kind != "replace", event.last))

    def _winners(self, group: Sequence[Spot]) -> list[Spot]:
        claims = reading_claims(group, self.naming, self.utterance, self.context, self.catalogue)
        winners: list[Spot] = []
        taken: set[int] = set()
        for claim in claims:
            places = set(range(claim.spot.first, claim.spot.last + 1))
            if places & taken:
                continue
            taken |= places
            winners.append(claim.spot)
            winners += [
                other.spot for other in joined_claims(claim, claims, self.utterance, self.naming)
            ]
        return winners

    def _trial_answers(self, busy: set[int]) -> list[_Event]:
        """What the partner calls out while sharp and dull (or the like) are being tried."""
        topic = self._topic_item()
        if topic is None or topic.kind != "trials" or self.speaker == "examiner":
            return []
        tokens = self.utterance.tokens
        answers = {answer.lower() for answer in topic.answers}
        light = word_lists().light
        places = [
            place
            for place, token in enumerate(tokens)
            if token.text in answers and place not in busy and place not in self.quiet
        ]
        if not places:
            return []
        texts = [token.text for token in tokens]
        if any(texts[one + 1] in ("or", "and", "versus") for one in places if one + 1 < len(texts)):
            return []
        others = [
            token.text
            for place, token in enumerate(tokens)
            if place not in places
            and token.text not in light
            and not any(
                m.first <= place <= m.last
                for m in self.utterance.marked(
                    "yes", "no", "courtesy", "hedge", "flip", "next_place", "slip", "replace"
                )
            )
        ]
        if len(others) > len(places):
            return []
        return [_Event(places[0], "answer", places[-1], measured=tuple(texts[p] for p in places))]

    def _generic(self, taken: set[int], partner: bool) -> list[_Event]:
        """'Normal' and the like, said of every name that has no result of its own yet."""
        if partner:
            return []
        events: list[_Event] = []
        for mark in self.utterance.marked("normal_word", "fine_word", "abnormal_word"):
            places = range(mark.first, mark.last + 1)
            if any(p in taken or p in self.quiet for p in places):
                continue
            if any(place in self.asked or place in self.sought for place in places):
                continue
            status: Literal["normal", "abnormal"] = (
                "abnormal" if mark.kind == "abnormal_word" else "normal"
            )
            for spot in self._names_for(mark, taken):
                events.append(_Event(mark.first, "generic", mark.last, spot=spot, status=status))
        return events

    def _names_for(self, mark: Mark, taken: set[int]) -> list[Spot]:
        at = self.utterance.start
        edges = [place for place in taken if place < mark.first]
        since = max(edges, default=-1)
        groups = [
            group
            for group in clusters(self.names)
            if since < group[0].first and group[-1].last < mark.first
        ]
        if not groups and mark.kind != "fine_word":
            groups = [
                group
                for group in clusters(self.names)
                if mark.last < group[0].first <= mark.last + 3
                and not any(t.after for t in self.utterance.tokens[mark.last : group[0].first])
            ][:1]
        chosen = [
            best_of(_coded(group, self.catalogue), self.context, at, self.catalogue)
            for group in groups[-4:]
        ]
        if chosen or mark.kind == "fine_word":
            return chosen
        topic = self._topic_item()
        if topic is not None and topic.kind == "finding" and len(self.utterance.tokens) <= 6:
            if at - self.context.topic_at <= 12 and not self.names:
                return [Spot("name", topic.id, "", mark.first, mark.last, 1)]
        return []

    def _talk_marks(self, busy: set[int], taken: set[int]) -> list[_Event]:
        events: list[_Event] = []
        for mark in self.utterance.marks:
            places = range(mark.first, mark.last + 1)
            if mark.first in self.quiet or any(place in busy for place in places):
                continue
            kind: _Kind | None = None
            if mark.kind in ("yes", "no", "unsure"):
                if self._is_reply(mark, taken):
                    kind = mark.kind  # type: ignore[assignment]
            elif mark.kind in ("flip", "same", "replace", "except", "cannot"):
                kind = mark.kind  # type: ignore[assignment]
            elif mark.kind == "slip":
                kind = "replace"
            elif mark.kind == "negation" and _senses(self.utterance, mark):
                kind = "cannot"
            if kind is not None:
                events.append(_Event(mark.first, kind, mark.last, mark=mark))
        return events

    def _is_reply(self, mark: Mark, taken: set[int]) -> bool:
        tokens = self.utterance.tokens
        if any(place in taken for place in range(mark.first, mark.last + 1)):
            return False
        if mark.kind == "no":
            # 'no' before a noun denies it; a reply stands by itself.
            following = tokens[mark.last + 1] if mark.last + 1 < len(tokens) else None
            alone = (
                following is None
                or bool(tokens[mark.last].after)
                or any(
                    other.first == mark.last + 1
                    for other in self.utterance.marked(
                        "yes", "no", "courtesy", "flip", "next_place", "slip"
                    )
                )
            )
            if not alone:
                return False
        light = word_lists().light
        before = [token.text for token in tokens[: mark.first]]
        if all(word in light for word in before):
            return True
        # In the run of an unpunctuated question: reply after it.
        return any(place < mark.first for place in self.asked) or any(
            spot.role in ("question", "reading", "act") and spot.last < mark.first
            for spot in self.spots
        )

    # -- sides ------------------------------------------------------------------------

    def _announce_side(self, events: Sequence[_Event]) -> None:
        """A side said without a result names the side of what follows."""
        at = self.utterance.start
        if any(event.kind in ("result", "generic", "measure") for event in events):
            return
        explicit = self.said[-1].side if self.said else None
        if explicit is not None:
            self.context.announced_side = explicit
            self.context.announced_at = at
        if any(event.kind in ("act", "question", "same", "replace") for event in events):
            return
        topic = self._topic_item()
        if explicit is None or topic is None or topic.sides != "paired":
            return
        names = [spot for spot in self.names if not self._only_body(spot)]
        if any(spot.item != topic.id for spot in names) and not any(
            spot.item == topic.id for spot in names
        ):
            return
        before = [one for one in self.book.of_item(topic.id) if one.side != explicit]
        if before and at - self.context.topic_at <= 25:
            self._perform(topic, explicit, False, None, 0, len(self.utterance.tokens) - 1)
            self._rearm(explicit, False, None)
        self.context.topic_side = explicit

    def _side_of(self, item: Item, first: int, last: int, act: bool) -> tuple[Side | None, bool]:
        """The side of a statement and whether it was carried from earlier talk."""
        at = self.utterance.start
        if item.sides == "midline":
            said = side_for(self.said, first, last, self.statements) if not act else None
            return (said if said in ("left", "right") else "midline"), False
        if item.sides == "single":
            return None, False
        limit = next((m.first for m in self.utterance.marked("except") if m.first > last), None)
        said_here = [one for one in self.said if limit is None or one.last < limit]
        side = side_for(said_here, first, last, self.statements)
        if side is not None:
            if act and side in ("left", "right") and self._covers(side):
                return flipped(side), False
            return side, False
        if limit is not None:
            return "both", True
        if self.flip is not None and (act or self.flip.first <= first or len(self.statements) == 1):
            if self.context.topic == item.id or act:
                known = (
                    self.context.topic_side
                    if self.context.topic == item.id
                    else (self.context.side_announced(at))
                )
                return flipped(known), True
        if not (act and self._mine(first)) and paired_near(self.utterance, first, last):
            return "both", True
        if self.context.topic == item.id and self.context.topic_side is not None:
            if self.context.topic_holds(at):
                return self.context.topic_side, True
        if self.context.said_side is not None and item.region == self.context.region:
            if at - self.context.said_at <= SIDE_LINGERS and not act:
                return self.context.said_side, True
        announced = self.context.side_announced(at)
        if announced is not None and announced != "both" and item.region == self.context.region:
            return announced, True
        return "unspecified", False

    def _only_body(self, spot: Spot) -> bool:
        lists = word_lists()
        return all(
            token.text in lists.body or token.text in lists.paired or token.text in lists.light
            for token in self.utterance.tokens[spot.first : spot.last + 1]
        )

    def _covers(self, side: Side) -> bool:
        """Whether that side is only covered, so that the other one is examined."""
        tokens = [token.text for token in self.utterance.tokens]
        return any(
            word in _COVERING and side in tokens[place + 1 : place + 4]
            for place, word in enumerate(tokens)
        )

    def _mine(self, first: int) -> bool:
        """Whether the plural near is the examiner's own ("squeeze my fingers")."""
        return any(token.text == "my" for token in self.utterance.tokens[max(0, first - 1) :])

    def _site_of(self, item: Item, first: int, last: int) -> list[str]:
        if item.sites is None:
            return []
        sites = sites_for(self.spots, item.sites, first, last, self.statements)
        if sites:
            return sites
        moved = any(m.first not in self.quiet for m in self.utterance.marked("next_place"))
        if self.context.topic == item.id and self.context.topic_site and not moved:
            if self.context.topic_holds(self.utterance.start):
                return [self.context.topic_site]
        return []

    def _side_of_site(self, item: Item, site: str | None) -> Side | None:
        """The side that the place itself lies on, for items that have sides."""
        if item.sides != "paired":
            return None
        for one in self.catalogue.sites_of(item):
            if one.id == site:
                return one.side
        return None

    # -- events -------------------------------------------------------------------------

    def _topic_item(self) -> Item | None:
        if self.context.topic is None or not self.context.topic_holds(self.utterance.start):
            return None
        return self.catalogue.items[self.context.topic]

    def _on_act(self, event: _Event) -> None:
        assert event.spot is not None
        item = self.catalogue.items[event.spot.item]
        side, inferred = self._side_of(item, event.place, event.last, act=True)
        sites: list[str | None] = [*self._site_of(item, event.place, event.last)] or [None]
        self.context.speak_of(item, self.utterance.start)
        self.acted = True
        for site in sites:
            own = self._side_of_site(item, site)
            self._perform(item, own or side, inferred, site, event.place, event.last)
            self.context.topic_site = site
        self.context.topic_side = side
        self._ask_from_act(item, side, inferred, sites[-1])

    def _ask_from_act(
        self, item: Item, side: Side | None, inferred: bool, site: str | None
    ) -> None:
        """An act that goes with a yes/no question leaves it open ("tell me if it hurts")."""
        abouts = [q.about for q in item.asked if q.about is not None]
        if len(set(abouts)) == 1 and self._question_of(item) is None:
            self.context.question = self._new_question(item, abouts[0], side, inferred, site)
            self.context.question.answered = True  # only a flip or a clear question opens it

    def _question_of(self, item: Item) -> Question | None:
        question = self.context.open_question(self.utterance.start)
        return question if question is not None and question.item == item.id else None

    def _new_question(
        self, item: Item, about: str | None, side: Side | None, inferred: bool, site: str | None
    ) -> Question:
        return Question(
            item=item.id,
            about=about,
            asked_at=self.utterance.end,
            first_at=self.utterance.start,
            side=side,
            inferred=inferred,
            site=site,
            words=self.utterance.text,
            utterance=self.utterance.index,
        )

    def _on_question(self, event: _Event) -> None:
        assert event.spot is not None
        item = self.catalogue.items[event.spot.item]
        about = item.asked[int(event.spot.detail)].about
        topic = self._topic_item()
        if topic is not None and topic.id != item.id and topic.region != item.region:
            # "Any pain?" belongs to what is being done, not to another region's item.
            own = [question.about for question in topic.asked if question.about is not None]
            if own and self.utterance.start - self.context.topic_at <= 12:
                item, about = topic, own[0]
        self._ask(item, about, event)

    def _ask(self, item: Item, about: str | None, event: _Event) -> None:
        side, inferred = self._side_of(item, event.place, event.last, act=True)
        sites = self._site_of(item, event.place, event.last)
        site = sites[-1] if sites else None
        own = self._side_of_site(item, site)
        side = own or side
        self.context.speak_of(item, self.utterance.start)
        self._perform(item, side, inferred, site, event.place, event.last)
        self.context.topic_side = side
        self.context.topic_site = site
        self.context.question = self._new_question(item, about, side, inferred, site)

    def _perform(
        self,
        item: Item,
        side: Side | None,
        inferred: bool,
        site: str | None,
        first: int,
        last: int,
    ) -> None:
        self.book.keep(
            self._finding(item, side, inferred, site, None, None, Level.PERFORMED, first, last)
        )

    def _on_result(self, event: _Event) -> None:
        assert event.spot is not None
        item = self.catalogue.items[event.spot.item]
        reading = item.reading(event.spot.detail)
        places = range(event.place, event.last + 1)
        if any(place in self.sought for place in places):
            self._on_act(event)
            return
        if any(place in self.asked for place in places) and self.speaker != "partner":
            self._ask(item, reading.code, event)
            return
        is_denied = denied(self.utterance, event.place, event.last, reading.status, self.spots)
        self._report(item, reading, is_denied, event)

    def _report(self, item: Item, reading: Reading, is_denied: bool, event: _Event) -> None:
        side, inferred = self._side_of(item, event.place, event.last, act=False)
        sites: list[str | None] = [*self._site_of(item, event.place, event.last)] or [None]
        self.context.speak_of(item, self.utterance.start)
        value, status = _said_of(reading, is_denied)
        for site in sites:
            own = self._side_of_site(item, site)
            self._result(
                self._finding(
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
            )
            self.context.topic_site = site
        self.context.topic_side = side

    def _on_generic(self, event: _Event) -> None:
        assert event.spot is not None
        item = self.catalogue.items[event.spot.item]
        known = {reading.code: reading for reading in item.readings}
        status: Status = event.status
        if _not_before(self.utterance, event.place):
            status = _OPPOSITE[status]
        code = "normal" if status == "normal" else "abnormal"
        title = known[code].title if code in known else code
        side, inferred = self._side_of(item, event.place, event.last, act=False)
        if side == "unspecified" and paired_near(self.utterance, event.spot.first, event.last):
            side, inferred = "both", True
        sites: list[str | None] = [*self._site_of(item, event.spot.first, event.last)] or [None]
        self.context.speak_of(item, self.utterance.start)
        for site in sites:
            self._result(
                self._finding(
                    item,
                    side,
                    inferred,
                    site,
                    Choice(code=code, title=title),
                    status,
                    Level.REPORTED,
                    min(event.place, event.spot.first),
                    max(event.last, event.spot.last),
                )
            )
        self.context.topic_side = side

    def _on_measure(self, event: _Event) -> None:
        item, measured = event.measured
        if any(place in self.asked for place in range(event.place, event.last + 1)):
            if self.utterance.after == "question":
                return
        side, inferred = self._side_of(item, event.place, event.last, act=False)
        sites: list[str | None] = [*self._site_of(item, event.place, event.last)] or [None]
        self.context.speak_of(item, self.utterance.start)
        doubts = list(measured.doubts)
        alternatives = list(measured.alternatives)
        wordings = tuple(
            dict.fromkeys(
                wording
                for place in range(event.place, event.last + 1)
                for wording in self.utterance.doubted.get(place, ())
            )
        )
        if any(place in self.utterance.doubted for place in range(event.place, event.last + 1)):
            others = [
                value
                for value in doubted_values(item, wordings, self.catalogue)
                if value != measured.value
            ]
            doubts.append("a second decoding of the sound heard this number differently")
            alternatives += [value for value in others if value not in alternatives]
        for site in sites:
            self.context.topic_site = site
            if event.place == self.corrected_at:
                continue
            own = self._side_of_site(item, site)
            self._result(
                self._finding(
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
            )
            self.context.topic_site = site
        self.context.topic_side = side

    def _on_answer(self, event: _Event) -> None:
        topic = self._topic_item()
        assert topic is not None
        answers: tuple[str, ...] = event.measured
        side, site = self.context.topic_side, self.context.topic_site
        said = side_for(self.said, event.place, event.last, [event.place])
        if topic.sides == "paired":
            side = said or side or "unspecified"
        sites = self._site_of(topic, event.place, event.last)
        site = sites[-1] if sites else site
        self.context.speak_of(topic, self.utterance.start)
        self.context.topic_side, self.context.topic_site = side, site
        for old in self.book.of_item(topic.id):
            if isinstance(old.value, Trials) and (old.side, old.site) == (side, site):
                longer = old.model_copy(
                    update={
                        "value": Trials(answers=old.value.answers + answers),
                        "end": self.utterance.end,
                        "utterances": (*old.utterances, self.utterance.index),
                        "words": f"{old.words} {' '.join(answers)}",
                    }
                )
                self.book.replace(old, longer)
                self.results_here.append(old.id)
                return
        self._result(
            self._finding(
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
            )
        )

    def _on_yes(self, event: _Event) -> None:
        self._reply(event, affirm=True)

    def _on_no(self, event: _Event) -> None:
        self._reply(event, affirm=False)

    def _on_unsure(self, event: _Event) -> None:
        question = self.context.open_question(self.utterance.start)
        if question is None or question.answered:
            return
        item = self.catalogue.items[question.item]
        question.answered = True
        self._answer_with(question, item, None, "indeterminate", event)

    def _reply(self, event: _Event, affirm: bool) -> None:
        at = self.utterance.start
        question = self.context.open_question(max(at, self.utterance.tokens[event.place].start))
        if question is not None and not question.answered:
            item = self.catalogue.items[question.item]
            question.answered = True
            if question.about is None:
                return
            reading = item.reading(question.about)
            value, status = _said_of(reading, is_denied=not affirm)
            self._answer_with(question, item, value, status, event)
            return
        if not affirm:
            self._question_after_all(event)

    def _answer_with(
        self, question: Question, item: Item, value: Value | None, status: Status, event: _Event
    ) -> None:
        finding = self._finding(
            item, question.side, question.inferred, question.site, value, status,
            Level.REPORTED, event.place, event.last, speaker="partner",
        ).model_copy(
            update={
                "start": question.first_at,
                "utterances": tuple(dict.fromkeys((question.utterance, self.utterance.index))),
                "words": question.words
                if question.utterance == self.utterance.index
                else f"{question.words} / {self.utterance.text}",
            }
        )  # fmt: skip
        self.results_here.append(self.book.keep(finding).id)

    def _question_after_all(self, event: _Event) -> None:
        """A bare sign that is answered 'no' was a question ("sore when I press" "nope")."""
        candidates = self.results_here or self.context.last_results
        if not candidates:
            return
        old = self.book.get(candidates[-1])
        moment = self.utterance.tokens[event.place].start
        if (
            old is None
            or not old.stands
            or not isinstance(old.value, Choice)
            or old.value.denied
            or old.status not in ("present", "abnormal")
            or moment - old.end > _SAME_PHRASE_REPLY
            or self.utterance.index - max(old.utterances, default=0) > 1
        ):
            return
        self.book.forget(old.id)
        status: Status = _OPPOSITE[old.status]
        value = old.value.model_copy(update={"denied": True})
        new = old.model_copy(
            update={
                "id": _identity(old.item, old.side, old.site, value, old.start, "reply"),
                "value": value,
                "status": status,
                "end": self.utterance.tokens[event.last].end,
                "speaker": "partner",
                "utterances": tuple(dict.fromkeys((*old.utterances, self.utterance.index))),
            }
        )
        kept = self.book.keep(new)
        self.results_here = [one for one in self.results_here if one != old.id] + [kept.id]
        self.context.last_results = [kept.id]

    def _on_flip(self, event: _Event) -> None:
        """The other side's turn: the act is credited there, and a question is open again."""
        topic = self._topic_item()
        if topic is None or topic.sides != "paired" or self.acted:
            return
        explicit = side_for(self.said, event.place, event.last, [event.place])
        side = explicit or flipped(self.context.topic_side)
        if self._results_follow(event) or self.utterance.marked("same"):
            return
        self._perform(
            topic, side, explicit is None, self.context.topic_site, event.place, event.last
        )
        self.context.topic_side = side
        self._rearm(side, explicit is None, self.context.topic_site)
        self.context.topic_at = self.utterance.start

    def _results_follow(self, event: _Event) -> bool:
        return (
            bool(self.results_here)
            or self._more_follows(event, "reading", "act", "question")
            or self._number_follows(event)
        )

    def _more_follows(self, event: _Event, *roles: str) -> bool:
        return any(spot.role in roles and spot.first > event.last for spot in self.spots)

    def _number_follows(self, event: _Event) -> bool:
        return any(number.first > event.last for number in self.utterance.numbers)

    def _rearm(self, side: Side | None, inferred: bool, site: str | None) -> None:
        question = self.context.question
        if question is None or question.item != self.context.topic:
            return
        item = self.catalogue.items[question.item]
        self.context.question = self._new_question(item, question.about, side, inferred, site)

    def _on_same(self, event: _Event) -> None:
        """The result of the first side, said of the other."""
        topic = self._topic_item()
        if topic is None or topic.sides != "paired":
            return
        if event.place in self.asked or event.place in self.sought:
            return
        if any(spot.role in ("reading", "question", "act") for spot in self.spots):
            return
        results = self.book.results_of(topic.id)
        explicit = side_for(self.said, event.place, event.last, [event.place])
        before = results[-1].side if results else self.context.topic_side
        if explicit == "both" or before == "both":
            return
        side = explicit or flipped(before)
        if side == before:
            return
        if not results:
            self._perform(
                topic, side, explicit is None, self.context.topic_site, event.place, event.last
            )
        for old in results:
            self._result(
                self._finding(
                    topic,
                    side,
                    explicit is None,
                    old.site,
                    old.value,
                    old.status,
                    old.level,
                    event.place,
                    event.last,
                )
            )
        self.context.topic_side = side
        self.context.topic_at = self.utterance.start

    def _on_replace(self, event: _Event) -> None:
        """'Make that ...': what follows takes the place of the last result."""
        old = self.book.correctable(self.utterance.start)
        if self.results_here:
            old = self.book.get(self.results_here[-1])
        if old is None:
            return
        item = self.catalogue.items[old.item]
        assert event.mark is not None
        reach = event.last + (8 if event.mark.kind == "replace" else 4)
        later = [one for one in self.said if event.last < one.first <= reach]
        numbers = [n for n in self.utterance.numbers if event.last < n.first <= reach]
        for spoken in numbers[:1]:
            measured = amended(item, old.value, spoken, self.catalogue)
            if measured is not None and old.level is Level.MEASURED and measured.fits:
                side = later[0].side if later and item.sides == "paired" else old.side
                new = self._finding(
                    item, side, old.side_inferred and not later, old.site, measured.value,
                    measured.status, Level.MEASURED, spoken.first, spoken.last,
                    doubts=measured.doubts, alternatives=measured.alternatives,
                )  # fmt: skip
                self.book.replace(old, new)
                self.results_here = [one for one in self.results_here if one != old.id]
                self.results_here.append(new.id)
                self.corrected_at = spoken.first
                return
        if later and item.sides == "paired" and old.side not in (None, later[0].side):
            if not self._more_follows(event, "reading", "act", "question"):
                new = old.model_copy(
                    update={
                        "id": _identity(
                            old.item, later[0].side, old.site, old.value, old.start, "side"
                        ),
                        "side": later[0].side,
                        "side_inferred": False,
                        "end": self.utterance.end,
                        "utterances": tuple(dict.fromkeys((*old.utterances, self.utterance.index))),
                    }
                )
                self.book.replace(old, new)
                self.context.topic_side = later[0].side
                self.results_here.append(new.id)
            return
        if event.mark.first == event.mark.last and self._word(event.mark) == "no":
            return  # "no perforation" denies, it does not correct
        for spot in self.spots:
            if (
                spot.role == "reading"
                and spot.item == old.item
                and event.last < spot.first <= reach
                and isinstance(old.value, Choice)
            ):
                self._correct_reading(old, item, spot)
                return

    def _word(self, mark: Mark) -> str:
        return self.utterance.tokens[mark.first].text

    def _correct_reading(self, old: Finding, item: Item, spot: Spot) -> None:
        reading = item.reading(spot.detail)
        is_denied = denied(self.utterance, spot.first, spot.last, reading.status, self.spots)
        value, status = _said_of(reading, is_denied)
        if value == old.value:
            return
        new = self._finding(
            item, old.side, old.side_inferred, old.site, value, status, Level.REPORTED,
            spot.first, spot.last,
        )  # fmt: skip
        self.book.replace(old, new)
        self.results_here.append(new.id)

    def _on_except(self, event: _Event) -> None:
        """'... except at the left base': there, what was said does not hold."""
        if self._more_follows(event, "reading") or self._number_follows(event):
            return
        for finding_id in list(self.results_here):
            old = self.book.get(finding_id)
            if old is None or not isinstance(old.value, Choice) or old.status is None:
                continue
            item = self.catalogue.items[old.item]
            sides = [one.side for one in self.said if one.first > event.mark.first]  # type: ignore[union-attr]
            sites = [
                spot.detail
                for spot in self.spots
                if spot.role == "site" and spot.item == item.sites and spot.last >= event.last
            ]
            if not sides and not sites:
                continue
            side = sides[0] if sides and item.sides == "paired" else old.side
            value = old.value.model_copy(update={"denied": not old.value.denied})
            self._result(
                self._finding(
                    item,
                    side,
                    False,
                    sites[0] if sites else None,
                    value,
                    _OPPOSITE[old.status],
                    Level.REPORTED,
                    event.place,
                    len(self.utterance.tokens) - 1,
                )
            )

    def _on_cannot(self, event: _Event) -> None:
        """'Cannot see the disc': performed, and the result stays open."""
        after = [spot for spot in self.names if event.last < spot.first <= event.last + 4]
        if not after or self._more_follows(event, "reading"):
            return
        spot = best_of(
            [one for one in after if one.first == after[0].first],
            self.context, self.utterance.start, self.catalogue,
        )  # fmt: skip
        item = self.catalogue.items[spot.item]
        side, inferred = self._side_of(item, spot.first, spot.last, act=False)
        self.context.speak_of(item, self.utterance.start)
        felt = next((one for one in item.readings if one.code in _TO_THE_SENSES), None)
        value: Value | None = None
        status: Status = "indeterminate"
        if felt is not None and event.mark is not None and event.mark.kind == "negation":
            value, status = _said_of(felt, is_denied=True)
        self._result(
            self._finding(
                item, side, inferred, None, value, status, Level.REPORTED, event.place, spot.last
            )
        )

    def _name_only(self) -> None:
        """A name without a result becomes the topic; being looked at, it is performed."""
        names = [name for name in self.names if name.first not in self.quiet]
        topic = self._topic_item()
        if self.said and topic is not None and topic.sides == "paired":
            # "now the right arm" goes on with what is being done.
            names = [name for name in names if not self._only_body(name)]
        if not names:
            return
        at = self.utterance.start
        group = clusters(names)[0]
        spot = best_of(group, self.context, at, self.catalogue)
        item = self.catalogue.items[spot.item]
        contenders = {one.item for one in group if one.weight == spot.weight}
        side, inferred = self._side_of(item, spot.first, spot.last, act=True)
        surely = len(contenders) == 1 or item.region == self.context.region
        self.context.speak_of(item, at)
        if spot.first in self.sought and surely:
            self._perform(item, side, inferred, None, spot.first, spot.last)
        if side != "unspecified":
            self.context.topic_side = side

    # -- making findings ------------------------------------------------------------------

    def _result(self, finding: Finding) -> None:
        self.results_here.append(self.book.keep(finding).id)

    def _finding(
        self,
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
        tokens = self.utterance.tokens[first : last + 1] or self.utterance.tokens
        confidence = min(token.confidence for token in tokens)
        if confidence < _UNSURE_WORD and level is not Level.PERFORMED:
            doubts = (*doubts, "the words were not heard clearly")
        # Written words have full confidence; heard ones hardly ever have.
        risky = word_lists().misheard
        if level is Level.REPORTED and any(
            token.text in risky and token.confidence < 1 for token in tokens
        ):
            doubts = (*doubts, "the word sounds like its opposite")
        spoken_by = speaker or self.speaker
        start, end = tokens[0].start, max(token.end for token in tokens)
        return Finding(
            id=_identity(item.id, side, site, value, start, level.value),
            item=item.id,
            side=side,
            side_inferred=inferred and side not in (None, "unspecified", "midline"),
            site=site,
            value=value,
            status=status,
            level=level,
            certainty="hedged"
            if level is not Level.PERFORMED and hedged(self.utterance, first, last)
            else "sure",
            start=start,
            end=end,
            words=self.utterance.text,
            utterances=(self.utterance.index,),
            confidence=confidence,
            speaker=spoken_by,
            doubts=doubts,
            alternatives=alternatives,
        )


def _said_of(reading: Reading, is_denied: bool) -> tuple[Choice, Status]:
    """What a reading amounts to, affirmed or denied."""
    value = Choice(code=reading.code, title=reading.title, denied=is_denied)
    return value, _OPPOSITE[reading.status] if is_denied else reading.status


def _coded(group: Sequence[Spot], catalogue: Catalogue) -> Sequence[Spot]:
    """Those of a group whose items have coded results, if any."""
    coded = [spot for spot in group if catalogue.items[spot.item].kind == "finding"]
    return coded or group


_TO_THE_SENSES = frozenset(["palpable", "felt", "heard", "visible", "audible", "present"])


def _senses(utterance: Utterance, mark: Mark) -> bool:
    """Whether a denial is about feeling, seeing or hearing the thing itself."""
    words = {token.text for token in utterance.tokens[mark.first : mark.last + 1]}
    return bool(words & {"feel", "palpate", "hear", "find", "appreciate", "feeling", "hearing"})


def _not_before(utterance: Utterance, first: int) -> bool:
    return any(mark.last < first <= mark.last + 3 for mark in utterance.marked("not_word"))


def _identity(
    item: str, side: str | None, site: str | None, value: Value | None, start: float, what: str
) -> str:
    """An id out of the content, the same on every run."""
    content = f"{item}|{side}|{site}|{value!r}|{start:.2f}|{what}"
    return "f" + hashlib.sha256(content.encode()).hexdigest()[:12]
