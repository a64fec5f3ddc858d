"""The phrase notation: what may be said, what is refused, and that samples stay within it."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dictate.exam.expansion import (
    ExpansionError,
    literal_words,
    parse_expansion,
    sample,
    written_out,
)


@pytest.mark.parametrize(
    ("phrase", "ways"),
    [
        ("clear", ["clear"]),
        ("Clear Lungs", ["clear lungs"]),
        ("(left | right) eye", ["left eye", "right eye"]),
        ("[very] soft", ["soft", "very soft"]),
        ("a [b | c] d", ["a d", "a b d", "a c d"]),
        ("/3/ yes | /1.5/ no", ["yes", "no"]),
        ("press {cue} here", ["press here"]),
        ("tap+", ["tap", "tap tap"]),
        ("go (on)* now", ["go now", "go on now"]),
        ("<number> over <number>", ["<number> over <number>"]),
        ("((a | b) [c])", ["a", "a c", "b", "b c"]),
        ("schamroth's sign", ["schamroth's sign"]),
    ],
)
def test_every_way_to_say_a_phrase(phrase: str, ways: list[str]) -> None:
    found = [" ".join(way) for way in written_out(parse_expansion(phrase))]
    assert sorted(found) == sorted(ways)


def test_named_phrases_are_put_in() -> None:
    rules = {"look": "(look | peek)", "again": "<look> again"}
    found = {" ".join(way) for way in written_out(parse_expansion("<again> now", rules))}
    assert found == {"look again now", "peek again now"}


@pytest.mark.parametrize(
    ("phrase", "told"),
    [
        ("(a | b", "')' is missing"),
        ("[a", "']' is missing"),
        ("a ) b", "')' stands where nothing may follow"),
        ("(a | )", "an alternative is empty"),
        ("| a", "an alternative is empty"),
        ("* a", "follows nothing"),
        ("   ", "the phrase is empty"),
        ("<nowhere> a", "rule <nowhere> is not defined"),
        ("a > b", "cannot read"),
    ],
)
def test_what_does_not_follow_the_notation_is_refused(phrase: str, told: str) -> None:
    with pytest.raises(ExpansionError, match=told.replace("(", r"\(").replace(")", r"\)")):
        parse_expansion(phrase)


def test_rules_in_a_circle_are_refused() -> None:
    rules = {"a": "<b> x", "b": "<a> y"}
    with pytest.raises(ExpansionError, match="refers to itself"):
        parse_expansion("<a>", rules)


def test_written_out_stops_at_its_limit() -> None:
    many = parse_expansion(" ".join(["(a | b)"] * 20))
    assert len(written_out(many, limit=50)) == 50


_word = st.sampled_from(["press", "here", "soft", "left", "arm", "again"])
_phrase = st.recursive(
    _word,
    lambda inner: st.one_of(
        st.lists(inner, min_size=2, max_size=3).map(" ".join),
        st.lists(inner, min_size=2, max_size=3).map(lambda parts: f"({' | '.join(parts)})"),
        inner.map(lambda part: f"[{part}] soft"),
    ),
    max_leaves=8,
)


@given(_phrase, st.integers(0, 1000))
def test_a_sample_is_one_of_the_ways(phrase: str, seed: int) -> None:
    part = parse_expansion(phrase)
    said = sample(part, random.Random(seed), fill=lambda slot: slot)
    assert tuple(said.split()) in set(written_out(part, limit=100_000))
    assert set(said.split()) <= literal_words(part)


def test_weights_are_followed() -> None:
    part = parse_expansion("/9/ often | /1/ seldom")
    chance = random.Random(3)
    said = [sample(part, chance, fill=str) for _ in range(2000)]
    assert 0.85 < said.count("often") / len(said) < 0.95
