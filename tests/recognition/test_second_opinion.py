"""Numbers heard again: agreement makes sure, disagreement doubts, and no hearing is wasted."""

from __future__ import annotations

import numpy as np

from dictate.audio.source import Samples
from dictate.recognition.second_opinion import (
    FURTHER,
    SURE,
    Hearing,
    heard_instead,
    in_faint_noise,
    judge_numbers,
)

SOUND = (np.sin(np.arange(16_000) / 7) * 8_000).astype(np.int16)


def hearing(text: str, confidence: float = 1.0) -> Hearing:
    words = tuple(text.split())
    return Hearing(words, (confidence,) * len(words))


class Ear:
    """Hears one text after the other, and counts."""

    def __init__(self, *texts: str) -> None:
        self.texts, self.count = texts, 0

    def __call__(self, samples: Samples) -> Hearing:
        self.count += 1
        return hearing(self.texts[min(self.count, len(self.texts)) - 1])


def test_a_clear_number_on_which_all_hearings_agree_is_sure() -> None:
    ear = Ear("pulse seventy two")
    (number,) = judge_numbers(hearing("pulse seventy two"), SOUND, 40.0, ear)
    assert number.probability >= SURE
    assert number.alternatives == ()
    assert ear.count == FURTHER == number.evidence.agreeing


def test_hearings_that_differ_give_a_doubt_with_what_they_heard() -> None:
    ear = Ear("pulse sixty two", "pulse seventy two")
    (number,) = judge_numbers(hearing("pulse seventy two", 0.7), SOUND, 15.0, ear)
    assert number.probability < SURE
    assert number.doubt.alternatives == ("sixty two",)


def test_no_further_hearing_once_a_number_cannot_become_sure() -> None:
    text = "pulse seventy two"
    quick, thorough = Ear("pulse nine"), Ear("pulse nine")
    judge_numbers(hearing(text, 0.3), SOUND, 10.0, quick)
    judge_numbers(hearing(text, 0.3), SOUND, 10.0, thorough, least=0.0)
    assert quick.count == 1
    assert thorough.count == FURTHER


def test_a_phrase_without_a_number_is_not_heard_again() -> None:
    ear = Ear("lungs clear")
    assert judge_numbers(hearing("lungs clear"), SOUND, 40.0, ear) == []
    assert ear.count == 0


def test_what_is_heard_instead() -> None:
    words = ["the", "pulse", "is", "seventy", "two", "today"]
    assert (
        heard_instead(words, 3, 4, ["a", "pulse", "of", "seventy", "and", "two", "today"]) is None
    )
    assert (
        heard_instead(words, 3, 4, ["the", "pulse", "is", "sixty", "two", "today"]) == "sixty two"
    )
    assert heard_instead(words, 3, 4, ["the", "pulse", "is", "steady", "today"]) == ""


def test_the_faint_noise_is_faint_and_always_the_same() -> None:
    once = in_faint_noise(SOUND)
    assert np.array_equal(once, in_faint_noise(SOUND))
    change = (once - SOUND).astype(float)
    ratio = 10 * np.log10(np.mean(SOUND.astype(float) ** 2) / np.mean(change**2))
    assert 20 < ratio < 30
    assert len(in_faint_noise(SOUND[:0])) == 0
