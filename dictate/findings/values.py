"""The value that an item takes from a spoken number."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal

from dictate.exam.catalogue import Catalogue, Item, Limits
from dictate.findings.finding import Grade, Pressure, Quantity, Ratio, Status, Value
from dictate.findings.units import converted, converts, limit_in
from dictate.talk.numbers import (
    Spoken,
    as_grade,
    as_pressure,
    as_quantity,
    as_ratio,
    find_numbers,
    ucum_unit,
)
from dictate.talk.numbers import lexicon as number_lexicon

_LEAST_SYSTOLIC = 20  # mmHg; "one thirty" alone is no pressure of 1 over 30
_FEET_AND_INCHES = "ft_in"
_STONE_AND_POUNDS = "st_lb"
_GRADED = ("<=", ">=")  # bounds that a grade may have: "at least a four"


@dataclass(frozen=True)
class Measured:
    """A value with what is to be said of it; ``fits`` when it lies in the plausible range."""

    value: Value
    status: Status | None
    fits: bool
    doubts: tuple[str, ...] = ()
    alternatives: tuple[Value, ...] = ()
    both: bool = False  # said once for each side: "grip five five"


def value_for(item: Item, spoken: Spoken, catalogue: Catalogue) -> Measured | None:
    """Choose the value that ``item`` means by the number; None where it holds none."""
    if item.kind == "quantity":
        return _quantity(item, spoken)
    if item.kind == "pressure":
        return _pressure(item, spoken)
    if item.kind == "ratio":
        return _ratio(item, spoken)
    if item.kind == "grade":
        return _grade(item, spoken, catalogue)
    return None


def value_fits(item: Item, spoken: Spoken, catalogue: Catalogue) -> bool:
    """Whether the number can be the item's value."""
    measured = value_for(item, spoken, catalogue)
    return measured is not None and measured.fits


def amended(item: Item, old: Value | None, spoken: Spoken, catalogue: Catalogue) -> Measured | None:
    """The value after "make that ...": one number mends the nearer half of a pressure."""
    whole = value_for(item, spoken, catalogue)
    if whole is not None or not isinstance(old, Pressure):
        return whole
    low, high = _bounds(item.diastolic.plausible)[0], _bounds(item.ranges.plausible)[1]
    half = as_quantity(spoken, low, high, 0)
    if half is None or not half.plausible:
        return None
    nearer = abs(half.value - old.systolic) < abs(half.value - old.diastolic)
    value = old.model_copy(update={"systolic" if nearer else "diastolic": half.value})
    if value.systolic <= value.diastolic:
        return None
    return Measured(value, _pressure_status(item, value), True)


def doubted_values(
    item: Item, wordings: tuple[str, ...], catalogue: Catalogue
) -> tuple[Value, ...]:
    """The values that other wordings of the same sound would give."""
    values: list[Value] = []
    for wording in wordings:
        for spoken in find_numbers(wording.split()):
            measured = value_for(item, spoken, catalogue)
            if measured is not None and measured.value not in values:
                values.append(measured.value)
    return tuple(values)


def _bounds(limits: Limits | None) -> tuple[float, float]:
    low = limits.low if limits is not None and limits.low is not None else 0.0
    high = limits.high if limits is not None and limits.high is not None else 100_000.0
    return low, high


def _unit_keys(item: Item) -> dict[str, str]:
    """Unit keys of the number lexicon that the item takes, with their UCUM codes."""
    wanted = {item.unit, *item.other_units}
    keys = {}
    for key in number_lexicon.lexicon().units:
        ucum = ucum_unit(key)
        if (
            ucum is not None
            and item.unit is not None
            and (ucum in wanted or (converts(ucum, item.unit) and ucum not in ("[degF]",)))
        ):
            keys[key] = ucum
    if "[in_i]" in wanted or "[ft_i]" in wanted:
        keys[_FEET_AND_INCHES] = "[in_i]"
    if "[lb_av]" in wanted:
        keys[_STONE_AND_POUNDS] = "[lb_av]"
    return keys


def _unsaid(item: Item) -> tuple[str, ...]:
    """Units that a number may mean without saying so: its size tells them apart."""
    return tuple(unit for unit in item.other_units if unit in ("[degF]", "[in_i]", "[ft_i]"))


def _quantity(item: Item, spoken: Spoken) -> Measured | None:
    assert item.unit is not None
    if grades_strength(item, spoken):
        return None
    keys = _unit_keys(item)
    said = spoken.unit
    if said is not None and said not in keys:
        return None
    low, high = _bounds(item.ranges.plausible)
    units = [keys[said]] if said is not None else [item.unit, *_unsaid(item)]
    misfit: Measured | None = None
    for unit in units:
        if not converts(unit, item.unit):
            continue
        decimals = item.decimals if unit == item.unit else None
        number = as_quantity(
            spoken,
            limit_in(low, item.unit, unit),
            limit_in(high, item.unit, unit),
            decimals,
            tuple(keys),
        )
        if number is None:
            continue
        measured = _in_unit(item, number.value, number.high, unit, spoken, number.plausible)
        alternatives = tuple(
            _in_unit(item, other, None, unit, spoken, True).value for other in number.alternatives
        )
        doubts = ("the number could be read in more than one way",) if number.doubtful else ()
        # "Thirty six point seven" is no count of breaths.
        plausible = number.plausible and not (_is_count(item) and _fraction(number.value))
        measured = Measured(measured.value, measured.status, plausible, doubts, alternatives)
        if plausible:
            return measured
        misfit = misfit or measured
    return misfit


def _reached(item: Item, spoken: Spoken) -> bool:
    """Whether a movement went up to the number: "abduction up to one eighty"."""
    return item.unit == "deg" and spoken.comparator == "<=" and "up to" in spoken.text.lower()


MOST_STRENGTH = 5
_FEW_DEGREES = 10


def grades_strength(item: Item, spoken: Spoken) -> bool:
    """Whether a bare number up to five would be degrees of a wide movement ("five and five")."""
    best = spoken.readings[0]
    usual = item.ranges.usual
    return (
        item.unit == "deg"
        and spoken.unit is None
        and bool(best.values)
        and 0 < max(best.values) <= MOST_STRENGTH
        and usual is not None
        and (usual.low or 0) > _FEW_DEGREES
    )


def _is_count(item: Item) -> bool:
    return item.unit == "/min"


def _fraction(number: Decimal) -> bool:
    return number != number.to_integral_value()


def _in_unit(
    item: Item, number: Decimal, high: Decimal | None, unit: str, spoken: Spoken, fits: bool
) -> Measured:
    assert item.unit is not None
    places = max(item.decimals, 1) if unit != item.unit else None

    def turned(value: Decimal) -> Decimal:
        exact = converted(value, unit, item.unit or unit)
        if places is None:
            return exact
        return exact.quantize(Decimal(1).scaleb(-places), ROUND_HALF_UP)

    value = Quantity(
        number=turned(number),
        high=None if high is None else turned(high),
        unit=item.unit,
        comparator=None if _reached(item, spoken) else spoken.comparator,
        approximate=spoken.approximate,
        said_number=number if unit != item.unit else None,
        said_unit=unit if unit != item.unit else None,
    )
    return Measured(value, _against(item.ranges.usual, value.number), fits)


def _against(usual: Limits | None, number: Decimal) -> Status | None:
    if usual is None:
        return None
    low, high = _bounds(usual)
    return "normal" if Decimal(str(low)) <= number <= Decimal(str(high)) else "abnormal"


def _pressure(item: Item, spoken: Spoken) -> Measured | None:
    pressure = as_pressure(
        spoken, _bounds(item.ranges.plausible), _bounds(item.diastolic.plausible)
    )
    if pressure is None or pressure.systolic < _LEAST_SYSTOLIC:
        return None
    value = Pressure(
        systolic=pressure.systolic, diastolic=pressure.diastolic, approximate=pressure.approximate
    )
    status = _pressure_status(item, value)
    doubts: tuple[str, ...] = ()
    if pressure.doubtful:
        doubts = ("the words do not make one clear pressure",)
    elif pressure.repaired:
        doubts = ("the pressure was put together from garbled words",)
    alternatives = tuple(
        Pressure(systolic=systolic, diastolic=diastolic)
        for systolic, diastolic in pressure.alternatives
    )
    return Measured(value, status, not pressure.doubtful, doubts, alternatives)


def _pressure_status(item: Item, value: Pressure) -> Status | None:
    parts = (
        _against(item.ranges.usual, value.systolic),
        _against(item.diastolic.usual, value.diastolic),
    )
    if "abnormal" in parts:
        return "abnormal"
    return None if None in parts else "normal"


def _ratio(item: Item, spoken: Spoken) -> Measured | None:
    ratio = as_ratio(spoken)
    if ratio is None or ratio.denominator is None:
        return None
    letters = ratio.letters or 0
    value = Ratio(numerator=ratio.numerator, denominator=ratio.denominator, letters=letters)
    doubts = ("this is on no usual chart",) if ratio.doubtful else ()
    status: Status | None = None
    usual = item.ranges.usual
    if usual is not None and value.numerator > 0 and value.denominator > 0:
        status = _against(usual, value.numerator / value.denominator)
    return Measured(value, status, not ratio.doubtful, doubts)


def _grade(item: Item, spoken: Spoken, catalogue: Catalogue) -> Measured | None:
    assert item.scale is not None
    scale = catalogue.scales[item.scale]
    if spoken.comparator is not None and spoken.comparator not in _GRADED:
        return None  # "under two" is no grade
    grade = as_grade(spoken, Decimal(str(scale.high)), scale.plus, scale.out_of)
    twice = False
    if grade is None and item.sides == "paired":
        once = _said_twice(spoken)
        if once is not None:
            grade = as_grade(once, Decimal(str(scale.high)), scale.plus, scale.out_of)
        twice = True
    if grade is None:
        return None
    if grade.out_of_scale and spoken.readings[0].form == "integer" and grade.modifier is None:
        return None  # twenty is no grade: the number is of something else
    number = grade.value
    if number is None:
        if scale.trace is None:
            return None
        number = Decimal(str(scale.trace))
    value = Grade(
        grade=number,
        scale=item.scale,
        out_of=int(grade.denominator) if grade.denominator is not None else None,
        modifier="plus"
        if grade.modifier == "plus" and not scale.plus
        else ("minus" if grade.modifier == "minus" else None),
    )
    status: Status | None = None
    if scale.usual is not None:
        top = scale.usual if scale.usual_to is None else scale.usual_to
        normal = scale.usual <= float(number) <= top and value.modifier != "minus"
        status = "normal" if normal else "abnormal"
    doubts = ("the grade could be read in more than one way",) if grade.doubtful else ()
    if grade.out_of_scale:
        doubts = (*doubts, f"the grade is not on the scale '{scale.title}'")
    return Measured(value, status, not grade.out_of_scale, doubts, both=twice)


def _said_twice(spoken: Spoken) -> Spoken | None:
    """The one digit of two equal ones; None for anything else."""
    for reading in spoken.readings:
        if reading.form == "digits" and len(reading.values) == 2 and len(set(reading.values)) == 1:
            once = reading.model_copy(update={"form": "integer", "values": reading.values[:1]})
            return spoken.model_copy(update={"readings": (once,)})
    return None
