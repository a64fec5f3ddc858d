"""Words that are strange to the talk in hand: what is said among them is about something else."""

from __future__ import annotations

from collections.abc import Sequence

from dictate.findings.spotting import Spot
from dictate.talk.lexicon import compared, word_lists
from dictate.talk.utterance import Utterance

_ADVERB = 5  # letters; a longer word in -ly tells how, not what
_BEFORE, _AFTER = 7, 5  # tokens around a result that are taken for its sentence
_LINKING = frozenset(
    ["is", "are", "was", "were", "be", "been", "looks", "look", "feels", "feel", "sounds", "sound",
     "seems", "seem", "gets", "got", "went", "goes"]
)  # fmt: skip


def strange_places(
    utterance: Utterance, spots: Sequence[Spot], known: frozenset[str], near: frozenset[str]
) -> frozenset[int]:
    """Token places whose words belong to no mention, mark or number and to no plain talk.

    ``known`` are the words of the region in hand, as they are compared, and ``near`` its
    items; where no region is in hand yet, every item is near.
    """
    covered = {
        place
        for spot in spots
        if spot.role in ("name", "site", "region", "act", "question")
        or not near
        or spot.item in near
        or spot.weight > 1
        for place in range(spot.first, spot.last + 1)
    }
    covered |= {
        place
        for mark in utterance.marks
        for place in range(mark.first, mark.last + 1)
        if utterance.tokens[place].text != "nil"
    }
    covered |= {p for one in utterance.numbers for p in range(one.first, one.last + 1)}
    plain = word_lists().plain
    return frozenset(
        place
        for place, token in enumerate(utterance.tokens)
        if place not in covered
        and token.text not in plain
        and not (token.text.endswith("ly") and len(token.text) > _ADVERB)  # "gurgling merrily"
        and (form := compared(token.text)) is not None
        and form not in known
    )


def is_stray(
    utterance: Utterance, strange: frozenset[int], first: int, last: int, most: int
) -> bool:
    """Whether what is said at these places is about something that is not examined.

    Either a strange word is what is described ("the class is full", "a dull lecture"), or
    more than ``most`` strange words stand near.
    """
    if not strange:
        return False
    near = [place for place in strange if first - _BEFORE <= place <= last + _AFTER]
    return (
        len(near) > most
        or _describes_next(utterance, strange, last)
        or _is_of_subject(utterance, strange, first)
    )


def _describes_next(utterance: Utterance, strange: frozenset[int], last: int) -> bool:
    return last + 1 in strange and not utterance.tokens[last].after


def _is_of_subject(utterance: Utterance, strange: frozenset[int], first: int) -> bool:
    linked = False
    light = word_lists().light
    for place in range(first - 1, max(-1, first - 6), -1):
        token = utterance.tokens[place]
        if token.after in ("strong", "question"):
            return False
        if token.text in _LINKING:
            linked = True
        elif place in strange:
            return linked
        elif token.text not in light:
            return False
    return False
