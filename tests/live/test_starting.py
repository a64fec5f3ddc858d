from __future__ import annotations

import time
from queue import SimpleQueue
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from dictate.audio.source import SAMPLE_RATE, Samples
from dictate.errors import UserFault
from dictate.live.capture import Gone, Over, Sound, choose_device, device_sentence
from dictate.live.command_ear import HeardAnswer
from dictate.live.hearing import Told
from dictate.live.keys import Key
from dictate.live.listening import Event, Stop
from dictate.live.starting import ask_consent, check_level, level_sentence
from dictate.live.voice import TONES, tone_samples


def line_of(*events: Event) -> SimpleQueue[Event]:
    line: SimpleQueue[Event] = SimpleQueue()
    for event in events:
        line.put(event)
    return line


def heard(samples: Samples) -> list[Sound]:
    return [Sound(samples[at : at + 800], time.monotonic()) for at in range(0, len(samples), 800)]


def test_a_sentence_tells_level_and_noise(talk: Samples) -> None:
    meters: list[float] = []
    level = check_level(line_of(*heard(talk[: 12 * SAMPLE_RATE]), Over()), meters.append)
    assert level.speech_dbfs is not None
    assert -45 < level.speech_dbfs < 0
    assert level.snr is not None
    assert max(meters) > level.speech_dbfs - 6
    assert level_sentence(level).endswith("good.")


def test_faint_speech_is_advised_about(talk: Samples) -> None:
    faint: Samples = (talk[: 12 * SAMPLE_RATE] // 300).astype(np.int16)
    faint = faint + np.random.default_rng(1).integers(-2, 3, len(faint)).astype(np.int16)
    level = check_level(line_of(*heard(faint), Over()), lambda level: None)
    assert "good" not in level_sentence(level)


def test_no_sound_at_all_is_a_fault() -> None:
    silent = heard(np.zeros(SAMPLE_RATE, dtype=np.int16))
    with pytest.raises(UserFault, match="muted"):
        check_level(line_of(*silent, Over()), lambda level: None)
    with pytest.raises(UserFault, match="pulled out"):
        check_level(line_of(Gone("It was pulled out.")), lambda level: None)


def test_consent_is_told_with_who_and_how() -> None:
    told = ask_consent(line_of(Key("m", "mark"), Key("y", None, True)), None, "P7", "L3")
    assert told.startswith("P7 agreed to be recorded; asked by L3, answered by a key, 20")
    spoken = Told(-1, None, HeardAnswer(True, "yes"), 0.1)
    assert "answered aloud" in ask_consent(line_of(spoken), None, "P7", "L3")


def test_an_answer_that_may_be_other_talk_is_no_consent() -> None:
    unsure = Told(-1, None, HeardAnswer(True, "yes", sure=False), 0.1)
    with pytest.raises(UserFault, match="did not agree"):
        ask_consent(line_of(unsure, Key("n", None, False)), None, "P7", "L3")


@pytest.mark.parametrize(
    ("event", "sentence"),
    [
        (Key("n", None, False), "did not agree"),
        (Told(-1, None, HeardAnswer(False, "no"), 0.1), "did not agree"),
        (Stop("stopped"), "nothing was recorded"),
    ],
)
def test_without_consent_nothing_begins(event: Event, sentence: str) -> None:
    with pytest.raises(UserFault, match=sentence):
        ask_consent(line_of(event), None, "P7", "L3")


def library(*names: str) -> Any:
    devices = [
        {"name": name, "max_input_channels": 0 if "speaker" in name else 1} for name in names
    ]
    return SimpleNamespace(query_devices=lambda: devices, default=SimpleNamespace(device=(1, 0)))


def test_a_device_is_chosen_by_number_or_part_of_its_name() -> None:
    three = library("speaker", "Desk microphone", "Headset")
    assert choose_device(three, None)[1]["name"] == "Desk microphone"
    assert choose_device(three, "2")[1]["name"] == "Headset"
    assert choose_device(three, "desk")[0] == 1


@pytest.mark.parametrize(
    ("names", "wanted", "sentence"),
    [
        ((), None, "No microphone was found"),
        (("speaker",), None, "No microphone was found"),
        (("Desk left", "Desk right"), "desk", "Several microphones"),
        (("Desk",), "head", "There is no microphone 'head'; choose one of these: 0: Desk"),
    ],
)
def test_a_device_that_cannot_be_had_is_told(
    names: tuple[str, ...], wanted: str | None, sentence: str
) -> None:
    with pytest.raises(UserFault, match=sentence):
        choose_device(library(*names), wanted)


def test_why_a_device_does_not_open_is_told() -> None:
    sentences = {
        device_sentence("Desk", Exception("Device unavailable", number))
        for number in (-9985, -9996, -9997, -9999)
    }
    assert len(sentences) == 4
    assert all("'Desk'" in sentence for sentence in sentences)


def test_the_three_tones_differ_and_are_short() -> None:
    sounds = {tone: tone_samples(tone) for tone in TONES}
    assert len({len(sound) for sound in sounds.values()}) == 3
    for sound in sounds.values():
        assert 0.05 * SAMPLE_RATE < len(sound) < 0.5 * SAMPLE_RATE
        assert 5_000 < int(np.abs(sound).max()) < 16_000
