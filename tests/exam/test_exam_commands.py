"""``dictate items``, ``dictate card`` and ``dictate grammar check`` as a person calls them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from dictate.commands.exam_app import app
from dictate.errors import UserFault
from dictate.exam.catalogue import Catalogue


def call(*words: str) -> Result:
    return CliRunner().invoke(app, list(words))


def fault(*words: str) -> str:
    """The sentence that the main command line prints for a user's fault."""
    result = call(*words)
    assert isinstance(result.exception, UserFault), result
    return str(result.exception)


def test_items_lists_the_usual_exam(exam: Catalogue) -> None:
    result = call("items")
    assert result.exit_code == 0
    assert "heart.murmur " in result.stdout
    assert "axillae" not in result.stdout
    listed = sum(item.default for region in exam.regions if region.default for item in region.items)
    assert f"{listed} items of Usual exam." in result.stdout


def test_items_of_a_region_and_of_a_course() -> None:
    region = json.loads(call("items", "--json", "--region", "skin").stdout)
    assert {one["id"].partition(".")[0] for one in region} == {"skin"}
    station = json.loads(call("items", "--json", "-c", "chest_heart_station").stdout)
    by_id = {one["id"]: one for one in station}
    assert by_id["heart.murmur_grade"]["required"] is False
    assert by_id["vitals.pulse_rate"]["required"] is True


def test_items_are_found_by_words_also_when_off_by_default() -> None:
    found = {one["id"] for one in json.loads(call("items", "--json", "kneecap", "bulge").stdout)}
    assert "joints.knee_effusion" in found
    assert "tuning fork" in call("items", "nervous.vibration_toe").stdout


def test_an_item_is_shown_with_words_ranges_and_sources() -> None:
    shown = call("items", "joints.elbow_flexion").stdout
    assert "usual 140° or more" in shown
    assert "Guides to the Evaluation of Permanent Impairment" in shown
    assert "bend [both] [your] (elbow | elbows)" in shown
    assert json.loads(call("items", "joints.elbow_flexion", "--json").stdout)["unit"] == "deg"


def test_what_is_not_there_is_said_in_a_sentence() -> None:
    assert "No item is known by 'zebra'" in fault("items", "zebra")
    assert "There is no region 'tail'; the regions are general" in fault("items", "-r", "tail")
    assert "There is no course 'x'" in fault("card", "x")


def test_card_is_written_and_printed(tmp_path: Path) -> None:
    path = tmp_path / "card.html"
    result = call("card", "complete", "-o", str(path))
    assert result.exit_code == 0 and str(path) in result.stdout
    assert path.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    assert call("card", "complete", "-o", "-").stdout.startswith("<!DOCTYPE html>")
    assert "cannot be written" in fault("card", "-o", str(tmp_path / "no" / "card.html"))


def test_check_of_the_exam_data_is_clean() -> None:
    result = call("grammar", "check")
    assert result.exit_code == 0, result.stdout
    assert "Complete examination, head to toe:" in result.stdout
    assert "from a publication" in result.stdout
    assert "0 items lack words" in result.stdout
    full = call("grammar", "check", "--full").stdout
    assert "told apart: region" in full


COURSE = """\
course: mine
title: Mine
select: [skin]
add_items:
  - id: skin.glow
    title: Glow
    names: [glow]
    performed: [PERFORMED]
"""


def test_check_of_a_course_file_lists_what_is_wrong_with_it(tmp_path: Path) -> None:
    path = tmp_path / "mine.yaml"
    path.write_text(COURSE.replace("PERFORMED", "look for any clubbing"), encoding="utf-8")
    result = call("grammar", "check", str(path))
    assert result.exit_code == 1
    assert "skin.clubbing, skin.glow" in result.stdout
    assert "skin.glow: no words for its result" in result.stdout
    report = json.loads(call("grammar", "check", str(path), "--json").stdout)
    assert {"item": "skin.glow", "lacks": "result", "because": ""} in report["silent"]


def test_check_names_file_line_and_item(tmp_path: Path) -> None:
    path = tmp_path / "mine.yaml"
    path.write_text(COURSE.replace("PERFORMED", "'look (for'"), encoding="utf-8")
    said = fault("grammar", "check", str(path))
    assert said.startswith(f"{path}, line 8, item 'skin.glow': ')' is missing")
    assert "cannot be read" in fault("grammar", "check", str(tmp_path / "none.yaml"))


def test_check_of_a_region_file(tmp_path: Path) -> None:
    path = tmp_path / "skin.yaml"
    text = "region: skin\ntitle: Skin\norder: 160\nitems:\n  - id: skin.glow\n    title: Glow\n"
    path.write_text(text, encoding="utf-8")
    result = call("grammar", "check", str(path))
    assert result.exit_code == 1
    assert "skin.glow: no words for its act" in result.stdout
    path.write_text(text + "    kind: grade\n    scale: nix\n", encoding="utf-8")
    assert "line 8, item 'skin.glow': scale 'nix'" in fault("grammar", "check", str(path))


@pytest.mark.parametrize("words", [("--help",), ("items", "--help"), ("grammar", "--help")])
def test_help(words: tuple[str, ...]) -> None:
    assert call(*words).exit_code == 0
