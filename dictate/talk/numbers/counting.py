"""A count over part of a minute and its multiple ("thirty six times two, seventy two")."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from dictate.talk.numbers.model import Reading, Spoken

_TIMES = frozenset(["times", "x"])
_FACTORS = frozenset([Decimal(2), Decimal(3), Decimal(4), Decimal(6)])  # parts of a minute
_DOUBLED = frozenset(["doubled", "doubles", "doubling", "twice"])
_WITHIN = frozenset(["in", "over", "for"])
_SECONDS = frozenset([Decimal(10), Decimal(15), Decimal(20), Decimal(30)])
_GIVING = frozenset(
    ["is", "that", "that's", "makes", "equals", "gives", "so", "which", "and", "or", "it", "to",
     "uh", "um", "er"]
)  # fmt: skip


def with_products(tokens: Sequence[str], numbers: Sequence[Spoken]) -> list[Spoken]:
    """Put the product in place of a count, its factor and the product said after them.

    A product that was not said, or another than the count gives, makes the number doubtful.
    """
    found: list[Spoken] = []
    at = 0
    while at < len(numbers):
        product, used = _product(tokens, numbers[at:])
        found.append(product or numbers[at])
        at += used
    return found


def _product(tokens: Sequence[str], numbers: Sequence[Spoken]) -> tuple[Spoken | None, int]:
    count = numbers[0]
    if len(numbers) < 2 or count.unit is not None or count.readings[0].form != "integer":
        return None, 1
    factor = numbers[1]
    between = [token.lower().strip(",.") for token in tokens[count.last + 1 : factor.first]]
    if _DOUBLED.intersection(between) and all(word in _GIVING | _DOUBLED for word in between):
        # "Thirty five, so doubled that is seventy"
        said = factor.readings[0].values[0] if factor.readings[0].values else Decimal(0)
        wrong = factor.readings[0].form != "integer" or said != 2 * count.readings[0].values[0]
        return _spoken(tokens, count, factor, said, doubtful=wrong), 2
    if between and between[0] in _WITHIN and len(between) == 1:
        return _in_seconds(tokens, numbers)
    if len(between) != 1 or between[0] not in _TIMES:
        return None, 1
    each = count.readings[0].values[0]
    for reading in factor.readings:
        if reading.form == "list" and len(reading.values) == 2:
            by, said = reading.values
            if by in _FACTORS:
                return _spoken(tokens, count, factor, said, doubtful=said != each * by), 2
    by = factor.readings[0].values[0] if factor.readings[0].values else Decimal(0)
    if factor.readings[0].form != "integer" or by not in _FACTORS:
        return None, 1
    if len(numbers) > 2:
        result = numbers[2]
        words = [token.lower().strip(",.") for token in tokens[factor.last + 1 : result.first]]
        plain = result.readings[0]
        if all(word in _GIVING for word in words) and plain.form == "integer":
            said = plain.values[0]
            return _spoken(tokens, count, result, said, doubtful=said != each * by), 3
    return _spoken(tokens, count, factor, each * by, doubtful=True), 2


def _in_seconds(tokens: Sequence[str], numbers: Sequence[Spoken]) -> tuple[Spoken | None, int]:
    """A count in so many seconds, with the rate after it ("nineteen in fifteen seconds")."""
    count, time = numbers[0], numbers[1]
    seconds = time.readings[0].values[0] if time.readings[0].values else Decimal(0)
    if time.unit == "min":
        seconds *= 60  # "in half a minute"
    if time.unit not in ("s", "min") or seconds not in _SECONDS:
        return None, 1
    rate = count.readings[0].values[0] * 60 / seconds
    if len(numbers) > 2 and numbers[2].readings[0].form == "integer" and numbers[2].unit is None:
        result = numbers[2]
        words = [token.lower().strip(",.") for token in tokens[time.last + 1 : result.first]]
        said = result.readings[0].values[0]
        if all(word in _GIVING for word in words):
            return _spoken(tokens, count, result, said, doubtful=said != rate), 3
    return _spoken(tokens, count, time, rate, doubtful=True), 2


def _spoken(
    tokens: Sequence[str], first: Spoken, last: Spoken, value: Decimal, doubtful: bool
) -> Spoken:
    return Spoken(
        first=first.first,
        last=last.last,
        text=" ".join(tokens[first.first : last.last + 1]),
        readings=(Reading(form="integer", values=(value,)),),
        unit=None if last.unit in ("s", "min") else last.unit,
        doubtful=doubtful,
    )
