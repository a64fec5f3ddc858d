"""Each rule fires where it should and stays silent where it should."""

from __future__ import annotations

import pytest
from small_exam import (
    EXAM,
    acuity,
    flags_of,
    found,
    grade,
    pressure,
    quantity,
    reading,
    rules_of,
)

from dictate.checks.wording import choice_text
from dictate.errors import UserFault
from dictate.exam.catalogue import Reading
from dictate.findings.finding import Choice, Finding, Level, Trials

BP = "vitals.blood_pressure"
BREATH = "back.breath"


def both_arms(left: tuple[int, int], right: tuple[int, int]) -> list[Finding]:
    return [
        found(BP, pressure(*left), "left", 10),
        found(BP, pressure(*right), "right", 60),
    ]


# Rule, severity, findings that raise it, findings that must not.
TABLE: list[tuple[str, str, list[Finding], list[Finding]]] = [
    (
        "implausible:vitals.pulse",
        "error",
        [found("vitals.pulse", quantity(720, "/min"))],
        [found("vitals.pulse", quantity(219, "/min"))],
    ),
    (
        "implausible:vitals.respirations",
        "error",
        [found("vitals.respirations", quantity(16, "/min", high="80"))],
        [found("vitals.respirations", quantity(16, "/min", high="18"))],
    ),
    (
        "implausible:back.descent",
        "error",
        [found("back.descent", quantity(10, "cm", comparator=">"), "left")],
        [found("back.descent", quantity(40, "cm", comparator="<"), "left")],
    ),
    (
        "implausible:vitals.blood_pressure",
        "error",
        [found(BP, pressure(300, 88), "left")],
        [found(BP, pressure(190, 110), "left")],
    ),
    (
        "systolic_not_above_diastolic:vitals.blood_pressure",
        "error",
        [found(BP, pressure(88, 134), "left")],
        [found(BP, pressure(134, 88), "left")],
    ),
    (
        "implausible:pulse_pressure",
        "error",
        [found(BP, pressure(96, 90), "left")],
        [found(BP, pressure(120, 80), "left")],
    ),
    (
        "unusual:pulse_pressure",
        "note",
        [found(BP, pressure(150, 80), "left")],
        [found(BP, pressure(118, 76), "left")],
    ),
    (
        "unit:vitals.temperature",
        "error",
        [found("vitals.temperature", quantity("98.6", "Cel"))],
        [found("vitals.temperature", quantity("37.0", "Cel"))],
    ),
    (
        "unit:vitals.temperature",
        "error",
        [
            found(
                "vitals.temperature",
                quantity("2.9", "Cel", said_number="37.2", said_unit="[degF]"),
            )
        ],
        [
            found(
                "vitals.temperature",
                quantity("37.0", "Cel", said_number="98.6", said_unit="[degF]"),
            )
        ],
    ),
    (
        "implausible:vitals.temperature",
        "error",
        [found("vitals.temperature", quantity("370", "Cel"))],
        [found("vitals.temperature", quantity("98.6", "Cel"))],
    ),
    (
        "unit:vitals.height",
        "error",
        [found("vitals.height", quantity(70, "cm"))],
        [found("vitals.height", quantity(178, "cm"))],
    ),
    (
        "acuity:eyes.acuity",
        "error",
        [found("eyes.acuity", acuity(200, 20), "left")],
        [found("eyes.acuity", acuity(20, 200), "left")],
    ),
    (
        "acuity:eyes.acuity",
        "error",
        [found("eyes.acuity", acuity(20, 0), "left")],
        [found("eyes.acuity", acuity(6, 6, -1), "left")],
    ),
    (
        "scale:back.strength",
        "error",
        [found("back.strength", grade(6, "strength"), "left")],
        [found("back.strength", grade(5, "strength"), "left")],
    ),
    (
        "scale:back.strength",
        "warning",
        [found("back.strength", grade(4, "strength", out_of=10), "left")],
        [found("back.strength", grade(4, "strength", out_of=5), "left")],
    ),
    (
        "unusual:vitals.pulse",
        "note",
        [found("vitals.pulse", quantity(112, "/min"))],
        [found("vitals.pulse", quantity(72, "/min")), found("vitals.pulse", quantity(720, "/min"))],
    ),
    (
        "unusual:vitals.blood_pressure",
        "note",
        [found(BP, pressure(134, 88), "left")],
        [found(BP, pressure(118, 76), "left"), found(BP, pressure(88, 134), "right")],
    ),
    (
        "unusual:back.strength",
        "note",
        [found("back.strength", grade(4, "strength"), "left")],
        [found("back.strength", grade(5, "strength"), "left")],
    ),
    (
        "unusual:back.reflex",
        "note",
        [found("back.reflex", grade(0.5, "reflex"), "left")],
        [found("back.reflex", grade(3, "reflex"), "left")],
    ),
    (
        "doubtful:vitals.pulse",
        "warning",
        [found("vitals.pulse", quantity(72, "/min"), doubts=("It may have been another number.",))],
        [found("vitals.pulse", quantity(72, "/min"))],
    ),
    (
        "contradiction:back.spine",
        "warning",
        [
            found("back.spine", reading("tender"), at=10),
            found("back.spine", reading("tender", denied=True), at=40),
        ],
        [
            found("back.spine", reading("tender"), at=10, site="upper"),
            found("back.spine", reading("tender", denied=True), at=40, site="lower"),
        ],
    ),
    (
        "contradiction:back.spine",
        "note",
        [
            found("back.spine", reading("tender", denied=True), at=10),
            found("back.spine", reading("tender"), at=40, site="lower"),
        ],
        [  # 'not tender except low down': one breath
            found("back.spine", reading("tender", denied=True), at=10, utterances=(900,)),
            found("back.spine", reading("tender"), at=11, site="lower", utterances=(900,)),
        ],
    ),
    (
        "contradiction:eyes.pupil",
        "warning",
        [
            found("eyes.pupil", reading("brisk"), "left", 10),
            found("eyes.pupil", reading("sluggish"), "both", 40),
        ],
        [
            found("eyes.pupil", reading("brisk"), "left", 10),
            found("eyes.pupil", reading("sluggish"), "right", 40),
            found("eyes.pupil", reading("sluggish"), "unspecified", 50),
        ],
    ),
    (
        "contradiction:vitals.pulse",
        "warning",
        [
            found("vitals.pulse", quantity(72, "/min"), at=10),
            found("vitals.pulse", quantity(84, "/min"), at=90),
        ],
        [
            found("vitals.pulse", quantity(72, "/min"), at=10),
            found("vitals.pulse", quantity(70, "/min", approximate=True), at=90),
        ],
    ),
    (
        "contradiction:back.descent",
        "warning",
        [
            found("back.descent", quantity(3, "cm", comparator="<"), "left", 10),
            found("back.descent", quantity(5, "cm"), "left", 40),
        ],
        [
            found("back.descent", quantity(3, "cm", comparator=">"), "left", 10),
            found("back.descent", quantity(5, "cm"), "left", 40),
        ],
    ),
    (
        "contradiction:vitals.blood_pressure",
        "warning",
        [found(BP, pressure(134, 88), "left", 10), found(BP, pressure(152, 88), "left", 90)],
        [found(BP, pressure(134, 88), "left", 10), found(BP, pressure(128, 84), "left", 90)],
    ),
    (
        "contradiction:back.strength",
        "warning",
        [
            found("back.strength", grade(5, "strength"), "right", 10),
            found("back.strength", grade(4, "strength"), "right", 30),
        ],
        [
            found("back.strength", grade(5, "strength"), "right", 10),
            found("back.strength", grade(5, "strength"), "right", 30),
        ],
    ),
    (
        "contradiction:eyes.acuity",
        "warning",
        [
            found("eyes.acuity", acuity(20, 20), "left", 10),
            found("eyes.acuity", acuity(20, 30), "left", 30),
        ],
        [  # an acuity of both eyes is a measure of its own
            found("eyes.acuity", acuity(20, 30), "left", 10),
            found("eyes.acuity", acuity(20, 20), "both", 30),
        ],
    ),
    (
        "conflict:clear_and_crackles",
        "warning",
        [
            found(BREATH, reading("clear"), "both", 10),
            found(BREATH, reading("crackles"), "left", 40, site="lower"),
        ],
        [
            found(BREATH, reading("clear"), "right", 10),
            found(BREATH, reading("crackles"), "left", 40, site="lower"),
        ],
    ),
    (
        "conflict:clear_and_crackles",
        "warning",
        [
            found(BREATH, reading("clear"), "left", 10, site="lower"),
            found(BREATH, reading("crackles"), "left", 40, site="lower"),
        ],
        [  # 'clear except at the left base'
            found(BREATH, reading("clear"), "both", 10, utterances=(901,)),
            found(BREATH, reading("crackles"), "left", 11, site="lower", utterances=(901,)),
        ],
    ),
    (
        "conflict:clear_and_crackles",
        "warning",
        [
            found(BREATH, reading("crackles"), "left", 10),
            found(BREATH, reading("clear"), "left", 40),
        ],
        [  # clear here, crackles there
            found(BREATH, reading("clear"), "left", 10, site="upper"),
            found(BREATH, reading("crackles"), "left", 40, site="lower"),
        ],
    ),
    (
        "conflict:droop_and_brisk",
        "warning",
        [
            found("eyes.lids", reading("droop", denied=True), "left", 10),
            found("eyes.pupil", reading("scar"), "left", 20),
        ],
        [
            found("eyes.lids", reading("droop"), "left", 10),
            found("eyes.pupil", reading("scar"), "left", 20),
        ],
    ),
    (
        "conflict:weak_and_brisk",
        "note",
        [
            found("back.strength", grade(1, "strength"), "left", 10),
            found("back.reflex", grade(4, "reflex"), "right", 20),
        ],
        [
            found("back.strength", grade(2, "strength"), "left", 10),
            found("back.reflex", grade(4, "reflex"), "right", 20),
        ],
    ),
    (
        "asymmetry:vitals.blood_pressure",
        "warning",
        both_arms((134, 88), (124, 84)),
        both_arms((134, 88), (126, 84)),
    ),
    (
        "asymmetry:back.descent",
        "warning",
        [
            found("back.descent", quantity(5, "cm"), "left", 10),
            found("back.descent", quantity("3.5", "cm"), "right", 20),
        ],
        [
            found("back.descent", quantity("4.5", "cm"), "left", 10),
            found("back.descent", quantity(4, "cm"), "right", 20),
        ],
    ),
    (
        "asymmetry:eyes.acuity",
        "warning",
        [
            found("eyes.acuity", acuity(20, 20), "left", 10),
            found("eyes.acuity", acuity(20, 40), "right", 20),
        ],
        [
            found("eyes.acuity", acuity(20, 20), "left", 10),
            found("eyes.acuity", acuity(20, 25), "right", 20),
        ],
    ),
    (
        "asymmetry:back.strength",
        "note",
        [
            found("back.strength", grade(5, "strength"), "left", 10),
            found("back.strength", grade(4, "strength"), "right", 20),
        ],
        [found("back.strength", grade(4, "strength"), "both", 10)],
    ),
    (
        "asymmetry:eyes.pupil",
        "note",
        [
            found("eyes.pupil", reading("brisk"), "left", 10),
            found("eyes.pupil", reading("sluggish"), "right", 20),
        ],
        [found("eyes.pupil", reading("sluggish"), "both", 10)],
    ),
    (
        "asymmetry:eyes.smell",
        "note",
        [
            found("eyes.smell", Trials(answers=("mint", "mint"), right=2, wrong=0), "left", 10),
            found("eyes.smell", Trials(answers=("mint", "mint"), right=1, wrong=1), "right", 20),
        ],
        [
            found("eyes.smell", Trials(answers=("mint",)), "left", 10),
            found("eyes.smell", Trials(answers=("mint", "mint")), "right", 20),
        ],
    ),
    (
        "single_arm:vitals.blood_pressure",
        "warning",
        [found(BP, pressure(118, 76), "left")],
        both_arms((118, 76), (116, 74)),
    ),
    (
        "side_unsaid:vitals.blood_pressure",
        "warning",
        [found(BP, pressure(118, 76), "left", 10), found(BP, pressure(116, 74), "unspecified", 60)],
        [found(BP, pressure(118, 76), "left", 10)],
    ),
    (
        "single_arm:vitals.blood_pressure",
        "warning",
        [found(BP, pressure(118, 76), "left", 10)],
        [found(BP, pressure(118, 76), "left", 10), found(BP, pressure(116, 74), "unspecified", 60)],
    ),
    (
        "one_side:eyes.pupil",
        "warning",
        [found("eyes.pupil", reading("brisk"), "left")],
        [found("eyes.pupil", reading("brisk"), "both")],
    ),
    (
        "side_unsaid:eyes.pupil",
        "warning",
        [found("eyes.pupil", reading("brisk"), "unspecified")],
        [
            found("eyes.pupil", reading("brisk"), "unspecified"),
            found("eyes.pupil", reading("brisk"), "both"),
        ],
    ),
    (
        "no_result:abdomen.touch",
        "warning",
        [found("abdomen.touch")],
        [found("abdomen.touch"), found("abdomen.touch", reading("soft"), at=20)],
    ),
    (
        "no_result:abdomen.touch",
        "warning",
        [found("abdomen.touch")],
        [found("abdomen.scrub")],  # an act without a result
    ),
    (
        "no_result:back.descent",
        "warning",
        [
            found("back.descent", None, "left", 10),
            found("back.descent", quantity(4, "cm"), "right", 20),
        ],
        [
            found("back.descent", None, "left", 10),
            found("back.descent", quantity(4, "cm"), "unspecified", 20),
        ],
    ),
    (
        "no_result:eyes",
        "warning",
        [found(item, None, "both") for item in ("eyes.pupil", "eyes.lids", "eyes.acuity")],
        [found(item, None, "both") for item in ("eyes.pupil", "eyes.lids")],
    ),
    (
        "no_number:vitals.temperature",
        "note",
        [found("vitals.temperature", status="normal", level=Level.REPORTED)],
        [found("vitals.temperature", quantity("36.8", "Cel"))],
    ),
    (
        "missing_vital:vitals",
        "warning",
        [found("vitals.pulse", quantity(72, "/min"))],
        [found(item) for item in EXAM.items if item.startswith("vitals")],
    ),
    (
        "missing_vital:vitals.temperature",
        "warning",
        [found(i) for i in EXAM.items if i.startswith("vitals") and i != "vitals.temperature"],
        [found(item) for item in EXAM.items if item.startswith("vitals")],
    ),
    (
        "unspoken_regions",
        "warning",
        [found("vitals.pulse", quantity(72, "/min"))],
        [found(item) for item in ("eyes.lids", "back.spine", "abdomen.touch")],
    ),
    (
        "order:listen_first",
        "warning",
        [
            found("abdomen.touch", reading("soft"), at=10),
            found("abdomen.listen", reading("active"), at=60),
        ],
        [
            found("abdomen.listen", reading("active"), at=10),
            found("abdomen.touch", reading("soft"), at=60),
        ],
    ),
    (
        "region_order:eyes",
        "note",
        [
            found("vitals.pulse", quantity(72, "/min"), at=10),
            found("back.spine", reading("tender", denied=True), at=100),
            found(BREATH, reading("clear"), "both", at=110),
            found("vitals.respirations", quantity(15, "/min"), at=120),
            found("abdomen.listen", reading("active"), at=200),
            found("abdomen.touch", reading("soft"), at=210),
            found("eyes.lids", reading("droop", denied=True), "both", at=300),
            found("eyes.pupil", reading("brisk"), "both", at=310),
        ],
        [
            found("vitals.pulse", quantity(72, "/min"), at=10),
            found("vitals.respirations", quantity(15, "/min"), at=20),
            # One item seen on the way is no visit.
            found("eyes.lids", reading("droop", denied=True), "both", at=190),
            found(BREATH, reading("clear"), "both", at=95),
            found("abdomen.listen", reading("active"), at=180),
            found("back.spine", reading("tender", denied=True), at=100),
            found("abdomen.touch", reading("soft"), at=200),
        ],
    ),
    (
        "pace:back",
        "note",
        [
            found("eyes.lids", reading("droop", denied=True), "both", 5),
            found("back.spine", reading("tender", denied=True), at=10),
            found(BREATH, reading("clear"), "both", 11),
            found("back.descent", quantity(4, "cm"), "both", 12),
            found("back.strength", grade(5, "strength"), "both", 13),
            found("abdomen.touch", reading("soft"), at=14),
        ],
        [
            found("eyes.lids", reading("droop", denied=True), "both", 5),
            found("back.spine", reading("tender", denied=True), at=10),
            found(BREATH, reading("clear"), "both", 30),
            found("back.descent", quantity(4, "cm"), "both", 50),
            found("back.strength", grade(5, "strength"), "both", 70),
            found("abdomen.touch", reading("soft"), at=90),
        ],
    ),
    (
        "round_number:vitals.respirations",
        "note",
        [found("vitals.respirations", quantity(16, "/min"))],
        [found("vitals.respirations", quantity(17, "/min"))],
    ),
    (
        "round_number:vitals.pulse",
        "note",
        [found("vitals.pulse", quantity(80, "/min"))],
        [
            found("vitals.pulse", quantity(76, "/min")),
            found("vitals.temperature", quantity(40, "Cel")),
        ],
    ),
]


@pytest.mark.parametrize(
    ("rule", "severity", "fires", "silent"),
    TABLE,
    ids=[f"{place}-{row[0]}" for place, row in enumerate(TABLE)],
)
def test_fires_and_stays_silent(
    rule: str, severity: str, fires: list[Finding], silent: list[Finding]
) -> None:
    raised = [flag for flag in flags_of(*fires) if flag.rule == rule and flag.severity == severity]
    assert len(raised) == 1
    known = {finding.id for finding in fires}
    assert set(raised[0].findings) <= known
    assert raised[0].sentence[0].isupper() and raised[0].sentence[-1] in ".?"
    assert not any(flag.rule == rule and flag.severity == severity for flag in flags_of(*silent))


@pytest.mark.parametrize("row", TABLE, ids=[f"{place}-{row[0]}" for place, row in enumerate(TABLE)])
def test_struck_and_replaced_findings_are_passed_over(
    row: tuple[str, str, list[Finding], list[Finding]],
) -> None:
    fires = row[2]
    struck = [finding.model_copy(update={"struck": True}) for finding in fires]
    replaced = [finding.model_copy(update={"superseded_by": "later"}) for finding in fires]
    nothing = flags_of()
    assert flags_of(*struck) == nothing
    assert flags_of(*replaced) == nothing


@pytest.mark.parametrize(
    ("title", "expected"),
    [
        ("tender", "not tender"),
        ("tender to percussion", "not tender to percussion"),
        ("tender node", "no tender node"),
        ("added sounds", "no added sounds"),
        ("bruit", "no bruit"),
    ],
)
def test_denied_signs_read_as_english(title: str, expected: str) -> None:
    sign = Reading(code="sign", title=title, status="present", say=("sign",))
    item = EXAM.items["back.spine"].model_copy(update={"readings": (sign,)})
    assert choice_text(Choice(code="sign", title=title, denied=True), item) == expected


def test_an_error_silences_the_request_to_confirm_the_same_number() -> None:
    doubts = {"doubts": ("Not clear.",)}
    alone = found("vitals.pulse", quantity(720, "/min"), **doubts)
    assert "doubtful:vitals.pulse" not in rules_of(alone)
    other = found(
        "vitals.pulse", quantity(720, "/min"), alternatives=(quantity(72, "/min"),), **doubts
    )
    assert "doubtful:vitals.pulse" in rules_of(other)


def test_items_that_nobody_asked_for_lack_no_result() -> None:
    region = EXAM.regions[-1]
    touch = next(item for item in region.items if item.id == "abdomen.touch")
    hidden = touch.model_copy(update={"default": False})
    items = tuple(hidden if item.id == touch.id else item for item in region.items)
    last = region.model_copy(update={"items": items})
    exam = EXAM.model_copy(update={"regions": (*EXAM.regions[:-1], last)})
    exam.__dict__.pop("items", None)  # computed for the exam that was copied
    flags = flags_of(found("abdomen.touch"), exam=exam)
    assert not any(flag.rule.startswith("no_result") for flag in flags)


def test_correction_settles_a_contradiction() -> None:
    later = found("vitals.pulse", quantity(84, "/min"), at=90)
    first = found("vitals.pulse", quantity(72, "/min"), at=10, superseded_by=later.id)
    assert "contradiction:vitals.pulse" not in rules_of(first, later)


def test_sentences_read_as_plain_english() -> None:
    said = {
        flag.rule: flag
        for flag in flags_of(
            found(BP, pressure(134, 88), "left", 62),
            found(BP, pressure(118, 76), "right", 100),
            found("vitals.temperature", quantity("98.6", "Cel"), at=130),
            found("vitals.pulse", quantity(55, "/min"), at=140),
            found(BREATH, reading("clear"), "both", 200),
            found(BREATH, reading("crackles"), "left", 245, site="lower"),
        )
    }
    assert said["asymmetry:vitals.blood_pressure"].sentence == (
        "Blood pressure: 134/88\u00a0mm Hg on the left and 118/76\u00a0mm Hg on the right; the difference "
        "is 16\u00a0mm Hg; look again from 10\u00a0mm Hg on (between the arms)."
    )
    assert said["asymmetry:vitals.blood_pressure"].source == "Arms that differ. C journal, 2012"
    assert said["unit:vitals.temperature"].sentence == (
        "Temperature: 98.6\u00a0°C does not fit its unit; was 98.6\u00a0°F meant?"
    )
    assert said["unusual:vitals.pulse"].sentence == (
        "Pulse rate: 55\u00a0/min is outside the usual range (usual is 60 to 100\u00a0/min, "
        "though others give 50 to 90\u00a0/min)."
    )
    assert said["unusual:vitals.pulse"].source == (
        "Book of the usual. A press, 1999; Another book. B press, 2001"
    )
    assert said["conflict:clear_and_crackles"].sentence == (
        "Clear lungs and crackles do not go together (Breath sounds (both sides): clear at 3:20 "
        "and Breath sounds (left, lower zone): crackles at 4:05)."
    )
    assert said["unspoken_regions"].sentence == "Nothing was heard of 2 regions: Eyes and Abdomen."


def test_many_missing_results_make_one_sentence() -> None:
    flags = flags_of(*(found(i, None, "both") for i in ("eyes.pupil", "eyes.lids", "eyes.acuity")))
    missing = [flag for flag in flags if flag.rule.startswith("no_result")]
    assert [flag.sentence for flag in missing] == [
        "Eyes: 3 items were performed, but their results were never said: "
        "Near acuity, Pupil and Lids."
    ]
    assert missing[0].items == ("eyes.acuity", "eyes.pupil", "eyes.lids")


def test_doubt_names_the_other_values() -> None:
    doubtful = found(
        BP,
        pressure(134, 88),
        "right",
        doubts=("The words were garbled.",),
        alternatives=(pressure(134, 80),),
    )
    flag = next(flag for flag in flags_of(doubtful) if flag.rule.startswith("doubtful"))
    assert flag.sentence == (
        "Please confirm Blood pressure (right): 134/88\u00a0mm Hg (The words were garbled). "
        "It could also have been 134/80\u00a0mm Hg."
    )


@pytest.mark.parametrize("text", ["eyes.lids", "eyes.lids~droop", "lids=droop", "eyes.lids<=many"])
def test_a_badly_written_conflict_is_named(text: str) -> None:
    rule = EXAM.checks.conflicts[0].model_copy(update={"second": text})
    checks = EXAM.checks.model_copy(update={"conflicts": (rule,)})
    with pytest.raises(UserFault, match="no side of a conflict"):
        flags_of(exam=EXAM.model_copy(update={"checks": checks}))


def test_rules_about_items_that_a_course_hides_say_nothing() -> None:
    rule = EXAM.checks.conflicts[0].model_copy(update={"second": "heart.murmur_grade<=3"})
    checks = EXAM.checks.model_copy(update={"conflicts": (rule,)})
    exam = EXAM.model_copy(update={"checks": checks})
    flags = flags_of(found(BREATH, reading("clear"), "both"), exam=exam)
    assert not any(flag.rule.startswith("conflict") for flag in flags)
