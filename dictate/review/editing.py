"""What is typed into the form of a finding, made into a finding again."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal, InvalidOperation
from typing import get_args

from dictate.checks.wording import listed
from dictate.errors import UserFault
from dictate.exam.catalogue import Catalogue, Item, Scale
from dictate.findings.finding import (
    Choice,
    Comparator,
    Finding,
    Grade,
    Level,
    Pressure,
    Quantity,
    Ratio,
    Side,
    Status,
    Text,
    Trials,
    Value,
)
from dictate.findings.units import converted, converts

NOT_HEARD = "(not heard; entered by hand)"
_LONGEST_TEXT = 500
_LARGEST = Decimal(100_000)
_OPPOSITE: dict[Status, Status] = {
    "normal": "abnormal",
    "abnormal": "normal",
    "present": "absent",
    "absent": "present",
}

Typed = Mapping[str, str]


def sides_for(item: Item) -> tuple[Side, ...]:
    """The sides that a finding of this item may have; empty where it has none."""
    if item.sides == "paired":
        return ("right", "left", "both", "unspecified")
    return ("midline", "right", "left") if item.sides == "midline" else ()


def units_for(item: Item) -> tuple[str, ...]:
    """The units in which the item's number may be typed, its own first (UCUM)."""
    own = item.unit or "1"
    return (own, *(unit for unit in item.other_units if unit != own and converts(unit, own)))


def changed(before: Finding, typed: Typed, catalogue: Catalogue) -> Finding:
    """The finding with what was typed in place of what was heard; its doubts are settled.

    Raises:
        UserFault: something typed does not fit the item.
    """
    item = catalogue.items.get(before.item)
    if item is None:
        raise UserFault("The exam data no longer knows this item; the finding can be rejected.")
    value = _value(item, typed, catalogue, before.value)
    status = _status(item, typed, value, before)
    return before.model_copy(
        update={
            "value": value,
            "status": status,
            "side": _side(item, typed, before.side),
            "site": _site(item, typed, catalogue, before.site),
            "level": _level(value, status),
            "side_inferred": False,
            "certainty": "sure",
            "doubts": (),
            "alternatives": (),
        }
    )


def alternative(before: Finding, place: int) -> Finding:
    """The finding with one of the other values that the sound could have meant.

    Raises:
        UserFault: there is no such alternative.
    """
    if not 0 <= place < len(before.alternatives):
        raise UserFault("This alternative is no longer offered; load the page again.")
    value = before.alternatives[place]
    # What follows from a number, such as a status, is not carried over to another number.
    status = None if isinstance(value, Quantity | Pressure | Ratio | Grade) else before.status
    return before.model_copy(
        update={"value": value, "status": status, "doubts": (), "alternatives": ()}
    )


def added(typed: Typed, catalogue: Catalogue, number: int, seconds: float) -> Finding:
    """A finding that was not heard, at the moment given.

    Raises:
        UserFault: there is no such item, or something typed does not fit it.
    """
    item = catalogue.items.get(typed.get("item", ""))
    if item is None:
        raise UserFault("Choose an item of the exam from the list.")
    moment = _number(typed, "at", "the moment in seconds") if typed.get("at") else None
    at = min(max(float(moment or 0), 0.0), seconds)
    value = _value(item, typed, catalogue, None)
    status = _status(item, typed, value, None)
    return Finding(
        id=f"hand-{number}",
        item=item.id,
        side=_side(item, typed, None),
        site=_site(item, typed, catalogue, None),
        value=value,
        status=status,
        level=_level(value, status),
        start=at,
        end=at,
        words=NOT_HEARD,
        by_hand=True,
    )


def _level(value: Value | None, status: Status | None) -> Level:
    if isinstance(value, Quantity | Pressure | Ratio | Grade):
        return Level.MEASURED
    return Level.PERFORMED if value is None and status is None else Level.REPORTED


def _side(item: Item, typed: Typed, before: Side | None) -> Side | None:
    may = sides_for(item)
    side = typed.get("side", before or "")
    if not may or (side == before and before is not None):
        return before
    for one in may:
        if one == side:
            return one
    if side == "" and item.sides == "midline":
        return None
    raise UserFault(f"Say the side of '{item.title}': {listed(may, 'or')}.")


def _site(item: Item, typed: Typed, catalogue: Catalogue, before: str | None) -> str | None:
    site = typed.get("site", before or "")
    if not site or site == before:
        return site or None
    if site not in {one.id for one in catalogue.sites_of(item)}:
        raise UserFault(f"'{item.title}' has no such place; choose one from the list.")
    return site


def _status(item: Item, typed: Typed, value: Value | None, before: Finding | None) -> Status | None:
    status = typed.get("status", "auto")
    for one in get_args(Status):
        if one == status:
            return one  # type: ignore[no-any-return]
    if status == "none":
        return None
    if status != "auto":
        raise UserFault("The status is not one of the list.")
    if isinstance(value, Choice):
        reading = next((one for one in item.readings if one.code == value.code), None)
        if reading is not None:
            return _OPPOSITE[reading.status] if value.denied else reading.status
    if before is not None and value == before.value:
        return before.status
    return None


def _value(item: Item, typed: Typed, catalogue: Catalogue, before: Value | None) -> Value | None:
    if item.readings and typed.get("code"):
        return _choice(item, typed)
    if typed.get("text") and item.kind in ("text", "finding"):
        return Text(text=typed["text"].strip()[:_LONGEST_TEXT])
    if not any(typed.get(key) for key in ("number", "second", "right")):
        # Neither answers in trials nor free text can be typed anew; they stay as heard.
        return before if isinstance(before, Trials | Text) else None
    if item.kind == "quantity":
        made = _quantity(item, typed)
        return before if _same_number(made, before) else made
    if item.kind == "pressure":
        return Pressure(
            systolic=_number(typed, "number", "the systolic pressure"),
            diastolic=_number(typed, "second", "the diastolic pressure"),
            unit=item.unit or "mm[Hg]",
        )
    if item.kind == "ratio":
        return Ratio(
            numerator=_number(typed, "number", "the distance of the test"),
            denominator=_positive(_number(typed, "second", "the line that was read")),
            letters=_letters(typed),
        )
    if item.kind == "grade":
        return _grade(item, typed, catalogue.scales[item.scale or ""])
    if item.kind == "trials":
        return _trials(typed, before)
    return before


def _same_number(made: Quantity, before: Value | None) -> bool:
    return isinstance(before, Quantity) and (
        (made.number, made.high, made.unit, made.comparator)
        == (before.number, before.high, before.unit, before.comparator)
    )


def _choice(item: Item, typed: Typed) -> Choice:
    for reading in item.readings:
        if reading.code == typed["code"]:
            return Choice(
                code=reading.code, title=reading.title, denied=typed.get("denied") == "yes"
            )
    raise UserFault(f"'{item.title}' has no such result; choose one from the list.")


def _quantity(item: Item, typed: Typed) -> Quantity:
    own = item.unit or "1"
    unit = typed.get("unit") or own
    if unit not in units_for(item):
        raise UserFault(f"'{item.title}' is not given in that unit; choose one from the list.")
    said = _number(typed, "number", "the number")
    high = _number(typed, "second", "the upper end") if typed.get("second") else None
    if high is not None and high < said:
        raise UserFault("The upper end of the range is below its lower end.")
    comparator = next((one for one in get_args(Comparator) if one == typed.get("comparator")), None)
    exact = Decimal(1).scaleb(-max(item.decimals, 1))

    def own_unit(number: Decimal) -> Decimal:
        return number if unit == own else converted(number, unit, own).quantize(exact)

    return Quantity(
        number=own_unit(said),
        high=None if high is None else own_unit(high),
        unit=own,
        comparator=comparator,
        approximate=typed.get("approximate") == "yes",
        said_number=None if unit == own else said,
        said_unit=None if unit == own else unit,
    )


def _grade(item: Item, typed: Typed, scale: Scale) -> Grade:
    grade = _number(typed, "number", "the grade")
    if not scale.low <= grade <= scale.high:
        raise UserFault(f"'{scale.title}' goes from {scale.low:g} to {scale.high:g}.")
    modifier = typed.get("modifier")
    return Grade(
        grade=grade,
        scale=item.scale or "",
        # '2+' is said without its scale's end; '4/5' is said with it.
        out_of=scale.out_of[0] if len(scale.out_of) == 1 and not scale.plus else None,
        modifier="plus" if modifier == "plus" else "minus" if modifier == "minus" else None,
    )


def _trials(typed: Typed, before: Value | None) -> Trials:
    right, wrong = _count(typed, "right"), _count(typed, "wrong")
    answers = before.answers if isinstance(before, Trials) else ()
    return Trials(answers=answers, right=right, wrong=wrong)


def _count(typed: Typed, key: str) -> int:
    number = _number(typed, key, f"how many were {key}") if typed.get(key) else Decimal(0)
    if number != number.to_integral_value() or number > 1000:
        raise UserFault("Trials are counted in whole numbers up to 1000.")
    return int(number)


def _letters(typed: Typed) -> int:
    text = typed.get("letters") or "0"
    try:
        letters = int(text.replace("−", "-"))
    except ValueError:
        raise UserFault("Letters more or fewer are a whole number, such as -1.") from None
    if not -9 <= letters <= 9:
        raise UserFault("Letters more or fewer go from -9 to 9.")
    return letters


def _positive(number: Decimal) -> Decimal:
    if number <= 0:
        raise UserFault("The line that was read is a number above zero.")
    return number


def _number(typed: Typed, key: str, what: str) -> Decimal:
    text = typed.get(key, "").strip().replace(",", ".").replace("−", "-")
    try:
        number = Decimal(text)
    except InvalidOperation:
        raise UserFault(f"Write {what} in digits, such as 72 or 36.8.") from None
    if not number.is_finite() or abs(number) > _LARGEST or len(text) > 12:
        raise UserFault(f"Write {what} in digits, such as 72 or 36.8.")
    if number < 0:
        raise UserFault(f"Write {what} as a number that is not below zero.")
    return number
