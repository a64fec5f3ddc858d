"""Words heard as others of like sound: read within their region, marked, what was heard kept."""

from __future__ import annotations

import pytest

from dictate.exam.catalogue import Catalogue
from dictate.findings.finding import Choice, Finding, Grade
from dictate.findings.sound_alike import READ_BY_SOUND
from dictate.pipeline import understand
from tests.conftest import spoken


def found_in(exam: Catalogue, *lines: str) -> list[Finding]:
    return [one for one in understand(spoken(lines), exam) if one.stands]


def only(found: list[Finding], item: str) -> Finding:
    (one,) = [finding for finding in found if finding.item == item]
    return one


def test_a_name_is_read_by_its_sound_and_marked(exam: Catalogue) -> None:
    spleen = only(found_in(exam, "abdomen soft", "celine not felt"), "abdomen.spleen")
    assert isinstance(spleen.value, Choice)
    assert (spleen.value.code, spleen.value.denied) == ("palpable", True)
    assert spleen.doubts == ("'celine' was taken for 'spleen' by its sound",)
    assert spleen.confidence == READ_BY_SOUND
    assert spleen.words == "celine not felt"


def test_what_was_heard_as_it_is_keeps_its_confidence(exam: Catalogue) -> None:
    spleen = only(found_in(exam, "abdomen soft", "spleen not felt"), "abdomen.spleen")
    assert not spleen.doubtful
    assert spleen.confidence == 1.0


@pytest.mark.parametrize("heard", ["write", "wright", "rite"])
def test_a_side_is_read_by_its_sound_and_never_silently(exam: Catalogue, heard: str) -> None:
    found = found_in(exam, "left ear canal clear", f"{heard} ear canal clear")
    left, right = [one for one in found if one.item == "ears.canal"]
    assert (left.side, left.doubtful) == ("left", False)
    assert right.side == "right"
    assert right.doubts == (f"'{heard}' was taken for 'right' by its sound",)
    assert right.words.startswith(heard)


def test_what_takes_its_side_from_there_is_marked_too(exam: Catalogue) -> None:
    lines = ["left ear canal clear", "wright ear canal full of wax", "the drum is gray"]
    drum = only(found_in(exam, *lines), "ears.drum")
    assert (drum.side, drum.side_inferred) == ("right", True)
    assert "'wright' was taken for 'right' by its sound" in drum.doubts
    drum = only(found_in(exam, *lines[:2], "right drum is gray"), "ears.drum")
    assert (drum.side, drum.doubtful) == ("right", False)


def test_a_value_beside_it_stays_and_is_marked(exam: Catalogue) -> None:
    found = found_in(exam, "left tonsil two plus", "wright tonsil one plus")
    grade = next(one for one in found if one.side == "right")
    assert isinstance(grade.value, Grade)
    assert grade.value.grade == 1
    assert grade.doubtful


@pytest.mark.parametrize(
    "lines", [("celine not felt",), ("left ear canal clear", "celine is nice")]
)
def test_outside_its_region_nothing_is_read_so(exam: Catalogue, lines: tuple[str, ...]) -> None:
    assert not [one for one in found_in(exam, *lines) if one.item == "abdomen.spleen"]


@pytest.mark.parametrize(
    "line",
    [
        "the merman smiled and celine sang a song",
        "lamp off",
        "then shall we start",
        "light brown hair",
        "please write your name here",
    ],
)
def test_plain_talk_amid_a_region_is_no_result(exam: Catalogue, line: str) -> None:
    before = ("abdomen soft", "left ear canal clear")
    assert len(found_in(exam, *before, line)) == len(found_in(exam, *before))


@pytest.mark.parametrize("heard", ["bix", "sefton", "atey"])
def test_numbers_are_not_read_so(exam: Catalogue, heard: str) -> None:
    found = found_in(exam, "left arm blood pressure one thirty over eighty", f"pulse {heard}")
    assert not [one for one in found if one.item == "vitals.pulse_rate" and one.value]
