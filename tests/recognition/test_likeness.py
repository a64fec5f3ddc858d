"""How alike words sound: a distance over phones, near words, and pronunciations of all kinds."""

from __future__ import annotations

import itertools

import pytest

from dictate.recognition.likeness import SoundAlikes, distance, unlikeness
from dictate.recognition.pronunciations import PHONES


def phones(text: str) -> tuple[str, ...]:
    return tuple(text.split())


def test_every_pair_of_phones_has_a_cost_and_the_order_does_not_matter() -> None:
    for one, other in itertools.product(sorted(PHONES), repeat=2):
        cost = unlikeness(one, other)
        assert cost == unlikeness(other, one)
        assert (cost == 0) == (one == other)
        assert 0 <= cost <= 1.2


def test_voice_alone_costs_less_than_place_and_manner() -> None:
    assert unlikeness("T", "D") < unlikeness("T", "N") < unlikeness("T", "M")
    assert unlikeness("IH", "EH") < unlikeness("IH", "AA") < unlikeness("IH", "K")


def test_distance_is_that_of_the_cheapest_way() -> None:
    tender, tinder = phones("T EH N D ER"), phones("T IH N D ER")
    assert distance(tender, tender) == 0
    assert distance(tender, tinder) == unlikeness("EH", "IH")
    assert distance(phones("L EH F T"), phones("L EH F")) == 0.5  # a last T is easily lost
    assert distance(phones("R AY T"), ()) == pytest.approx(0.8 + 1.0 + 0.5)


def test_near_words_come_nearest_first() -> None:
    alikes = SoundAlikes(["right", "light", "murmur", "tender"])
    near = alikes.near("write")
    assert [one.word for one in near] == ["right", "light"]
    assert near[0].apart == 0
    assert alikes.near("xqzzt") == ()
    assert [one.word for one in alikes.near("merman")] == ["murmur"]


def test_a_word_is_not_near_itself() -> None:
    assert "tender" not in {one.word for one in SoundAlikes(["tender", "under"]).near("tender")}
