"""Talk in which nothing is found gives no result, by itself and amid an examination."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import pytest
import yaml
from excerpt_format import Line, phrases_of

from dictate.exam.catalogue import Catalogue
from dictate.exam.reading import load_catalogue
from dictate.findings.finding import Level
from dictate.pipeline import understand

FILE = Path(__file__).resolve().parent / "silent_talk.yaml"
SILENT: dict[str, list[str]] = yaml.safe_load(FILE.read_text(encoding="utf-8"))
# What was said just before: subjects that a stray number, sign or reply could fall to.
AMID = (
    (),
    ("blood pressure left arm one thirty over eighty",),
    ("left patellar reflex two plus",),
    ("lungs clear throughout",),
    ("right tonsil two plus",),
    ("is this sore",),
    ("flexion of the right knee one hundred thirty degrees",),
    ("heart sounds regular no murmurs",),
    ("left pupil three millimetres",),
    ("abdomen soft",),
    ("right radial pulse two plus",),
    ("left ear canal clear",),
    ("gait steady",),
    ("skin warm and dry",),
    ("sharp or dull right forehead", "sharp"),
)


@lru_cache(maxsize=1)
def catalogue() -> Catalogue:
    return load_catalogue()


def results_of(line: str, before: tuple[str, ...]) -> list[str]:
    """The results that the line alone adds to what was said before it."""
    lines, now = [], 0.0
    for text in (*before, line):
        lines.append(Line(t=now, text=text))
        now += 0.35 * len(text.split()) + 1.5
    start = lines[-1].t
    return [
        f"{one.item} {one.side or ''}".strip()
        for one in understand(phrases_of(tuple(lines)), catalogue())
        if one.stands and one.level.rank >= Level.REPORTED.rank and one.end > start
    ]


def test_there_are_enough_lines() -> None:
    lines = [line for said in SILENT.values() for line in said]
    assert len(lines) >= 300
    assert len(set(lines)) == len(lines)


def test_the_lines_before_are_results_themselves() -> None:
    """Otherwise the test below would show nothing about stray numbers and signs."""
    for before in AMID:
        if before and before != ("is this sore",):
            assert results_of(before[-1], before[:-1]), before


@pytest.mark.parametrize("kind", SILENT)
def test_silent_talk_gives_no_result(kind: str) -> None:
    found = {
        line: sorted({result for before in AMID for result in results_of(line, before)})
        for line in SILENT[kind]
    }
    wrong = {line: results for line, results in found.items() if results}
    assert not wrong
