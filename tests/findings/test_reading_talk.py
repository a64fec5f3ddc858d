"""Short pieces of talk and what an attentive instructor would write down (common practice)."""

from __future__ import annotations

from decimal import Decimal

import pytest

from dictate.exam.catalogue import Catalogue
from dictate.findings.finding import Choice, Finding, Level, Pressure, Quantity
from dictate.pipeline import understand
from tests.conftest import spoken


def standing(exam: Catalogue, *lines: str) -> list[Finding]:
    return [one for one in understand(spoken(lines), exam) if one.stands]


def only(found: list[Finding], item: str) -> Finding:
    (one,) = [finding for finding in found if finding.item == item]
    return one


def test_a_pressure_with_its_arm(exam: Catalogue) -> None:
    found = standing(exam, "blood pressure one thirty four over eighty eight on the right")
    pressure = only(found, "vitals.blood_pressure")
    assert pressure.value == Pressure(systolic=Decimal(134), diastolic=Decimal(88))
    assert (pressure.side, pressure.level) == ("right", Level.MEASURED)


@pytest.mark.parametrize(
    "garbled",
    [
        "134.88",
        "134 slash 88",
        "one thirty four of eighty eight",
        "one thirty four point eighty eight",
    ],
)
def test_a_garbled_pressure_is_mended_or_marked(exam: Catalogue, garbled: str) -> None:
    pressure = only(standing(exam, f"blood pressure {garbled}"), "vitals.blood_pressure")
    assert isinstance(pressure.value, Pressure)
    assert (pressure.value.systolic, pressure.value.diastolic) == (134, 88)
    assert pressure.doubtful or "slash" in garbled


def test_make_that_mends_the_nearer_half_and_keeps_both(exam: Catalogue) -> None:
    found = understand(
        spoken(
            ["blood pressure one twenty eight over eighty four left arm", "make that eighty six"]
        ),
        exam,
    )
    pressures = [one for one in found if isinstance(one.value, Pressure)]
    assert [one.stands for one in pressures] == [False, True]
    assert pressures[1].value == Pressure(systolic=Decimal(128), diastolic=Decimal(86))


def test_strike_that_takes_the_last_result_back(exam: Catalogue) -> None:
    found = understand(spoken(["temperature thirty seven point two", "strike that"]), exam)
    assert [one.struck for one in found if one.item == "vitals.temperature"] == [True]


def test_the_second_number_is_the_other_sides(exam: Catalogue) -> None:
    found = standing(exam, "pupils four millimeters on the right five on the left")
    sizes = {one.side: one.value for one in found if one.item == "eyes.pupil_size"}
    assert {side: value.number for side, value in sizes.items() if isinstance(value, Quantity)} == {
        "right": 4,
        "left": 5,
    }


def test_an_instruction_and_a_courtesy_make_no_result(exam: Catalogue) -> None:
    found = standing(exam, "squeeze my fingers", "lovely thanks", "and the other hand")
    assert {one.level for one in found if one.item == "joints.grip"} == {Level.PERFORMED}


def test_a_reply_answers_the_question_before_it(exam: Catalogue) -> None:
    found = standing(exam, "press on the frontal sinuses", "is that sore", "nope")
    replies = [one for one in found if one.speaker == "partner"]
    assert [one.status for one in replies] == ["absent"]


def test_no_reaches_along_a_list(exam: Catalogue) -> None:
    found = standing(exam, "no heaves or thrills")
    assert {(one.item, one.status) for one in found} == {
        ("heart.heave", "absent"),
        ("heart.thrill", "absent"),
    } or {one.status for one in found} == {"absent"}
    assert len(found) == 2


def test_exception_turns_the_result_at_its_place(exam: Catalogue) -> None:
    found = standing(exam, "lungs clear except at the left base")
    statuses = {one.side: one.status for one in found if isinstance(one.value, Choice)}
    assert statuses == {"both": "normal", "left": "abnormal"}


@pytest.mark.parametrize(
    "line",
    [
        "on the wards you would darken the room here",
        "had the veins stood high i would put a ruler here",
        "the last student heard crackles at the base",
        "give me one more breath",
        "we will be in room twelve at half past two",
        "thanks that is lovely",
    ],
)
def test_what_is_no_finding(exam: Catalogue, line: str) -> None:
    assert [one for one in standing(exam, line) if one.level is not Level.PERFORMED] == []


def test_unrecognised_sound_makes_no_finding(exam: Catalogue) -> None:
    phrases = [
        phrase.model_copy(update={"recognised": False})
        for phrase in spoken(["temperature thirty seven"])
    ]
    assert understand(phrases, exam) == ()


def test_the_same_talk_gives_the_same_findings(exam: Catalogue) -> None:
    lines = ["conjunctivae pink", "pulse seventy two and regular"]
    assert understand(spoken(lines), exam) == understand(spoken(lines), exam)


def test_a_word_that_sounds_like_its_opposite_is_marked_when_heard(exam: Catalogue) -> None:
    written = spoken(["the smile is asymmetric"])
    heard = [
        phrase.model_copy(
            update={
                "words": tuple(
                    word.model_copy(update={"confidence": 0.99}) for word in phrase.words
                )
            }
        )
        for phrase in written
    ]
    for phrases, doubtful in ((written, False), (heard, True)):
        results = [one for one in understand(phrases, exam) if one.value is not None]
        assert only(results, "head.smile").doubtful is doubtful
