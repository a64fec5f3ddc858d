"""The report on shared words, on a small exam where each kind of clash is planted."""

from __future__ import annotations

from pathlib import Path

import pytest

from dictate.errors import UserFault
from dictate.exam.ambiguity import (
    Explanation,
    Report,
    ambiguity_report,
    load_explanations,
)
from dictate.exam.catalogue import Catalogue
from dictate.exam.course import load_course, shipped_courses
from dictate.exam.reading import load_catalogue
from dictate.talk.lexicon import compared
from tests.exam.exam_folder import ARM, LEG, write_exam


def report_on(
    folder: Path, arm: str, leg: str = LEG, explanations: tuple[Explanation, ...] = ()
) -> Report:
    write_exam(folder)
    (folder / "regions" / "arm.yaml").write_text(arm, encoding="utf-8")
    (folder / "regions" / "leg.yaml").write_text(leg, encoding="utf-8")
    return ambiguity_report(load_catalogue(folder), compared, explanations)


def test_the_small_exam_shares_nothing(tmp_path: Path) -> None:
    assert report_on(tmp_path / "exam", ARM).shared == ()


def test_the_same_instruction_in_other_words_and_numbers_is_found(tmp_path: Path) -> None:
    arm = ARM.replace('["push up"]', '["(peek | stare) at [both] arms now"]')
    report = report_on(tmp_path / "exam", arm)
    assert [(one.context, one.words, one.items) for one in report.open] == [
        ("act", "peek arm", ("arm.look", "arm.power"))
    ]


def test_items_of_other_regions_are_told_apart_by_the_region(tmp_path: Path) -> None:
    leg = LEG.replace("tape round your calf", "push up")
    report = report_on(tmp_path / "exam", ARM, leg)
    assert [one.decided_by for one in report.shared] == ["region"]
    assert report.open == ()


def test_an_item_off_the_checklist_gives_way(tmp_path: Path) -> None:
    leg = LEG.replace("hair on your leg", "tape round a calf")
    report = report_on(tmp_path / "exam", ARM, leg)
    assert [one.decided_by for one in report.shared] == ["checklist"]


def test_results_that_stand_alone(tmp_path: Path) -> None:
    arm = ARM.replace('say: ["fine"]', 'say: ["wasted"], alone: true').replace(
        '    performed: ["push up"]',
        '    performed: ["push up"]\n    readings:\n'
        "      - {code: w, title: w, status: abnormal, say: [wasted], alone: true}",
    )
    report = report_on(tmp_path / "exam", arm)
    assert [(one.context, one.words) for one in report.open] == [("result alone", "wast")]


def test_a_shared_name_counts_with_a_shared_result_or_number(tmp_path: Path) -> None:
    second = """\
  - id: arm.force
    title: Force
    kind: grade
    scale: power
    names: ["arm", "power"]
    performed: ["pull"]
    readings:
      - {code: weak, title: weak, status: abnormal, say: ["limp"]}
"""
    report = report_on(tmp_path / "exam", ARM + second)
    assert {(one.context, one.words, one.items) for one in report.open} == {
        ("result with name", "arm ... limp", ("arm.look", "arm.force")),
        ("value with name", "power ... <number>", ("arm.power", "arm.force")),
    }


def test_an_explanation_closes_a_clash_of_its_pair_alone(tmp_path: Path) -> None:
    arm = ARM.replace('["push up"]', '["look at the arm"]')
    given = Explanation(items=("arm.power", "arm.look"), because="One comes first.")
    report = report_on(tmp_path / "exam", arm, explanations=(given,))
    assert report.open == ()
    assert report.shared[0].because == "One comes first."
    other = Explanation(items=("arm.power", "leg.girth"), because="No matter.")
    assert len(report_on(tmp_path / "two", arm, explanations=(other,)).open) == 1


def test_items_without_words_are_listed(tmp_path: Path) -> None:
    arm = ARM.replace('    performed: ["push up"]\n', "") + (
        '  - {id: arm.mute, title: Mute, names: ["mute"], performed: ["be quiet"]}\n'
    )
    report = report_on(tmp_path / "exam", arm)
    assert [(one.item, one.lacks) for one in report.mute] == [
        ("arm.power", "act"),
        ("arm.mute", "result"),
    ]


def test_a_broken_list_of_explanations_is_said(tmp_path: Path) -> None:
    (tmp_path / "shared_words.yaml").write_text("- items: []\n  because: x\n", encoding="utf-8")
    with pytest.raises(UserFault, match=r"shared_words\.yaml, line 1"):
        load_explanations(tmp_path)


def test_nothing_in_the_exam_is_shared_without_a_reason(exam: Catalogue) -> None:
    report = ambiguity_report(exam, compared, load_explanations())
    assert [f"{one.context}: {one.words}: {one.items}" for one in report.open] == []
    assert [f"{one.item} lacks words for its {one.lacks}" for one in report.mute] == []


@pytest.mark.parametrize("key", sorted(shipped_courses()))
def test_nor_in_the_courses(exam: Catalogue, key: str) -> None:
    made = load_course(key, exam).catalogue
    report = ambiguity_report(made, compared, load_explanations())
    assert [f"{one.context}: {one.words}: {one.items}" for one in report.open] == []


def test_explanations_are_about_items_that_there_are(exam: Catalogue) -> None:
    for one in load_explanations():
        assert set(one.items) <= exam.items.keys(), one.items
