"""Recognition errors, simulated: words dropped, swapped, or taken for others that sound alike."""

from __future__ import annotations

import random
import re
from collections import defaultdict
from functools import cache, lru_cache
from pathlib import Path

import pocketsphinx
from excerpt_format import Line
from rapidfuzz.distance import Levenshtein

DICTIONARY = Path(pocketsphinx.get_model_path()) / "en-us" / "cmudict-en-us.dict"
FARTHEST = 2  # phone edits; more than that no longer sounds alike in words of 3 to 6 phones
CHOICES = 4


def with_errors(lines: tuple[Line, ...], rate: float, rng: random.Random) -> tuple[Line, ...]:
    """Return the lines with about ``rate`` of their words heard wrongly.

    Each hit is a word dropped, swapped with its neighbour or taken for another that
    sounds alike, in equal parts. A line that loses all its words is lost.
    """
    heard = []
    for line in lines:
        words = line.text.split()
        out: list[str] = []
        place = 0
        while place < len(words):
            word = words[place]
            place += 1
            if rng.random() >= rate:
                out.append(word)
                continue
            error = rng.choice(("drop", "swap", "confuse"))
            if error == "swap" and place < len(words):
                out += [words[place], word]
                place += 1
            elif error == "confuse":
                out.append(_confused(word, rng))
            elif error == "swap":
                out.append(word)
        if out:
            heard.append(line.model_copy(update={"text": " ".join(out)}))
    return tuple(heard)


def _confused(word: str, rng: random.Random) -> str:
    others = sound_alikes(re.sub(r"[^a-z']", "", word.lower()))
    return rng.choice(others) if others else word


@cache
def sound_alikes(word: str) -> tuple[str, ...]:
    """The words nearest to ``word`` by edit distance over phones, nearest first.

    Pronunciations are those of the CMU pronouncing dictionary that pocketsphinx
    carries. Empty where the dictionary lacks the word or nothing is near.
    """
    pronunciations, by_length = _dictionary()
    phones = pronunciations.get(word)
    if phones is None:
        return ()
    farthest = min(FARTHEST, max(1, len(phones) // 2))
    near = []
    for length in range(len(phones) - farthest, len(phones) + farthest + 1):
        for other, other_phones in by_length.get(length, ()):
            distance = Levenshtein.distance(phones, other_phones, score_cutoff=farthest)
            if distance <= farthest and other != word:
                near.append((distance, len(other), other))
    return tuple(other for _, _, other in sorted(near)[:CHOICES])


@lru_cache(maxsize=1)
def _dictionary() -> tuple[dict[str, str], dict[int, list[tuple[str, str]]]]:
    """Pronunciations, one character per phone, by word and by number of phones."""
    signs: dict[str, str] = {}
    pronunciations: dict[str, str] = {}
    by_length: dict[int, list[tuple[str, str]]] = defaultdict(list)
    for entry in DICTIONARY.read_text(encoding="utf-8").splitlines():
        word, *phones = entry.split()
        if not re.fullmatch(r"[a-z']+", word):
            continue  # second pronunciations and abbreviations with dots
        coded = "".join(signs.setdefault(phone, chr(0x100 + len(signs))) for phone in phones)
        pronunciations[word] = coded
        by_length[len(coded)].append((word, coded))
    return pronunciations, dict(by_length)
