"""A second hearing of numbers: a number is sure only where other hearings agree.

A recogniser that mishears a number mostly hears another number, and hears it
confidently. What gives it away is that a small change of the sound changes the
answer. So a phrase that holds a number is decoded again a little slower and a
little faster; how far these hearings agree, how clear the words were in the lattice
and how noisy the sound is are weighed together into the probability that the number
is right.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from difflib import SequenceMatcher
from typing import NamedTuple

import numpy as np

from dictate.audio.source import SAMPLE_RATE, Samples
from dictate.recognition.number_words import number_runs
from dictate.recognition.words import NumberDoubt

TEMPI = (0.94, 1.06)
"""Playing speeds of the further hearings."""
QUIET_ROOM_SNR = 40.0
"""Signal-to-noise ratio in dB above which the ear gains nothing; also where it is unknown."""

_SMALL = frozenset({"and", "a"})
_FLOOR = 1e-3


class Hearing(NamedTuple):
    """One decoding of a phrase: its words and how sure each is (0..1)."""

    words: tuple[str, ...]
    confidences: tuple[float, ...]

    @property
    def mean_confidence(self) -> float:
        """Mean over the words, 0 where there are none."""
        return sum(self.confidences) / len(self.confidences) if self.confidences else 0.0


class Evidence(NamedTuple):
    """What speaks for a number: the inputs of the calibrated weighing.

    ``clarity`` is the least word confidence within the number, ``around`` the least
    including one word on both sides, ``whole`` the mean over the phrase, ``agreeing``
    how many further hearings said the same, ``snr`` in dB.
    """

    clarity: float
    around: float
    whole: float
    agreeing: int
    snr: float


class Weights(NamedTuple):
    """Logistic weights of the evidence, in the order of ``Evidence`` after ``bias``."""

    bias: float
    clarity: float
    around: float
    whole: float
    agreeing: float
    snr: float


CALIBRATED = Weights(
    bias=-1.714, clarity=0.234, around=0.126, whole=0.508, agreeing=1.199, snr=0.273
)
"""Fitted by ``tests/bench/hearing.py --calibrate`` to 811 numbers of the four tuning voices,
clean, in white noise at 20 dB and in babble at 25 and 20 dB."""
SURE = 0.9
"""From here on 98.4 % of the fitted numbers were right; the next step down, 79 %."""


class JudgedNumber(NamedTuple):
    """A number, by its first and last word, and the probability that it is right."""

    first: int
    last: int
    probability: float
    evidence: Evidence
    alternatives: tuple[str, ...]

    @property
    def doubt(self) -> NumberDoubt:
        """The form in which the doubt is handed on."""
        return NumberDoubt(first=self.first, last=self.last, alternatives=self.alternatives)


def judge_numbers(
    hearing: Hearing,
    samples: Samples,
    snr: float | None,
    decode: Callable[[Samples], Hearing],
    weights: Weights = CALIBRATED,
) -> list[JudgedNumber]:
    """Weigh each number of a phrase; nothing is decoded again where it holds none.

    Args:
        hearing: the first decoding.
        samples: the sound of the phrase.
        snr: signal-to-noise ratio in dB, None where unknown.
        decode: decodes a changed sound.
        weights: the calibration.
    """
    runs = list(number_runs(hearing.words))
    if not runs:
        return []
    others = [decode(at_tempo(samples, tempo)).words for tempo in TEMPI]
    judged: list[JudgedNumber] = []
    for first, last in runs:
        wordings = [heard_instead(hearing.words, first, last, other) for other in others]
        evidence = Evidence(
            clarity=min(hearing.confidences[first : last + 1]),
            around=min(hearing.confidences[max(first - 1, 0) : last + 2]),
            whole=hearing.mean_confidence,
            agreeing=wordings.count(None),
            snr=min(QUIET_ROOM_SNR if snr is None else max(snr, 0.0), QUIET_ROOM_SNR),
        )
        alternatives = tuple(dict.fromkeys(wording for wording in wordings if wording))
        judged.append(JudgedNumber(first, last, weigh(evidence, weights), evidence, alternatives))
    return judged


def weigh(evidence: Evidence, weights: Weights = CALIBRATED) -> float:
    """Return the probability that the number is right, 0..1."""
    total = weights.bias + sum(
        weight * value for weight, value in zip(weights[1:], terms(evidence), strict=True)
    )
    return 1 / (1 + math.exp(-max(min(total, 50.0), -50.0)))


def terms(evidence: Evidence) -> tuple[float, ...]:
    """The evidence on the scales on which it is added up."""
    return (
        _logit(evidence.clarity),
        _logit(evidence.around),
        _logit(evidence.whole),
        float(evidence.agreeing),
        evidence.snr / 10,
    )


def _logit(p: float) -> float:
    clipped = min(max(p, _FLOOR), 1 - _FLOOR)
    return math.log(clipped / (1 - clipped))


def heard_instead(words: Sequence[str], first: int, last: int, other: Sequence[str]) -> str | None:
    """Return what ``other`` has in place of words ``first`` to ``last``, None where the same.

    An empty string means that the other hearing holds no number there.
    """
    before, after = 0, len(other)
    for match in SequenceMatcher(a=words, b=other, autojunk=False).get_matching_blocks():
        if match.size and match.a < first:
            size = min(match.size, first - match.a)
            before = match.b + size
        if match.size and match.a + match.size > last + 1:
            after = match.b + max(last + 1 - match.a, 0)
            break
    there = list(other[before:after])
    if _value_words(there) == _value_words(words[first : last + 1]):
        return None
    runs = list(number_runs(there))
    if not runs:
        return ""
    return " ".join(there[runs[0][0] : runs[-1][1] + 1])


def _value_words(words: Sequence[str]) -> list[str]:
    """The words from the first to the last number word, without 'and' and 'a'."""
    return [
        word
        for first, last in _whole_run(words)
        for word in words[first : last + 1]
        if word not in _SMALL
    ]


def _whole_run(words: Sequence[str]) -> Iterator[tuple[int, int]]:
    runs = list(number_runs(words))
    if runs:
        yield runs[0][0], runs[-1][1]


def at_tempo(samples: Samples, tempo: float) -> Samples:
    """Return the sound played ``tempo`` times as fast (pitch and pace alike)."""
    import soxr

    changed = soxr.resample(
        samples.astype(np.float32), SAMPLE_RATE, SAMPLE_RATE / tempo, quality="MQ"
    )
    clipped: Samples = np.clip(changed, -32_768, 32_767).astype(np.int16)
    return clipped
