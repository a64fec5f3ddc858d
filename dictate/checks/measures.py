"""Numbers taken out of values, so that they can be compared."""

from __future__ import annotations

import math
from decimal import Decimal

from dictate.exam.catalogue import Limits
from dictate.findings.finding import Comparator, Grade, Pressure, Quantity, Ratio, Trials, Value

# A letter of an acuity line counts 0.02 where a line has five letters and is 0.1 logMAR:
# the convention of the logMAR charts; the figure is from memory.
LOGMAR_PER_LETTER = 0.02


def number_of(value: Value | None) -> float | None:
    """The one number that stands for a value: systolic, acuity as a decimal, grade, count right.

    A range counts as its middle. None for readings, free text and unscored trials.
    """
    if isinstance(value, Quantity):
        ends = (value.number, value.high if value.high is not None else value.number)
        return float(sum(ends) / 2)
    if isinstance(value, Pressure):
        return float(value.systolic)
    if isinstance(value, Ratio):
        return float(value.numerator / value.denominator) if value.denominator > 0 else None
    if isinstance(value, Grade):
        return float(value.grade)
    if isinstance(value, Trials):
        return None if value.right is None else float(value.right)
    return None


def logmar(value: Ratio) -> float | None:
    """Acuity as logMAR, log10(denominator / numerator), a letter counting 0.02.

    Source of the formula: Holladay, Journal of Refractive Surgery 13:388-391, 1997.
    None where the ratio has no logarithm.
    """
    if value.numerator <= 0 or value.denominator <= 0:
        return None
    return math.log10(value.denominator / value.numerator) - LOGMAR_PER_LETTER * value.letters


def outside(
    limits: Limits,
    low: Decimal | float,
    high: Decimal | float | None = None,
    comparator: Comparator | None = None,
) -> bool:
    """Whether a number (or a range from ``low`` to ``high``) lies outside ``limits``.

    'Under 2' is outside only where everything under 2 is too low, 'over 2' only where
    everything over 2 is too high.
    """
    first, last = float(low), float(high if high is not None else low)
    if comparator in (">", ">="):
        return limits.high is not None and (
            first > limits.high or (comparator == ">" and first == limits.high)
        )
    if comparator in ("<", "<="):
        return limits.low is not None and (
            last < limits.low or (comparator == "<" and last == limits.low)
        )
    too_low = limits.low is not None and min(first, last) < limits.low
    too_high = limits.high is not None and max(first, last) > limits.high
    return too_low or too_high
