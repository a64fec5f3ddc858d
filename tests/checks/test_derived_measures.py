"""Derived measures against worked examples."""

from __future__ import annotations

import pytest
from small_exam import EXAM, acuity, found, pressure, quantity

from dictate.checks.derived import (
    body_mass_index,
    derive,
    mean_arterial_pressure,
    pulse_pressure,
)
from dictate.checks.measures import logmar
from dictate.exam.catalogue import CheckRules
from dictate.exam.catalogue import Derived as Rule
from dictate.findings.finding import Finding

BP = "vitals.blood_pressure"


def numbers(*findings: Finding) -> dict[tuple[str, str | None], float]:
    return {(measure.title, measure.side): measure.number for measure in derive(findings, EXAM)}


# Holladay, Journal of Refractive Surgery 13:388-391, 1997, table 1: Snellen and logMAR.
@pytest.mark.parametrize(
    ("denominator", "expected"),
    [(10, -0.3), (20, 0.0), (25, 0.1), (40, 0.3), (50, 0.4), (100, 0.7), (200, 1.0), (2000, 2.0)],
)
def test_logmar_agrees_with_the_published_table(denominator: int, expected: float) -> None:
    assert logmar(acuity(20, denominator)) == pytest.approx(expected, abs=0.005)


def test_metres_and_feet_give_the_same_acuity() -> None:
    assert logmar(acuity(6, 12)) == pytest.approx(logmar(acuity(20, 40)) or 0)


def test_letters_count_two_hundredths() -> None:
    # Five letters make a line of 0.1 logMAR: 20/40 and five letters more is 20/32 (0.2).
    assert logmar(acuity(20, 40, 5)) == pytest.approx(0.2, abs=0.005)
    assert logmar(acuity(20, 30, -1)) == pytest.approx(0.196, abs=0.001)


def test_body_mass_index_of_the_textbook_adult() -> None:
    # World Health Organization, Technical Report Series 894 (2000): 70 kg, 1.75 m -> 22.9.
    assert body_mass_index(70, 1.75) == pytest.approx(22.9, abs=0.05)
    with pytest.raises(ValueError, match="above zero"):
        body_mass_index(70, 0)


def test_mean_arterial_pressure_worked_examples() -> None:
    # From memory of textbooks of physiology: 120/80 gives 93, 130/85 gives 100.
    assert mean_arterial_pressure(120, 80) == pytest.approx(93.3, abs=0.05)
    assert mean_arterial_pressure(130, 85) == pytest.approx(100)
    assert pulse_pressure(120, 80) == 40


def test_everything_is_derived_from_findings() -> None:
    got = numbers(
        found(BP, pressure(134, 88), "left", 10),
        found(BP, pressure(118, 76), "right", 40),
        found("vitals.weight", quantity(70, "kg"), at=60),
        found("vitals.height", quantity(175, "cm"), at=70),
        found("eyes.acuity", acuity(20, 40), "right", 80),
        found("eyes.acuity", acuity(20, 20), "both", 90),
    )
    assert got == {
        ("Pulse pressure", "left"): 46,
        ("Pulse pressure", "right"): 42,
        ("Mean arterial pressure", "left"): 103.3,
        ("Mean arterial pressure", "right"): 90,
        ("Body mass index", None): 22.9,
        ("Difference between the arms", None): 16,
        ("Acuity as logMAR", "right"): 0.3,
        ("Acuity as logMAR", "both"): 0.0,
        ("Acuity as a decimal", "right"): 0.5,
        ("Acuity as a decimal", "both"): 1.0,
    }


def test_units_said_otherwise_are_converted_for_body_mass_index() -> None:
    got = numbers(
        found("vitals.weight", quantity(70, "kg"), at=60),
        found("vitals.height", quantity("1.75", "m"), at=70),
    )
    assert got == {("Body mass index", None): 22.9}


def test_the_last_of_repeats_counts_and_the_mean_takes_all() -> None:
    got = numbers(
        found(BP, pressure(134, 88), "left", 10),
        found(BP, pressure(130, 84), "left", 40),
    )
    assert got[("Pulse pressure", "left")] == 46
    assert got[("Mean of repeated pressures, systolic", "left")] == 132
    assert got[("Mean of repeated pressures, diastolic", "left")] == 86


def test_nothing_is_derived_from_a_pressure_the_wrong_way_round() -> None:
    assert numbers(found(BP, pressure(88, 134), "left")) == {}


def test_measures_name_findings_formula_and_source() -> None:
    heard = found(BP, pressure(120, 80), "left")
    measure = derive([heard], EXAM)[0]
    assert measure.id == "pulse_pressure"
    assert measure.findings == (heard.id,)
    assert measure.written == "systolic minus diastolic"
    assert measure.source == "common practice"


def test_side_difference_and_mean_of_a_quantity() -> None:
    rules = [
        Rule(
            id=formula, title=formula, formula=formula, of=("back.descent",), unit="cm",
            written="as named", source="common",
        )
        for formula in ("side_difference", "mean_of_repeats")
    ]  # fmt: skip
    exam = EXAM.model_copy(update={"checks": CheckRules(derived=tuple(rules))})
    heard = [
        found("back.descent", quantity(5, "cm"), "left", 10),
        found("back.descent", quantity(4, "cm"), "left", 20),
        found("back.descent", quantity("5.5", "cm"), "right", 30),
    ]
    got = {(measure.id, measure.side): measure.number for measure in derive(heard, exam)}
    assert got == {("side_difference", None): 1.5, ("mean_of_repeats", "left"): 4.5}
