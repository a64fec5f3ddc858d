"""Building, caching and finding the language model."""

from __future__ import annotations

import random
from collections.abc import Iterable
from pathlib import Path

import pytest

from dictate.errors import UserFault
from dictate.exam.location import grammars_folder
from dictate.recognition.everyday import read_everyday
from dictate.recognition.language_model import ExamLanguage, exam_language
from dictate.recognition.number_words import TENS, UNITS
from tests.recognition.test_ngrams import arpa_p, read_arpa

OWN = grammars_folder() / "speech" / "pronunciations.dict"
SAID: list[str | tuple[str, float]] = [
    *(
        (f"pulse is {tens} {unit}", 20.0)
        for tens in ("sixty", "seventy")
        for unit in ("two", "four")
    ),
    *(f"the {side} {part} is clear" for side in ("left", "right") for part in ("ear", "eye")),
    "squeeze my fingers",
    "xqzt is no word",
]


def build(
    cache: Path, *made_from: Path | str, said: Iterable[str | tuple[str, float]] = SAID
) -> ExamLanguage:
    return exam_language(
        lambda: said,
        made_from=made_from,
        own_pronunciations=OWN,
        extra_words=["Elbow"],
        cache=cache,
    )


def test_files_hold_all_words_and_report_what_cannot_be_said(tmp_path: Path) -> None:
    built = build(tmp_path, "1")
    assert not built.reused
    assert built.seconds > 0
    assert built.unknown == ("xqzt",)
    grams, _ = read_arpa(built.language_model)
    words = {gram[0] for gram in grams[0]} - {"<s>", "</s>"}
    assert {"pulse", "elbow", "fingers"} <= words
    assert "xqzt" not in words
    named = {line.split()[0].partition("(")[0] for line in built.dictionary.open()}
    assert named == words
    assert {*UNITS, *TENS} <= words
    assert built.words == len(words)


def test_every_value_is_sayable_where_one_was_sampled(tmp_path: Path) -> None:
    grams, _ = read_arpa(build(tmp_path, "1").language_model)
    elsewhere = arpa_p(grams, ("pulse", "is", "elbow"))
    for tens in TENS:
        assert arpa_p(grams, ("pulse", "is", tens)) > 5 * elsewhere
    for unit in UNITS:
        assert arpa_p(grams, ("is", "seventy", unit)) > elsewhere


def test_same_input_is_not_built_again(tmp_path: Path) -> None:
    calls = 0

    def sentences() -> Iterable[str | tuple[str, float]]:
        nonlocal calls
        calls += 1
        return SAID

    for _ in range(2):
        built = exam_language(
            sentences, made_from=["a"], own_pronunciations=OWN, cache=tmp_path / "new"
        )
    assert calls == 1
    assert built.reused
    assert built.seconds == 0


def test_change_of_a_file_builds_anew(tmp_path: Path) -> None:
    file = tmp_path / "grammar.yaml"
    file.write_text("one")
    first = build(tmp_path, file)
    file.write_text("two")
    second = build(tmp_path, file)
    assert first.language_model != second.language_model
    assert not second.reused
    file.write_text("one")
    assert build(tmp_path, file).reused


@pytest.mark.parametrize("name", ["facts.json", "exam.arpa", "exam.dict"])
def test_damaged_build_is_replaced(tmp_path: Path, name: str) -> None:
    first = build(tmp_path, "1")
    (first.language_model.parent / name).write_text("")
    again = build(tmp_path, "1")
    assert not again.reused
    assert again.language_model.stat().st_size > 100
    assert build(tmp_path, "1").reused


def test_nothing_is_left_behind_by_a_failed_build(tmp_path: Path) -> None:
    def broken() -> Iterable[str]:
        yield "pulse is sixty"
        raise RuntimeError("stopped")

    with pytest.raises(RuntimeError):
        exam_language(broken, made_from=["1"], own_pronunciations=OWN, cache=tmp_path / "c")
    assert list((tmp_path / "c").iterdir()) == []
    assert not build(tmp_path / "c", "1").reused


def test_everyday_talk_is_the_same_every_time() -> None:
    talk = read_everyday(grammars_folder() / "speech" / "everyday.yaml")
    first = list(talk.sentences(300, random.Random(4)))
    assert first == list(talk.sentences(300, random.Random(4)))
    assert len(set(first)) > 200
    assert all(sentence.strip() and "<" not in sentence for sentence in first)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("groups: []", "groups"),
        ("groups:\n  - {name: a, weight: 1, phrases: ['(open']}", "is missing"),
        ("groups:\n  - {name: a, weight: 1, phrases: ['<nothing>']}", "nothing"),
        ("groups: [", "YAML"),
    ],
)
def test_broken_everyday_talk_is_named(tmp_path: Path, content: str, says: str) -> None:
    path = tmp_path / "everyday.yaml"
    path.write_text(content)
    with pytest.raises(UserFault, match=says):
        list(read_everyday(path).sentences(3, random.Random(1)))
