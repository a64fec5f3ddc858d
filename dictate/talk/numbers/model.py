"""A stretch of words that may be a number, its readings, and the typed choices made of them."""

from __future__ import annotations

from decimal import Decimal
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

Form = Literal["integer", "decimal", "pair", "range", "ratio", "grade", "digits", "list"]
Comparator = Literal["<", "<=", ">", ">="]


class Reading(BaseModel):
    """One way to read a stretch.

    ``values`` holds one number (integer, decimal), two (pair, ratio, range), the grade and
    the denominator if one was said (grade; nothing for a trace), or as many as were said
    (digits, list). A range of grades has the denominator, if said, as a third value.
    A length in feet and inches is a list of two with the unit ``ft_in``.
    ``modifier`` is 'plus', 'minus', 'trace' or 'jaeger'; ``letters`` the letters read beyond
    or short of an acuity line (-2: two missed). ``shorthand`` marks a form that is implied,
    not spoken out ("thirty seven five" as 37.5); ``garbled`` one that needs a repair.
    """

    model_config = ConfigDict(frozen=True)

    form: Form
    values: tuple[Decimal, ...]
    modifier: str | None = None
    letters: int | None = None
    shorthand: bool = False
    garbled: bool = False


class Spoken(BaseModel):
    """A stretch of tokens that may be a number: ``first`` and ``last`` are inclusive.

    The stretch takes in what belongs to the number: hedge, comparator, unit.
    ``readings`` are likeliest first and never empty. ``unit`` is a key of ``units`` in the
    lexicon, None when none was said.
    """

    model_config = ConfigDict(frozen=True)

    first: int = Field(ge=0)
    last: int = Field(ge=0)
    text: str
    readings: tuple[Reading, ...] = Field(min_length=1)
    comparator: Comparator | None = None
    approximate: bool = False
    unit: str | None = None
    doubtful: bool = False


class Quantity(BaseModel):
    """A number for an item that wants one.

    ``high`` is set for a range, whose lower end is ``value``. ``plausible`` is false when
    the only reading lies outside the limits: most likely it was misheard. ``doubtful``
    asks for confirmation; ``alternatives`` are the other values within the limits.
    """

    model_config = ConfigDict(frozen=True)

    value: Decimal
    high: Decimal | None = None
    comparator: Comparator | None = None
    approximate: bool = False
    unit: str | None = None
    plausible: bool = True
    doubtful: bool = False
    alternatives: tuple[Decimal, ...] = ()


class Pressure(BaseModel):
    """A blood pressure in mmHg.

    ``repaired``: the words were garbled, yet one reading alone fits the limits with the
    systolic above the diastolic. ``doubtful``: the words as said do not fit, or several
    readings do; the others are in ``alternatives``.
    """

    model_config = ConfigDict(frozen=True)

    systolic: Decimal
    diastolic: Decimal
    approximate: bool = False
    repaired: bool = False
    doubtful: bool = False
    alternatives: tuple[tuple[Decimal, Decimal], ...] = ()


class Ratio(BaseModel):
    """An acuity: 20/30 less one letter is numerator 20, denominator 30, ``letters`` -1.

    A Jaeger line has its number as ``numerator`` and no denominator. ``sign`` keeps a plus
    or minus said without a count.
    """

    model_config = ConfigDict(frozen=True)

    numerator: Decimal
    denominator: Decimal | None = None
    letters: int | None = None
    sign: Literal["plus", "minus"] | None = None
    jaeger: bool = False
    approximate: bool = False
    doubtful: bool = False


class Grade(BaseModel):
    """A grade on a scale, as said and never clamped.

    ``value`` is None for a trace; ``high`` is set for "one to two plus". ``out_of_scale``
    when the value exceeds the scale, or the denominator said is another scale's.
    """

    model_config = ConfigDict(frozen=True)

    value: Decimal | None
    high: Decimal | None = None
    modifier: Literal["plus", "minus", "trace"] | None = None
    denominator: Decimal | None = None
    approximate: bool = False
    out_of_scale: bool = False
    doubtful: bool = False


class Digits(BaseModel):
    """Digits read aloud, in the order said."""

    model_config = ConfigDict(frozen=True)

    digits: tuple[int, ...] = Field(min_length=1)
    doubtful: bool = False
