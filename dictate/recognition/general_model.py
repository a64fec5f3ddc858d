"""General English, from the trigram model that comes with the embedded recogniser."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from typing import Any

from dictate.recognition.ngrams import BEGIN, END, Gram

_LOG_BASE = math.log(1.0001)
_NEVER = -300_000
PAIR_GAIN, PAIR_FLOOR = 4.0, 2e-3
TRIPLE_GAIN, TRIPLE_FLOOR = 2.0, 2e-2


class GeneralEnglish:
    """Probabilities of PocketSphinx's bundled English model (en-us.lm.bin).

    The model file cannot be listed, only asked, so the n-grams worth keeping are
    found by asking for all pairs of a vocabulary (some seconds for 3,000 words).
    """

    def __init__(self) -> None:
        from pocketsphinx import Config, LogMath, NGramModel, get_model_path

        self._ask: Any = NGramModel(
            Config(loglevel="FATAL"), LogMath(), get_model_path("en-us/en-us.lm.bin")
        ).prob

    def p(self, gram: Gram) -> float:
        """Return p(last word | words before); 0 for a word that the model lacks."""
        score = self._ask(list(reversed(gram)))
        return math.exp(score * _LOG_BASE) if score > _NEVER else 0.0

    def telling(self, vocabulary: Iterable[str]) -> Iterator[Gram]:
        """Yield pairs and triples of these words that say more than shorter n-grams do.

        A pair is kept where its probability is over ``PAIR_FLOOR`` and at least
        ``PAIR_GAIN`` times that of the word alone; triples likewise over pairs.
        """
        ask = self._ask
        alone = {word: ask([word]) for word in (*sorted(vocabulary), END)}
        known = [word for word, score in alone.items() if score > _NEVER]
        least, gain = _score(PAIR_FLOOR), _score(PAIR_GAIN)
        pairs: dict[tuple[str, str], int] = {}
        followers: dict[str, list[str]] = {}
        for history in (*known, BEGIN):
            if history == END:
                continue
            for word in known:
                score = ask([word, history])
                if score > least and score > alone[word] + gain:
                    pairs[history, word] = score
                    followers.setdefault(history, []).append(word)
        yield from pairs
        least, gain = _score(TRIPLE_FLOOR), _score(TRIPLE_GAIN)
        for first, second in pairs:
            for word in followers.get(second, ()):
                score = ask([word, second, first])
                if score > least and score > pairs[second, word] + gain:
                    yield first, second, word


def _score(p: float) -> float:
    return math.log(p) / _LOG_BASE
