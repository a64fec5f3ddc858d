"""Curves run through their points; the drawing's files follow their schema."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path

import jsonschema_rs
import pytest
import yaml

from dictate.errors import UserFault
from dictate.exam.location import grammars_folder
from dictate.exam.reading import content_hash
from dictate.figure.curves import mirrored, path_data, read_points, whole
from dictate.figure.schema_file import NAME, figure_schema
from dictate.figure.shapes import load_views

FILES = sorted((grammars_folder() / "figure").glob("*.yaml"))


def test_four_points_of_a_circle_give_a_circle() -> None:
    numbers = [
        float(word)
        for word in re.findall(
            r"-?[\d.]+", path_data(read_points("0,-100 100,0 0,100 -100,0"), closed=True)
        )
    ]
    points = list(zip(numbers[::2], numbers[1::2], strict=True))
    start, first, second, end = points[0:4]
    for step in range(11):
        t = step / 10
        weights = ((1 - t) ** 3, 3 * (1 - t) ** 2 * t, 3 * (1 - t) * t**2, t**3)
        x, y = (
            sum(w * p[axis] for w, p in zip(weights, (start, first, second, end), strict=True))
            for axis in (0, 1)
        )
        assert math.hypot(x, y) == pytest.approx(100, abs=0.3)


def test_a_half_outline_is_closed_by_its_mirror_image() -> None:
    outline = whole(read_points("0,0 10,5 0,10"))
    assert [(knot.x, knot.y) for knot in outline] == [(0, 0), (10, 5), (0, 10), (-10, 5)]
    assert mirrored(mirrored(outline)) == outline


@pytest.mark.parametrize("text", ["1,2", "1,2 3", "1,2 a,b", "1,2 nan,3", "1,2,3 4,5"])
def test_points_that_are_none_are_refused(text: str) -> None:
    with pytest.raises(ValueError, match="point"):
        read_points(text)


def test_schema_file_is_current() -> None:
    shipped = (grammars_folder() / "schema" / NAME).read_text(encoding="utf-8")
    assert shipped == figure_schema(), "run python -m dictate.figure.schema_file"


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_files_follow_their_schema(path: Path) -> None:
    validator = jsonschema_rs.validator_for(json.loads(figure_schema()))
    validator.validate(yaml.safe_load(path.read_text(encoding="utf-8")))


def test_a_broken_file_is_told_with_its_line(tmp_path: Path) -> None:
    text = FILES[0].read_text(encoding="utf-8").replace("outline:", "outlime:", 1)
    line = next(n for n, one in enumerate(text.splitlines(), 1) if "outlime:" in one)
    (tmp_path / "one.yaml").write_text(text, encoding="utf-8")
    with pytest.raises(UserFault, match=f"line {line}.*'outlime' is not a key here"):
        load_views(tmp_path)


def test_the_drawing_does_not_change_the_exams_version(tmp_path: Path) -> None:
    (tmp_path / "regions").mkdir()
    (tmp_path / "figure").mkdir()
    (tmp_path / "regions" / "a.yaml").write_text("a", encoding="utf-8")
    before = content_hash(tmp_path)
    (tmp_path / "figure" / "b.yaml").write_text("b", encoding="utf-8")
    assert content_hash(tmp_path) == before
