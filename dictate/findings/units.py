"""Conversion between the UCUM units that an item may be said in.

Factors: NIST Special Publication 811 (2008), appendix B.8.
"""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

_TO: dict[tuple[str, str], Callable[[Decimal], Decimal]] = {
    ("[degF]", "Cel"): lambda number: (number - 32) * 5 / 9,
    ("[in_i]", "cm"): lambda number: number * Decimal("2.54"),
    ("[ft_i]", "cm"): lambda number: number * Decimal("30.48"),
    ("m", "cm"): lambda number: number * 100,
    ("mm", "cm"): lambda number: number / 10,
    ("cm", "mm"): lambda number: number * 10,
    ("cm", "m"): lambda number: number / 100,
    ("[lb_av]", "kg"): lambda number: number * Decimal("0.45359237"),
    ("[stone_av]", "kg"): lambda number: number * Decimal("6.35029318"),
    ("g", "kg"): lambda number: number / 1000,
    ("ms", "s"): lambda number: number / 1000,
    ("min", "s"): lambda number: number * 60,
}
_BACK: dict[tuple[str, str], Callable[[Decimal], Decimal]] = {
    ("[degF]", "Cel"): lambda number: number * 9 / 5 + 32,
    ("[in_i]", "cm"): lambda number: number / Decimal("2.54"),
    ("[ft_i]", "cm"): lambda number: number / Decimal("30.48"),
    ("m", "cm"): lambda number: number / 100,
    ("mm", "cm"): lambda number: number * 10,
    ("cm", "mm"): lambda number: number / 10,
    ("cm", "m"): lambda number: number * 100,
    ("[lb_av]", "kg"): lambda number: number / Decimal("0.45359237"),
    ("[stone_av]", "kg"): lambda number: number / Decimal("6.35029318"),
    ("g", "kg"): lambda number: number * 1000,
    ("ms", "s"): lambda number: number * 1000,
    ("min", "s"): lambda number: number / 60,
}


def converts(said: str, wanted: str) -> bool:
    """Whether a number in ``said`` can be turned into ``wanted`` (UCUM codes)."""
    return said == wanted or (said, wanted) in _TO


def converted(number: Decimal, said: str, wanted: str) -> Decimal:
    """Turn a number from one UCUM unit into another.

    Raises:
        KeyError: the two units do not convert.
    """
    return number if said == wanted else _TO[said, wanted](number)


def limit_in(limit: float, wanted: str, said: str) -> Decimal:
    """Express a limit given in ``wanted`` in the unit ``said``.

    Raises:
        KeyError: the two units do not convert.
    """
    exact = Decimal(str(limit))
    return exact if said == wanted else _BACK[said, wanted](exact)
