"""A pressure whose halves are called by name ("systolic one eighteen, diastolic seventy six")."""

from __future__ import annotations

from collections.abc import Sequence

from dictate.talk.numbers.model import Reading, Spoken

_UPPER, _LOWER = ("systolic", "systole"), ("diastolic", "diastole")
_BETWEEN = frozenset(
    ["is", "of", "at", "was", "and", "over", "with", "a", "the", "reads", "pressure", "upon", "on"]
)


def with_named_halves(tokens: Sequence[str], numbers: Sequence[Spoken]) -> list[Spoken]:
    """Join a number called systolic and the next one called diastolic to a pair.

    Args:
        tokens: the tokens that the numbers were found in.
        numbers: the stretches found, in order.
    """
    words = [token.lower().strip(",.;:") for token in tokens]
    found: list[Spoken] = []
    at = 0
    while at < len(numbers):
        pair = _pair(words, numbers[at], numbers[at + 1]) if at + 1 < len(numbers) else None
        found.append(pair or numbers[at])
        at += 1 if pair is None else 2
    return found


def _pair(words: Sequence[str], upper: Spoken, lower: Spoken) -> Spoken | None:
    values = [one.readings[0] for one in (upper, lower)]
    if any(one.form != "integer" for one in values) or upper.unit not in (None, lower.unit):
        return None
    between = words[upper.last + 1 : lower.first]
    after = words[lower.last + 1 : lower.last + 2]
    named_before = _called(words, upper.first, _UPPER) and _holds(between, _LOWER)
    named_after = _holds(between, _UPPER) and bool(after) and after[0] in _LOWER
    if not (named_before or named_after):
        return None
    return Spoken(
        first=upper.first,
        last=lower.last + (1 if named_after else 0),
        text=" ".join(words[upper.first : lower.last + 1]),
        readings=(Reading(form="pair", values=(values[0].values[0], values[1].values[0])),),
        approximate=upper.approximate or lower.approximate,
        unit=lower.unit,
        doubtful=upper.doubtful or lower.doubtful,
    )


def _called(words: Sequence[str], first: int, names: Sequence[str]) -> bool:
    """Whether one of the names stands before the number, with hardly a word between."""
    before = list(words[max(0, first - 2) : first])
    return before[-1:] != [] and (
        before[-1] in names or (before[-1] in _BETWEEN and before[0] in names)
    )


def _holds(words: Sequence[str], names: Sequence[str]) -> bool:
    return any(word in names for word in words) and all(
        word in names or word in _BETWEEN for word in words[-2:]
    )
