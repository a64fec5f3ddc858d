"""Mentions of exam items in an utterance: names, acts, questions, results, sites, regions."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Literal

from dictate.exam.catalogue import Catalogue, Item
from dictate.exam.expansion import literal_words, parsed, single_words
from dictate.talk.lexicon import compared, stem, word_lists
from dictate.talk.numbers import find_numbers
from dictate.talk.patterns import (
    NUMBER,
    Line,
    Needs,
    Step,
    document,
    lines_of,
    matcher_for,
    matches,
    met,
    met_by,
    needs_of,
)
from dictate.talk.utterance import Utterance

if TYPE_CHECKING:
    from spacy.matcher import Matcher

_Rules = tuple[tuple[str, str], ...]
_Phrases = tuple[str, tuple[str, ...], int, _Rules]
"""Role, detail and 'alone' as one key; what is said; the gap allowed; the region's rules."""

Role = Literal["name", "act", "question", "reading", "value", "site", "region"]


@dataclass(frozen=True)
class Spot:
    """A mention. ``first`` and ``last`` are token indices of the utterance, inclusive.

    ``item`` is an item id, for a site its list's name, for a region its key. ``detail`` is
    the reading's code, the site's id, or the number of the question within the item.
    ``weight`` is how many words that count the mention holds.
    """

    role: Role
    item: str
    detail: str
    first: int
    last: int
    weight: int
    alone: bool = False


_MOST_ELSEWHERE = 2  # items of other regions that have a word which is still telling


@dataclass(frozen=True, eq=False)
class _Holder:
    """A catalogue as a key: told apart by content, found by version."""

    catalogue: Catalogue

    def __hash__(self) -> int:
        return hash(self.catalogue.version)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Holder) and (
            other.catalogue is self.catalogue or other.catalogue == self.catalogue
        )


@lru_cache(maxsize=2)
def _spotter(holder: _Holder) -> Spotter:
    return Spotter(holder.catalogue)


def spotter_for(catalogue: Catalogue) -> Spotter:
    """The spotter of this catalogue; its compiled patterns are shared between sessions."""
    return _spotter(_Holder(catalogue))


class Spotter:
    """Finds mentions; patterns are compiled item by item when a word of theirs is first heard."""

    def __init__(self, catalogue: Catalogue) -> None:
        self._catalogue = catalogue
        self._phrases: dict[str, list[_Phrases]] = {}
        self._heads: dict[str, set[str]] = defaultdict(set)
        self._named: dict[str, set[str]] = defaultdict(set)
        self._stated: dict[str, set[str]] = defaultdict(set)
        self._resulting: dict[str, set[str]] = defaultdict(set)
        self._spelled: dict[str, str] = {}
        self._matchers: dict[str, Matcher] = {}
        self._needs: dict[str, Needs] = {}
        self._short: dict[tuple[str, str], str] = {}
        self._known: dict[str | None, frozenset[str]] = {}
        self._words: dict[str, frozenset[str]] = {}
        self._of_one: dict[str | None, frozenset[str]] = {}
        self._movements_known = [item for item in catalogue.items.values() if item.short]
        for region in catalogue.regions:
            rules = tuple(region.rules.items())
            self._add(f"region|{region.region}", [("region||0", region.announced, 0, rules)])
            for item in region.items:
                self._add(f"item|{item.id}", list(_item_phrases(item, rules)))
        for name, sites in catalogue.sites.items():
            self._add(f"site|{name}", [(f"site|{site.id}|0", site.say, 0, ()) for site in sites])

    def _add(self, owner: str, phrases: list[_Phrases]) -> None:
        phrases = [entry for entry in phrases if entry[1]]
        if not phrases:
            return
        self._phrases[owner] = phrases
        norm = _norm_of(owner)
        for key, said, _, rules in phrases:
            for phrase in said if key.startswith("reading|") else ():
                for word in single_words(parsed(phrase, rules)):
                    if (form := norm(word)) is not None:
                        self._resulting[form].add(owner.partition("|")[2])
        for key, said, _, rules in phrases:
            for phrase in said:
                for word in literal_words(parsed(phrase, rules)):
                    form = norm(word)
                    if form is not None:
                        self._spelled[word] = form
                        self._heads[form].add(owner)
                        if not key.startswith("act|"):
                            self._stated[form].add(owner)
                        if key.startswith("name|"):
                            self._named[form].add(owner.partition("|")[2])

    def _matcher(self, owner: str) -> Matcher:
        matcher = self._matchers.get(owner)
        if matcher is None:
            norm = _norm_of(owner)
            written = [
                (
                    key,
                    tuple(
                        line
                        for phrase in said
                        for line in _useful(
                            lines_of(parsed(phrase, rules), norm),
                            key.startswith(("act|", "question|")),
                        )
                    ),
                    gap,
                )
                for key, said, gap, rules in self._phrases[owner]
            ]
            matcher = matcher_for(written)
            self._matchers[owner] = matcher
            self._needs[owner] = needs_of(line for _, lines, _ in written for line in lines)
        return matcher

    def short_names(self, utterance: Utterance, topic: Item) -> list[Spot]:
        """Names without their 'reflex' or 'pulse', once one of the series is being spoken of.

        "Biceps reflex two plus left ... knee three plus": the knee's is the patellar one.
        """
        movements = self._movements(utterance, topic)
        if movements or topic.kind != "grade" or topic.scale is None:
            return movements
        if not self._short:
            self._short = self._series()
        return [
            Spot("name", item, "", place, place, 1)
            for place, token in enumerate(utterance.tokens)
            if (item := self._short.get((topic.scale, compared(token.text) or ""))) is not None
        ]

    def _movements(self, utterance: Utterance, topic: Item) -> list[Spot]:
        """Movements of the joint in hand by their short names ("elbows ... bend one forty").

        The joint is the first word of the item's own key: elbow, of ``joints.elbow_flexion``.
        Each number has its own words before it ("elbow flexion one forty, extension zero").
        """
        words = [token.text for token in utterance.tokens]
        found: list[Spot] = []
        since = 0
        for number in utterance.numbers:
            here: list[Spot] = []
            for item in self._movements_known:
                if not topic.id.startswith(item.id.partition("_")[0]):
                    continue
                for phrase in item.short:
                    said = phrase.split()
                    for place in range(since, number.first - len(said) + 1):
                        if words[place : place + len(said)] == said:
                            last = place + len(said) - 1
                            here.append(Spot("name", item.id, "", place, last, len(said) + 1))
            longest = max((spot.weight for spot in here), default=0)
            found += [spot for spot in here if spot.weight == longest]
            since = number.last + 1
        return found

    def _series(self) -> dict[tuple[str, str], str]:
        owners: dict[tuple[str, str], set[str]] = defaultdict(set)
        for region in self._catalogue.regions:
            rules = tuple(region.rules.items())
            for item in region.items:
                if item.kind != "grade" or item.scale is None:
                    continue
                for phrase in item.names:
                    for line in lines_of(parsed(phrase, rules), compared):
                        sure = [step.words for step in line if not step.optional]
                        if len(sure) == 2 and sure[1] & _SERIES_HEADS:
                            for word in sure[0]:
                                owners[item.scale, word].add(item.id)
        return {key: found.pop() for key, found in owners.items() if len(found) == 1}

    def known_in(self, region: str | None) -> frozenset[str]:
        """The words, as compared, that are said of the items of a region, instructions aside."""
        known = self._known.get(region)
        if known is None:
            owners = {f"region|{region}"}
            for item in self._catalogue.items.values():
                if item.region == region:
                    owners |= {f"item|{item.id}", f"site|{item.sites}"}
            known = frozenset(form for form, said_of in self._stated.items() if said_of & owners)
            self._known[region] = known
        return known

    def of_one_item(self, region: str | None) -> frozenset[str]:
        """The words, as compared, of the results of one item of the region, hardly any elsewhere.

        Items that count only by their names are left aside.
        """
        found = self._of_one.get(region)
        if found is None:
            here = {
                id
                for id, item in self._catalogue.items.items()
                if item.region == region and not item.by_name
            }
            found = frozenset(
                form
                for form, items in self._resulting.items()
                if len(items & here) == 1 and len(items - here) <= _MOST_ELSEWHERE
            )
            self._of_one[region] = found
        return found

    def words_of(self, item: str) -> frozenset[str]:
        """All words, as compared, that an item's own phrases can hold."""
        words = self._words.get(item)
        if words is None:
            owner = f"item|{item}"
            words = frozenset(form for form, owners in self._heads.items() if owner in owners)
            self._words[item] = words
        return words

    @property
    def spelled(self) -> Mapping[str, str]:
        """Every word of the wordings, with the form by which it is compared."""
        return self._spelled

    def may_complete(self, word: str, heard: set[str], owners: set[str]) -> bool:
        """Whether some of these owners has a wording of this word and words that were heard."""
        for form in {compared(word), _with_sides(word)} - {None}:
            assert form is not None
            for owner in self._heads.get(form, set()) & owners:
                self._matcher(owner)
                if met_by(self._needs[owner], heard, form):
                    return True
        return False

    @property
    def named(self) -> Mapping[str, set[str]]:
        """Which items have a word, as compared, in their names."""
        return self._named

    def spots(self, utterance: Utterance) -> list[Spot]:
        """All mentions, the longest of each item and role at a place; sorted by place."""
        forms: list[str] = []
        with_sides: list[str] = []
        places: list[int] = []
        side_places: list[int] = []
        numbered = {
            place: number.first
            for number in utterance.numbers
            for place in range(number.first, number.last + 1)
        }
        for place, token in enumerate(utterance.tokens):
            if place in numbered:
                if numbered[place] == place:
                    forms.append(NUMBER)
                    places.append(place)
            else:
                form = compared(token.text)
                if form is not None:
                    forms.append(form)
                    places.append(place)
            sided = _with_sides(token.text)
            if sided is not None:
                with_sides.append(sided)
                side_places.append(place)
        # A number may be part of a name ("cranial nerve seven"), so its words are tried too.
        spoken = [compared(token.text) for token in utterance.tokens]
        found: list[Spot] = []
        owners = {owner for form in spoken if form for owner in self._heads.get(form, ())}
        owners |= {owner for form in with_sides for owner in self._heads.get(form, ())}
        if not owners:
            return []
        plain_doc, sided_doc = document(forms), document(with_sides)
        literal = []
        if utterance.numbers:
            said = [(form, place) for place, form in enumerate(spoken) if form is not None]
            literal = [(document([form for form, _ in said]), [place for _, place in said])]
        heard = {*forms, *with_sides, *(form for form in spoken if form is not None)}
        for owner in owners:
            matcher = self._matcher(owner)
            if not met(self._needs[owner], heard):
                continue
            kind, _, name = owner.partition("|")
            sites = kind == "site"
            docs = [(sided_doc, side_places)] if sites else [(plain_doc, places), *literal]
            for doc, where in docs:
                for key, first, last in matches(matcher, doc) if len(doc) else []:
                    role, detail, alone = key.split("|")
                    found.append(
                        Spot(
                            role=role,  # type: ignore[arg-type]
                            item=name,
                            detail=detail,
                            first=where[first],
                            last=_last_place(where[last], utterance),
                            weight=last - first + 1,
                            alone=alone == "1",
                        )
                    )
        found += self._shared_nouns(utterance, spoken)
        return _longest(found)

    def _shared_nouns(self, utterance: Utterance, spoken: Sequence[str | None]) -> list[Spot]:
        """Names of which only the last of a list has its noun ("no aortic, renal or iliac bruits").

        Each stands at its own word.
        """
        found: list[Spot] = []
        tokens = utterance.tokens
        for place, token in enumerate(tokens):
            if token.text not in ("and", "or") or place == 0 or place + 2 >= len(tokens):
                continue
            noun = spoken[place + 2]
            if noun is None:
                continue
            for before in range(place - 1, max(-1, place - 1 - _LONGEST_LIST), -1):
                word = spoken[before]
                if word is None or not self._named.get(word, set()) & self._named.get(noun, set()):
                    break
                doc = document([word, noun])
                for owner in self._heads.get(word, set()) & self._heads.get(noun, set()):
                    if not owner.startswith("item|"):
                        continue
                    for key, first, last in matches(self._matcher(owner), doc):
                        if key.startswith("name|") and (first, last) == (0, 1):
                            item = owner.partition("|")[2]
                            found.append(Spot("name", item, "", before, before, 2))
        return found


_LONGEST_LIST = 3  # words before 'and' or 'or' that can share the noun behind it


def _last_place(place: int, utterance: Utterance) -> int:
    """The end of the number that begins at ``place``, or the place itself."""
    for number in utterance.numbers:
        if number.first == place:
            return number.last
    return place


def _norm_of(owner: str) -> Callable[[str], str | None]:
    """Places keep their side words; elsewhere these are passed over."""
    return _with_sides if owner.startswith("site|") else compared


def _with_sides(word: str) -> str | None:
    if word in ("left", "right"):
        return word
    return compared(word)


def _useful(lines: tuple[Line, ...], doing: bool) -> Iterator[Line]:
    """Lines that can prove something: body words alone are no instruction."""
    body = _body_stems() if doing else frozenset({NUMBER})
    for line in lines:
        sure = [step for step in line if not step.optional]
        if len(sure) == 1:
            # "a two" without its light word would be any 'two'.
            words = frozenset(word for word in sure[0].words if not _is_number(word))
            if not words:
                continue
            line = tuple(Step(words) if step is sure[0] else step for step in line)
            sure = [Step(words)]
        if not doing and len(sure) == 1 and sure[0].words <= _IDLE:
            continue  # "gets it right" is told by a word that is passed over
        if any(not step.words <= body for step in sure):
            yield line


def only_body(utterance: Utterance, spot: Spot) -> bool:
    """Whether a mention names nothing but a part of the body."""
    lists = word_lists()
    return all(
        token.text in lists.body or token.text in lists.paired or token.text in lists.light
        for token in utterance.tokens[spot.first : spot.last + 1]
    )


_SERIES_HEADS = frozenset(stem(word) for word in ("reflex", "jerk", "pulse", "strength", "power"))
_IDLE = frozenset(
    stem(word)
    for word in ("get", "got", "go", "take", "make", "try", "give", "say", "tell", "want", "need",
                 "let", "put", "show")
)  # fmt: skip


@lru_cache(maxsize=4096)
def _is_number(word: str) -> bool:
    return bool(find_numbers([word]))


@lru_cache(maxsize=1)
def _body_stems() -> frozenset[str]:
    lists = word_lists()
    body = (lists.body | lists.paired | lists.hollow) - _TOOLS
    return frozenset({NUMBER, *(stem(word) for word in body)})


_TOOLS = frozenset(["fingers", "fingertips", "nails", "nailbeds"])  # the examiner's, in an act


def _item_phrases(item: Item, rules: _Rules) -> Iterator[_Phrases]:
    yield "name||0", item.names, 0, rules
    yield "act||0", item.performed, 1, rules
    yield "value||0", item.say_value, 0, rules
    for number, question in enumerate(item.asked):
        yield f"question|{number}|0", question.say, 1, rules
    for reading in item.readings:
        yield f"reading|{reading.code}|{int(reading.alone)}", reading.say, 0, rules


def _by_length(spot: Spot) -> tuple[int, int, int, str]:
    return spot.first - spot.last, -spot.weight, spot.first, spot.detail


def _longest(spots: Sequence[Spot]) -> list[Spot]:
    """Keep the longest of one item and role at a place; drop what lies inside it."""
    kept: list[Spot] = []
    for spot in sorted(spots, key=_by_length):
        if any(
            other.item == spot.item
            and other.role == spot.role
            and other.first <= spot.last
            and spot.first <= other.last
            for other in kept
        ):
            continue
        kept.append(spot)
    return sorted(kept, key=lambda one: (one.first, one.last, one.role, one.item, one.detail))
