"""Tokens cut into atoms: one word, one written figure or one sign each."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache

from dictate.talk.numbers.lexicon import lexicon

# A break says what may not be read across: a comma parts numbers but not a row of
# digits, the end of a sentence parts everything.
NO_BREAK, COMMA, SENTENCE = 0, 1, 2

_SAME = str.maketrans(
    {
        "−": "-", "–": "-", "—": "-", "‑": "-", "’": "'", "′": "'", "‘": "'",
        "″": '"', "”": '"', "“": '"', "º": "°", "×": "x", "˚": "°", "⁄": "/", "\u00a0": " ",
    }
)  # fmt: skip
_VULGAR = {"½": ".5", "¼": ".25", "¾": ".75"}
_OPENING = "([{\"'*_"
_CLOSING = ')]}"*_'
_JAEGER = re.compile(r"j(\d{1,2})\+?$")
_PIECE = re.compile(r"->|\d+(?:\.\d+)?|\.\d+|[a-z]+|''|[<>]=|.")
_WORD = re.compile(r"[a-z']+")
_NAME = re.compile(r"[a-z]+\d")  # "s1", "t4", "l4-5": a name, not a number
_ORDINAL = re.compile(r"\d+(?:st|nd|rd|th)s?$")
_CLOCK = re.compile(r"\d{1,2}:\d{2}")
_DATE = re.compile(r"\d{1,4}([/.-])\d{1,2}\1\d{1,4}$")
_THOUSANDS = re.compile(r"(?<=\d),(?=\d{3}(?:\D|$))")
_DECIMAL_COMMA = re.compile(r"(?<=\d),(?=\d{1,2}(?:\D|$))")
_ROMAN = {"i": 1, "ii": 2, "iii": 3, "iv": 4, "v": 5, "vi": 6}
_ROMAN_RATIO = re.compile(r"(i{1,3}|iv|vi?)/(iv|vi?)$")
_PLUSES = re.compile(r"\+{2,4}$")


@dataclass(frozen=True)
class Piece:
    """One part of a token. ``value`` is set for a written figure."""

    text: str
    value: Decimal | None = None
    glued: bool = False


@dataclass(frozen=True)
class Atom:
    """A piece in its place: ``token`` is the index of its token.

    ``before`` is the break between it and the atom before it.
    """

    text: str
    token: int
    value: Decimal | None = None
    glued: bool = False
    before: int = NO_BREAK


def atoms_of(tokens: Sequence[str]) -> list[Atom]:
    """Cut ``tokens`` into atoms; an atom never spans two tokens.

    Fillers are left out and part their neighbours as a comma does: "eighty, um, eighty two"
    is two numbers, "one thirty um over eighty" still one pressure.
    """
    fillers = lexicon().fillers
    atoms: list[Atom] = []
    pending = NO_BREAK
    for index, token in enumerate(tokens):
        pieces, closed = _cut(token)
        for piece in pieces:
            if piece.text in fillers:
                pending = max(pending, COMMA)
                continue
            atoms.append(Atom(piece.text, index, piece.value, piece.glued, pending))
            pending = NO_BREAK
        pending = max(pending, closed)
    return atoms


def bare(token: str) -> str:
    """Return the token in lower case without the punctuation around it."""
    return token.translate(_SAME).lower().strip('.,;:!?…()[]{}"*_')


@lru_cache(maxsize=20_000)
def _cut(token: str) -> tuple[tuple[Piece, ...], int]:
    text = token.translate(_SAME).lower().strip()
    for sign, tail in _VULGAR.items():
        text = re.sub(rf"(?<=\d){sign}", tail, text).replace(sign, f"0{tail}")
    text = text.lstrip(_OPENING)
    closed = NO_BREAK
    while text and (text[-1] in ".,;:!?…" or (text[-1] in _CLOSING and _quoted(text))):
        mark = text[-1]
        closed = max(closed, COMMA if mark == "," else SENTENCE if mark in ".;!?…" else NO_BREAK)
        text = text[:-1]
    if not text:
        return (), closed
    if _WORD.fullmatch(text):
        return (Piece(text),), closed
    return _pieces(text), closed


def _quoted(text: str) -> bool:
    """Whether the last mark closes a quotation, rather than standing for inches."""
    return not (text[-1] == '"' and len(text) > 1 and text[-2].isdigit())


def _pieces(text: str) -> tuple[Piece, ...]:
    if _ORDINAL.fullmatch(text) or _CLOCK.match(text) or _DATE.match(text) or _NAME.match(text):
        if jaeger := _JAEGER.match(text):
            return Piece("j"), Piece(jaeger[1], Decimal(jaeger[1]), glued=True)
        return (Piece(text),)
    if _PLUSES.fullmatch(text):
        count = len(text)
        return Piece(str(count), Decimal(count)), Piece("+", glued=True)
    if roman := _ROMAN_RATIO.match(text):
        left, right = (_ROMAN[part] for part in roman.groups())
        return (
            Piece(str(left), Decimal(left)),
            Piece("/", glued=True),
            Piece(str(right), Decimal(right), glued=True),
        )
    text = _DECIMAL_COMMA.sub(".", _THOUSANDS.sub("", text))
    if "-" in text and not any(sign.isdigit() or sign == ">" for sign in text):
        words = [word for word in text.split("-") if word]
        if len(words) > 1 and not any(word in lexicon().starters for word in words):
            return (Piece(text),)
        return tuple(Piece(word) for word in words) or (Piece(text),)
    found: list[Piece] = []
    parts = _PIECE.findall(text)
    for place, part in enumerate(parts):
        if part.isspace():
            continue
        if part == "-" and _between_letters(parts, place):
            continue
        figure = part[0].isdecimal() or (part[0] == "." and len(part) > 1)
        value = Decimal(part) if figure and part.isascii() else None
        found.append(Piece(part, value, glued=place > 0))
    return tuple(found)


def _between_letters(parts: Sequence[str], place: int) -> bool:
    """Whether the hyphen at ``place`` joins a word, as in "2-finger" or "60-year-old"."""
    following = parts[place + 1] if place + 1 < len(parts) else ""
    return following[:1].isalpha()
