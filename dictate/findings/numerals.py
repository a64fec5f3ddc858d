"""The one place where numbers, units, grades and times become words for people."""

from __future__ import annotations

from decimal import Decimal
from typing import Final

from dictate.exam.catalogue import Catalogue, Scale
from dictate.findings.finding import (
    Choice,
    Grade,
    Pressure,
    Quantity,
    Ratio,
    Text,
    Trials,
    Value,
)

# How UCUM units are written for people; a unit that is not here is shown as it is.
UNIT_WORDS: Final = {
    "mm[Hg]": "mm Hg",
    "Cel": "°C",
    "[degF]": "°F",
    "deg": "°",
    "%": "%",
    "[lb_av]": "lb",
    "[oz_av]": "oz",
    "[in_i]": "in",
    "[ft_i]": "ft",
    "kg/m2": "kg/m²",
    "[diop]": "dpt",
    "{beats}/min": "/min",
    "{breaths}/min": "/min",
    "1": "",
}
_COMPARED: Final = {"<": "below ", "<=": "at most ", ">": "above ", ">=": "at least "}
_CLOSE_UP: Final = frozenset({"%", "°"})
_LONGEST_DIGITS: Final = 15


def number_words(number: Decimal | float) -> str:
    """A number in digits as it was said, without an exponent unless it is beyond sense."""
    exact = number if isinstance(number, Decimal) else Decimal(repr(number))
    if abs(exact.adjusted()) > _LONGEST_DIGITS:
        return str(exact)
    plain = format(exact, "f")
    if not isinstance(number, Decimal) and "." in plain:
        plain = plain.rstrip("0").rstrip(".")
    return plain.replace("-", "−")


def unit_words(unit: str) -> str:
    """A UCUM unit as people write it; annotations in braces are left out."""
    if unit in UNIT_WORDS:
        return UNIT_WORDS[unit]
    while "{" in unit and "}" in unit[unit.index("{") :]:
        before, _, rest = unit.partition("{")
        unit = before + rest.partition("}")[2]
    return unit


def with_unit(number: str, unit: str) -> str:
    """Number and unit with a no-break space between them where one belongs."""
    shown = unit_words(unit)
    if not shown:
        return number
    return f"{number}{shown}" if shown in _CLOSE_UP else f"{number}\N{NO-BREAK SPACE}{shown}"


def value_words(value: Value, catalogue: Catalogue | None = None, *, unit_said: bool = True) -> str:
    """A value for people; the catalogue tells how a scale's grades are written.

    A number that was said in another unit is told in that too, unless ``unit_said`` is False.
    """
    if isinstance(value, Quantity):
        return _quantity(value, unit_said)
    if isinstance(value, Pressure):
        both = f"{number_words(value.systolic)}/{number_words(value.diastolic)}"
        return ("about " if value.approximate else "") + with_unit(both, value.unit)
    if isinstance(value, Ratio):
        both = f"{number_words(value.numerator)}/{number_words(value.denominator)}"
        if not value.letters:
            return both
        sign = "plus" if value.letters > 0 else "minus"
        return f"{both} {sign} {abs(value.letters)}"
    if isinstance(value, Grade):
        return _grade(value, catalogue.scales.get(value.scale) if catalogue else None)
    if isinstance(value, Choice):
        if not value.denied:
            return value.title
        # Denying "not raised" says "raised"; two negations in a row are read as one.
        return value.title.partition(" ")[2] if denies(value.title) else f"not {value.title}"
    if isinstance(value, Trials):
        return _trials(value)
    return f"“{' '.join(value.text.split())}”"


def denies(title: str) -> bool:
    """True for the title of a reading that is a negation itself ("no abnormality seen")."""
    return title.lower().startswith(("no ", "not "))


def _quantity(value: Quantity, unit_said: bool) -> str:
    number = number_words(value.number)
    if value.high is not None:
        number = f"{number} to {number_words(value.high)}"
    front = _COMPARED[value.comparator] if value.comparator else ""
    if value.approximate:
        front = f"about {front}"
    said = ""
    other = bool(value.said_unit) and value.said_unit != value.unit
    if unit_said and other and value.said_number is not None and value.said_unit:
        said = f" (said as {with_unit(number_words(value.said_number), value.said_unit)})"
    return front + with_unit(number, value.unit) + said


def _grade(value: Grade, scale: Scale | None) -> str:
    modifier = {"plus": "+", "minus": "−", None: ""}[value.modifier]
    if scale is not None and scale.trace is not None and float(value.grade) == scale.trace:
        return "trace"
    if scale is not None and scale.plus and value.out_of is None:
        return number_words(value.grade) + ("+" if value.grade > 0 and not modifier else modifier)
    out_of = value.out_of
    if out_of is None and scale is not None and len(scale.out_of) == 1:
        out_of = scale.out_of[0]
    return f"{number_words(value.grade)}{modifier}" + (f"/{out_of}" if out_of is not None else "")


def _trials(value: Trials) -> str:
    heard = len(value.answers)
    if value.right is not None:
        total = value.right + (value.wrong or 0)
        return f"{value.right} of {max(total, heard)} correct"
    if not heard:
        return "no answers heard"
    shown = ", ".join(value.answers[:12]) + (" …" if heard > 12 else "")
    return f"{heard} answer{'s' if heard != 1 else ''} heard ({shown})"


def measured(value: Value | None) -> bool:
    """True for a value that holds a number with a unit or a scale."""
    return value is not None and not isinstance(value, Choice | Text | Trials)


def sources_title(key: str, catalogue: Catalogue) -> str:
    """A source of the exam data as one line: title, body, year."""
    source = catalogue.sources.get(key)
    if source is None:
        return key
    year = f", {source.year}" if source.year is not None else ""
    return f"{source.title}; {source.body}{year}"
