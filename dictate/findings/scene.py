"""One utterance on the way to findings: what is mentioned in it and what has come of it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence

from dictate.exam.catalogue import Catalogue, Item
from dictate.findings.book import Book
from dictate.findings.claims import without_covered
from dictate.findings.context import Context
from dictate.findings.event import Event
from dictate.findings.finding import Finding, Speaker
from dictate.findings.laterality import Sided, sides_said
from dictate.findings.opposite import on_the_side_in_hand
from dictate.findings.scopes import bids, question_places, quiet_places, sought_places
from dictate.findings.spotting import Spot, only_body
from dictate.findings.strange import strange_places
from dictate.talk.lexicon import compared, word_lists
from dictate.talk.utterance import Mark, Utterance

_TO_THE_SENSES = frozenset(["palpable", "felt", "heard", "visible", "audible", "present"])


_AFFIRMED = ("heard", "felt", "given", "present", "able", "identified", "correct", "palpable")


_TRUNK = frozenset(["shoulder", "shoulders", "head", "chin", "neck", "trunk", "back"])
_BREATHING = frozenset(["in", "out", "for", "through", "please", "now", "and"])
_WHILE = frozenset(["while", "as", "so", "when", "and", "before", "that", "now"])
_CLOTHES = frozenset(["gown", "shirt", "sleeve", "sheet", "paper", "tube", "tubing"])
_REPLYING = ("no", "yes")  # "right no": the side, and what is found there


_SWAPPED = frozenset(["swapped", "switched", "reversed"])
_THEM = frozenset(["them", "those", "these", "that", "sides"])
_ROUND = ("round", "around")
_BACK_AGAIN = frozenset(["up", "on", "down", "to", "in", "again", "for", "over", "round"])


_HOLDING = frozenset(["hand", "hands", "palm", "palms"])


_JUST_NOW = 12.0  # seconds
_LEFT_JUST_NOW = 60.0  # seconds


SOME = frozenset(["some", "bit", "little", "slight", "slightly", "mild", "few", "trace"])
MOST_FOREIGN = 2  # words beside its names that an announcement may hold


_DOERS = frozenset(["i", "you", "he", "she", "we", "they", "can", "cannot", "could", "to"])
_SENSING = frozenset(["hear", "feel", "see", "find"])
_ARTICLES = frozenset(["the", "your", "his", "her", "both", "each", "my"])


class Scene:
    """An utterance with all that its reading needs and keeps: mentions, sides, results so far."""

    def __init__(
        self,
        utterance: Utterance,
        spots: Sequence[Spot],
        speaker: Speaker,
        book: Book,
        context: Context,
        catalogue: Catalogue,
        known: frozenset[str] = frozenset(),
        named: Mapping[str, set[str]] | None = None,
        topic_words: frozenset[str] = frozenset(),
        telling_words: frozenset[str] = frozenset(),
        words_of: Callable[[str], frozenset[str]] = lambda item: frozenset(),
    ) -> None:
        self._words_of = words_of
        self.topic_words = topic_words
        self.book = book
        self.context = context
        self.catalogue = catalogue
        self.utterance = utterance
        self.speaker = speaker
        before = self._half_left()
        spots = on_the_side_in_hand(spots, context.region, catalogue, before)
        self.quiet = quiet_places(utterance)
        self.asked = question_places(utterance)
        self.all_spots = spots
        self.spots = without_covered(
            [
                spot
                for spot in spots
                if not self._silent(spot)
                and not self._of_a_thing(spot)
                and not self._is_no_quality(spot)
                and not self._is_statement(spot, spots)
                and not self._known_here(spot, spots)
                and not self._denies_within(spot, spots)
                and not self._reports(spot)
            ],
            None if self._of_a_limb() else context.region,
        )
        # "The other eye" is the other side of the topic, no new name.
        turned = [(mark.first, mark.last) for mark in utterance.marked("flip") if self.topic_item()]
        self.spots = [
            spot
            for spot in self.spots
            if spot.role not in ("name", "region")
            or not any(first <= spot.first and spot.last <= last for first, last in turned)
        ]
        generic = [spot for spot in self.spots if self._is_generic(spot, named or {})]
        self.spots = [spot for spot in self.spots if spot not in generic]
        kept = {(spot.first, spot.last) for spot in self.spots if spot.role == "name"}
        # A movement that is not known here: what follows is not of the name before.
        self.unclear = frozenset(
            spot.first
            for spot in generic
            if (spot.first, spot.last) not in kept and self._moves_elsewhere(spot)
        )
        self.spots = [spot for spot in self.spots if not self._within_place(spot)]
        self.spots = [
            spot
            for spot in self.spots
            if not (
                self._tells_whose(spot)
                or self._is_verb_of_somebody(spot)
                or self._is_examiners_own(spot)
                or self._is_plural_of_one(spot)
            )
        ]
        placed = self._places_of_topic()
        self.spots = [
            spot
            for spot in self.spots
            if spot.role not in ("name", "region")
            or spot.item == self.context.topic
            or not placed.issuperset(range(spot.first, spot.last + 1))
        ]
        self.names = [spot for spot in self.spots if spot.role == "name"]
        # "Nose straight, patent both sides": the heading is of no one item.
        headings = {(spot.first, spot.last) for spot in self.spots if spot.role == "region"}
        self.headings = frozenset(
            spot.first for spot in self.names if (spot.first, spot.last) in headings
        )
        # An act in the same utterance says what its results are of, as a name does.
        self.naming = [spot for spot in self.spots if spot.role in ("name", "act", "question")]
        self.sought = sought_places(utterance)
        self.said: list[Sided] = [
            one
            for one in sides_said(
                utterance,
                self.spots,
                self.catalogue,
                stated=bool(
                    utterance.numbers
                    or any(s.role == "reading" for s in self.spots)
                    or any(is_none(utterance, m) for m in utterance.marked("after_negation"))
                    or utterance.marked("cannot")
                    or (len(utterance.tokens) <= 3 and utterance.tokens[-1].text in _REPLYING)
                )
                and not any(spot.role in ("act", "question") for spot in self.spots),
                region=self._region_in_hand(),
            )
            if one.first not in self.quiet
        ]
        self.flip = next(
            (
                mark
                for mark in utterance.marked("flip")
                if mark.first not in self.quiet and not self.stays(mark)
            ),
            None,
        )
        if self.flip is None and self.heavy() == ["other"]:
            place = next(p for p, one in enumerate(utterance.tokens) if one.text == "other")
            self.flip = Mark(kind="flip", first=place, last=place)
        near = frozenset(
            spot.item
            for spot in spots
            if spot.item in catalogue.items and catalogue.items[spot.item].region == context.region
        )
        self.strange = strange_places(
            utterance, spots, known, near if context.region else frozenset()
        )
        self.strange -= {p for p, one in enumerate(utterance.tokens) if one.text in _SWAPPED}
        self.telling = self._telling(telling_words)
        self.statements: list[int] = []
        self.events: list[Event] = []
        # Results alone: sides and places are told apart between them.
        self.result_places: list[int] = []
        self.results_here: list[str] = []
        self.acted = False
        self.covered = False  # a side was only covered: it is not the one examined
        # Where a number took another's place: its own event does not report it again.
        self.corrected_at: int | None = None

    def _half_left(self) -> str | None:
        """The half of the trunk that was in hand a short while ago."""
        left = self.context.left
        halves = [
            half
            for half in self.catalogue.halves
            if self.utterance.start - left.get(half, -1e9) <= _LEFT_JUST_NOW
        ]
        return max(halves, key=lambda half: left[half], default=None)

    @property
    def made(self) -> list[Finding]:
        """The results of this utterance so far."""
        found = [self.book.get(one) for one in self.results_here]
        return [one for one in found if one is not None]

    def _of_a_limb(self) -> bool:
        """Whether a limb is named, so that what is seen there is not of the trunk."""
        limbs = word_lists().limbs - _TRUNK
        return any(token.text in limbs for token in self.utterance.tokens)

    def _is_examiners_own(self, spot: Spot) -> bool:
        """Whether a part of the body is the examiner's ("my finger was off")."""
        tokens = self.utterance.tokens
        return (
            spot.role == "name"
            and spot.first > 0
            and tokens[spot.first - 1].text == "my"
            and self.only_body(spot)
            and self.catalogue.items[spot.item].region != self.context.region
        )

    def _is_plural_of_one(self, spot: Spot) -> bool:
        """Whether a plural of paired parts would name what has no sides ("pulses": no rate)."""
        return (
            spot.role == "name"
            and spot.first == spot.last
            and self.catalogue.items[spot.item].sides == "single"
            and not self.only_body(spot)
            and self.catalogue.items[spot.item].region != self.context.region
            and any(mark.first == spot.first for mark in self.utterance.marked("paired"))
        )

    def _is_verb_of_somebody(self, spot: Spot) -> bool:
        """Whether a name is what somebody does ("i hear a murmur" names no hearing test)."""
        if spot.role != "name" or spot.first != spot.last or spot.first == 0:
            return False
        doer, verb = (
            token.text for token in self.utterance.tokens[spot.first - 1 : spot.first + 1]
        )
        if doer == "you" and verb not in _SENSING:
            # "You breathed in": no name, where something else is examined
            return self.catalogue.items[spot.item].region != self.context.region
        return doer in _DOERS and verb in _SENSING

    def _reports(self, spot: Spot) -> bool:
        """Whether what looks like an act is what the examiner perceives ("i can hear ...")."""
        tokens = [token.text for token in self.utterance.tokens]
        if spot.role not in ("act", "question") or tokens[spot.first] not in _SENSING:
            return False
        before = tokens[: spot.first]
        if before[-1:] in (["can"], ["could"], ["do"]):
            before = before[:-1]
        # "Relax while I feel for the nodes": an act, put to the partner
        return before[-1:] == ["i"] and _WHILE.isdisjoint(before[-2:-1])

    def _tells_whose(self, spot: Spot) -> bool:
        """Whether a part of the body only tells of what: "the nails of the hands"."""
        if spot.role != "name" or spot.first < 2 or not self.only_body(spot):
            return False
        tokens = [token.text for token in self.utterance.tokens]
        of = spot.first - 1 if tokens[spot.first - 1] == "of" else spot.first - 2
        if tokens[of] != "of" or (of != spot.first - 1 and tokens[of + 1] not in _ARTICLES):
            return False
        return any(
            other.role == "name"
            and other.item != spot.item
            and of - 1 <= other.last < spot.first
            and self.catalogue.items[other.item].kind == "finding"
            for other in self.spots
        )

    def _within_place(self, spot: Spot) -> bool:
        """Whether a word is only part of a place in the region in hand ("left lower")."""
        if spot.role != "reading" or spot.first != spot.last:
            return False
        region = self.context.region
        here = self.catalogue.places_of[region] if region is not None else frozenset()
        return any(
            place.role == "site"
            and place.item in here
            and place.first <= spot.first <= place.last
            and place.last > place.first
            for place in self.spots
        )

    def strange_to(self, items: Iterable[str]) -> frozenset[int]:
        """The places of strange words that none of these items knows, not even as an act."""
        if not self.strange:
            return self.strange
        known = frozenset[str]().union(*(self._words_of(item) for item in items))
        tokens = self.utterance.tokens
        return frozenset(p for p in self.strange if compared(tokens[p].text) not in known)

    def _telling(self, words: frozenset[str]) -> frozenset[int]:
        """Places of words that tell by themselves what they are said of ("taps tympanic")."""
        lists = word_lists()
        if self.utterance.numbers:
            return frozenset()  # "convergence to six centimetres" tells of the number
        if any(token.text in lists.things for token in self.utterance.tokens):
            return frozenset()  # "the torch is a bit dim"
        return frozenset(
            place
            for place, token in enumerate(self.utterance.tokens)
            if compared(token.text) in words
            and token.text not in lists.plain
            and token.text not in lists.everyday
        )

    @property
    def way_round(self) -> int | None:
        """The place of the 'round' in "no, the other way round" or after "no, I swapped"."""
        words = [token.text for token in self.utterance.tokens]
        for place in range(2, len(words)):
            if words[place - 2 : place] == ["other", "way"] and words[place] in _ROUND:
                return place
            if words[place - 1] in _SWAPPED and words[place] in _THEM:
                return place
        return None

    def heavy(self) -> list[str]:
        """The words that are not passed over."""
        light = word_lists().light
        return [token.text for token in self.utterance.tokens if token.text not in light]

    def topic_item(self) -> Item | None:
        """The item that the talk is about, while that holds."""
        if self.context.topic is None or not self.context.topic_holds(self.utterance.start):
            return None
        return self.catalogue.items[self.context.topic]

    def more_follows(self, event: Event, *roles: str) -> bool:
        """Whether mentions of these roles follow an event."""
        return any(spot.role in roles and spot.first > event.last for spot in self.spots)

    def number_follows(self, event: Event) -> bool:
        """Whether a number follows an event."""
        return any(number.first > event.last for number in self.utterance.numbers)

    def results_follow(self, event: Event) -> bool:
        """Whether the utterance has results of its own, now or later."""
        return (
            bool(self.results_here)
            or self.more_follows(event, "reading", "act", "question")
            or self.number_follows(event)
        )

    def word(self, mark: Mark) -> str:
        """The first word of a mark."""
        return self.utterance.tokens[mark.first].text

    def only_body(self, spot: Spot) -> bool:
        """Whether a mention names nothing but a part of the body."""
        return only_body(self.utterance, spot)

    def first_heavy(self) -> int:
        """The place of the first word that is not passed over; -1 where there is none."""
        light = word_lists().light
        tokens = enumerate(self.utterance.tokens)
        return next((place for place, token in tokens if token.text not in light), -1)

    def announces(self, spot: Spot) -> bool:
        """Whether a region's word heads the talk and is not just part of a sentence."""
        if self.context.region is None or spot.weight > 1:
            return True
        light = word_lists().light
        marks = self.utterance.marked("opener", "courtesy", "seeking", "first_side")
        passed = {p for one in marks for p in range(one.first, one.last + 1)}
        before = [
            token.text
            for place, token in enumerate(self.utterance.tokens[: spot.first])
            if place not in passed and token.text not in light
        ]
        return len(before) <= 1

    def _of_a_thing(self, spot: Spot) -> bool:
        """Whether the word belongs to the room and not to the partner ("couch height")."""
        if spot.role in ("name", "site") and self._is_mine(spot):
            return True
        if spot.role != "name" or spot.first == 0:
            return False
        tokens = [token.text for token in self.utterance.tokens]
        following = tokens[spot.last + 1 : spot.last + 2]
        if tokens[spot.last] == "back" and following and following[0] in _BACK_AGAIN:
            return tokens[spot.last - 1] not in ("your", "the", "my", "his", "her")
        return self.utterance.tokens[spot.first - 1].text in word_lists().things

    def _is_no_quality(self, spot: Spot) -> bool:
        """Whether a result's words tell of clothes, of where, or of how to breathe."""
        if spot.role != "reading" or spot.first == 0:
            return False
        words = [token.text for token in self.utterance.tokens]
        if words[spot.first - 1] in _CLOTHES and spot.weight == 1:
            return True  # "it was the gown rubbing"
        following = words[spot.last + 1 : spot.last + 3]
        if following[:1] in (["breath"], ["breaths"]) and _BREATHING.issuperset(following[1:]):
            return True  # "and a slow breath in"
        at_a_place = spot.first == spot.last and words[spot.last] in _ROUND
        return at_a_place and following[:1] != [] and following[0] in _ARTICLES

    def _is_mine(self, spot: Spot) -> bool:
        """Whether the examiner's own hand is named ("I gave my hands a good scrub")."""
        words = [token.text for token in self.utterance.tokens]
        return (
            self.speaker != "partner"
            and "my" in words[max(0, spot.first - 1) : spot.last]
            and all(word in _HOLDING or word == "my" for word in words[spot.first : spot.last + 1])
        )

    def _is_generic(self, spot: Spot, named: Mapping[str, set[str]]) -> bool:
        """Whether one word names another region's item that is part of names here ("nodes").

        By itself, as a heading, the word still leads over to the other region.
        """
        if spot.role != "name" or spot.weight > 1 or self.context.region is None:
            return False
        region = self.catalogue.items[spot.item].region
        if region == self.context.region:
            return False
        listed = {
            other.first
            for other in self.spots
            if other.role == "name" and self.catalogue.items[other.item].region == region
        }
        if len(listed) > 1:
            return False  # "radials two plus, brachials the same"
        here = {
            item
            for token in self.utterance.tokens[spot.first : spot.last + 1]
            for item in named.get(compared(token.text) or "", ())
            if self.catalogue.items[item].region == self.context.region
        }
        return bool(here) and (
            any(other.role == "reading" and other.item in here for other in self.spots)
            or any(is_none(self.utterance, mark) for mark in self.utterance.marked("no"))
            or bool(self.utterance.marked("same"))
            or (bool(self.utterance.numbers) and self._moves_elsewhere(spot))
        )

    def _moves_elsewhere(self, spot: Spot) -> bool:
        """Whether a movement is named in one word, while another joint is in hand."""
        items = self.catalogue.items
        topic = self.topic_item()
        moved = [items[one.item] for one in self.all_spots if one.role == "name" and one.weight > 1]
        return items[spot.item].unit == "deg" and any(
            one.unit == "deg" and one.region == self.context.region
            for one in ([topic] if topic is not None else []) + moved
        )

    def _silent(self, spot: Spot) -> bool:
        """Whether a mention lies where nothing is found or done; acts put to the partner do not."""
        if not self._overlaps(spot.first, spot.last, self.quiet):
            return False
        if spot.role != "act" or not bids(self.utterance, spot.first, spot.last):
            return True
        return bool(self.utterance.marked("hypothetical", "plan", "others"))

    def _places_of_topic(self) -> set[int]:
        """Where a place of the topic is said in several words ("behind the ears", of nodes).

        Also of what is named before it in the region in hand ("nodes behind the ears").
        """
        topic = self.topic_item()
        items = self.catalogue.items
        lists = {topic.sites: -1} if topic is not None else {}
        for name in reversed([spot for spot in self.spots if spot.role == "name"]):
            item = items[name.item]
            if item.region == self.context.region and item.sites is not None:
                lists.setdefault(item.sites, name.first)
        return {
            place
            for spot in self.spots
            if spot.role == "site" and spot.last > spot.first
            if spot.item in lists and spot.first > lists[spot.item]
            for place in range(spot.first, spot.last + 1)
        }

    def stays(self, flip: Mark) -> bool:
        """Whether 'this one' is the side just gone to, which has no result yet.

        "Now the other one": "wax in this one"; "a light in the right eye": "quick on this side".
        """
        words = [token.text for token in self.utterance.tokens[flip.first : flip.last + 1]]
        if flip.last + 1 == self.way_round:
            return True  # "the other way round" mends, it does not go on
        topic, side = self.topic_item(), self.context.topic_side
        unread = topic is not None and not any(
            one.side in (side, "both") for one in self.book.results_of(topic.id)
        )
        return (
            words in (["this", "one"], ["this", "side"])
            and (
                self.utterance.index - self.context.moved_in == 1
                or (unread and side in ("left", "right") and self._acted_just_now())
            )
            and (bool(self.utterance.numbers) or any(spot.role == "reading" for spot in self.spots))
        )

    def _acted_just_now(self) -> bool:
        return self.utterance.start - self.context.topic_at <= _JUST_NOW

    def _region_in_hand(self) -> str | None:
        named = [
            self.catalogue.items[spot.item].region
            for spot in self.naming
            if spot.item in self.catalogue.items
        ]
        if named and self.context.region not in named:
            return named[0] if len(set(named)) == 1 else None
        return self.context.region

    def _denies_within(self, act: Spot, spots: Sequence[Spot]) -> bool:
        """Whether an act's words hold a denied result of its item ("to feel, no heave")."""
        return act.role == "act" and any(
            act.first < mark.first < spot.first <= act.last
            and self.utterance.tokens[mark.first].text == "no"
            for mark in self.utterance.marked("negation")
            for spot in spots
            if spot.role == "reading" and spot.item == act.item
        )

    def _known_here(self, question: Spot, spots: Sequence[Spot]) -> bool:
        """Whether the region in hand has a sign of a question's words, so that its own is asked."""
        region = self.context.region
        if question.role != "question" or region is None:
            return False
        items = self.catalogue.items
        return items[question.item].region != region and any(
            spot.role == "reading"
            and items[spot.item].region == region
            and question.first <= spot.last
            and spot.first <= question.last
            and spot.first in self.asked
            for spot in spots
        )

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


def others_of_kind(scene: Scene, topic: Item, before: int) -> list[Spot]:
    """Names, before a place, of other items that are measured as the topic is."""
    if topic.kind in ("finding", "trials"):
        return []
    items = scene.catalogue.items
    return [
        spot
        for spot in scene.names
        if spot.last < before
        and spot.item != topic.id
        and items[spot.item].kind == topic.kind
        and items[spot.item].scale == topic.scale
    ]


def is_none(utterance: Utterance, mark: Mark) -> bool:
    """Whether a mark is 'none', 'nothing' or 'nil'."""
    word = utterance.tokens[mark.first].text
    return word in ("none", "nothing", "nil") or (
        word == "neither" and mark.last == len(utterance.tokens) - 1
    )


def affirmable(item: Item) -> str | None:
    """The reading that a bare 'yes' states of an item."""
    codes = {reading.code for reading in item.readings}
    return next((code for code in _AFFIRMED if code in codes), None)


def reading_felt(item: Item) -> str | None:
    """The reading that says that the thing itself is felt, seen or heard."""
    return next((one.code for one in item.readings if one.code in _TO_THE_SENSES), None)
