"""Values become the words that people in the trade write."""

from __future__ import annotations

from decimal import Decimal

import pytest

from dictate.checks.wording import clock
from dictate.exam.catalogue import Catalogue
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
from dictate.findings.numerals import number_words, unit_words, value_words, with_unit

D = Decimal


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (Quantity(number=D("72"), unit="/min"), "72\u00a0/min"),
        (Quantity(number=D("97"), unit="%", comparator=">="), "at least 97%"),
        (Quantity(number=D("2"), unit="s", comparator="<"), "below 2\u00a0s"),
        (Quantity(number=D("16"), high=D("18"), unit="/min"), "16 to 18\u00a0/min"),
        (Quantity(number=D("3.50"), unit="mm", approximate=True), "about 3.50\u00a0mm"),
        (
            Quantity(number=D("37.0"), unit="Cel", said_number=D("98.6"), said_unit="[degF]"),
            "37.0\u00a0°C (said as 98.6\u00a0°F)",
        ),
        (Quantity(number=D("90"), unit="deg"), "90°"),
        (Quantity(number=D("-2"), unit="[diop]"), "−2\u00a0dpt"),
        (Quantity(number=D("1E+3"), unit="g"), "1000\u00a0g"),
        (Pressure(systolic=D(134), diastolic=D(88)), "134/88\u00a0mm Hg"),
        (Pressure(systolic=D(134), diastolic=D(88), approximate=True), "about 134/88\u00a0mm Hg"),
        (Ratio(numerator=D(20), denominator=D(30), letters=-1), "20/30 minus 1"),
        (Ratio(numerator=D(6), denominator=D(6), letters=2), "6/6 plus 2"),
        (Grade(grade=D(4), scale="strength", out_of=5, modifier="plus"), "4+/5"),
        (Grade(grade=D(4), scale="strength"), "4/5"),
        (Grade(grade=D(2), scale="reflex"), "2+"),
        (Grade(grade=D(0), scale="reflex"), "0"),
        (Grade(grade=D("0.5"), scale="reflex"), "trace"),
        (Grade(grade=D(3), scale="unheard_of"), "3"),
        (Choice(code="a", title="regular"), "regular"),
        (Choice(code="a", title="regular", denied=True), "not regular"),
        (Choice(code="a", title="not raised", denied=True), "raised"),
        (Choice(code="a", title="no abnormality seen", denied=True), "abnormality seen"),
        (Trials(answers=("sharp",) * 4, right=3, wrong=1), "3 of 4 correct"),
        (Trials(answers=("sharp", "dull")), "2 answers heard (sharp, dull)"),
        (Trials(answers=()), "no answers heard"),
        (Text(text="like\n sand "), "“like sand”"),
    ],
)
def test_values(value: Value, words: str, catalogue: Catalogue) -> None:
    assert value_words(value, catalogue) == words


@pytest.mark.parametrize(
    ("seconds", "shown"), [(0, "0:00"), (59.99, "0:59"), (61, "1:01"), (3661.5, "1:01:01")]
)
def test_clock(seconds: float, shown: str) -> None:
    assert clock(seconds) == shown


def test_units_and_plain_numbers() -> None:
    assert unit_words("{score}") == ""
    assert unit_words("{beats}/min") == "/min"
    assert unit_words("10*9/L") == "10*9/L"
    assert with_unit("3", "{score}") == "3"
    assert number_words(D("1E+999999")) == "1E+999999"
    assert number_words(22.5) == "22.5" and number_words(40.0) == "40"
