"""Whether a phrase that was heard belongs to the examination at all.

A recogniser of exam talk turns any sound into exam words. Two things give that away: the words
are unclear in the lattice, and they follow each other as the language model hardly expects.
Neither is enough alone. Short replies are often unclear but expected; other talk is heard
clearly here and there, but as words that do not go together.
"""

from __future__ import annotations

import math

BIAS, CLARITY, EXPECTEDNESS = 7.415, 0.971, 1.62
"""Fitted to 634 phrases of the tuning voices of ``tests/bench`` and of what is no exam, as
``tests.bench.accepting --fit`` hears them. Each voice judged by weights fitted to the others, the
area under the curve was 0.977 for phrases of three words and more, 0.880 for shorter ones and
0.921 for the robotic voice; by confidence alone about 0.92, 0.74 and 0.79."""
CLEARLY_EXAM, CLEARLY_IF_CLEAR, CLEAR = 0.65, 0.5, 0.7
"""A phrase surely belongs from this probability on; where its confidence is at least ``CLEAR``,
from the second one on."""
PERHAPS_EXAM, PERHAPS_IF_CLEAR, FAIRLY_CLEAR = 0.45, 0.15, 0.56
"""The same for a phrase that belongs perhaps: what is found in it is marked.

On the tuning voices, clean, against a confidence of 0.56 (0.65 for surely) alone: kept of short
replies heard well 89% (84%), of the grammar's phrases 99% (98%), of phrases outside it 98% (95%),
of the robotic voice 93% (84%); let in of long other talk 7% (28%), of short 36% (38%), of other
languages 17% (20%), of read prose 0% (60%), but of short noises 40% (27%). Without a mark: short
replies 85% (75%), the grammar's phrases 95% (94%), long other talk 0% (12%), short 19% (30%),
other languages 3% (3%), noises 27% (27%)."""
_FLOOR = 0.003


def belonging(confidence: float, expectedness: float) -> float:
    """Return the probability that a phrase belongs to the exam, 0..1.

    Args:
        confidence: mean confidence of its words by their length, 0..1.
        expectedness: mean natural logarithm of the language model's probability of its
            words and its end.
    """
    clear = min(max(confidence, _FLOOR), 1 - _FLOOR)
    total = BIAS + CLARITY * math.log(clear / (1 - clear)) + EXPECTEDNESS * expectedness
    return 1 / (1 + math.exp(-max(min(total, 50.0), -50.0)))


def surely_belongs(confidence: float, expectedness: float) -> bool:
    """Whether a phrase belongs to the exam so surely that what it says bears no mark for it."""
    fits = belonging(confidence, expectedness)
    return fits >= (CLEARLY_IF_CLEAR if confidence >= CLEAR else CLEARLY_EXAM)


def perhaps_belongs(confidence: float, expectedness: float) -> bool:
    """Whether a phrase may belong to the exam; if not, nothing is to be found in it."""
    fits = belonging(confidence, expectedness)
    return fits >= (PERHAPS_IF_CLEAR if confidence >= FAIRLY_CLEAR else PERHAPS_EXAM)
