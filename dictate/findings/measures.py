"""Which item each spoken number of an utterance belongs to."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import lru_cache

from dictate.exam.catalogue import Catalogue, Item
from dictate.findings.context import Context
from dictate.findings.spotting import Spot, only_body
from dictate.findings.strange import is_stray
from dictate.findings.values import (
    MOST_STRENGTH,
    Measured,
    grades_strength,
    value_fits,
    value_for,
)
from dictate.talk.lexicon import compared, word_lists
from dictate.talk.numbers import Spoken, is_courtesy, ucum_unit
from dictate.talk.utterance import Utterance

_NUMERIC = ("quantity", "pressure", "ratio", "grade")
_FARTHEST_NAME = 10
_FARTHEST_NAME_AFTER = 4
_MENDED = ["way", "round"]  # "no, the other way round, one thirty five right"
_FROM_A_PLACE = frozenset(["below", "away", "from", "apart", "back"])
_ANY_LIMB = frozenset(["eye", "ear", "hand", "arm", "leg", "foot", "feet", "side"])
_IMPLAUSIBLE = "the number lies outside what is plausible"
_OF_THE_CLOCK = 4  # tokens between "time" and the hour
_MOST_STRANGE = 0  # strange words near a number that nothing names
_LEAST_PLUS_OF_STRENGTH = 4  # below it, 'plus' belongs to reflexes and pulses
_LEAST_SYSTOLIC = 70  # a pair from here on is a pressure even without its name


def measures_of(
    utterance: Utterance,
    spots: Sequence[Spot],
    silent: set[int],
    context: Context,
    catalogue: Catalogue,
    strange: frozenset[int] = frozenset(),
    unclear: frozenset[int] = frozenset(),
) -> Iterator[tuple[int, int, tuple[Item, Measured]]]:
    """Yield (first, last, (item, value)) for every number that is a value.

    ``silent`` are places of instructions and of talk in which nothing is found. A number
    that no item in sight can take is left out: courtesy counts, rooms, times of day; so is
    one among strange words that nothing names, or after a name that may be of anything
    (``unclear``: the places of such names).
    """
    tokens = [token.text for token in utterance.tokens]
    clock = _clock_places(tokens, spots)
    last_end = -1
    previous: Item | None = None
    for spoken in _corrected(utterance):
        places = range(spoken.first, spoken.last + 1)
        if any(place in silent for place in places) or (
            is_courtesy(tokens, spoken) and tokens[spoken.first - 2 : spoken.first] != _MENDED
        ):
            continue
        if _from_a_place(tokens, spoken) and not _in_a_wording(spots, spoken):
            continue
        if any(place < spoken.first for place in clock) and not _named_since(
            spots, spoken, last_end
        ):
            continue
        if any(spoken.first - _OF_THE_CLOCK <= place < spoken.first for place in clock):
            continue  # "is it time, it is nearly eleven"
        if _after_change(tokens, spoken) and last_end >= 0:
            continue  # "pupils three going to two"
        if any(last_end < place < spoken.first for place in unclear) or (
            previous is not None
            and not _named_since(spots, spoken, last_end)
            and _of_else(utterance, spots, spoken, last_end)
        ):
            last_end = spoken.last
            continue
        found: tuple[Item, Measured] | None = None
        if (
            previous is not None
            and _can_have_two(previous, utterance)
            and not _named_since(spots, spoken, last_end)
        ):
            # "four on the right, five on the left": the second number is the same item's.
            measured = value_for(previous, spoken, catalogue)
            if measured is not None and measured.fits:
                found = (previous, measured)
        stray = is_stray(utterance, strange, spoken.first, spoken.last, _MOST_STRANGE)
        found = found or _owner(utterance, spots, spoken, last_end, context, catalogue, stray)
        if found is not None:
            previous = found[0]
            listed = list(_listed_with(found[0], utterance, spots, spoken, last_end, catalogue))
            if not (listed and found[0].by_name):
                yield spoken.first, spoken.last, found
            for one in listed:
                yield spoken.first, spoken.last, one
            last_end = spoken.last


def _clock_places(tokens: Sequence[str], spots: Sequence[Spot]) -> list[int]:
    """Where 'time' is said and is no part of a name ("capillary refill time")."""
    named = {
        place for spot in spots if spot.role == "name" for place in range(spot.first, spot.last + 1)
    }
    return [
        place
        for place, word in enumerate(tokens)
        if word == "time" and place not in named and place - 1 not in named
    ]


_CHANGING = frozenset(["going", "down", "shrinking", "constricting", "narrowing", "closing"])


def _after_change(tokens: Sequence[str], spoken: Spoken) -> bool:
    """Whether the number is what something changes to."""
    before = tokens[max(0, spoken.first - 2) : spoken.first]
    if tokens[spoken.first] == "to":
        before = tokens[max(0, spoken.first - 1) : spoken.first + 1]
    return len(before) == 2 and before[1] == "to" and before[0] in _CHANGING


def _listed_with(
    item: Item,
    utterance: Utterance,
    spots: Sequence[Spot],
    spoken: Spoken,
    last_end: int,
    catalogue: Catalogue,
) -> Iterator[tuple[Item, Measured]]:
    """Further items in a list of names that one grade is said of ("biceps and triceps two plus").

    The list stands before the number, or after it where the number is of all of them
    ("reflexes two plus, biceps, triceps and knees").
    """
    if item.kind != "grade":
        return
    alike = [
        spot
        for spot in spots
        if spot.role == "name"
        and (catalogue.items[spot.item].region, catalogue.items[spot.item].scale)
        == (item.region, item.scale)
    ]
    numbers = [one.first for one in utterance.numbers]
    before = [spot for spot in alike if last_end < spot.first and spot.last < spoken.first]
    after = [
        spot
        for spot in alike
        if spot.first > spoken.last and not any(spoken.last < one for one in numbers)
    ]
    listed = _in_a_row(before, utterance)
    if not any(spot.item == item.id for spot in listed) or len(listed) < _LIST:
        listed = []
    of_all = any(spot.item == item.id for spot in before) and len({s.item for s in before}) == 1
    if of_all and not listed:
        listed = _in_a_row(after, utterance)
        if len({spot.first for spot in listed}) < _LIST:
            return
    seen = {item.id}
    for spot in listed:
        other = catalogue.items[spot.item]
        if other.id not in seen and other.default:
            seen.add(other.id)
            measured = value_for(other, spoken, catalogue)
            if measured is not None and measured.fits:
                yield other, measured


_LIST = 2  # names that make a list
_LISTING = frozenset(["and", "or", "both", "the", "then", "also", "as", "well"])


def _in_a_row(names: Sequence[Spot], utterance: Utterance) -> list[Spot]:
    """The last run of names with nothing but joining words between them, one item a place."""
    row: list[Spot] = []
    for spot in sorted(names, key=lambda one: (one.first, -one.last)):
        if row and spot.first <= row[-1].last:
            continue
        between = utterance.tokens[row[-1].last + 1 : spot.first] if row else ()
        if row and not all(token.text in _LISTING for token in between):
            row = []
        row.append(spot)
    return row


def _from_a_place(tokens: Sequence[str], spoken: Spoken) -> bool:
    """Whether the number tells how far off something is done ("ten centimetres below the knee")."""
    return tokens[spoken.last + 1 : spoken.last + 2] != [] and (
        tokens[spoken.last + 1] in _FROM_A_PLACE
    )


def _in_a_wording(spots: Sequence[Spot], spoken: Spoken) -> bool:
    """Whether an item says its value so ("ten centimetres from top to bottom")."""
    return any(
        spot.role == "value" and spot.first <= spoken.first and spoken.last < spot.last
        for spot in spots
    )


def _can_have_two(item: Item, utterance: Utterance) -> bool:
    """Whether two numbers in one utterance can both be the item's: of two sides or places."""
    if item.sides == "paired" or item.sites is not None:
        return True
    return bool(utterance.marked("slip", "replace", "no"))


def _named_since(spots: Sequence[Spot], spoken: Spoken, since: int) -> bool:
    return any(
        spot.role in ("name", "act", "question") and since < spot.first < spoken.first
        for spot in spots
    )


def _of_else(utterance: Utterance, spots: Sequence[Spot], spoken: Spoken, since: int) -> bool:
    """Whether a movement stands between two numbers: "flexes eighty, extends seventy"."""
    known = {
        place
        for spot in spots
        if spot.role in ("site", "region")
        for place in range(spot.first, spot.last + 1)
    }
    return any(
        compared(utterance.tokens[place].text) in _movements() and place not in known
        for place in range(since + 1, spoken.first)
    )


_MOVEMENTS = ("extension", "flexion", "rotation", "abduction", "adduction", "internal", "external")


@lru_cache(maxsize=1)
def _movements() -> frozenset[str | None]:
    return frozenset(compared(word) for word in (*word_lists().moving, *_MOVEMENTS)) - {None}


def _corrected(utterance: Utterance) -> Iterator[Spoken]:
    """The numbers without those taken back at once ("one thirty, no, one forty over eighty")."""
    numbers = list(utterance.numbers)
    for place, spoken in enumerate(numbers):
        if place + 1 < len(numbers):
            following = numbers[place + 1]
            if any(
                spoken.last < mark.first
                and mark.last < following.first
                and following.first - mark.last <= 2
                and mark.first - spoken.last <= 2
                for mark in utterance.marked("slip", "replace")
            ) and not _complete_pair(spoken, following):
                continue
        yield spoken


def _complete_pair(spoken: Spoken, following: Spoken) -> bool:
    """A finished value before the correction stays in the record and is replaced there."""
    forms = {reading.form for reading in spoken.readings}
    later = {reading.form for reading in following.readings}
    # "One thirty over eighty two, no, seventy eight" mends a half of the pair.
    return "pair" in forms or "pair" not in later


def _owner(
    utterance: Utterance,
    spots: Sequence[Spot],
    spoken: Spoken,
    last_end: int,
    context: Context,
    catalogue: Catalogue,
    stray: bool,
) -> tuple[Item, Measured] | None:
    misfit: tuple[Item, Measured] | None = None
    for item, surely in _candidates(utterance, spots, spoken, last_end, context, catalogue, stray):
        measured = value_for(item, spoken, catalogue)
        if measured is None:
            continue
        if measured.fits:
            return item, measured
        # A value out of range is kept only where the item was named with it.
        if surely and misfit is None:
            doubts = measured.doubts or (_IMPLAUSIBLE,)
            misfit = (item, replace(measured, doubts=doubts))
    return misfit


def _candidates(
    utterance: Utterance,
    spots: Sequence[Spot],
    spoken: Spoken,
    last_end: int,
    context: Context,
    catalogue: Catalogue,
    stray: bool,
) -> Iterator[tuple[Item, bool]]:
    at = utterance.start
    seen: set[str] = set()

    def fresh(item: Item) -> bool:
        if item.id in seen or item.kind not in _NUMERIC:
            return False
        seen.add(item.id)
        return True

    def by_rank(chosen: Sequence[Spot]) -> list[Item]:
        items = {spot.item: catalogue.items[spot.item] for spot in chosen}
        return sorted(
            items.values(),
            key=lambda item: (
                not _suits(item, spoken, catalogue),
                -context.rank(item, at, catalogue),
                catalogue.place[item.id],
            ),
        )

    of_value = [
        spot
        for spot in spots
        if (
            (spot.role == "value" or (spot.role == "act" and spoken.unit is not None))
            and spot.first <= spoken.first <= spot.last
        )
        # "Fourteen breaths a minute": the unit names the item.
        or (spot.role == "name" and spoken.first < spot.first and spot.last <= spoken.last)
    ]
    if stray:
        # "Step forward two paces"
        of_value = []
    in_hand = catalogue.items[context.topic] if context.topic and context.topic_holds(at) else None
    if (
        in_hand is not None
        and in_hand.kind == "ratio"
        and in_hand.id not in {spot.item for spot in of_value}
        and all(catalogue.items[spot.item].kind == "ratio" for spot in of_value)
        and not any(spot.role == "name" and not only_body(utterance, spot) for spot in spots)
        and fresh(in_hand)
    ):
        yield in_hand, False  # "left eye twenty over twenty five", at the chart
    named = {spot.item for spot in spots if spot.role in ("name", "act")}
    for item in by_rank(of_value):
        if context.region not in (None, item.region) and not (
            item.id in named or _tells_part(utterance, of_value, item)
        ):
            continue  # "one down here two", of fingers: no descent of the diaphragm
        if fresh(item):
            # "Down forty five" of an ankle is no descent of the diaphragm.
            yield item, context.region in (None, item.region)
    before = [
        spot
        for spot in spots
        if spot.role in ("name", "act", "question", "reading")
        and last_end - 6 < spot.first
        and spot.last < spoken.first
        and _words_between(utterance, spot.last, spoken.first) < _FARTHEST_NAME
        and catalogue.items[spot.item].kind in _NUMERIC
    ]
    for name_end in sorted({spot.last for spot in before}, reverse=True):
        for item in by_rank([spot for spot in before if spot.last == name_end]):
            if item.strength is not None and _is_strength(spoken, item):
                strength = catalogue.items[item.strength]
                if fresh(strength):
                    yield strength, True  # "elbow bend is five out of five"
            if fresh(item):
                yield item, True
    after = [
        spot
        for spot in spots
        if spot.role == "name"
        and spoken.last < spot.first <= spoken.last + _FARTHEST_NAME_AFTER
        and catalogue.items[spot.item].kind in _NUMERIC
        and not any(t.after for t in utterance.tokens[spoken.last : spot.first])
    ]
    for name_start in sorted({spot.first for spot in after}):
        for item in by_rank([spot for spot in after if spot.first == name_start]):
            if fresh(item):
                yield item, True
    if stray:
        return
    named_other = any(
        spot.role == "name"
        and spot.last < spoken.first
        and spot.first > last_end
        and not (spot.weight == 1 and utterance.tokens[spot.last].text.rstrip("s") in _ANY_LIMB)
        for spot in spots
    )
    if context.topic_holds(at) and context.topic and not (named_other or context.gone_on):
        item = catalogue.items[context.topic]
        if item.strength is not None and _is_strength(spoken, item):
            strength = catalogue.items[item.strength]
            if fresh(strength):
                yield strength, False
        if item.bare_number and fresh(item):
            yield (
                item,
                spoken.unit is not None or (_alone(utterance, spoken) and not _is_digit(spoken)),
            )
    if not named_other:
        for item in _named_together(spoken, context, catalogue, at):
            if fresh(item):
                yield item, False
    for item in _by_form(spoken, context, catalogue):
        if fresh(item):
            yield item, False
    numberless = all(
        catalogue.items[spot.item].kind not in _NUMERIC
        for spot in spots
        if spot.role == "name" and last_end < spot.first < spoken.first
    )
    if not named_other or numberless:
        last_named = [s for s in spots if s.role == "name" and s.last < spoken.first]
        region = catalogue.items[last_named[-1].item].region if last_named else context.region
        alone = _nothing_else(utterance, spots, spoken)
        for item in _by_unit_here(spoken, region, catalogue, alone, context.topic or ""):
            if fresh(item):
                yield item, False


def _tells_part(utterance: Utterance, spots: Sequence[Spot], item: Item) -> bool:
    """Whether an item's wording of its value holds a part of the body ("groins two plus")."""
    lists = word_lists()
    parts = lists.body | lists.paired | lists.limbs
    return any(
        spot.item == item.id
        and any(token.text in parts for token in utterance.tokens[spot.first : spot.last + 1])
        for spot in spots
    )


def _is_strength(spoken: Spoken, movement: Item) -> bool:
    """Whether a number is said as strength is: out of five, or a bare one up to five.

    A bare number is none where so few degrees are usual, as for a straight knee.
    """
    best = spoken.readings[0]
    if spoken.unit is not None or not best.values:
        return False
    if best.form == "grade":
        return len(best.values) == 2 and best.values[1] == MOST_STRENGTH
    return best.form == "integer" and grades_strength(movement, spoken)


def _words_between(utterance: Utterance, first: int, last: int) -> int:
    """How many words lie between two places, hedges and the like aside."""
    passed_over = {
        place
        for mark in utterance.marked("hedge", "unsure", "slip")
        for place in range(mark.first, mark.last + 1)
    }
    return sum(place not in passed_over for place in range(first + 1, last))


def _suits(item: Item, spoken: Spoken, catalogue: Catalogue) -> bool:
    """Whether a grade is said as this item's scale is: "two plus", "four out of five"."""
    if item.kind != "grade" or item.scale is None:
        return True
    scale = catalogue.scales[item.scale]
    best = spoken.readings[0]
    if best.form == "grade" and len(best.values) == 2:
        return int(best.values[1]) in scale.out_of
    if best.modifier == "plus" and best.values and best.values[0] < _LEAST_PLUS_OF_STRENGTH:
        return scale.plus
    return True


def _alone(utterance: Utterance, spoken: Spoken) -> bool:
    return spoken.last - spoken.first + 1 >= len(utterance.tokens) - 2


def _is_digit(spoken: Spoken) -> bool:
    """Whether no more than one digit was said: nobody means ninety by it."""
    best = spoken.readings[0]
    return best.form == "integer" and best.values[0] < _TWO_DIGITS


_TWO_DIGITS = 10


def _by_form(spoken: Spoken, context: Context, catalogue: Catalogue) -> Iterator[Item]:
    """Items that the number's own form gives away: a pressure's pair, a percent sign."""
    for reading in spoken.readings:
        if (
            reading.form == "pair"
            and reading.values[0] >= _LEAST_SYSTOLIC
            and not (reading.garbled or reading.shorthand)
        ):
            yield from (item for item in catalogue.items.values() if item.kind == "pressure")
            break
    best = spoken.readings[0]
    if best.form == "grade" and len(best.values) == 2:
        graded = [
            item
            for item in catalogue.items.values()
            if item.region == context.region
            and item.scale is not None
            and int(best.values[1]) in catalogue.scales[item.scale].out_of
        ]
        if len(graded) == 1:
            yield graded[0]  # "two over six", while the heart is in hand
    if spoken.unit is not None:
        ucum = ucum_unit(spoken.unit)
        owners = [
            item
            for item in catalogue.items.values()
            if item.kind == "quantity"
            and item.bare_number
            and ucum in (item.unit, *item.other_units)
        ]
        if len(owners) == 1:
            yield owners[0]


def _named_together(
    spoken: Spoken, context: Context, catalogue: Catalogue, at: float
) -> Iterator[Item]:
    """What the last name may mean besides, where the number fits only that ("pupils ... four")."""
    if context.topic not in context.named_together and context.topic_at > context.named_at:
        return  # something else was done or told since
    fitting = [
        item
        for item_id in sorted(context.named_together)
        if context.named_just_now(item_id, at) and (item := catalogue.items[item_id]).bare_number
        if item.kind in _NUMERIC
        and item.region == context.region
        and (measured := value_for(item, spoken, catalogue)) is not None
        and measured.fits
    ]
    if len(fitting) == 1:
        yield fitting[0]


def _nothing_else(utterance: Utterance, spots: Sequence[Spot], spoken: Spoken) -> bool:
    """Whether all that is said beside the number is known or says nothing."""
    lists = word_lists()
    known = {
        place
        for spot in spots
        if spot.role in ("name", "reading", "region")
        for place in range(spot.first, spot.last + 1)
    }
    known |= {p for mark in utterance.marks for p in range(mark.first, mark.last + 1)}
    return all(
        spoken.first <= place <= spoken.last
        or place in known
        or token.text in lists.light
        or token.text in _MEASURING
        for place, token in enumerate(utterance.tokens)
    )


_MEASURING = frozenset(
    ["about", "make", "it", "get", "reads", "measures", "say", "says", "and", "so", "same", "size"]
)


_NEXT_ITEMS = 2  # items of the exam between what is in hand and what is measured


def _by_unit_here(
    spoken: Spoken, region: str | None, catalogue: Catalogue, alone: bool, topic: str
) -> Iterator[Item]:
    """The one item of a region that is measured in the unit said.

    ``alone``: nothing else is said, so that of several the one may be meant that the number
    fits, or the one next to the topic.
    """
    if spoken.unit is None or region is None:
        return
    ucum = ucum_unit(spoken.unit)
    sharing = [
        item
        for item in catalogue.items.values()
        if item.region == region and item.kind == "quantity" and item.default and ucum == item.unit
    ]
    fitting = [item for item in sharing if value_fits(item, spoken, catalogue)]
    if len(fitting) == 1 and (alone or len(sharing) == 1):
        yield fitting[0]
    elif alone and topic in catalogue.place:
        place = catalogue.place
        near = [one for one in fitting if abs(place[one.id] - place[topic]) <= _NEXT_ITEMS]
        if len(near) == 1:
            yield near[0]
