"""Conversion between the UCUM units that an item may be said in.

Factors: NIST Special Publication 811 (2008), appendix B.8.
"""

from __future__ import annotations

from decimal import Decimal
from typing import NamedTuple


class _Step(NamedTuple):
    """``wanted = (said - offset) * factor / divisor``."""

    factor: Decimal
    divisor: Decimal = Decimal(1)
    offset: Decimal = Decimal(0)


_STEPS: dict[tuple[str, str], _Step] = {
    ("[degF]", "Cel"): _Step(Decimal(5), Decimal(9), Decimal(32)),
    ("[in_i]", "cm"): _Step(Decimal("2.54")),
    ("[ft_i]", "cm"): _Step(Decimal("30.48")),
    ("m", "cm"): _Step(Decimal(100)),
    ("mm", "cm"): _Step(Decimal(1), Decimal(10)),
    ("cm", "mm"): _Step(Decimal(10)),
    ("cm", "m"): _Step(Decimal(1), Decimal(100)),
    ("[lb_av]", "kg"): _Step(Decimal("0.45359237")),
    ("[stone_av]", "kg"): _Step(Decimal("6.35029318")),
    ("g", "kg"): _Step(Decimal(1), Decimal(1000)),
    ("ms", "s"): _Step(Decimal(1), Decimal(1000)),
    ("min", "s"): _Step(Decimal(60)),
}


def converts(said: str, wanted: str) -> bool:
    """Whether a number in ``said`` can be turned into ``wanted`` (UCUM codes)."""
    return said == wanted or (said, wanted) in _STEPS


def converted(number: Decimal, said: str, wanted: str) -> Decimal:
    """Turn a number from one UCUM unit into another.

    Raises:
        KeyError: the two units do not convert.
    """
    if said == wanted:
        return number
    step = _STEPS[said, wanted]
    return (number - step.offset) * step.factor / step.divisor


def limit_in(limit: float, wanted: str, said: str) -> Decimal:
    """Express a limit given in ``wanted`` in the unit ``said``.

    Raises:
        KeyError: the two units do not convert.
    """
    exact = Decimal(str(limit))
    if said == wanted:
        return exact
    step = _STEPS[said, wanted]
    return exact * step.divisor / step.factor + step.offset
