"""Grades, acuities and rows of digits."""

from __future__ import annotations

from collections.abc import Collection
from decimal import Decimal
from typing import Literal

from dictate.talk.numbers.composing import is_acuity
from dictate.talk.numbers.lexicon import lexicon
from dictate.talk.numbers.model import Digits, Grade, Ratio, Reading, Spoken
from dictate.talk.numbers.quantity import Limit

_SIGNS: dict[str, Literal["plus", "minus"]] = {"plus": "plus", "minus": "minus"}


def as_grade(
    spoken: Spoken,
    maximum: Limit,
    plus_allowed: bool = True,
    denominators: Collection[int] = (),
) -> Grade | None:
    """Choose the grade that was said, None where the words hold none.

    A value above ``maximum``, or a denominator that is not the scale's, is returned with
    ``out_of_scale``; nothing is clamped. A plus or minus on a scale without them is
    doubtful. A range without a sign ("two to three") counts as a grade only within the scale.

    Args:
        spoken: the stretch.
        maximum: highest grade of the scale.
        plus_allowed: whether the scale knows plus and minus.
        denominators: what may be said after "out of"; empty takes any.
    """
    if spoken.unit is not None:
        return None
    most = Decimal(str(maximum))
    reading = _grade_reading(spoken, most)
    if reading is None:
        return None
    if reading.modifier == "trace":
        return Grade(
            value=None, modifier="trace", approximate=spoken.approximate, doubtful=spoken.doubtful
        )
    value = reading.values[0]
    high = reading.values[1] if reading.form == "range" else None
    over = None
    if len(reading.values) > (2 if reading.form == "range" else 1):
        over = reading.values[-1]
    modifier = _SIGNS.get(reading.modifier or "")
    foreign = over is not None and bool(denominators) and int(over) not in denominators
    top = max(value, high or value)
    return Grade(
        value=value,
        high=high,
        modifier=modifier,
        denominator=over,
        approximate=spoken.approximate,
        out_of_scale=top > most or value < 0 or foreign or (over is not None and value > over),
        doubtful=spoken.doubtful
        or reading.garbled
        or (modifier is not None and not plus_allowed)
        or spoken.comparator is not None,
    )


def _grade_reading(spoken: Spoken, most: Decimal) -> Reading | None:
    for reading in spoken.readings:
        if reading.form == "grade":
            return reading
        if reading.form == "range" and (reading.modifier in _SIGNS or max(reading.values) <= most):
            return reading
        if reading.form in ("integer", "decimal") and not reading.shorthand:
            return reading
    return None


def as_ratio(spoken: Spoken) -> Ratio | None:
    """Choose the acuity that was said, None where the words hold none.

    Numbers that stand on no usual chart are returned as doubtful.
    """
    if spoken.unit is not None:
        return None
    reading = next((item for item in spoken.readings if item.form == "ratio"), None)
    if reading is None:
        return None
    if reading.modifier == "jaeger":
        return Ratio(
            numerator=reading.values[0],
            jaeger=True,
            approximate=spoken.approximate,
            doubtful=spoken.doubtful,
        )
    numerator, denominator = reading.values
    return Ratio(
        numerator=numerator,
        denominator=denominator,
        letters=reading.letters,
        sign=_SIGNS.get(reading.modifier or "") if reading.letters is None else None,
        approximate=spoken.approximate,
        doubtful=spoken.doubtful
        or reading.garbled
        or not is_acuity(numerator, denominator, lexicon().acuity),
    )


def as_digits(spoken: Spoken) -> Digits | None:
    """Return the digits of a row read aloud, or of one digit; None for anything else.

    A row that a recogniser wrote as one figure ("4927") is returned as doubtful.
    """
    if spoken.unit is not None:
        return None
    for reading in spoken.readings:
        if reading.form == "digits" or (
            reading.form == "integer"
            and not reading.shorthand
            and 0 <= reading.values[0] < 10
            and len(spoken.readings) == 1
        ):
            return Digits(
                digits=tuple(int(value) for value in reading.values),
                doubtful=spoken.doubtful or reading.garbled,
            )
    return None
