"""Which item a stretch of words is about, where several items know the words."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from dictate.exam.catalogue import Catalogue
from dictate.findings.context import Context
from dictate.findings.spotting import Spot
from dictate.talk.lexicon import word_lists
from dictate.talk.utterance import Utterance

_FARTHEST_NAME = 12  # tokens between a name and its result
_FARTHEST_NAME_AFTER = 5
_RECENT = 15.0  # seconds
_JOINERS = frozenset(["and", "or"])


@dataclass(frozen=True)
class Claim:
    """An item's claim to a stretch; ``named`` is the name in the utterance that backs it."""

    spot: Spot
    score: float
    named: Spot | None = None


def without_covered(spots: Sequence[Spot]) -> list[Spot]:
    """Drop what lies inside a longer mention of an act, question, reading or region."""
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
            spot.weight + 0.5 * context.rank(catalogue.items[spot.item], at, catalogue),
            -catalogue.place[spot.item],
        ),
    )


def reading_claims(
    group: Sequence[Spot],
    names: Sequence[Spot],
    utterance: Utterance,
    context: Context,
    catalogue: Catalogue,
) -> list[Claim]:
    """The claims to a group of overlapping readings that hold, best first."""
    at = utterance.start
    claims = []
    for spot in group:
        item = catalogue.items[spot.item]
        rank = context.rank(item, at, catalogue)
        score, named = _by_name(spot, names, utterance)
        if spot.alone:
            score = max(score, 6.0)
        if score <= 0:
            score = _by_topic(spot, names, context, at)
        if score > 0:
            claims.append(Claim(spot, score + rank * 0.7 + spot.weight * 0.8, named))
    return sorted(
        claims, key=lambda claim: (-claim.score, catalogue.place[claim.spot.item], claim.spot.first)
    )


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


def _by_topic(spot: Spot, names: Sequence[Spot], context: Context, at: float) -> float:
    if any(name.last < spot.first and name.item != spot.item for name in names):
        return 0.0
    if context.topic == spot.item and context.topic_holds(at):
        return 5.0
    if at - context.recent.get(spot.item, -1e9) <= _RECENT:
        return 3.0
    return 0.0


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
            continue
        first, last = sorted((claim.named, winner.named), key=lambda name: name.first)
        if first.last < last.first and _only_list(utterance, first.last, last.first, names):
            if all(one.named != claim.named for one in shared):
                shared.append(claim)
    return shared


def _only_list(utterance: Utterance, first: int, last: int, names: Sequence[Spot]) -> bool:
    named = {place for name in names for place in range(name.first, name.last + 1)}
    light = word_lists().light
    joined = False
    for place in range(first, last):
        token = utterance.tokens[place]
        joined |= token.after == "weak" or token.text in _JOINERS
        if place > first and not (token.text in _JOINERS or token.text in light or place in named):
            return False
    return joined
