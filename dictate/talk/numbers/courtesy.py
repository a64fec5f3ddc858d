"""Numbers said in passing: "two more", "count to ten", "room twelve", "at ten thirty"."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache

from dictate.talk.numbers.atoms import bare
from dictate.talk.numbers.lexicon import Courtesies, CourtesyPattern, lexicon
from dictate.talk.numbers.model import Spoken

_LIST_REACH = 14  # how many words back the head of a list of numbers is looked for
_REACH = 8  # how many words after the stretch are looked at
_LIST_LINKS = frozenset({"and", "to", "through", "or", "the", "also"})


def is_courtesy(tokens: Sequence[str], spoken: Spoken) -> bool:
    """Whether the words around ``spoken`` show that it is no value.

    Args:
        tokens: the tokens that ``spoken`` was found in.
        spoken: a stretch found in them.
    """
    before = _plain(tokens[max(0, spoken.first - _LIST_REACH) : spoken.first])
    after = _plain(tokens[spoken.last + 1 : spoken.last + _REACH])
    if _in_list_of_names(before):
        return True
    return any(_fits(pattern, before, after, spoken) for pattern in _patterns())


def _plain(tokens: Sequence[str]) -> list[str]:
    fillers = lexicon().fillers
    return [word for word in map(bare, tokens) if word and word not in fillers]


@dataclass(frozen=True)
class _Element:
    words: frozenset[str]
    optional: bool = False


@dataclass(frozen=True)
class _Compiled:
    left: tuple[_Element, ...]
    right: tuple[_Element, ...]
    rule: CourtesyPattern


@lru_cache(maxsize=1)
def _patterns() -> tuple[_Compiled, ...]:
    data = lexicon().courtesies
    compiled = []
    for rule in data.patterns:
        left, _, right = rule.phrase.partition("#")
        compiled.append(_Compiled(_elements(left, data), _elements(right, data), rule))
    return tuple(compiled)


def _elements(side: str, data: Courtesies) -> tuple[_Element, ...]:
    elements = []
    for part in side.split():
        optional = part.endswith("?")
        name = part.rstrip("?")
        if name.startswith("{"):
            words = frozenset(data.words[name.strip("{}")])
        else:
            words = frozenset(name.split("|"))
        elements.append(_Element(words, optional))
    return tuple(elements)


def _fits(pattern: _Compiled, before: Sequence[str], after: Sequence[str], spoken: Spoken) -> bool:
    rule = pattern.rule
    if rule.unit is not None and spoken.unit not in rule.unit:
        return False
    if not _stands(pattern.right, after) or not _stands(pattern.left[::-1], before[::-1]):
        return False
    if rule.unless_after:
        ahead = len(before) - len(pattern.left) - 1
        if ahead >= 0 and before[ahead] in rule.unless_after:
            return False
    first = _first_value(spoken)
    if rule.named and not _is_name(spoken):
        return False
    if rule.among and (first is None or first not in rule.among):
        return False
    if rule.spans and not _is_span(spoken, rule.spans):
        return False
    if rule.most is not None and (first is None or first > rule.most):
        return False
    if rule.least is not None and (first is None or first < rule.least):
        return False
    if rule.clock_from is not None and not _is_clock(spoken, rule.clock_from):
        return False
    if rule.echo and not _is_echo(spoken, rule.echo, before, after):
        return False
    return not rule.year or _is_year(spoken)


def _stands(elements: Sequence[_Element], words: Sequence[str]) -> bool:
    """Whether ``elements`` match ``words`` from the first on."""
    if not elements:
        return True
    element, rest = elements[0], elements[1:]
    if words and words[0] in element.words and _stands(rest, words[1:]):
        return True
    return element.optional and _stands(rest, words)


def _first_value(spoken: Spoken) -> Decimal | None:
    values = spoken.readings[0].values
    return values[0] if values else None


def _is_name(spoken: Spoken) -> bool:
    if spoken.unit or spoken.approximate or spoken.comparator:
        return False
    return spoken.readings[0].form in ("integer", "digits", "list", "range")


def _is_clock(spoken: Spoken, hour_from: int) -> bool:
    for reading in spoken.readings:
        if reading.form == "list" and len(reading.values) == 2:
            hour, minute = reading.values
            return hour_from <= hour <= 12 and minute % 5 == 0 and minute < 60
    return False


def _is_year(spoken: Spoken) -> bool:
    for reading in spoken.readings:
        if reading.form == "integer" and 1900 <= reading.values[0] <= 2100:
            return True
        if reading.form == "list" and len(reading.values) == 2:
            return reading.values[0] in (19, 20) and 0 <= reading.values[1] <= 99
    return False


def _is_echo(
    spoken: Spoken, numbers: Sequence[int], before: Sequence[str], after: Sequence[str]
) -> bool:
    """Whether one of ``numbers`` is said twice or more ("ninety nine, ninety nine")."""
    reading = spoken.readings[-1]
    if reading.form == "list":
        return len(set(reading.values)) == 1 and reading.values[0] in numbers
    words = [bare(word) for word in spoken.text.split()]
    again = words in (list(before[-len(words) :]), list(after[: len(words)]))
    return again and reading.form == "integer" and reading.values[0] in numbers


def _is_span(spoken: Spoken, spans: Sequence[tuple[int, int]]) -> bool:
    ranges = [reading.values for reading in spoken.readings if reading.form == "range"]
    return any((int(values[0]), int(values[1])) in spans for values in ranges)


def _in_list_of_names(before: Sequence[str]) -> bool:
    """Whether only numbers and links stand between the stretch and the head of a list."""
    words = lexicon()
    at = len(before)
    while at > 0:
        for head in words.courtesies.list_heads:
            parts = head.split()
            if list(before[max(0, at - len(parts)) : at]) == parts:
                return True
        word = before[at - 1]
        if word in _LIST_LINKS or word in words.number_words or word.isdigit():
            at -= 1
            continue
        return False
    return False
