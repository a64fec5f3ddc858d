"""The words that spoken numbers are made of, in classes of words that can stand for each other."""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence

UNITS = ("one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
TEENS = (
    "ten",
    "eleven",
    "twelve",
    "thirteen",
    "fourteen",
    "fifteen",
    "sixteen",
    "seventeen",
    "eighteen",
    "nineteen",
)
TENS = ("twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety")
CLASSES: tuple[tuple[str, ...], ...] = (UNITS, TEENS, TENS)
NUMBER_WORDS = frozenset(
    {*UNITS, *TEENS, *TENS, "zero", "oh", "nought", "hundred", "thousand", "half", "double"}
)
"""Words that carry a value. 'point', 'over', 'and', 'a' only join them."""

JOINERS = frozenset({"point", "over", "and", "a", "by", "on", "slash", "plus", "minus", "to", "of"})

_POINTING_WORDS = (
    "this that the other another which each every either any no same only last next first second "
    "left right good big"
)
_POINTING = frozenset(_POINTING_WORDS.split())
SWAPPED_WORDS = frozenset(word for members in CLASSES for word in members)
_CLASS_OF = {word: members for members in CLASSES for word in members}


def number_runs(words: Sequence[str]) -> Iterator[tuple[int, int]]:
    """Yield first and last index (inclusive) of each stretch that says a number.

    A stretch begins and ends with a number word; single joining words inside it
    belong to it ('one thirty four over eighty eight', 'thirty six point eight').
    A lone 'one' after 'this', 'the left' and the like is no number.
    """
    for first, last in _runs(words):
        pointing = (
            first == last and words[first] == "one" and first and words[first - 1] in _POINTING
        )
        if not pointing:
            yield first, last


def _runs(words: Sequence[str]) -> Iterator[tuple[int, int]]:
    first: int | None = None
    last = -1
    for index, word in enumerate(words):
        if word in NUMBER_WORDS:
            if first is None:
                first = index
            last = index
        elif first is not None and not (word in JOINERS and index == last + 1):
            yield first, last
            first = None
    if first is not None:
        yield first, last


def with_other_numbers(words: Sequence[str], chance: random.Random) -> list[str]:
    """Return the words with each number word swapped for one of its class at random."""
    return [chance.choice(_CLASS_OF[word]) if word in _CLASS_OF else word for word in words]


def spoken_number(chance: random.Random) -> str:
    """Say a random whole number from 0 to 220 or a decimal in one of the usual ways."""
    value = chance.randint(0, 220) if chance.random() < 0.6 else chance.randint(0, 40)
    if chance.random() < 0.15:
        return f"{say_whole(value, chance)} point {_digit(chance.randint(0, 9), chance)}"
    return say_whole(value, chance)


def _digit(value: int, chance: random.Random) -> str:
    return UNITS[value - 1] if value else chance.choice(("zero", "oh"))


def _below_hundred(value: int) -> str:
    if value == 0:
        return "zero"
    if value < 10:
        return UNITS[value - 1]
    if value < 20:
        return TEENS[value - 10]
    tens, unit = divmod(value, 10)
    return TENS[tens - 2] + (f" {UNITS[unit - 1]}" if unit else "")


def say_whole(value: int, chance: random.Random) -> str:
    """Say a whole number from 0 to 999 in one of the usual ways."""
    """Say a whole number below 1000 in one of the usual ways ("one oh four")."""
    hundreds, rest = divmod(value, 100)
    if not hundreds:
        return _below_hundred(rest)
    how = chance.random()
    if how < 0.45 and rest:
        short = f"oh {UNITS[rest - 1]}" if rest < 10 else _below_hundred(rest)
        return f"{UNITS[hundreds - 1]} {short}"
    if how < 0.55:
        return " ".join(_digit(int(figure), chance) for figure in str(value))
    head = chance.choice((UNITS[hundreds - 1], "a")) if hundreds == 1 else UNITS[hundreds - 1]
    if not rest:
        return f"{head} hundred"
    return f"{head} hundred {chance.choice(('and ', ''))}{_below_hundred(rest)}"
