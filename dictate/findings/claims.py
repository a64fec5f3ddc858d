"""Which item a stretch of words is about, where several items know the words."""

from __future__ import annotations

from collections.abc import Container, Iterable, Sequence
from dataclasses import dataclass, replace

from dictate.exam.catalogue import Catalogue, Item
from dictate.findings.context import Context
from dictate.findings.spotting import Spot
from dictate.talk.lexicon import word_lists
from dictate.talk.utterance import Utterance

_FARTHEST_NAME = 12  # tokens between a name and its result
_FARTHEST_NAME_AFTER = 5
_RECENT = 15.0  # seconds
_PLENTY = 5  # words; a longer mention proves no more
_JOINERS = frozenset(["and", "or"])


@dataclass(frozen=True)
class Claim:
    """An item's claim to a stretch; ``named`` is the name in the utterance that backs it."""

    spot: Spot
    score: float
    named: Spot | None = None


def without_covered(spots: Sequence[Spot], region: str | None = None) -> list[Spot]:
    """Drop what lies inside a longer mention of an act, question, reading or region.

    A result of the ``region`` in hand keeps its place inside a name of another one ("an old
    scar" on the back).
    """
    order = {"question": 3, "act": 2, "reading": 1, "value": 1}
    said = {(spot.first, spot.last) for spot in spots if spot.role in ("name", "reading")}
    # One word that is also a name or a result proves no act.
    spots = [
        spot
        for spot in spots
        if spot.role not in ("act", "question")
        or spot.weight > 1
        or (spot.first, spot.last) not in said
    ]
    # "Sharp and dull intact", of the limbs: no act of the region where the face is tried so.
    own = {
        (spot.first, spot.last)
        for spot in spots
        if spot.role == "name" and spot.item.partition(".")[0] == region
    }
    spots = [
        spot
        for spot in spots
        if spot.role != "act"
        or spot.item.partition(".")[0] == region
        or (spot.first, spot.last) not in own
    ]
    # "Corneal reflex" names no reflex in general, "blood pressure" tells of no blood.
    listed = {s.item for s in spots if s.role == "name" and s.weight > 1 and s.first == s.last}
    long_names = [spot for spot in spots if spot.role == "name" and spot.weight > 1]
    spots = [
        spot
        for spot in spots
        if spot.role not in ("name", "reading")
        or (spot.role == "reading" and spot.item in listed)  # "renal or iliac bruits"
        or not _within_longer_name(spot, _rivals(spot, spots, long_names, region))
    ]
    # "Hip internal rotation thirty": the neck's rotation is only the end of another name.
    # "Tandem gait normal": nor is it the gait's own "gait normal".
    spots = [
        spot
        for spot in spots
        if not (spot.role == "value" or (spot.role == "reading" and spot.alone))
        or not _opens_within(
            spot,
            [name for name in long_names if spot.role == "value" or spot.last == name.last + 1],
        )
    ]
    spots = [_after_its_act(spot, spots) for spot in spots]
    strong = [spot for spot in spots if spot.role in order]
    kept: list[Spot] = []
    for spot in spots:
        if spot.role == "site":
            kept.append(spot)
            continue
        beaten = False
        for other in strong:
            if other is spot or other.first > spot.last or spot.first > other.last:
                continue
            if spot.role in ("name", "region"):
                # A name keeps its place inside a result, not inside an instruction.
                beaten |= (
                    other.role in ("act", "question")
                    and other.first <= spot.first
                    and spot.last <= other.last
                    and other.item != spot.item
                )
            elif other.role != spot.role and "value" not in (other.role, spot.role):
                beaten |= (other.weight, order[other.role]) > (spot.weight, order[spot.role])
        if not beaten:
            kept.append(spot)
    return kept


def _after_its_act(spot: Spot, spots: Sequence[Spot]) -> Spot:
    """A result that begins in its own item's instruction, cut ("give me a smile even")."""
    if spot.role != "reading":
        return spot
    for act in spots:
        if (
            act.role == "act"
            and act.item == spot.item
            and act.first < spot.first <= act.last < spot.last
        ):
            return replace(spot, first=act.last + 1, weight=max(1, spot.last - act.last))
    return spot


def _opens_within(spot: Spot, names: Sequence[Spot]) -> bool:
    return any(
        name.item != spot.item and name.first < spot.first <= name.last < spot.last
        for name in names
    )


def _rivals(
    spot: Spot, spots: Sequence[Spot], names: Sequence[Spot], region: str | None
) -> Sequence[Spot]:
    """The names that can take in a mention.

    For a result of the region in hand, or of an item that is named beside it ("back, old scar"),
    those of its own region.
    """
    own = spot.item.partition(".")[0]
    named = any(
        one.role == "name" and one.item == spot.item and one.last < spot.first for one in spots
    )
    if spot.role != "reading" or not (own == region or named):
        return names
    return [name for name in names if name.item.partition(".")[0] == own]


def _within_longer_name(spot: Spot, names: Sequence[Spot]) -> bool:
    return any(
        other.item != spot.item
        and other.first <= spot.first
        and spot.last <= other.last
        and other.weight > spot.weight
        for other in names
    )


def clusters(spots: Iterable[Spot]) -> list[list[Spot]]:
    """Group mentions that share tokens, in order of place."""
    groups: list[list[Spot]] = []
    reach = -1
    for spot in sorted(spots, key=lambda one: (one.first, one.last)):
        if groups and spot.first <= reach:
            groups[-1].append(spot)
            reach = max(reach, spot.last)
        else:
            groups.append([spot])
            reach = spot.last
    return groups


def best_of(group: Sequence[Spot], context: Context, at: float, catalogue: Catalogue) -> Spot:
    """The mention of most words, nearness to the topic counting for a word or two."""
    return max(
        group,
        key=lambda spot: (
            min(spot.weight, _PLENTY)
            + 0.5 * context.rank(catalogue.items[spot.item], at, catalogue),
            -catalogue.place[spot.item],
        ),
    )


def reading_claims(
    group: Sequence[Spot],
    names: Sequence[Spot],
    utterance: Utterance,
    context: Context,
    catalogue: Catalogue,
    places: Sequence[Spot] = (),
    asked: Container[int] = (),
    understood: bool = False,
    headings: Container[int] = (),
    strange: bool = False,
    telling: Container[int] = (),
    listed: bool = False,
) -> list[Claim]:
    """The claims to a group of overlapping readings that hold, best first.

    ``strange``: a word of the utterance is strange to the region in hand. ``understood``: none
    is, and the utterance tells. ``headings`` are places of words that name a whole region,
    ``telling`` of words that hardly any other item knows. ``listed``: an 'or' or 'and' joins them
    to a result just before.
    """
    at = utterance.start
    claims = []
    own = {catalogue.items[spot.item].sites for spot in group} - {None}
    told = understood and any(
        is_brief(utterance, [spot])
        or _linked(utterance, spot, group)
        or _just_denied(utterance, spot)
        for spot in group
    )
    brief = is_brief(utterance, group, [place for place in places if place.item in own])
    by_itself = min((spot.weight for spot in group if spot.alone), default=10_000)
    in_region = {
        spot.item
        for spot in group
        if catalogue.items[spot.item].region == context.region
        and not catalogue.items[spot.item].by_name
    }
    reach = range(min(s.first for s in group), max(s.last for s in group) + 1)
    vague = all(spot.first in asked for spot in group) and all(n.first in reach for n in names)
    if vague and not strange:
        group = _nearest(group, in_region, context, catalogue)
        in_region &= {spot.item for spot in group}
    items = catalogue.items
    blocking = [
        name
        for name in names
        if name.first not in headings
        and (
            name.role == "name"
            or items[name.item].region != context.region
            or not _told_after(utterance, name, group)
        )
    ]
    fullest = (
        _fullest(group, in_region, blocking) if understood and context.topic_holds(at) else None
    )
    sized = context.topic is not None and items[context.topic].kind == "quantity"
    for spot in group:
        item = catalogue.items[spot.item]
        rank = context.rank(item, at, catalogue)
        score, named = _by_name(spot, names, utterance)
        if spot.alone or (spot.weight >= by_itself - 1 and spot.item in in_region):
            # What names itself belongs to the region in hand where that knows it too.
            score = max(score, 6.0)
        if spot is fullest:
            score = max(score, 6.0)
        if score <= 0:
            score = _by_topic(spot, blocking, context, at, spot.item in in_region, told, sized)
        if score <= 0 and spot.item in in_region:
            score = _by_place(spot, item, places, blocking)
        if score <= 0 and in_region == {spot.item}:
            if _just_denied(utterance, spot) or listed:
                score = 2.0
            elif spot.weight > 1 or (
                (
                    brief
                    or (understood and (spot.first in telling or _linked(utterance, spot, group)))
                )
                and not _placed_elsewhere(spot, places, names, context.region, catalogue)
            ):
                score = _by_region(spot, blocking)
        if score <= 0 and in_region == {spot.item} and spot.first in asked:
            # "Is it painful when I press": the one item here that is asked so.
            score = (
                _by_region(spot, names)
                if any(one.about == spot.detail for one in item.asked)
                else 0.0
            )
        if score > 0:
            claims.append(Claim(spot, score + rank * 0.7 + spot.weight * 0.8, named))
    if any(_next_to_name(claim) for claim in claims):
        # "A soft murmur": the noun right after it has the word, whatever was the topic.
        claims = [one for one in claims if one.named is not None]
    return sorted(
        claims, key=lambda claim: (-claim.score, catalogue.place[claim.spot.item], claim.spot.first)
    )


def _next_to_name(claim: Claim) -> bool:
    return claim.named is not None and claim.named.first == claim.spot.last + 1


_TELLING = frozenset(["is", "there", "feels", "sounds", "looks"])


def _told_after(utterance: Utterance, act: Spot, group: Sequence[Spot]) -> bool:
    """Whether the result after an instruction is told ("in the right ear there is wax")."""
    first = min(spot.first for spot in group)
    return any(token.text in _TELLING for token in utterance.tokens[act.last + 1 : first])


def _nearest(
    group: Sequence[Spot], in_region: set[str], context: Context, catalogue: Catalogue
) -> Sequence[Spot]:
    """Of a question that names nothing ("any pain with that"), what is nearest to the topic."""
    topic = context.topic
    here = [spot for spot in group if spot.item in in_region]
    if topic is None or context.worked_on != topic or not here:
        return group
    if any(spot.item == topic for spot in group):
        return group
    place = catalogue.place
    near = min(here, key=lambda spot: abs(place[spot.item] - place[topic]))
    return [near] if abs(place[near.item] - place[topic]) <= NEIGHBOURS else group


NEIGHBOURS = 5  # items of the exam between what is in hand and what is asked about


def _fullest(
    group: Sequence[Spot], in_region: Container[str], names: Sequence[Spot]
) -> Spot | None:
    """The one result of the region in hand that holds more of the words than any other."""
    here = sorted((spot for spot in group if spot.item in in_region), key=lambda spot: -spot.weight)
    if len(here) < 2 or here[0].weight == here[1].weight:
        return None
    if any(name.role == "name" and name.item != here[0].item for name in names):
        return None
    return here[0]


_LINKS = frozenset(["feels", "sounds", "looks", "seems"])
_BEING = frozenset(["is", "are", "was", "were"])
_IN_HAND = frozenset(["it", "that", "they", "this", "these", "left", "right", "one", "side"])
_STRENGTHENING = frozenset(["nice", "good", "lovely", ""])


def _linked(utterance: Utterance, spot: Spot, group: Sequence[Spot]) -> bool:
    """Whether the word is said of something ("sixty four and regular", "it feels regular")."""
    if any(other.first < spot.first for other in group):
        return False  # the "dry" of "warm and dry"
    if spot.first == 0 or utterance.marked("fine_word", "courtesy", "opener"):
        return False
    link = utterance.tokens[spot.first - 1].text
    before = utterance.tokens[spot.first - 2].text if spot.first > 1 else ""
    if link == "and":
        return before not in _STRENGTHENING
    return link in _LINKS or (link in _BEING and before in _IN_HAND)


def _just_denied(utterance: Utterance, spot: Spot) -> bool:
    """Whether a 'no' stands right before ("no rebound"): that is nothing but a result."""
    return any(
        mark.last == spot.first - 1 and not utterance.tokens[mark.last].after
        for mark in utterance.marked("negation")
    ) or any(
        mark.last == spot.first - 1 and len(utterance.tokens) <= _FEW
        for mark in utterance.marked("not_word")
    )


_FEW = 4  # words in all of "he is not pale"


def is_brief(utterance: Utterance, group: Sequence[Spot], places: Sequence[Spot] = ()) -> bool:
    """Whether an utterance is no more than a result with its side or place ("cool left")."""
    said = {place for spot in (*group, *places) for place in range(spot.first, spot.last + 1)}
    if utterance.numbers:
        return False
    polite = utterance.marked("fine_word", "courtesy", "opener")
    if any(mark.first <= spot.first <= mark.last for mark in polite for spot in group):
        return False
    said |= {
        place
        for mark in utterance.marked("negation", "no", "both", "left", "right", "right_lead")
        for place in range(mark.first, mark.last + 1)
    }
    light = word_lists().light
    return all(place in said or token.text in light for place, token in enumerate(utterance.tokens))


def _by_name(spot: Spot, names: Sequence[Spot], utterance: Utterance) -> tuple[float, Spot | None]:
    best: tuple[float, Spot | None] = (0.0, None)
    for name in names:
        if name.item != spot.item:
            continue
        if name.first <= spot.last and spot.first <= name.last:
            # The result holds the name itself.
            score = 10.0 if (name.first, name.last) != (spot.first, spot.last) else 0.0
        elif name.last < spot.first:
            gap = spot.first - name.last - 1
            if gap > _FARTHEST_NAME:
                continue
            score = 10.0 - 0.3 * gap - _nearer_names(name.last, spot.first, name, names)
        else:
            gap = name.first - spot.last - 1
            if gap > _FARTHEST_NAME_AFTER or _broken(utterance, spot.last, name.first):
                continue
            score = 9.0 - 0.6 * gap
        if score > 0:
            score += 0.5 * (name.weight - 1)  # "maxillary sinus" says more than "sinus"
        if score > best[0]:
            best = (score, name)
    return best


def _nearer_names(after: int, before: int, name: Spot, names: Sequence[Spot]) -> float:
    """A name of something else in between makes it less likely that this one is meant."""
    between = {
        (other.first, other.last)
        for other in names
        if after < other.first and other.last < before and other.item != name.item
    }
    return 1.2 * len(between)


def _broken(utterance: Utterance, first: int, last: int) -> bool:
    return any(token.after for token in utterance.tokens[first:last])


_COMPLAINTS = frozenset(["tender", "pain", "painful", "deep_tenderness"])


def _by_topic(
    spot: Spot,
    names: Sequence[Spot],
    context: Context,
    at: float,
    in_region: bool,
    told: bool,
    sized: bool,
) -> float:
    if _other_named_before(spot, names):
        return 0.0
    if context.topic == spot.item and context.topic_holds(at):
        return 5.0
    if in_region and at - context.recent.get(spot.item, -1e9) <= _RECENT:
        return 3.0
    if in_region and told and context.named_just_now(spot.item, at):
        # A bare "sore" asks or tells of what is pressed, not of what was named for its size.
        return 0.0 if spot.detail in _COMPLAINTS and sized else 2.5
    return 0.0


def _by_place(spot: Spot, item: Item, places: Sequence[Spot], names: Sequence[Spot]) -> float:
    """A place that only this item knows backs its result ("right lower, tender")."""
    if _other_named_before(spot, names):
        return 0.0
    return 4.5 if any(place.item == item.sites for place in places) else 0.0


def _placed_elsewhere(
    spot: Spot,
    places: Sequence[Spot],
    names: Sequence[Spot],
    region: str | None,
    catalogue: Catalogue,
) -> bool:
    """Whether a place is said that other items of the region have ("at the apex, a whoosh")."""
    lists = catalogue.places_of[region] if region is not None else frozenset()
    own = [spot, *(name for name in names if name.item == spot.item)]
    said = {
        place.item
        for place in places
        if place.item in lists
        and not any(place.first <= one.last and one.first <= place.last for one in own)
    }
    return bool(said) and catalogue.items[spot.item].sites not in said


def _by_region(spot: Spot, names: Sequence[Spot]) -> float:
    """The only item of the region in hand that knows the words."""
    return 0.0 if _other_named_before(spot, names) else 2.0


def _other_named_before(spot: Spot, names: Sequence[Spot]) -> bool:
    return any(name.last < spot.first and name.item != spot.item for name in names)


def joined_claims(
    winner: Claim, claims: Sequence[Claim], utterance: Utterance, names: Sequence[Spot]
) -> list[Claim]:
    """Other items whose names are listed together with the winner's ("canal and drum clear")."""
    if winner.named is None:
        return []
    shared: list[Claim] = []
    for claim in claims:
        if claim.spot.item == winner.spot.item or claim.named is None:
            continue
        if (claim.named.first, claim.named.last) == (winner.named.first, winner.named.last):
            # "Frontal and maxillary sinuses" is the name of both.
            words = utterance.tokens[claim.named.first : claim.named.last + 1]
            if any(token.text in _JOINERS for token in words) and all(
                one.named != claim.named or one.spot.item != claim.spot.item for one in shared
            ):
                shared.append(claim)
            continue
        first, last = sorted((claim.named, winner.named), key=lambda name: name.first)
        if first.last < last.first and _only_list(utterance, first.last, last.first, names):
            if all(one.named != claim.named for one in shared):
                shared.append(claim)
    return shared


def _only_list(utterance: Utterance, first: int, last: int, names: Sequence[Spot]) -> bool:
    named = {place for name in names for place in range(name.first, name.last + 1)}
    light = word_lists().light
    joined = last == first + 1 and _list_goes_on(utterance, last, names)
    for place in range(first, last):
        token = utterance.tokens[place]
        joined |= token.after == "weak" or token.text in _JOINERS
        if place > first and not (token.text in _JOINERS or token.text in light or place in named):
            return False
    return joined


def _list_goes_on(utterance: Utterance, last: int, names: Sequence[Spot]) -> bool:
    """Whether 'and' and a further name follow ("the aorta, renals and iliacs" without commas)."""
    ends = {name.last for name in names if name.first == last}
    tokens = utterance.tokens
    return any(
        end + 2 < len(tokens)
        and tokens[end + 1].text in _JOINERS
        and any(name.first == end + 2 for name in names)
        for end in ends
    )
