"""A single number, or a range, for an item that wants a quantity."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from decimal import Decimal

from dictate.talk.numbers.lexicon import lexicon
from dictate.talk.numbers.model import Quantity, Reading, Spoken

Limit = Decimal | int | float | str
_INCHES, _FEET, _FEET_AND_INCHES = "in", "ft", "ft_in"
_POUNDS, _STONE_AND_POUNDS = "lb", "st_lb"


@dataclass(frozen=True)
class _Candidate:
    value: Decimal
    high: Decimal | None
    shorthand: bool
    garbled: bool


def as_quantity(
    spoken: Spoken,
    low: Limit,
    high: Limit,
    decimals: int | None = None,
    unit_ok: Collection[str] | None = None,
) -> Quantity | None:
    """Choose the number that an item means, or the range, None where none was said.

    Args:
        spoken: the stretch.
        low: lowest plausible value, in the unit that is expected.
        high: highest plausible value.
        decimals: how many decimals the item has; more than that is doubtful, and a
            shorthand with more ("seventy two five" for a count) is not considered.
        unit_ok: the unit keys the item takes; a stretch with another unit gives None. With
            ``ft_in`` among them, feet and inches come back as inches (unit ``in``), also
            for "five eleven", and the limits are inches. Stone and pounds (``st_lb``) come back
            as pounds.
    """
    if spoken.unit is not None and unit_ok is not None and spoken.unit not in unit_ok:
        return None
    least, most = _decimal(low), _decimal(high)
    imperial = unit_ok is not None and _FEET_AND_INCHES in unit_ok
    candidates = list(_candidates(spoken, imperial))
    if not candidates:
        return None
    unit = spoken.unit
    if unit in (_FEET, _FEET_AND_INCHES) and imperial:
        unit = _INCHES
    elif unit == _STONE_AND_POUNDS:
        unit = _POUNDS
    fitting = [
        candidate
        for candidate in candidates
        if _within(candidate, least, most) and not _too_fine(candidate, decimals)
    ]
    if not fitting:
        return _implausible(spoken, candidates, unit)
    chosen = fitting[0]
    others = tuple(
        dict.fromkeys(
            candidate.value
            for candidate in fitting[1:]
            if (candidate.value, candidate.high) != (chosen.value, chosen.high)
        )
    )
    settled = not chosen.shorthand or (chosen is candidates[0] and _places(chosen.value) == 0)
    too_many = decimals is not None and _places(chosen.value) > decimals
    return Quantity(
        value=chosen.value,
        high=chosen.high,
        comparator=spoken.comparator,
        approximate=spoken.approximate,
        unit=unit,
        doubtful=spoken.doubtful
        or chosen.garbled
        or too_many
        or (not settled and (bool(others) or _thin(chosen))),
        alternatives=others,
    )


def _implausible(spoken: Spoken, candidates: list[_Candidate], unit: str | None) -> Quantity | None:
    """Keep a number said in full that lies outside the limits: it is not ours to mend."""
    spelled = [candidate for candidate in candidates if not candidate.garbled]
    first = spelled[0] if spelled else None
    if first is None or (first.shorthand and len({item.value for item in spelled}) > 2):
        return None
    return Quantity(
        value=first.value,
        high=first.high,
        comparator=spoken.comparator,
        approximate=spoken.approximate,
        unit=unit,
        plausible=False,
        doubtful=True,
        alternatives=tuple(
            dict.fromkeys(item.value for item in spelled[1:] if item.value != first.value)
        ),
    )


def _candidates(spoken: Spoken, imperial: bool) -> Iterable[_Candidate]:
    compound = lexicon().compounds
    factors = {entry.key: entry.factor for entry in compound.values()}
    for reading in spoken.readings:
        if reading.form in ("integer", "decimal"):
            value = reading.values[0]
            if imperial and spoken.unit == _FEET:
                value *= factors[_FEET_AND_INCHES]
            yield _Candidate(value, None, reading.shorthand, reading.garbled)
        elif reading.form == "range" and len(reading.values) == 2:
            yield _Candidate(
                reading.values[0], reading.values[1], reading.shorthand, reading.garbled
            )
        elif reading.form == "list" and len(reading.values) == 2:
            yield from _two_units(spoken, reading, factors, imperial)


def _two_units(
    spoken: Spoken, reading: Reading, factors: dict[str, int], imperial: bool
) -> Iterable[_Candidate]:
    major, minor = reading.values
    if spoken.unit in factors and spoken.unit != "m":
        if spoken.unit != _FEET_AND_INCHES or imperial:
            yield _Candidate(major * factors[spoken.unit] + minor, None, False, reading.garbled)
    elif spoken.unit is None and imperial and 3 <= major <= 8 and 0 <= minor <= 11:
        yield _Candidate(major * factors[_FEET_AND_INCHES] + minor, None, True, False)


def _within(candidate: _Candidate, low: Decimal, high: Decimal) -> bool:
    top = candidate.value if candidate.high is None else candidate.high
    return low <= candidate.value <= high and low <= top <= high


def _too_fine(candidate: _Candidate, decimals: int | None) -> bool:
    return candidate.shorthand and decimals is not None and _places(candidate.value) > decimals


def _thin(candidate: _Candidate) -> bool:
    """Whether "four five" was taken for 4.5: two counts in a row sound the same."""
    return candidate.value < 10 and _places(candidate.value) == 1


def _places(value: Decimal) -> int:
    exponent = value.normalize().as_tuple().exponent
    return max(0, -exponent) if isinstance(exponent, int) else 0


def _decimal(limit: Limit) -> Decimal:
    return limit if isinstance(limit, Decimal) else Decimal(str(limit))
