"""Spoken clinical numbers: where they stand, how they may be read, and what an item makes of them.

`find_numbers` returns every plausible reading of each stretch; the ``as_*`` functions choose by
the kind of value that an exam item wants, and return None rather than guess.
"""

from dictate.talk.numbers.courtesy import is_courtesy
from dictate.talk.numbers.finding import find_numbers
from dictate.talk.numbers.grading import as_digits, as_grade, as_ratio
from dictate.talk.numbers.lexicon import ucum_unit
from dictate.talk.numbers.model import (
    Comparator,
    Digits,
    Form,
    Grade,
    Pressure,
    Quantity,
    Ratio,
    Reading,
    Spoken,
)
from dictate.talk.numbers.pressure import as_pressure
from dictate.talk.numbers.quantity import as_quantity

__all__ = [
    "Comparator",
    "Digits",
    "Form",
    "Grade",
    "Pressure",
    "Quantity",
    "Ratio",
    "Reading",
    "Spoken",
    "as_digits",
    "as_grade",
    "as_pressure",
    "as_quantity",
    "as_ratio",
    "find_numbers",
    "is_courtesy",
    "ucum_unit",
]
