"""Mentions of exam items in an utterance: names, acts, questions, results, sites, regions."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Literal

from dictate.exam.catalogue import Catalogue, Item
from dictate.exam.expansion import literal_words, parsed
from dictate.talk.lexicon import compared, stem, word_lists
from dictate.talk.patterns import NUMBER, Line, document, lines_of, matcher_for, matches
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
        self._matchers: dict[str, Matcher] = {}
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
        for _, said, _, rules in phrases:
            for phrase in said:
                for word in literal_words(parsed(phrase, rules)):
                    form = norm(word)
                    if form is not None:
                        self._heads[form].add(owner)

    def _matcher(self, owner: str) -> Matcher:
        matcher = self._matchers.get(owner)
        if matcher is None:
            norm = _norm_of(owner)
            matcher = matcher_for(
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
            )
            self._matchers[owner] = matcher
        return matcher

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
        for owner in owners:
            kind, _, name = owner.partition("|")
            sites = kind == "site"
            docs = [(sided_doc, side_places)] if sites else [(plain_doc, places), *literal]
            for doc, where in docs:
                for key, first, last in matches(self._matcher(owner), doc) if len(doc) else []:
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
        return _longest(found)


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
        if any(not step.optional and not step.words <= body for step in line):
            yield line


@lru_cache(maxsize=1)
def _body_stems() -> frozenset[str]:
    lists = word_lists()
    return frozenset({NUMBER, *(stem(word) for word in lists.body | lists.paired | lists.hollow)})


def _item_phrases(item: Item, rules: _Rules) -> Iterator[_Phrases]:
    yield "name||0", item.names, 0, rules
    yield "act||0", item.performed, 1, rules
    yield "value||0", item.say_value, 0, rules
    for number, question in enumerate(item.asked):
        yield f"question|{number}|0", question.say, 1, rules
    for reading in item.readings:
        yield f"reading|{reading.code}|{int(reading.alone)}", reading.say, 0, rules


def _longest(spots: Sequence[Spot]) -> list[Spot]:
    """Keep the longest of one item and role at a place; drop what lies inside it."""
    kept: list[Spot] = []
    for spot in sorted(spots, key=lambda one: (one.first - one.last, one.first, one.detail)):
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
