"""How alike words sound: weighted edit distance over the phones of the pronouncing dictionary."""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from typing import NamedTuple

from pydantic import BaseModel, ConfigDict, TypeAdapter
from rapidfuzz import process
from rapidfuzz.distance import Levenshtein

from dictate.exam.location import grammars_folder
from dictate.exam.reading import read_yaml
from dictate.recognition.pronunciations import (
    PHONES,
    Dictionary,
    Pronunciation,
    general_dictionary,
    pronounce,
    read_dictionary,
)

_MOST_EDITS = 3  # phones; words further apart are not weighed
_SIGN = {phone: chr(0x100 + number) for number, phone in enumerate(sorted(PHONES))}
"""One character a phone, so that whole words are compared as strings."""


class _Weights(BaseModel):
    """``likeness.yaml``; its comments say what each part is."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    consonants: dict[str, tuple[int, str, str]]
    vowels: dict[str, tuple[int, int]]
    pairs: dict[str, float]
    weak: dict[str, float]
    weak_last: dict[str, float]


@lru_cache(maxsize=1)
def _weights() -> _Weights:
    return read_yaml(grammars_folder() / "speech" / "likeness.yaml", TypeAdapter(_Weights))


@lru_cache(maxsize=2048)
def unlikeness(one: str, other: str) -> float:
    """What it costs to take one phone for the other: 0 for the same, 1 for quite another."""
    if one == other:
        return 0.0
    weights = _weights()
    pair = weights.pairs.get(f"{one} {other}", weights.pairs.get(f"{other} {one}"))
    if pair is not None:
        return pair
    if one in weights.vowels and other in weights.vowels:
        height, back = weights.vowels[one]
        other_height, other_back = weights.vowels[other]
        return min(1.0, 0.25 + 0.1 * (abs(height - other_height) + abs(back - other_back)))
    if one in weights.consonants and other in weights.consonants:
        place, manner, voice = weights.consonants[one]
        other_place, other_manner, other_voice = weights.consonants[other]
        away = min(abs(place - other_place), 3)
        return min(
            1.0, 0.25 * (voice != other_voice) + 0.45 * (manner != other_manner) + 0.2 * away
        )
    return 1.2


def distance(one: Pronunciation, other: Pronunciation) -> float:
    """The least cost of turning the phones of one word into those of another."""
    weights = _weights()

    def lost(word: Pronunciation, at: int) -> float:
        phone = word[at]
        if at == len(word) - 1 and phone in weights.weak_last:
            return weights.weak_last[phone]
        return weights.weak.get(phone, 1.0)

    row = [0.0]
    for at in range(len(other)):
        row.append(row[-1] + lost(other, at))
    for i, phone in enumerate(one):
        above, row = row, [row[0] + lost(one, i)]
        for j, against in enumerate(other):
            row.append(
                min(
                    above[j] + unlikeness(phone, against),
                    above[j + 1] + lost(one, i),
                    row[j] + lost(other, j),
                )
            )
    return row[-1]


class Near(NamedTuple):
    """A word that sounds like another.

    ``apart`` is the weighted distance for each phone of the longer word, ``phones`` how
    many the shorter one has.
    """

    word: str
    apart: float
    phones: int


class SoundAlikes:
    """The words of a vocabulary by their sound."""

    def __init__(self, vocabulary: Iterable[str]) -> None:
        own = grammars_folder() / "speech" / "pronunciations.dict"
        spoken = pronounce(vocabulary, own, general_dictionary()).dictionary
        ways = [(word, way) for word, variants in spoken.items() for way in variants]
        self._ways = ways
        self._coded = ["".join(_SIGN[phone] for phone in way) for _, way in ways]
        self._near: dict[str, tuple[Near, ...]] = {}

    def near(self, heard: str) -> tuple[Near, ...]:
        """The words that could have been taken for ``heard``, nearest first.

        Empty where neither dictionary has ``heard``. Half its phones may differ, three at
        most.
        """
        known = self._near.get(heard)
        if known is None:
            known = self._near[heard] = self._search(heard)
        return known

    def _search(self, heard: str) -> tuple[Near, ...]:
        best: dict[str, Near] = {}
        for way in _ways_of(heard):
            edits = min(_MOST_EDITS, max(1, len(way) // 2))
            code = "".join(_SIGN[phone] for phone in way)
            for _, _, at in process.extract(
                code, self._coded, scorer=Levenshtein.distance, score_cutoff=edits, limit=None
            ):
                word, other = self._ways[at]
                if word == heard:
                    continue
                longer, shorter = max(len(way), len(other)), min(len(way), len(other))
                found = Near(word, distance(way, other) / longer, shorter)
                if word not in best or found.apart < best[word].apart:
                    best[word] = found
        return tuple(sorted(best.values(), key=lambda one: (one.apart, one.word)))


def _ways_of(word: str) -> tuple[Pronunciation, ...]:
    """All ways to say a word; our own dictionary wins."""
    own = _own().get(word)
    if own is not None:
        return own
    entries = _general()
    ways = []
    for name in (word, *(f"{word}({number})" for number in range(2, 5))):
        if name in entries:
            ways.append(tuple(entries[name].split()))
    return tuple(ways)


@lru_cache(maxsize=1)
def _own() -> Dictionary:
    return read_dictionary(grammars_folder() / "speech" / "pronunciations.dict")


@lru_cache(maxsize=1)
def _general() -> dict[str, str]:
    """The recogniser's dictionary as written; split word by word, as few are asked for."""
    lines = general_dictionary().read_text(encoding="utf-8").splitlines()
    return {word: phones for word, _, phones in (line.partition(" ") for line in lines)}
