"""Phrases in the notation of JSpeech Grammar Format expansions (W3C Note, 5 June 2000).

Supported: sequences, alternatives ``a | b``, groups ``( )``, optional parts ``[ ]``,
weights ``/2.5/`` before an alternative, rule references ``<name>``, tags ``{...}``
(kept out of the words), and ``+`` or ``*`` after a part. ``<number>``, ``<side>``,
``<site>`` and ``<unit>`` are slots: they stay in the tree and each reader fills them.
"""

from __future__ import annotations

import random
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache

SLOTS = frozenset({"number", "side", "site", "unit"})

_TOKEN = re.compile(
    r"\s*(?:(/[0-9.]+/)|(\{[^}]*\})|(<[^>]+>)|([()\[\]|*+])|([^\s()\[\]|*+<>{}/]+))"
)


class ExpansionError(ValueError):
    """A phrase that does not follow the notation; the message says where."""


@dataclass(frozen=True)
class Literal:
    """One literal word."""

    text: str


@dataclass(frozen=True)
class Slot:
    """A place that a number, side, site or unit fills."""

    name: str


@dataclass(frozen=True)
class Series:
    """Parts said one after the other."""

    parts: tuple[Part, ...]


@dataclass(frozen=True)
class Choice:
    """One of several, each with its weight (1.0 unless written)."""

    options: tuple[Part, ...]
    weights: tuple[float, ...]


@dataclass(frozen=True)
class Maybe:
    """A part that may be left out."""

    part: Part


Part = Literal | Slot | Series | Choice | Maybe


def parse_expansion(text: str, rules: Mapping[str, str] | None = None) -> Part:
    """Parse one phrase; ``rules`` holds the named expansions that it may refer to.

    Raises:
        ExpansionError: unbalanced brackets, an unknown rule, an empty phrase,
            or rules that refer to each other in a circle.
    """
    return _parse(text, rules or {}, ())


@lru_cache(maxsize=50_000)
def parsed(text: str, rules: tuple[tuple[str, str], ...] = ()) -> Part:
    """Parse one phrase once; ``rules`` as pairs, so that they can be a key.

    Raises:
        ExpansionError: as ``parse_expansion``.
    """
    return parse_expansion(text, dict(rules))


def _parse(text: str, rules: Mapping[str, str], inside: tuple[str, ...]) -> Part:
    tokens = _tokens(text)
    part, rest = _alternatives(tokens, 0, text, rules, inside)
    if rest != len(tokens):
        raise ExpansionError(f"'{tokens[rest]}' stands where nothing may follow in '{text}'")
    return part


def _tokens(text: str) -> list[str]:
    tokens: list[str] = []
    position = 0
    stripped = text.rstrip()
    while position < len(stripped):
        match = _TOKEN.match(stripped, position)
        if match is None:
            raise ExpansionError(f"cannot read '{stripped[position:].strip()}' in '{text}'")
        tokens.append(match.group().strip())
        position = match.end()
    if not tokens:
        raise ExpansionError("the phrase is empty")
    return tokens


def _alternatives(
    tokens: list[str], at: int, text: str, rules: Mapping[str, str], inside: tuple[str, ...]
) -> tuple[Part, int]:
    options: list[Part] = []
    weights: list[float] = []
    while True:
        weight = 1.0
        if at < len(tokens) and re.fullmatch(r"/[0-9.]+/", tokens[at]):
            weight = float(tokens[at].strip("/"))
            at += 1
        part, at = _sequence(tokens, at, text, rules, inside)
        options.append(part)
        weights.append(weight)
        if at < len(tokens) and tokens[at] == "|":
            at += 1
            continue
        break
    if len(options) == 1:
        return options[0], at
    return Choice(tuple(options), tuple(weights)), at


def _sequence(
    tokens: list[str], at: int, text: str, rules: Mapping[str, str], inside: tuple[str, ...]
) -> tuple[Part, int]:
    parts: list[Part] = []
    while at < len(tokens) and tokens[at] not in ")]|":
        token = tokens[at]
        part: Part
        if token == "(":
            part, at = _alternatives(tokens, at + 1, text, rules, inside)
            at = _close(tokens, at, ")", text)
        elif token == "[":
            inner, at = _alternatives(tokens, at + 1, text, rules, inside)
            at = _close(tokens, at, "]", text)
            part = Maybe(inner)
        elif token.startswith("{"):
            at += 1
            continue
        elif token.startswith("<"):
            part = _reference(token[1:-1].strip(), text, rules, inside)
            at += 1
        elif token in "*+":
            raise ExpansionError(f"'{token}' follows nothing in '{text}'")
        else:
            part = Literal(token.lower())
            at += 1
        if at < len(tokens) and tokens[at] in ("*", "+"):
            # Said again at most once: enough for speech, and keeps the tree finite.
            part = Maybe(part) if tokens[at] == "*" else Series((part, Maybe(part)))
            at += 1
        parts.append(part)
    if not parts:
        raise ExpansionError(f"an alternative is empty in '{text}'")
    return (parts[0] if len(parts) == 1 else Series(tuple(parts))), at


def _close(tokens: list[str], at: int, bracket: str, text: str) -> int:
    if at >= len(tokens) or tokens[at] != bracket:
        raise ExpansionError(f"'{bracket}' is missing in '{text}'")
    return at + 1


def _reference(name: str, text: str, rules: Mapping[str, str], inside: tuple[str, ...]) -> Part:
    if name in SLOTS:
        return Slot(name)
    if name in inside:
        raise ExpansionError(f"rule <{name}> refers to itself")
    if name not in rules:
        raise ExpansionError(f"rule <{name}> is not defined, needed by '{text}'")
    return _parse(rules[name], rules, (*inside, name))


def written_out(part: Part, limit: int = 4000) -> list[tuple[str, ...]]:
    """List every way to say ``part`` as word tuples, slots as ``<name>``; at most ``limit``."""
    ways: list[tuple[str, ...]] = []
    for way in _ways(part):
        ways.append(way)
        if len(ways) >= limit:
            break
    return list(dict.fromkeys(ways))


def _ways(part: Part) -> Iterator[tuple[str, ...]]:
    if isinstance(part, Literal):
        yield (part.text,)
    elif isinstance(part, Slot):
        yield (f"<{part.name}>",)
    elif isinstance(part, Maybe):
        yield ()
        yield from _ways(part.part)
    elif isinstance(part, Choice):
        for option in part.options:
            yield from _ways(option)
    else:
        yield from _product(part.parts)


def _product(parts: tuple[Part, ...]) -> Iterator[tuple[str, ...]]:
    if not parts:
        yield ()
        return
    for head in _ways(parts[0]):
        for tail in _product(parts[1:]):
            yield head + tail


def sample(part: Part, chance: random.Random, fill: Callable[[str], str]) -> str:
    """Say ``part`` once, drawing alternatives by weight; ``fill`` words a slot by its name."""
    if isinstance(part, Literal):
        return part.text
    if isinstance(part, Slot):
        return fill(part.name)
    if isinstance(part, Maybe):
        return sample(part.part, chance, fill) if chance.random() < 0.5 else ""
    if isinstance(part, Choice):
        option = chance.choices(part.options, part.weights)[0]
        return sample(option, chance, fill)
    said = (sample(inner, chance, fill) for inner in part.parts)
    return " ".join(words for words in said if words)


@lru_cache(maxsize=20000)
def literal_words(part: Part) -> frozenset[str]:
    """Return every literal word that ``part`` can hold."""
    if isinstance(part, Literal):
        return frozenset({part.text})
    if isinstance(part, Slot):
        return frozenset()
    if isinstance(part, Maybe):
        return literal_words(part.part)
    inner = part.options if isinstance(part, Choice) else part.parts
    return frozenset().union(*(literal_words(one) for one in inner))


def single_words(part: Part) -> frozenset[str]:
    """The words that are the whole phrase by themselves."""
    return _singles(part)[0]


def _singles(part: Part) -> tuple[frozenset[str], bool]:
    """The phrase's one-word forms, and whether it can be left out."""
    if isinstance(part, Literal):
        return frozenset([part.text]), False
    if isinstance(part, Slot):
        return frozenset(), False
    if isinstance(part, Maybe):
        return _singles(part.part)[0], True
    if isinstance(part, Choice):
        options = [_singles(option) for option in part.options]
        words = frozenset[str]().union(*(one for one, _ in options))
        return words, any(empty for _, empty in options)
    parts = [_singles(one) for one in part.parts]
    needed = [words for words, empty in parts if not empty]
    if len(needed) > 1:
        return frozenset(), False
    if needed:
        return needed[0], False
    return frozenset[str]().union(*(words for words, _ in parts)), True
