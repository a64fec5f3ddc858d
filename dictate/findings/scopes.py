"""How far words reach: silence over teaching talk, questions, negation, hedges."""

from __future__ import annotations

from collections.abc import Sequence

from dictate.exam.catalogue import Polarity
from dictate.findings.spotting import Spot
from dictate.talk.lexicon import word_lists
from dictate.talk.utterance import Mark, Utterance

_NEAR_CLAUSE_START = 4  # tokens before a teaching remark that still belong to it
_MOST_FOREIGN = 3  # words that no item knows between 'no' and the sign it denies
_JOINERS = frozenset(["or", "and", "nor", "any", "even", "much"])


def quiet_places(utterance: Utterance) -> frozenset[int]:
    """Token places where nothing is found or done: asides, hypotheticals, plans, others' finds."""
    quiet: set[int] = set()
    for mark in utterance.marked("aside", "hypothetical", "plan", "others"):
        start = _clause_start(utterance, mark.first)
        if mark.kind in ("aside", "others") and mark.first - start > _NEAR_CLAUSE_START:
            start = mark.first
        end = len(utterance.tokens)
        for turn in utterance.marked("but"):
            if turn.first > mark.last:
                end = turn.first
                break
        quiet.update(range(start, end))
    for mark in utterance.marked("demonstration"):
        quiet.update(range(mark.first, min(len(utterance.tokens), mark.last + 3)))
    return frozenset(quiet)


def _clause_start(utterance: Utterance, place: int) -> int:
    start = 0
    for turn in utterance.marked("but"):
        if turn.last < place:
            start = turn.last + 1
    return start


def question_places(utterance: Utterance) -> frozenset[int]:
    """Token places that are asked, not stated."""
    if utterance.after == "question":
        return frozenset(range(len(utterance.tokens)))
    asked: set[int] = set()
    for mark in utterance.marked("question"):
        if any(
            one.kind in ("negation", "after_negation") and one.first <= mark.first <= one.last + 1
            for one in utterance.marks
        ):
            continue  # "without any", "no ... any"
        asked.update(range(mark.first, len(utterance.tokens)))
    return frozenset(asked)


def sought_places(utterance: Utterance) -> frozenset[int]:
    """Token places that say what is being looked for."""
    sought: set[int] = set()
    for mark in utterance.marked("seeking"):
        sought.update(range(mark.first, len(utterance.tokens)))
    return frozenset(sought)


def denied(
    utterance: Utterance,
    first: int,
    last: int,
    status: Polarity,
    spots: Sequence[Spot],
) -> bool:
    """Whether the reading at these places is denied.

    A 'no' before denies signs (present, abnormal), also along a list; a quality that is
    normal is denied only by a 'not' close before it, as in "not symmetrical".
    """
    if status in ("normal", "absent"):
        return _not_close_before(utterance, first)
    return (
        _not_close_before(utterance, first)
        or _no_before(utterance, first, spots)
        or _denied_after(utterance, last, spots)
    )


def _not_close_before(utterance: Utterance, first: int) -> bool:
    light = word_lists().light
    for mark in utterance.marked("not_word"):
        if mark.last < first <= mark.last + 4:
            between = [token.text for token in utterance.tokens[mark.last + 1 : first]]
            if all(word in light or word in _SEEMING for word in between):
                return not _breaks(utterance, mark.last, first)
    return False


_SEEMING = frozenset(
    ["look", "seem", "appear", "feel", "sound", "perfectly", "entirely", "completely", "fully",
     "any", "that", "so", "looking", "particularly", "visibly"]
)  # fmt: skip


def _no_before(utterance: Utterance, first: int, spots: Sequence[Spot]) -> bool:
    for mark in reversed(utterance.marked("negation")):
        if mark.last >= first:
            if mark.first < first <= mark.last:
                return True  # the phrase of denial takes in the sign's first word
            continue
        if _reaches(utterance, mark, first, spots):
            return True
    return False


def _reaches(utterance: Utterance, mark: Mark, first: int, spots: Sequence[Spot]) -> bool:
    light = word_lists().light
    readings = [spot for spot in spots if spot.role == "reading" and mark.last < spot.first < first]
    covered = {place for spot in readings for place in range(spot.first, spot.last + 1)}
    names = {
        place
        for spot in spots
        if spot.role in ("name", "site")
        for place in range(spot.first, spot.last + 1)
    }
    foreign = 0
    begun = False
    for place in range(mark.last + 1, first):
        word = utterance.tokens[place].text
        if any(turn.first <= place <= turn.last for turn in utterance.marked("but", "except")):
            return False
        joined = word in _JOINERS or (place > 0 and utterance.tokens[place - 1].after == "weak")
        if place in covered:
            begun = True
            continue
        if place in names:
            if begun and not _joined_before(utterance, place):
                return False
            continue
        if joined or word in light:
            continue
        foreign += 1
        if foreign > _MOST_FOREIGN:
            return False
    # After a list has begun, what is not joined to it stands by itself
    # ("no swelling crackles at the base").
    if begun and not _joined_before(utterance, first):
        between = _words_since(readings, utterance, first)
        return not between and len({spot.first for spot in readings}) < 4
    return True


def _words_since(readings: Sequence[Spot], utterance: Utterance, first: int) -> list[str]:
    last = max(spot.last for spot in readings)
    light = word_lists().light
    return [token.text for token in utterance.tokens[last + 1 : first] if token.text not in light]


def _joined_before(utterance: Utterance, place: int) -> bool:
    """Whether a list goes on at ``place``: 'or', 'and' or a comma up to two words before."""
    for before in range(place - 1, max(-1, place - 4), -1):
        token = utterance.tokens[before]
        if token.text in _JOINERS or token.after == "weak":
            return True
        if token.text not in word_lists().light:
            return False
    return False


def _denied_after(utterance: Utterance, last: int, spots: Sequence[Spot]) -> bool:
    light = word_lists().light
    for mark in utterance.marked("after_negation"):
        if not last < mark.first <= last + 5:
            continue
        between = range(last + 1, mark.first)
        if any(spot.role == "reading" and spot.first in between for spot in spots) or _breaks(
            utterance, last, mark.first
        ):
            continue
        sites = {
            place
            for spot in spots
            if spot.role == "site"
            for place in range(spot.first, spot.last + 1)
        }
        if all(utterance.tokens[p].text in light or p in sites for p in between):
            return True
    return False


def _breaks(utterance: Utterance, first: int, last: int) -> bool:
    return any(token.after for token in utterance.tokens[first:last])


def hedged(utterance: Utterance, first: int, last: int) -> bool:
    """Whether a hedge stands in the clause around the places."""
    return any(
        mark.first <= last + 3 and mark.last >= first - 6 for mark in utterance.marked("hedge")
    )
