"""Words as the later steps compare them: lower case, one word each, punctuation as breaks."""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import lru_cache
from typing import Literal

from pydantic import BaseModel, ConfigDict

from dictate.recognition.words import HeardPhrase

Break = Literal["", "weak", "strong", "question"]

_STRONG, _WEAK = ".!;", ",:"
_CONTRACTIONS = {
    "can't": ("can", "not"),
    "cannot": ("can", "not"),
    "won't": ("will", "not"),
    "shan't": ("shall", "not"),
    "ain't": ("is", "not"),
    "let's": ("let", "us"),
    "lets": ("let", "us"),
    "gonna": ("going", "to"),
    "wanna": ("want", "to"),
    "dont": ("do", "not"),
    "cant": ("can", "not"),
    "doesnt": ("does", "not"),
    "y'all": ("you",),
    "nontender": ("non", "tender"),
    "alright": ("all", "right"),
    "mm-hmm": ("mhm",),
    "uh-huh": ("uh", "huh"),
}
_ENDINGS = {"'ll": "will", "'re": "are", "'ve": "have", "'d": "would", "'m": "am"}
_FILLERS = frozenset(["um", "umm", "uh", "er", "erm", "hmm", "hm"])
_NUMERIC = re.compile(r"^[+-]?[\d.,/+°%'\"CFcf:-]*\d[\d.,/+°%'\"CFcf:-]*$")


class Token(BaseModel):
    """One word for comparison, with its time and the break that follows it.

    ``word`` is the index of the heard word within its phrase and ``phrase`` the index of
    the phrase. ``after`` is the punctuation or pause behind the token.
    """

    model_config = ConfigDict(frozen=True)

    text: str
    start: float
    end: float
    confidence: float = 1.0
    phrase: int = 0
    word: int = 0
    after: Break = ""


def tokens_of(phrase: HeardPhrase, index: int = 0) -> list[Token]:
    """Split the words of one phrase into tokens; times are those of the heard word."""
    tokens: list[Token] = []
    for place, word in enumerate(phrase.words):
        pieces, after = pieces_of(word.text)
        for nth, piece in enumerate(pieces):
            tokens.append(
                Token(
                    text=piece,
                    start=word.start,
                    end=max(word.end, word.start),
                    confidence=word.confidence,
                    phrase=index,
                    word=place,
                    after=after if nth == len(pieces) - 1 else "",
                )
            )
        if not pieces and after and tokens:
            tokens[-1] = tokens[-1].model_copy(update={"after": after})
        if len(tokens) > 1 and (tokens[-2].text, tokens[-1].text) == ("you", "know"):
            del tokens[-2:]
        _join_abbreviation(tokens)
        _drop_restart(tokens)
    return tokens


_RESTARTED = frozenset(
    ["the", "a", "an", "is", "are", "was", "it", "there", "i", "if", "when", "and", "so", "this",
     "in", "on", "of", "to", "at", "my", "your", "he", "she", "they", "we", "you", "does", "can",
     "would", "could", "with", "for", "like", "sort", "bit"]
)  # fmt: skip
_LONGEST_RESTART = 3  # words


def _drop_restart(tokens: list[Token]) -> None:
    """Drop what a speaker who hesitates says twice ("if i if i pull", "there is there is wax")."""
    for length in range(_LONGEST_RESTART, 0, -1):
        last, before = tokens[-length:], tokens[-2 * length : -length]
        if len(before) < length or any(token.after for token in before):
            continue
        words = [token.text for token in last]
        if words == [token.text for token in before] and _RESTARTED.issuperset(words):
            del tokens[-2 * length : -length]
            return


_SAID_APART = {("spo", "two"): "spo2", ("sp", "o", "two"): "spo2", ("s", "p", "o", "two"): "spo2",
               ("j", "v", "p"): "jvp", ("b", "p"): "bp", ("an", "icteric"): "anicteric",
               ("a", "febrile"): "afebrile"}  # fmt: skip
"""Words heard in pieces: abbreviations, whose last letter would be read with the number after it,
and words whose denial would be lost."""


def _join_abbreviation(tokens: list[Token]) -> None:
    for words, whole in _SAID_APART.items():
        last = tokens[-len(words) :]
        if tuple(token.text for token in last) == words:
            sure = min(token.confidence for token in last)
            tokens[-len(words) :] = [
                last[0].model_copy(
                    update={
                        "text": whole,
                        "end": last[-1].end,
                        "confidence": sure,
                        "after": last[-1].after,
                    }
                )
            ]


@lru_cache(maxsize=50_000)
def pieces_of(text: str) -> tuple[tuple[str, ...], Break]:
    """Split one heard word into comparable pieces and the break after it.

    Numbers written in figures stay whole (``134/88``, ``36.8``, ``2+``).
    """
    word = text.strip().lower().replace("\u2019", "'").replace("\u2018", "'")
    word = (
        word.replace("\u2013", "-").replace("\u2014", "-").lstrip("\"'([{<*_-").rstrip("\"')]}>*_")
    )
    after: Break = ""
    while word and word[-1] in _STRONG + _WEAK + "?-\u2026":
        mark, word = word[-1], word[:-1].rstrip("\"')]}")
        if mark == "?":
            after = "question"
        elif mark in _STRONG + "\u2026" and after != "question":
            after = "strong"
        elif mark in _WEAK and not after:
            after = "weak"
    if not word:
        return (), after
    if _NUMERIC.match(word):
        return (word,), after
    if word in _FILLERS:
        return (), after
    if word in _CONTRACTIONS:
        return _CONTRACTIONS[word], after
    pieces: list[str] = []
    for part in re.split(r"[-/_]+", word) if not re.search(r"\d", word) else [word]:
        part = part.strip("'\".,!?;:()[]")
        if part:
            pieces.extend(_uncontracted(part))
    return tuple(pieces), after


def _uncontracted(part: str) -> tuple[str, ...]:
    if part in _CONTRACTIONS:
        return _CONTRACTIONS[part]
    if part.endswith("n't"):
        return (part[:-3], "not")
    for ending, full in _ENDINGS.items():
        if part.endswith(ending):
            return (part[: -len(ending)], full)
    if part.endswith("'s"):
        stem = part[:-2]
        return (stem, "is") if stem in _IS_WORDS else (stem,)
    return (part,)


_IS_WORDS = frozenset(
    [
        "it",
        "that",
        "there",
        "here",
        "what",
        "where",
        "how",
        "who",
        "he",
        "she",
        "this",
        "everything",
    ]
)


def joined(tokens: Iterable[Token]) -> str:
    """The tokens as one readable string."""
    return " ".join(token.text for token in tokens)
