"""Several cardinals in a row read as one number or as two: the shorthand of the trade."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise

from dictate.talk.numbers.lexicon import Acuity
from dictate.talk.numbers.model import Reading
from dictate.talk.numbers.terms import Term

_MOST_TERMS = 8  # beyond this a row is a list and nothing else


@dataclass(frozen=True)
class Composed:
    """One number made of several cardinals.

    ``plain`` when each step is what speakers usually do ("one thirty four"), so that it
    may stand as one side of a pressure; the others are possible, no more.
    """

    value: Decimal
    plain: bool
    shorthand: bool = False
    garbled: bool = False


def compose(terms: Sequence[Term]) -> list[Composed]:
    """Return the single numbers that ``terms`` may stand for, likeliest first."""
    if not terms:
        return []
    if len(terms) == 1:
        return [Composed(terms[0].value, plain=True)]
    garbled = all(term.written for term in terms)
    found = [Composed(value, True, True, garbled) for value in _whole(terms)]
    found += [Composed(value, False, True, garbled) for value in _decimal(terms)]
    found += [Composed(value, False, True, garbled) for value in _digit_by_digit(terms)]
    return found


def plain_number(terms: Sequence[Term]) -> Composed | None:
    """Return the one number that may stand beside 'over', None if there is none."""
    for composed in compose(terms):
        if composed.plain:
            return composed
    if len(terms) == 3 and terms[0].value in (1, 2):
        for value in _digit_by_digit(terms):
            return Composed(value, True, True)
    return None


def _whole(terms: Sequence[Term]) -> list[Decimal]:
    head, *rest = terms
    if head.kind == "digit" and head.value > 0:
        if len(rest) == 1 and 10 <= rest[0].value < 100:
            return [head.value * 100 + rest[0].value]
        if (
            len(rest) == 2
            and rest[0].kind == "digit"
            and rest[0].value == 0
            and rest[1].value < 10
            and rest[1].kind != "fraction"
        ):
            return [head.value * 100 + rest[1].value]
    tail = rest[0]
    split = head.written and _is_hundreds(head) and len(rest) == 1 and tail.written and tail.whole
    return [head.value + tail.value] if split and 0 < tail.value < 100 else []


def _is_hundreds(term: Term) -> bool:
    return term.whole and 100 <= term.value < 1000 and term.value % 100 == 0


def _decimal(terms: Sequence[Term]) -> list[Decimal]:
    """Read "thirty seven five", "one oh one two", "one seventy five" (metres)."""
    if not all(term.whole for term in terms):
        return []
    *head, last = terms
    found: list[Decimal] = []
    if last.kind == "digit":
        fronts = [head[0].value] if len(head) == 1 else _whole(head)
        found += [Decimal(f"{front}.{last.value}") for front in fronts]
    elif len(head) == 1 and head[0].kind == "digit" and last.kind in ("teen", "tens"):
        found.append(Decimal(f"{head[0].value}.{last.value}"))
    if len(terms) == 3 and all(term.kind == "digit" for term in terms):
        found.append(Decimal(f"{terms[0].value}.{terms[1].value}{terms[2].value}"))
        if terms[0].value > 0:
            found.append(Decimal(f"{terms[0].value}{terms[1].value}.{terms[2].value}"))
    return found


def _digit_by_digit(terms: Sequence[Term]) -> list[Decimal]:
    if len(terms) > 3 or not all(term.kind == "digit" for term in terms):
        return []
    if terms[0].value == 0:
        return []
    value = Decimal("".join(str(term.value) for term in terms))
    return [] if value in _whole(terms) else [value]


def row_readings(terms: Sequence[Term], acuity: Acuity) -> list[Reading]:
    """Return the readings of cardinals said in a row, with nothing between them."""
    values = tuple(term.value for term in terms)
    if len(terms) == 1:
        return [single_reading(Composed(values[0], plain=True))]
    digits = all(term.kind == "digit" for term in terms)
    if len(terms) > _MOST_TERMS:
        return [Reading(form="digits" if digits else "list", values=values)]
    numbers = [single_reading(composed) for composed in compose(terms)]
    plain_whole = bool(_whole(terms))
    ratios = _ratios(terms, acuity)
    found: list[Reading] = []
    if digits and not plain_whole:
        found.append(Reading(form="digits", values=values))
    if ratios and values[0] in acuity.likely_numerators:
        found += ratios
    if plain_whole or not digits:
        found += numbers
    found += [] if ratios and values[0] in acuity.likely_numerators else ratios
    found += _pairs(terms)
    if not (plain_whole or not digits):
        found += numbers
    if digits and plain_whole:
        found.append(Reading(form="digits", values=values))
    found.append(Reading(form="list", values=values))
    return found


def single_reading(composed: Composed) -> Reading:
    """Return the reading of one number."""
    exponent = composed.value.as_tuple().exponent
    decimal = isinstance(exponent, int) and exponent < 0
    return Reading(
        form="decimal" if decimal else "integer",
        values=(composed.value,),
        shorthand=composed.shorthand,
        garbled=composed.garbled,
    )


def is_acuity(left: Decimal, right: Decimal, acuity: Acuity) -> bool:
    """Whether ``left``/``right`` are numbers of an acuity chart."""
    return left in acuity.numerators and right in acuity.denominators


def _ratios(terms: Sequence[Term], acuity: Acuity) -> list[Reading]:
    """Read "twenty thirty", "six six", "twenty one fifty" as acuities."""
    left, rest = terms[0], terms[1:]
    if left.value not in acuity.likely_numerators:
        return []
    right = plain_number(rest)
    if right is None or not is_acuity(left.value, right.value, acuity):
        return []
    return [Reading(form="ratio", values=(left.value, right.value), shorthand=True)]


def _pairs(terms: Sequence[Term]) -> list[Reading]:
    """Read "one thirty four eighty eight": the word between the two was dropped."""
    found: list[Reading] = []
    for row in (terms, *_resplit(terms)):
        for cut in range(1, len(row)):
            left, right = plain_number(row[:cut]), plain_number(row[cut:])
            right = right or _two_digits(row[cut:])
            if left is None or right is None or not (right.value >= 10 and 20 <= left.value < 400):
                continue
            if right.value >= 300 or any(_fractional(side.value) for side in (left, right)):
                continue
            values = (left.value, right.value)
            found.append(Reading(form="pair", values=values, shorthand=True, garbled=True))
    return found


def lends_its_unit(term: Term, following: Term) -> bool:
    """Whether the 'one' of "forty one" may belong to what follows: "forty | one twenty"."""
    return (
        term.kind == "tens"
        and not term.written
        and term.value % 10 > 0
        and (following.kind in ("teen", "tens") or following.value == 0)
    )


def _resplit(terms: Sequence[Term]) -> list[list[Term]]:
    """Return ``terms`` with one "forty one" parted, for each that may be parted."""
    rows: list[list[Term]] = []
    for place, (term, following) in enumerate(pairwise(terms)):
        if lends_its_unit(term, following):
            unit = term.value % 10
            tens = Term(term.value - unit, term.first, term.end - 1, "tens")
            digit = Term(unit, term.end - 1, term.end, "digit")
            rows.append([*terms[:place], tens, digit, *terms[place + 1 :]])
    return rows


def _two_digits(terms: Sequence[Term]) -> Composed | None:
    if len(terms) == 2:
        for value in _digit_by_digit(terms):
            return Composed(value, True, True)
    return None


def _fractional(value: Decimal) -> bool:
    return value != value.to_integral_value()
