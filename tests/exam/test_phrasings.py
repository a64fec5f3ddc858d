"""Ways in which people say each step of the exam, as data in ``phrasings/``.

Each file is one region: how it is announced, and sentences by the kind of speaker with the
findings that follow from them. Pauses within a sentence are written ``/``. A finding is

    item [side] [@site] = value

with a reading's code (``!code`` where it is denied, ``a|b`` where either is right), ``normal``,
a number, ``134/88``, ``20/30``, a grade, or the partner's answers. ``item done`` says that the
step was performed; ``nothing`` that no result may come out. No sentence may give a result that
is not listed; steps that are credited besides are not looked at.
"""

from __future__ import annotations

from pathlib import Path

import pytest
import yaml

from dictate.exam.catalogue import Catalogue
from dictate.findings.finding import (
    Choice,
    Finding,
    Grade,
    Level,
    Pressure,
    Quantity,
    Ratio,
    Trials,
)
from dictate.pipeline import understand
from tests.conftest import spoken

FOLDER = Path(__file__).parent / "phrasings"


def _sentences() -> list[tuple[str, str, str, list[str]]]:
    """(region and style, announcement, sentence, findings) of every file."""
    rows = []
    for path in sorted(FOLDER.glob("*.yaml")):
        data = yaml.safe_load(path.read_text(encoding="utf-8"))
        announced = data.pop("announced")
        for style, said in data.items():
            for sentence, found in said.items():
                wanted = found if isinstance(found, list) else [found]
                rows.append((f"{path.stem}-{style}", announced, sentence, wanted))
    return rows


def _written(finding: Finding) -> str:
    value = finding.value
    if isinstance(value, Choice):
        return ("!" if value.denied else "") + value.code
    if isinstance(value, Quantity):
        number = value.said_number if value.said_number is not None else value.number
        return f"{number.normalize():f}" + (f" to {value.high:f}" if value.high else "")
    if isinstance(value, Pressure):
        return f"{value.systolic:f}/{value.diastolic:f}"
    if isinstance(value, Ratio):
        letters = f"{value.letters:+d}" if value.letters else ""
        return f"{value.numerator:f}/{value.denominator:f}{letters}"
    if isinstance(value, Grade):
        return f"{value.grade.normalize():f}"
    if isinstance(value, Trials):
        return " ".join(value.answers)
    return str(finding.status)


def _agrees(wanted: str, finding: Finding) -> bool:
    head, _, value = wanted.partition("=")
    item, *places = head.split()
    if finding.item != item:
        return False
    for place in places:
        if place != "done" and place != (f"@{finding.site}" if place[0] == "@" else finding.side):
            return False
    if "done" in places:
        return True
    return finding.level is not Level.PERFORMED and _written(finding) in value.strip().split("|")


def faults(announced: str, sentence: str, wanted: list[str], exam: Catalogue) -> list[str]:
    """What is missing and what is too much; empty where all is as listed."""
    lines = [announced, *(line.strip() for line in sentence.split("/"))]
    stand = [finding for finding in understand(spoken(lines), exam) if finding.stands]
    wanted = [one for one in wanted if one != "nothing"]
    missing = [one for one in wanted if not any(_agrees(one, finding) for finding in stand)]
    extra = [
        f"{finding.item} {finding.side or ''} {finding.site or ''} = {_written(finding)}"
        for finding in stand
        if finding.level is not Level.PERFORMED
        and not any(_agrees(one, finding) for one in wanted if "=" in one)
    ]
    return [f"missing: {one}" for one in missing] + [f"too much: {one}" for one in extra]


SENTENCES = _sentences()


@pytest.mark.parametrize(
    ("kind", "announced", "sentence", "wanted"),
    SENTENCES,
    ids=[f"{kind}: {sentence}" for kind, _, sentence, _ in SENTENCES],
)
def test_the_sentence_is_understood(
    kind: str, announced: str, sentence: str, wanted: list[str], exam: Catalogue
) -> None:
    assert faults(announced, sentence, wanted, exam) == []
