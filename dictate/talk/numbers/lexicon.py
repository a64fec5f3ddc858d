"""The words of spoken numbers, read once from ``grammars/talk/numbers.yaml``."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property, lru_cache
from typing import Generic, Literal, TypeVar

import yaml
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from dictate.errors import UserFault
from dictate.exam.location import grammars_folder
from dictate.talk.numbers.model import Comparator

Where = Literal["after", "before", "between", "lead"]
JoinerKind = Literal["over", "of", "outof", "range", "between"]
Payload = TypeVar("Payload")


class _Strict(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", ignored_types=(cached_property,))


class Homophone(_Strict):
    """A word written for a number, and the neighbours that show it is one."""

    value: int
    where: tuple[Where, ...]


class Joiner(_Strict):
    """A word between two numbers."""

    kind: JoinerKind
    garbled: bool = False
    approximate: bool = False
    loose: bool = False


class Comparing(_Strict):
    """Phrases for one comparator."""

    sign: Comparator
    phrases: tuple[str, ...]


class UnitWords(_Strict):
    """The words for one unit, and its UCUM code."""

    ucum: str
    phrases: tuple[str, ...]
    written: tuple[str, ...] = ()
    misheard: tuple[str, ...] = ()


class Compound(_Strict):
    """A unit said between two numbers: the second number counts ``factor``-ths of the first."""

    key: str
    second: tuple[str, ...]
    most: int
    factor: int


class PronounOne(_Strict):
    """Words before a 'one' that is a pronoun; after a weak one it is doubtful."""

    strong: frozenset[str]
    weak: frozenset[str]
    weak_unless_after: frozenset[str]


class NumberOne(_Strict):
    """Words before a lone 'one' that is a number."""

    after: frozenset[str]
    alone: bool


class Acuity(_Strict):
    """Usual numbers of acuity charts."""

    numerators: frozenset[Decimal]
    likely_numerators: frozenset[Decimal]
    denominators: frozenset[Decimal]


class CourtesyPattern(_Strict):
    """A number in passing: ``#`` stands for it in ``phrase``; see the comments in the data."""

    phrase: str
    most: int | None = None
    least: int | None = None
    unit: tuple[str, ...] | None = None
    clock_from: int | None = None
    year: bool = False
    named: bool = False
    echo: tuple[int, ...] = ()
    among: tuple[int, ...] = ()
    spans: tuple[tuple[int, int], ...] = ()
    unless_after: frozenset[str] = frozenset()


class Courtesies(_Strict):
    """Surroundings in which a number is no value."""

    words: dict[str, tuple[str, ...]] = Field(default_factory=dict)
    patterns: tuple[CourtesyPattern, ...] = ()
    list_heads: tuple[str, ...] = ()


@dataclass(frozen=True)
class Phrases(Generic[Payload]):
    """Phrases by their first word, the longest first."""

    by_first: Mapping[str, tuple[tuple[tuple[str, ...], Payload], ...]]

    @classmethod
    def of(cls, pairs: Iterable[tuple[str, Payload]]) -> Phrases[Payload]:
        """Index ``pairs`` of phrase and payload."""
        table: dict[str, list[tuple[tuple[str, ...], Payload]]] = {}
        for phrase, payload in pairs:
            words = tuple(phrase.split())
            table.setdefault(words[0], []).append((words, payload))
        return cls(
            {
                first: tuple(sorted(rows, key=lambda row: -len(row[0])))
                for first, rows in table.items()
            }
        )

    def match(self, words: Sequence[str], at: int) -> tuple[int, Payload] | None:
        """Return the length and payload of the longest phrase at ``at``."""
        if at >= len(words):
            return None
        for phrase, payload in self.by_first.get(words[at], ()):
            end = at + len(phrase)
            if end <= len(words) and all(
                words[at + offset] == word for offset, word in enumerate(phrase)
            ):
                return len(phrase), payload
        return None


@dataclass(frozen=True)
class UnitSense:
    """What a unit phrase means: its key, and whether it is a mis-hearing or written only."""

    key: str
    misheard: bool = False
    written: bool = False


class Lexicon(_Strict):
    """All of ``numbers.yaml``; the file's head says what each key means."""

    digits: dict[str, int]
    teens: dict[str, int]
    tens: dict[str, int]
    hundred: frozenset[str]
    thousand: frozenset[str]
    articles: frozenset[str]
    oh: frozenset[str]
    oh_not_before: frozenset[str]
    repeats: dict[str, int]
    point: frozenset[str]
    point_garbled: frozenset[str]
    point_not_after: frozenset[str]
    homophones: dict[str, Homophone]
    fractions: dict[str, Decimal]
    joiners: dict[str, Joiner]
    range_openers: tuple[str, ...]
    plus: frozenset[str]
    minus: frozenset[str]
    fewer: frozenset[str]
    hedges: tuple[str, ...]
    comparators: tuple[Comparing, ...]
    slightly: tuple[str, ...]
    slightly_comparators: dict[str, Comparator]
    after_hedges: tuple[str, ...]
    after_comparators: tuple[Comparing, ...]
    grade_words: tuple[str, ...]
    grade_words_misheard: frozenset[str]
    trace: frozenset[str]
    trace_not_before: frozenset[str]
    units: dict[str, UnitWords]
    compounds: dict[str, Compound]
    ordinals: frozenset[str]
    parts: frozenset[str]
    label_most: int
    labels: frozenset[str]
    jaeger: frozenset[str]
    not_numbers: tuple[str, ...]
    one_is_pronoun: PronounOne
    one_is_number: NumberOne
    fillers: frozenset[str]
    acuity: Acuity
    courtesies: Courtesies = Courtesies()

    @cached_property
    def number_words(self) -> frozenset[str]:
        """Words that are numbers by themselves."""
        return frozenset((*self.digits, *self.teens, *self.tens, *self.hundred, *self.thousand))

    @cached_property
    def joiner_phrases(self) -> Phrases[Joiner]:
        """Joiners by first word."""
        return Phrases.of(self.joiners.items())

    @cached_property
    def prefixes(self) -> Phrases[tuple[Comparator | None, bool]]:
        """Words before a number: comparator (or None), and whether it is approximate."""
        rows: list[tuple[str, tuple[Comparator | None, bool]]] = []
        rows += [(phrase, (None, True)) for phrase in self.hedges]
        rows += [
            (phrase, (group.sign, False)) for group in self.comparators for phrase in group.phrases
        ]
        for little in self.slightly:
            for phrase, sign in self.slightly_comparators.items():
                rows.append((f"{little} {phrase}", (sign, True)))
        return Phrases.of(rows)

    @cached_property
    def suffixes(self) -> Phrases[tuple[Comparator | None, bool]]:
        """The same after a number."""
        rows: list[tuple[str, tuple[Comparator | None, bool]]] = []
        rows += [(phrase, (None, True)) for phrase in self.after_hedges]
        rows += [
            (phrase, (group.sign, False))
            for group in self.after_comparators
            for phrase in group.phrases
        ]
        return Phrases.of(rows)

    @cached_property
    def unit_phrases(self) -> Phrases[UnitSense]:
        """Unit phrases with what they mean."""
        rows: list[tuple[str, UnitSense]] = []
        for key, unit in self.units.items():
            rows += [(phrase, UnitSense(key)) for phrase in unit.phrases]
            rows += [(phrase, UnitSense(key, misheard=True)) for phrase in unit.misheard]
            rows += [(phrase, UnitSense(key, written=True)) for phrase in unit.written]
        return Phrases.of(rows)

    @cached_property
    def grade_phrases(self) -> Phrases[bool]:
        """Words before a grade, with whether they are a mis-hearing."""
        return Phrases.of(
            (phrase, phrase in self.grade_words_misheard) for phrase in self.grade_words
        )

    @cached_property
    def opener_phrases(self) -> Phrases[None]:
        """Words before a range."""
        return Phrases.of((phrase, None) for phrase in self.range_openers)

    @cached_property
    def not_number_phrases(self) -> Phrases[None]:
        """Phrases whose number word is none."""
        return Phrases.of((phrase, None) for phrase in self.not_numbers)

    @cached_property
    def starters(self) -> frozenset[str]:
        """Every word at which a stretch may begin; the scan passes all others by."""
        return frozenset(
            {
                *self.number_words,
                *self.articles,
                *self.oh,
                *self.repeats,
                *self.point,
                *self.homophones,
                *self.fractions,
                *self.plus,
                *self.minus,
                *self.trace,
                *self.jaeger,
                *self.ordinals,
                *self.prefixes.by_first,
                *self.grade_phrases.by_first,
                *self.opener_phrases.by_first,
                *self.not_number_phrases.by_first,
            }
        )


@lru_cache(maxsize=1)
def lexicon() -> Lexicon:
    """Return the number words.

    Raises:
        UserFault: ``grammars/talk/numbers.yaml`` is missing or does not fit the model.
    """
    path = grammars_folder() / "talk" / "numbers.yaml"
    try:
        return Lexicon.model_validate(yaml.safe_load(path.read_text(encoding="utf-8")))
    except OSError:
        raise UserFault(f"The number words ({path}) are missing; install dictate again.") from None
    except yaml.YAMLError as fault:
        raise UserFault(
            f"{path} is not valid YAML ({str(fault).splitlines()[0]}); put that line right."
        ) from None
    except ValidationError as fault:
        first = fault.errors()[0]
        place = ".".join(str(part) for part in first["loc"])
        raise UserFault(f"{path}: {place}: {first['msg']}; put that entry right.") from None


def ucum_unit(key: str) -> str | None:
    """Return the UCUM code of our unit key, None for compounds such as ``ft_in``."""
    unit = lexicon().units.get(key)
    return unit.ucum if unit else None
