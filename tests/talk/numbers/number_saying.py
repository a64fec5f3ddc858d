"""Says numbers the ways that examiners say them."""

from __future__ import annotations

from decimal import Decimal

from num2words import num2words

_DIGITS = ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")


def in_full(value: Decimal | int) -> set[str]:
    """Return the full English wordings, with and without 'and' and hyphens."""
    words = num2words(value).replace(",", "")
    plain = words.replace(" and ", " ")
    return {words, words.replace("-", " "), plain, plain.replace("-", " ")}


def spaced(value: int) -> str:
    """Return the full wording without 'and' and hyphens."""
    return str(num2words(value)).replace(" and ", " ").replace("-", " ").replace(",", "")


def shorthand(value: int) -> str:
    """Return "one thirty four", "one oh four", "two hundred" for 100 to 999."""
    hundreds, rest = divmod(value, 100)
    if hundreds == 0 or rest == 0:
        return spaced(value)
    tail = f"oh {_DIGITS[rest]}" if rest < 10 else spaced(rest)
    return f"{_DIGITS[hundreds]} {tail}"


def digit(value: int) -> str:
    return _DIGITS[value]
