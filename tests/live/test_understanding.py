from __future__ import annotations

from pathlib import Path

import pytest

from dictate.exam.catalogue import Catalogue
from dictate.live.understanding import Understanding
from dictate.pipeline import understand
from dictate.recognition.timed_text import read_timed_text
from dictate.recognition.words import HeardPhrase
from tests.conftest import spoken

LINES = [
    "vital signs",
    "blood pressure is",
    "one thirty over eighty on the left",
    "pulse",
    "",
    "seventy two and regular",
    "strike that",
    "pulse seventy four",
    "temperature thirty seven point",
    "one",
]


@pytest.mark.parametrize("pause", [0.4, 1.5, 3.0])
def test_phrase_by_phrase_is_read_as_all_at_once(exam: Catalogue, pause: float) -> None:
    phrases = spoken(LINES, pause)
    understanding = Understanding(exam)
    for phrase in phrases:
        understanding.add(phrase)
        understanding.settle_by(phrase.end + min(pause, 2.5))
    understanding.settle()
    assert understanding.findings == understand(phrases, exam)
    assert understanding.findings


def test_a_whole_sample_is_read_as_all_at_once(exam: Catalogue, samples: Path) -> None:
    phrases = list(read_timed_text(samples / "flawed.vtt", "flawed"))
    understanding = Understanding(exam)
    for phrase in phrases:
        understanding.add(phrase)
    understanding.settle()
    assert understanding.findings == understand(phrases, exam)
    assert len(understanding.findings) > 15


def test_an_unfinished_phrase_waits_for_the_next(exam: Catalogue) -> None:
    first, second = spoken(["temperature is", "thirty seven point one"], 0.5)
    understanding = Understanding(exam)
    understanding.add(first)
    assert not understanding.findings
    assert not understanding.settle_by(first.end + 1)
    understanding.add(second)
    assert [one.item for one in understanding.findings] == ["vitals.temperature"]


def test_after_a_silence_nothing_waits(exam: Catalogue) -> None:
    (phrase,) = spoken(["the pulse is seventy two and the"])
    understanding = Understanding(exam)
    understanding.add(phrase)
    assert not understanding.findings
    assert understanding.settle_by(phrase.end + 2.5)
    assert [one.item for one in understanding.findings] == ["vitals.pulse_rate"]
    assert not understanding.settle_by(phrase.end + 9)


def test_a_phrase_without_words_changes_nothing(exam: Catalogue) -> None:
    understanding = Understanding(exam)
    understanding.add(HeardPhrase(words=(), start=0, end=1))
    understanding.add(spoken(["pulse seventy two"])[0])
    assert len(understanding.findings) == 1
