"""Which side and which site each statement of an utterance is about."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from dictate.exam.catalogue import Catalogue
from dictate.findings.finding import Side
from dictate.findings.spotting import Spot
from dictate.talk.lexicon import word_lists
from dictate.talk.utterance import Mark, Utterance

_JOINERS = frozenset(["and", "or", "the", "then", "to", "versus"])


@dataclass(frozen=True)
class Sided:
    """A side said in words, with its places."""

    side: Side
    first: int
    last: int


def sides_said(
    utterance: Utterance,
    spots: Sequence[Spot],
    catalogue: Catalogue,
    stated: bool = False,
    region: str | None = None,
) -> list[Sided]:
    """Sides in the order said; "left and right" is both, "left, no, right" is right.

    In the region in hand a side may belong to a place ("left upper" of the abdomen).
    ``stated``: the utterance reports results, so that a 'right' that leads it is a side.
    """
    said: list[Sided] = []
    for mark in utterance.marks:
        if mark.kind in ("left", "right"):
            said.append(Sided("left" if mark.kind == "left" else "right", mark.first, mark.last))
        elif mark.kind == "both":
            said += _two_or_both(utterance, mark)
        elif mark.kind == "right_lead" and stated:
            said.append(Sided("right", mark.first, mark.last))
    last = len(utterance.tokens) - 1
    if utterance.tokens[last].text == "each" and utterance.numbers:
        said.append(Sided("both", last, last))  # "knees two plus each"
    if utterance.tokens[last].text == "anywhere" and utterance.marked("negation"):
        said.append(Sided("both", last, last))  # "no wheeze anywhere"
    in_sites = {
        place
        for spot in spots
        if spot.role == "site"
        and spot.weight > 1
        and spot.item in catalogue.places_of[region]
        and _side_of_site(spot, catalogue)
        for place in range(spot.first, spot.last + 1)
    }
    said = [one for one in said if one.first not in in_sites]
    said.sort(key=lambda one: one.first)
    return _joined(utterance, _corrected(utterance, _told_apart(utterance, said)))


def _told_apart(utterance: Utterance, said: list[Sided]) -> list[Sided]:
    """Without a 'both' before the numbers, where each side then has its own.

    "Raise both arms, one seventy on the right and the left gets to one eighty"
    """
    if len(utterance.numbers) < 2:
        return said
    first = utterance.numbers[0].first
    told = {one.side for one in said if one.first > first or first - one.last <= _BESIDE}
    if not {"left", "right"} <= told:
        return said
    return [one for one in said if one.side != "both" or one.first > first]


_BESIDE = 2  # tokens from a side to its number


def _side_of_site(spot: Spot, catalogue: Catalogue) -> str | None:
    for site in catalogue.sites.get(spot.item, ()):
        if site.id == spot.detail:
            return site.side
    return None


def _corrected(utterance: Utterance, said: list[Sided]) -> list[Sided]:
    kept: list[Sided] = []
    for one in said:
        if kept and any(
            kept[-1].last < mark.first
            and mark.last < one.first
            and one.first - kept[-1].last <= 6
            and not _denies_between(utterance, mark, one)
            for mark in utterance.marked("slip", "replace")
        ):
            kept.pop()
        kept.append(one)
    return kept


def _denies_between(utterance: Utterance, slip: Mark, side: Sided) -> bool:
    """Whether the 'no' denies what stands between it and the side ("left, no drift right")."""
    light = word_lists().light
    return utterance.tokens[slip.last].text == "no" and any(
        token.text not in light for token in utterance.tokens[slip.last + 1 : side.first]
    )


def _joined(utterance: Utterance, said: list[Sided]) -> list[Sided]:
    kept: list[Sided] = []
    for one in said:
        if (
            kept
            and {kept[-1].side, one.side} == {"left", "right"}
            and kept[-1].last + 1 < one.first <= kept[-1].last + 4
            and all(
                token.text in _JOINERS for token in utterance.tokens[kept[-1].last + 1 : one.first]
            )
            and not _begins_anew(utterance, kept[-1], one)
        ):
            kept[-1] = Sided("both", kept[-1].first, one.last)
            continue
        kept.append(one)
    return kept


def _two_or_both(utterance: Utterance, mark: Mark) -> list[Sided]:
    """Both sides, or one after the other ("thirty six right and left thirty five")."""
    first, last = utterance.tokens[mark.first].text, utterance.tokens[mark.last].text
    two = [
        Sided("left" if word == "left" else "right", place, place)
        for word, place in ((first, mark.first), (last, mark.last))
    ]
    if {first, last} == {"left", "right"} and _begins_anew(utterance, *two):
        return two
    return [Sided("both", mark.first, mark.last)]


_COPULAS = frozenset(["is", "was", "gets", "has", "reads", "comes", "goes", "makes", "at"])


def _begins_anew(utterance: Utterance, before: Sided, side: Sided) -> bool:
    """Whether the second side has its own number: "thirty six on the right and the left is ..."."""
    numbers = [one.first for one in utterance.numbers]
    follows = side.last + 1
    if follows < len(utterance.tokens) and utterance.tokens[follows].text in _COPULAS:
        return any(one < before.first for one in numbers) and any(one > follows for one in numbers)
    return follows in numbers and any(0 < before.first - one <= _OF_FIRST for one in numbers)


_OF_FIRST = 5  # tokens from the first number to the side said after it


def side_for(said: Sequence[Sided], first: int, last: int, others: Sequence[int]) -> Side | None:
    """The said side that a statement at these places belongs to.

    ``others`` are the first places of all statements of the utterance. Where the first
    statement comes before the first side, sides follow their statements ("four on the
    right, five on the left"); else they lead ("right four, left five").
    """
    if not said:
        return None
    within = [one for one in said if first <= one.first <= last]
    if within:
        return within[-1].side
    follow = min(others) < said[0].first
    if follow:
        later = [place for place in others if place > last]
        limit = min(later) if later else 10_000
        ahead = [one for one in said if last < one.first < limit]
        if ahead:
            return ahead[0].side
        rest = [one for one in said if one.first > last]
        # Several results before one side share it ("red and swollen on the left").
        if rest and len(said) == 1:
            return rest[0].side
        back = [one for one in said if one.last < first]
        if back:
            return back[-1].side
        return rest[0].side if rest else None
    back = [one for one in said if one.last < first]
    return back[-1].side if back else said[0].side


def sites_for(
    spots: Sequence[Spot],
    list_name: str,
    first: int,
    last: int,
    others: Sequence[int],
    limit: int | None = None,
) -> list[str]:
    """The sites of one list that a statement is about, several where they are joined.

    ``limit`` is the place of an 'except' after the statement: places past it are not its own.
    """
    places = sorted(
        (
            spot
            for spot in spots
            if spot.role == "site"
            and spot.item == list_name
            and (limit is None or spot.last < limit)
        ),
        key=lambda spot: spot.first,
    )
    if not places:
        return []
    follow = min(others) < places[0].first
    if follow:
        later = [place for place in others if place > last]
        until = min(later) if later else 10_000
        chosen = [spot for spot in places if last < spot.first < until]
        if not chosen and later:
            chosen = [spot for spot in places if spot.first > last]
    else:
        before = [spot for spot in places if spot.first < first or spot.first <= last]
        starts = [place for place in others if place < first]
        since = max(starts) if starts else -1
        chosen = [spot for spot in before if spot.first > since] or before[-1:]
    return list(dict.fromkeys(spot.detail for spot in chosen))


def flipped(side: Side | None) -> Side:
    """The other side; unspecified where the first was never said."""
    if side == "left":
        return "right"
    if side == "right":
        return "left"
    return "unspecified"


def paired_near(utterance: Utterance, first: int, last: int) -> Mark | None:
    """A plural body word at or just before the places: it means both sides."""
    for mark in reversed(utterance.marked("paired")):
        if first - 6 <= mark.first <= last:
            return mark
    for mark in utterance.marked("paired"):
        # "No swelling of the knees"
        between = [token.text for token in utterance.tokens[last + 1 : mark.first]]
        if 0 < len(between) <= 2 and between[0] in _OF and mark.first > last:
            return mark
    return None


_OF = frozenset(["of", "in", "over", "on", "at", "around", "to"])
