"""Talk around the findings: the everyday part of the language model."""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter

from dictate.errors import UserFault
from dictate.exam.expansion import ExpansionError, Part, parsed, sample
from dictate.exam.reading import read_yaml
from dictate.recognition.number_words import spoken_number

SIDES = ("left", "right", "left", "right", "other", "opposite")


class PhraseGroup(BaseModel):
    """Phrases of one kind and how often they are sampled, relative to other groups."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str = Field(min_length=1)
    weight: float = Field(gt=0)
    phrases: tuple[str, ...] = Field(min_length=1)


class EverydayTalk(BaseModel):
    """Rules, groups of phrases, and further words that must be sayable."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    rules: dict[str, str] = {}
    groups: tuple[PhraseGroup, ...] = Field(min_length=1)
    words: tuple[str, ...] = ()

    @property
    def vocabulary(self) -> frozenset[str]:
        """The further words, one by one."""
        return frozenset(word for line in self.words for word in line.lower().split())

    def sentences(self, count: int, chance: random.Random) -> Iterator[str]:
        """Sample phrases by weight; the same ``chance`` gives the same sentences.

        Raises:
            UserFault: a phrase does not follow the notation.
        """
        for _ in range(count):
            group = chance.choices(self.groups, [group.weight for group in self.groups])[0]
            phrase = self._parsed(group, chance.choice(group.phrases))
            yield sample(phrase, chance, lambda slot: _fill(slot, chance))

    def _parsed(self, group: PhraseGroup, phrase: str) -> Part:
        try:
            return parsed(phrase, tuple(self.rules.items()))
        except ExpansionError as error:
            raise UserFault(f"everyday talk, group '{group.name}': {error}.") from error


def read_everyday(path: Path) -> EverydayTalk:
    """Read ``everyday.yaml``.

    Raises:
        UserFault: the file is missing, no YAML, or does not have the expected keys.
    """
    return read_yaml(path, TypeAdapter(EverydayTalk))


def _fill(slot: str, chance: random.Random) -> str:
    if slot == "number":
        return spoken_number(chance)
    if slot == "side":
        return chance.choice(SIDES)
    raise ExpansionError(f"<{slot}> cannot be used in everyday talk")
