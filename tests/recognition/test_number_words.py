"""Stretches of words that say a number."""

from __future__ import annotations

import random

import pytest

from dictate.recognition.number_words import (
    CLASSES,
    NUMBER_WORDS,
    number_runs,
    say_whole,
    spoken_number,
    with_other_numbers,
)


@pytest.mark.parametrize(
    ("text", "runs"),
    [
        ("pressure one thirty four over eighty eight today", ["one thirty four over eighty eight"]),
        ("thirty six point eight", ["thirty six point eight"]),
        ("a hundred and two", ["hundred and two"]),
        ("two plus on the left three plus on the right", ["two", "three"]),
        ("four out of five", ["four", "five"]),
        ("this one and the other one", []),
        ("now the left one", []),
        ("one", ["one"]),
        ("grade one", ["one"]),
        ("look at that one twenty over eighty", ["one twenty over eighty"]),
        ("nothing here", []),
        ("over", []),
    ],
)
def test_runs(text: str, runs: list[str]) -> None:
    words = text.split()
    assert [" ".join(words[first : last + 1]) for first, last in number_runs(words)] == runs


def test_swapped_words_stay_in_their_class() -> None:
    words = ["pulse", "is", "seventy", "two", "and", "sixteen", "breaths"]
    for number in range(20):
        swapped = with_other_numbers(words, random.Random(number))
        for before, after in zip(words, swapped, strict=True):
            same = [members for members in CLASSES if before in members]
            assert after in same[0] if same else after == before


@pytest.mark.parametrize("value", [0, 7, 13, 40, 99, 100, 105, 134, 220, 999])
def test_spoken_whole_numbers_use_number_words(value: int) -> None:
    for number in range(30):
        words = say_whole(value, random.Random(number)).split()
        assert set(words) <= NUMBER_WORDS | {"a", "and"}


def test_every_class_is_drawn() -> None:
    chance = random.Random(3)
    drawn = {word for _ in range(2000) for word in spoken_number(chance).split()}
    assert {word for members in CLASSES for word in members} <= drawn
    assert "point" in drawn
