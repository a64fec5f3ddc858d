"""Words heard as others of like sound, read as what the item in hand would say there.

A word that is strange to the talk in hand is taken for one that sounds close where that
completes a wording of an item of the region in hand. What rests on such a reading is
marked to be confirmed and keeps what was heard. Numbers are never read so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from dictate.exam.catalogue import Catalogue
from dictate.exam.expansion import literal_words, parsed
from dictate.findings.context import Context
from dictate.findings.spotting import Spot, Spotter
from dictate.findings.strange import strange_places
from dictate.recognition.general_model import GeneralEnglish
from dictate.recognition.likeness import Near, SoundAlikes
from dictate.recognition.number_words import NUMBER_WORDS
from dictate.talk.lexicon import compared, dialogue_phrases, word_lists
from dictate.talk.marking import marks_of
from dictate.talk.numbers import find_numbers
from dictate.talk.patterns import NUMBER
from dictate.talk.utterance import Utterance

REACH = 7  # tokens from a word read by sound within which a finding rests on it
READ_BY_SOUND = 0.4  # the most confidence of a finding that rests on such a reading
_FEWEST_PHONES = 3
_LONGEST = 40  # tokens; longer stretches are no speech of one breath
_MOST_STRANGE = 2  # strange words near; more are talk of something else
_MOST_TRIED = 8  # words put in the place of one
_NAME_REACH = 12  # tokens between a name and its result
# Weighted distance per phone up to which a word is taken for another:
_ALIKE = 0.30  # where other words of the wording, or the name of the item, were heard
_VERY_ALIKE = 0.20  # where it is a wording by itself
_SAME = 0.13  # where it is a side, or one of only two words that bid to do something
_LIKE_ANOTHER = 0.05  # where what was heard is a common word and a side is meant
_PLAIN = 0.25  # plain words: no sign of talk about something else
# Words near that belong to nothing examined, up to which a reading by sound is made:
_COMMON = 2.5e-6  # share of general English from which on a word is likely to be said
_FOREIGN_TO_ACT = 1
_FOREIGN_TO_PHRASE = 3
_FOREIGN_TO_SIDE = 2


@dataclass(frozen=True)
class _Reading:
    """A word put in the place of a strange one, and how much speaks for it."""

    utterance: Utterance
    spots: list[Spot]
    worth: float


class Rescue:
    """Reads strange words by their sound, within the region and topic in hand."""

    def __init__(self, catalogue: Catalogue, spotter: Spotter) -> None:
        self._items = catalogue.items
        self._spotter = spotter
        self._owners: dict[str, set[str]] = {}

    def of(
        self, utterance: Utterance, spots: list[Spot], context: Context
    ) -> tuple[Utterance, list[Spot]]:
        """The utterance with words read by sound where that completes a wording, and its spots."""
        region = self._region_of(spots, context)
        if region is None or len(utterance.tokens) > _LONGEST:
            return utterance, spots
        topic = context.topic if context.topic_holds(utterance.start) else None
        strange = self._strange(utterance, spots, region)
        odd = [place for place in strange if not _is_plain(self._near(utterance, place))]
        for place in sorted(strange):
            if sum(abs(one - place) <= REACH for one in odd) > _MOST_STRANGE:
                continue
            best = self._side(utterance, spots, place, region, topic) or self._best(
                utterance, place, region, topic
            )
            if best is not None:
                utterance, spots = best.utterance, best.spots
        return utterance, spots

    def _near(self, utterance: Utterance, place: int) -> tuple[Near, ...]:
        return _alikes(self._spotter).near(utterance.tokens[place].text)

    def _side(
        self,
        utterance: Utterance,
        spots: Sequence[Spot],
        place: int,
        region: str,
        topic: str | None,
    ) -> _Reading | None:
        """'Write ear' as the right ear, where something paired is spoken of."""
        near = [one for one in self._near(utterance, place) if one.word in ("left", "right")]
        tokens = utterance.tokens
        heard = tokens[place].text
        common = _is_common(heard) or heard in self._spotter.spelled
        if not near or near[0].apart > (_LIKE_ANOTHER if common else _SAME):
            return None
        paired = {
            item for item in ({topic} if topic else set()) | {spot.item for spot in spots}
            if item in self._items and self._items[item].sides == "paired"
            and self._items[item].region == region
        }  # fmt: skip
        beside = [at for at in (place - 1, place + 1) if 0 <= at < len(tokens)]
        if not paired or any(tokens[at].text in ("left", "right") for at in beside):
            return None
        body = word_lists().body | word_lists().paired
        starts = {spot.first for spot in spots} | {number.first for number in utterance.numbers}
        ends = {spot.last for spot in spots if spot.role in ("name", "site", "reading")}
        after = tokens[place].after == "" and place + 1 < len(tokens)
        stands = after and (place + 1 in starts or tokens[place + 1].text in body)
        stands |= place > 0 and place - 1 in ends
        mine = [spot for spot in spots if self._belongs(spot, region)]
        if not stands or _foreign(utterance, mine, place) > _FOREIGN_TO_SIDE:
            return None
        changed = _with(utterance, place, near[0].word)
        return _Reading(changed, self._spotter.spots(changed), 1.0)

    def _region_of(self, spots: Sequence[Spot], context: Context) -> str | None:
        """The region named in the utterance, else the one in hand."""
        named = {self._items[spot.item].region for spot in spots if spot.role == "name"}
        if context.region in named or len(named) != 1:
            return context.region
        return named.pop()

    def _strange(self, utterance: Utterance, spots: Sequence[Spot], region: str) -> frozenset[int]:
        items = self._items
        near = frozenset(
            spot.item for spot in spots if spot.item in items and items[spot.item].region == region
        )
        return strange_places(utterance, spots, self._spotter.known_in(region), near)

    def _best(
        self, utterance: Utterance, place: int, region: str, topic: str | None
    ) -> _Reading | None:
        """The word that makes most sense at a place, if any does."""
        around = {
            form
            for token in utterance.tokens[max(0, place - REACH) : place + REACH + 1]
            for form in (compared(token.text), token.text)
            if form is not None
        } | {NUMBER}
        owners = self._owners_in(region)
        best: _Reading | None = None
        tried = 0
        heard = utterance.tokens[place].text
        rivalled = common = _is_common(heard) or heard in self._spotter.spelled
        for near in self._near(utterance, place):
            if (
                near.apart > (_SAME if common else _ALIKE)
                or tried == _MOST_TRIED
                or _is_number(near.word)
            ):
                break
            if not _may_stand(near) or near.word not in self._spotter.spelled:
                rivalled |= near.word in _plain_words()
                continue
            if not self._spotter.may_complete(near.word, around, owners):
                continue
            tried += 1
            changed = _with(utterance, place, near.word)
            spots = self._spotter.spots(changed)
            worth = self._worth(changed, spots, place, near, region, topic, rivalled)
            if worth > 0 and (best is None or worth > best.worth):
                best = _Reading(changed, spots, worth)
        return best

    def _owners_in(self, region: str) -> set[str]:
        owners = self._owners.get(region)
        if owners is None:
            mine = [item for item in self._items.values() if item.region == region]
            owners = {f"item|{item.id}" for item in mine} | {f"site|{item.sites}" for item in mine}
            self._owners[region] = owners
        return owners

    def _worth(
        self,
        utterance: Utterance,
        spots: Sequence[Spot],
        place: int,
        near: Near,
        region: str,
        topic: str | None,
        rivalled: bool,
    ) -> float:
        """How much the mentions at the place speak for the reading; 0 where nothing does.

        ``rivalled`` says that what was heard is likely to have been said, or that a plain
        word sounds nearer: then words of the same wording must have been heard.
        """
        spots = [spot for spot in spots if self._belongs(spot, region)]
        foreign = _foreign(utterance, spots, place)
        beside = [
            spot
            for spot in spots
            if not spot.first <= place <= spot.last and abs(spot.first - place) <= _NAME_REACH
        ]
        named = {spot.item for spot in beside if spot.role == "name"}
        told = {spot.item for spot in beside if spot.role in ("reading", "value")}
        worth = 0.0
        for spot in spots:
            if not spot.first <= place <= spot.last:
                continue
            heard = _words_heard(utterance, spot, place)
            if spot.role in ("act", "question"):
                holds = heard > 1 or (heard == 1 and near.apart <= _SAME and not rivalled)
                holds &= foreign <= _FOREIGN_TO_ACT
            elif spot.role == "site":
                sited = named | ({topic} if topic else set())
                holds = any(self._items[item].sites == spot.item for item in sited)
                holds &= not rivalled and foreign == 0
                holds &= heard > 0 or near.apart <= _VERY_ALIKE
            elif heard:
                holds = foreign <= _FOREIGN_TO_PHRASE
            elif rivalled:
                holds = False
            elif spot.role == "reading":
                backed = spot.item == topic or spot.alone
                holds = spot.item in named or (backed and near.apart <= _VERY_ALIKE)
                holds &= foreign == 0
            elif spot.role == "name":
                holds = spot.item in told and foreign == 0
            else:
                holds = False
            if holds:
                worth = max(worth, 1.0 + heard - 3 * near.apart)
        return worth

    def _belongs(self, spot: Spot, region: str) -> bool:
        if spot.role == "region":
            return False
        if spot.role == "site":
            return f"site|{spot.item}" in self._owners_in(region)
        return self._items[spot.item].region == region


@lru_cache(maxsize=1)
def _english() -> GeneralEnglish:
    return GeneralEnglish()


@lru_cache(maxsize=4096)
def _is_common(word: str) -> bool:
    """Whether a word is common in English, so that it may well have been said."""
    return word in word_lists().things or _english().p((word,)) >= _COMMON


def _is_plain(near: Sequence[Near]) -> bool:
    """Whether a strange word is most likely a plain one heard wrongly ("und")."""
    return bool(near) and near[0].apart <= _PLAIN and near[0].word in _plain_words()


@lru_cache(maxsize=1)
def _plain_words() -> frozenset[str]:
    """Words of any talk, none of which is read as a word of the examination."""
    lists = word_lists()
    said = {
        word
        for phrases in dialogue_phrases().values()
        for phrase in phrases
        for word in literal_words(parsed(phrase))
    }
    return lists.light | lists.hollow | lists.plain | NUMBER_WORDS | said


def _foreign(utterance: Utterance, spots: Sequence[Spot], place: int) -> int:
    """How many words near a place belong to nothing that is examined, asked or marked."""
    covered = {at for one in spots for at in range(one.first, one.last + 1)}
    covered |= {at for one in utterance.marks for at in range(one.first, one.last + 1)}
    covered |= {at for one in utterance.numbers for at in range(one.first, one.last + 1)}
    passing = word_lists().light | _PASSING
    first, last = max(0, place - REACH), min(len(utterance.tokens) - 1, place + REACH)
    return sum(
        at != place and at not in covered and utterance.tokens[at].text not in passing
        for at in range(first, last + 1)
    )


_PASSING = frozenset(
    ["and", "or", "but", "anywhere", "everywhere", "throughout", "slightly", "mildly", "fairly",
     "bit", "little", "maybe", "only"]
)  # fmt: skip


def _words_heard(utterance: Utterance, spot: Spot, place: int) -> int:
    """How many words of a mention were heard as they are, light ones and numbers aside."""
    numbers = {at for one in utterance.numbers for at in range(one.first, one.last + 1)}
    return sum(
        at != place
        and at not in numbers
        and at not in utterance.taken_for
        and compared(utterance.tokens[at].text) is not None
        for at in range(spot.first, spot.last + 1)
    )


def _with(utterance: Utterance, place: int, word: str) -> Utterance:
    """The utterance with another word at one place; what was heard there is kept."""
    tokens = list(utterance.tokens)
    heard = tokens[place].text
    tokens[place] = tokens[place].model_copy(update={"text": word})
    return utterance.model_copy(
        update={
            "tokens": tuple(tokens),
            "marks": tuple(marks_of(tokens)),
            "taken_for": {**utterance.taken_for, place: heard},
        }
    )


def _may_stand(near: Near) -> bool:
    """Whether a word may be put in another's place: long enough, of the examination, no number."""
    lists = word_lists()
    return (
        near.phones >= _FEWEST_PHONES
        and near.word not in lists.light
        and near.word not in lists.hollow
        and not _is_number(near.word)
    )


@lru_cache(maxsize=4096)
def _is_number(word: str) -> bool:
    return bool(find_numbers([word]))


@lru_cache(maxsize=2)
def _alikes(spotter: Spotter) -> SoundAlikes:
    return SoundAlikes({*spotter.spelled, *_plain_words()})


def read_by_sound(utterance: Utterance, first: int, last: int) -> tuple[str, ...]:
    """Sentences that say which words near these places were read as others of like sound."""
    return tuple(
        _told(utterance, place)
        for place in sorted(utterance.taken_for)
        if first - REACH <= place <= last + REACH
    )


def _told(utterance: Utterance, place: int) -> str:
    heard, read = utterance.taken_for[place], utterance.tokens[place].text
    return f"'{heard}' was taken for '{read}' by its sound"


def carried_by_sound(
    context: Context, item: str, side: str | None, inferred: bool, named: bool
) -> tuple[str, ...]:
    """Such sentences of earlier talk, where a finding has its side or its item from there."""
    carried: tuple[str, ...] = ()
    if inferred and side in ("left", "right"):
        carried += context.side_by_sound
    if item == context.topic and not named:
        carried += tuple(one for one in context.topic_by_sound if one not in carried)
    return carried


def remember(
    utterance: Utterance, spots: Sequence[Spot], topic: str | None, context: Context
) -> None:
    """Keep in mind whether side and topic rest on words read by sound; ``topic`` was before."""
    sides = [at for at, token in enumerate(utterance.tokens) if token.text in ("left", "right")]
    if sides:
        last = sides[-1]
        context.side_by_sound = (_told(utterance, last),) if last in utterance.taken_for else ()
    names = [spot for spot in spots if spot.role == "name" and spot.item == context.topic]
    if utterance.taken_for and (names or context.topic != topic):
        context.topic_by_sound = read_by_sound(utterance, 0, len(utterance.tokens))
    elif names:
        context.topic_by_sound = ()
