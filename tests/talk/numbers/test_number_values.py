"""Every number of a wide range comes back from every usual wording."""

from __future__ import annotations

from decimal import Decimal

import pytest
from number_saying import digit, in_full, shorthand, spaced

from dictate.talk.numbers import Pressure, Spoken, as_pressure, as_quantity, find_numbers

SYSTOLIC, DIASTOLIC = (60, 260), (30, 150)
PRESSURES = [
    (upper, lower) for upper in range(80, 221, 5) for lower in range(40, 131, 3) if upper > lower
]


def only(text: str) -> Spoken:
    found = find_numbers(text.split())
    assert len(found) == 1, f"{text!r}: {[spoken.text for spoken in found]}"
    assert (found[0].first, found[0].last) == (0, len(text.split()) - 1)
    return found[0]


def assert_value(text: str, value: Decimal, low: int, high: int) -> None:
    quantity = as_quantity(only(text), low, high)
    assert quantity is not None, text
    assert (quantity.value, quantity.doubtful, quantity.plausible) == (value, False, True), text


def test_every_whole_number_in_full() -> None:
    for value in range(401):
        for text in in_full(value):
            assert_value(text, Decimal(value), 0, 400)


@pytest.mark.parametrize(("first", "last"), [(300, 450), (900, 1080), (0, 129)])
def test_every_number_with_one_decimal_in_full(first: int, last: int) -> None:
    for tenths in range(first, last + 1):
        value = Decimal(tenths) / 10
        for text in in_full(value):
            assert_value(text, value, 0, 400)
        assert_value(str(value), value, 0, 400)


def test_shorthand_for_hundreds() -> None:
    for value in range(100, 300):
        assert_value(shorthand(value), Decimal(value), 0, 300)


@pytest.mark.parametrize(("low", "high"), [(30, 43), (86, 110)])
def test_shorthand_for_temperatures(low: int, high: int) -> None:
    for tenths in range(low * 10, high * 10):
        whole, tenth = divmod(tenths, 10)
        if tenth == 0:
            continue
        value = Decimal(tenths) / 10
        assert_value(f"{spaced(whole)} point {digit(tenth)}", value, low, high)
        if whole > 100:
            assert_value(f"{shorthand(whole)} point {digit(tenth)}", value, low, high)
        if whole % 10:  # "ninety one" is 91, never 90.1
            assert_value(f"{shorthand(whole)} {digit(tenth)}", value, low, high)


def pressure(text: str) -> Pressure:
    chosen = as_pressure(only(text), SYSTOLIC, DIASTOLIC)
    assert chosen is not None, text
    return chosen


@pytest.mark.parametrize("joiner", ["over", "on", "by", "slash", "upon"])
def test_pressures_said_out(joiner: str) -> None:
    for upper, lower in PRESSURES:
        for text in (
            f"{spaced(upper)} {joiner} {spaced(lower)}",
            f"{shorthand(upper)} {joiner} {shorthand(lower)}",
            f"{upper} {joiner} {lower}",
        ):
            chosen = pressure(text)
            assert (chosen.systolic, chosen.diastolic) == (upper, lower), text
            assert not chosen.repaired and not chosen.doubtful, text


@pytest.mark.parametrize("form", ["{0}/{1}", "{0}/{1}mmHg", "{0}/{1},", "{0} / {1}"])
def test_pressures_as_written(form: str) -> None:
    for upper, lower in PRESSURES:
        chosen = pressure(form.format(upper, lower))
        assert (chosen.systolic, chosen.diastolic) == (upper, lower)
        assert not chosen.repaired and not chosen.doubtful


def garbled_forms(upper: int, lower: int) -> list[str]:
    forms = [
        f"{upper}.{lower}",
        f"{upper}{lower}",
        f"{upper} {lower}",
        f"{shorthand(upper)} of {shorthand(lower)}",
        f"{shorthand(upper)} offer {shorthand(lower)}",
    ]
    if upper % 100 >= 10 and upper > 100:
        forms.append(f"{upper // 100} {upper % 100} over {lower}")
    return forms


def test_garbled_pressures_are_repaired_and_say_so() -> None:
    for upper, lower in PRESSURES:
        for text in garbled_forms(upper, lower):
            chosen = pressure(text)
            assert (chosen.systolic, chosen.diastolic) == (upper, lower), text
            assert chosen.repaired and not chosen.doubtful, text


def test_a_pressure_without_its_joiner_is_never_another_one_silently() -> None:
    for upper, lower in PRESSURES:
        if upper % 100 == 0:
            continue  # "two hundred forty" is one number
        text = f"{shorthand(upper)} {shorthand(lower)}"
        chosen = pressure(text)
        kept = {(chosen.systolic, chosen.diastolic), *chosen.alternatives}
        assert (upper, lower) in kept, text
        assert chosen.doubtful or kept == {(upper, lower)}, text


def test_a_ten_that_may_lend_its_unit_keeps_both_pressures() -> None:
    chosen = pressure("one forty one thirty")
    assert chosen.doubtful
    assert {(chosen.systolic, chosen.diastolic), *chosen.alternatives} == {(141, 30), (140, 130)}


def test_a_missing_hundred_is_kept_as_said_with_the_other_reading_beside_it() -> None:
    for lower in range(50, 100):
        chosen = pressure(f"thirty four over {spaced(lower)}")
        assert (chosen.systolic, chosen.diastolic) == (34, lower)
        assert chosen.doubtful and not chosen.repaired
        assert chosen.alternatives == ((134, lower),)


@pytest.mark.parametrize("text", ["seventy two", "37.5", "two plus", "98%", "1.2", "5000"])
def test_what_is_no_pressure_gives_none(text: str) -> None:
    assert as_pressure(only(text), SYSTOLIC, DIASTOLIC) is None


def test_a_value_outside_the_limits_is_kept_as_implausible() -> None:
    quantity = as_quantity(only("nineteen"), 30, 43)
    assert quantity is not None
    assert (quantity.value, quantity.plausible, quantity.doubtful) == (19, False, True)


def test_a_foreign_unit_gives_none() -> None:
    spoken = only("ninety eight percent")
    assert as_quantity(spoken, 30, 250, unit_ok={"per_min"}) is None
    assert as_quantity(spoken, 30, 250, unit_ok={"percent"}) is not None


def test_stone_and_pounds_come_back_as_pounds() -> None:
    quantity = as_quantity(only("eleven stone four"), 60, 500, unit_ok={"st_lb", "lb"})
    assert quantity is not None
    assert (quantity.value, quantity.unit, quantity.doubtful) == (158, "lb", False)
    assert as_quantity(only("eleven stone four"), 60, 500, unit_ok={"kg"}) is None
