"""How words are spoken: the recogniser's own dictionary, ours, and composed words."""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import lru_cache
from pathlib import Path
from typing import NamedTuple

from dictate.errors import UserFault

_PHONES = (
    "AA AE AH AO AW AY B CH D DH EH ER EY F G HH IH IY JH K L M N NG OW OY P R S SH T TH UH UW "
    "V W Y Z ZH"
)
PHONES = frozenset(_PHONES.split())
"""The 39 phones of the acoustic model, written as in the CMU pronouncing dictionary."""

Pronunciation = tuple[str, ...]
Dictionary = dict[str, tuple[Pronunciation, ...]]

_ENTRY = re.compile(r"^(?P<word>[^\s(]+)(?:\(\d+\))?\s+(?P<phones>.+)$")
_VOICELESS = frozenset(("P", "T", "K", "F", "TH"))
_HISSING = frozenset(("S", "Z", "SH", "ZH", "CH", "JH"))
_PREFIXES: dict[str, str] = {
    "anti": "AE N T IY",
    "bi": "B AY",
    "costo": "K AA S T OW",
    "cranio": "K R EY N IY OW",
    "dys": "D IH S",
    "endo": "EH N D OW",
    "epi": "EH P IH",
    "extra": "EH K S T R AH",
    "hemi": "HH EH M IY",
    "hyper": "HH AY P ER",
    "hypo": "HH AY P OW",
    "infra": "IH N F R AH",
    "inter": "IH N T ER",
    "intra": "IH N T R AH",
    "mid": "M IH D",
    "non": "N AA N",
    "para": "P EH R AH",
    "peri": "P EH R IY",
    "post": "P OW S T",
    "pre": "P R IY",
    "re": "R IY",
    "retro": "R EH T R OW",
    "sub": "S AH B",
    "super": "S UW P ER",
    "supra": "S UW P R AH",
    "trans": "T R AE N Z",
    "un": "AH N",
    "uni": "Y UW N AH",
}
_SUFFIXES: dict[str, str] = {
    "able": "AH B AH L",
    "al": "AH L",
    "er": "ER",
    "est": "AH S T",
    "ing": "IH NG",
    "less": "L AH S",
    "like": "L AY K",
    "ly": "L IY",
    "ment": "M AH N T",
    "ness": "N AH S",
    "ward": "W ER D",
    "wards": "W ER D Z",
}


class Spoken(NamedTuple):
    """Pronunciations of a vocabulary and the words for which none was found."""

    dictionary: Dictionary
    unknown: tuple[str, ...]


def read_dictionary(path: Path, only: frozenset[str] | None = None) -> Dictionary:
    """Read a dictionary file: one ``word PHONE PHONE ...`` a line, ``word(2)`` for variants.

    Lines that begin with ``#`` or ``;;;`` are comments.

    Args:
        path: the file, UTF-8.
        only: keep these words alone.

    Raises:
        UserFault: a line has no phones or a phone that the acoustic model lacks.
    """
    found: dict[str, list[Pronunciation]] = {}
    with path.open(encoding="utf-8") as lines:
        for number, line in enumerate(lines, 1):
            if only is not None:
                word = line.partition(" ")[0].partition("(")[0]
                if word not in only:
                    continue
            entry = line.partition("#")[0].strip()
            if not entry or entry.startswith(";;;"):
                continue
            match = _ENTRY.match(entry)
            phones = tuple(match["phones"].split()) if match else ()
            wrong = [phone for phone in phones if phone not in PHONES]
            if match is None or wrong:
                what = f"'{wrong[0]}' is no phone" if wrong else "no phones follow the word"
                raise UserFault(
                    f"{path} line {number}: {what}; write WORD and its phones in capitals, "
                    "such as 'bruit B R UW IY'."
                )
            variants = found.setdefault(match["word"].lower(), [])
            if phones not in variants:
                variants.append(phones)
    return {word: tuple(variants) for word, variants in found.items()}


def pronounce(words: Iterable[str], own: Path, general: Path) -> Spoken:
    """Find how each word is spoken.

    Our own file wins over the general dictionary; words in neither are composed of
    known parts (an ending, a prefix, two known words), since most exam words that
    are missing are compounds.

    Raises:
        UserFault: a dictionary file is malformed.
    """
    wanted = {word.lower() for word in words}
    ours = read_dictionary(own)
    parts = _possible_parts(wanted)
    theirs = read_dictionary(general, frozenset(wanted | parts))
    known: Dictionary = {**theirs, **ours}
    dictionary: Dictionary = {}
    unknown: list[str] = []
    for word in sorted(wanted):
        variants = known.get(word) or _compose(word, known)
        if variants:
            dictionary[word] = variants
        else:
            unknown.append(word)
    return Spoken(dictionary, tuple(unknown))


def _possible_parts(words: Iterable[str]) -> set[str]:
    parts: set[str] = set()
    for word in words:
        for at in range(2, len(word)):
            parts.add(word[:at])
            parts.add(word[at:])
            parts.add(word[:at] + "e")
        parts.update(re.split(r"[-']", word))
    return parts


def _compose(word: str, known: Dictionary) -> tuple[Pronunciation, ...]:
    for way in (_hyphenated, _inflected, _derived, _compound):
        phones = way(word, known)
        if phones:
            return (phones,)
    return ()


def _first(word: str, known: Dictionary) -> Pronunciation | None:
    variants = known.get(word)
    return variants[0] if variants else None


def _hyphenated(word: str, known: Dictionary) -> Pronunciation | None:
    pieces = [piece for piece in word.split("-") if piece]
    if len(pieces) < 2:
        return None
    spoken = [_first(piece, known) or next(iter(_compose(piece, known)), None) for piece in pieces]
    if any(phones is None for phones in spoken):
        return None
    return tuple(phone for phones in spoken if phones for phone in phones)


def _inflected(word: str, known: Dictionary) -> Pronunciation | None:
    for ending in ("'s", "es", "s"):
        stem = _first(word.removesuffix(ending), known) if word.endswith(ending) else None
        if stem:
            return (*stem, *_plural(stem[-1]))
    for ending in ("ed", "d"):
        stem = _first(word.removesuffix(ending), known) if word.endswith(ending) else None
        if stem:
            return (*stem, *_past(stem[-1]))
    return None


def _plural(last: str) -> Pronunciation:
    if last in _HISSING:
        return ("IH", "Z")
    return ("S",) if last in _VOICELESS else ("Z",)


def _past(last: str) -> Pronunciation:
    if last in ("T", "D"):
        return ("IH", "D")
    return ("T",) if last in _VOICELESS | _HISSING - {"Z", "ZH", "JH"} else ("D",)


def _derived(word: str, known: Dictionary) -> Pronunciation | None:
    for ending, phones in _SUFFIXES.items():
        if word.endswith(ending) and len(word) - len(ending) >= 3:
            stem = word.removesuffix(ending)
            base = _first(stem, known) or _first(stem + "e", known)
            if base is None and len(stem) > 3 and stem[-1] == stem[-2]:
                base = _first(stem[:-1], known)
            if base:
                return (*base, *phones.split())
    for start, phones in _PREFIXES.items():
        rest = word.removeprefix(start)
        if word.startswith(start) and len(rest) >= 3:
            tail = _first(rest, known) or _inflected(rest, known)
            if tail:
                return (*phones.split(), *tail)
    return None


def _compound(word: str, known: Dictionary) -> Pronunciation | None:
    for at in range(len(word) - 3, 2, -1):
        head, tail = _first(word[:at], known), _first(word[at:], known)
        if head and tail:
            return (*head, *tail)
    return None


def write_dictionary(dictionary: Dictionary, path: Path) -> None:
    """Write in the form that the recogniser reads."""
    with path.open("w", encoding="utf-8", newline="\n") as file:
        for word in sorted(dictionary):
            for number, phones in enumerate(dictionary[word], 1):
                name = word if number == 1 else f"{word}({number})"
                file.write(f"{name} {' '.join(phones)}\n")


@lru_cache(maxsize=1)
def general_dictionary() -> Path:
    """The pronouncing dictionary that comes with the embedded recogniser (134,860 entries)."""
    from pocketsphinx import get_model_path

    return Path(get_model_path("en-us/cmudict-en-us.dict"))
