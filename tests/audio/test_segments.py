"""Spans of speech between pauses, in quiet and in noise."""

from __future__ import annotations

import numpy as np
import pytest

from dictate.audio.segments import Pauses, SpanCutter, cut_spans
from dictate.audio.source import SAMPLE_RATE
from tests.audio.sounds import blocks, noise, vowels


def said_at(times: list[tuple[float, float]], total: float, level: float) -> np.ndarray:
    sound = noise(total, level)
    for start, seconds in times:
        at = int(start * SAMPLE_RATE)
        piece = vowels(seconds)
        sound[at : at + len(piece)] += piece
    return sound


TIMES = [(2.0, 1.2), (5.0, 0.8), (8.5, 2.0)]


@pytest.mark.parametrize(
    "level", [0.0, 0.0005, 0.005, 0.015], ids=["silent", "50dB", "30dB", "20dB"]
)
def test_pauses_part_speech_at_every_noise_level(level: float) -> None:
    spans = list(cut_spans(blocks(said_at(TIMES, 12, level))))
    assert len(spans) == len(TIMES)
    for span, (start, seconds) in zip(spans, TIMES, strict=True):
        assert start - 0.7 < span.start <= start
        assert start + seconds - 0.1 <= span.end < start + seconds + 0.8
        assert span.whole


def test_samples_are_those_of_the_recording() -> None:
    sound = said_at(TIMES, 12, 0.0005)
    everything = np.concatenate([block.samples for block in blocks(sound)])
    for span in cut_spans(blocks(sound)):
        at = round(span.start * SAMPLE_RATE)
        assert np.array_equal(span.samples, everything[at : at + len(span.samples)])


@pytest.mark.parametrize("size", [1, 160, 320, 5000, 200_000])
def test_block_size_makes_no_difference(size: int) -> None:
    sound = said_at([(1.0, 1.0)], 3, 0.001)
    if size == 1:
        sound = sound[: 2 * SAMPLE_RATE + 7]
    starts = [(span.start, len(span.samples)) for span in cut_spans(blocks(sound, size))]
    assert starts == [(s.start, len(s.samples)) for s in cut_spans(blocks(sound, 1600))]


def test_long_speech_is_cut_where_it_is_quietest() -> None:
    speech = vowels(16.0)
    speech[int(9.0 * SAMPLE_RATE) : int(9.3 * SAMPLE_RATE)] *= 0.02
    sound = np.concatenate([noise(1, 0.0005), speech, noise(1.5, 0.0005)])
    spans = list(cut_spans(blocks(sound), Pauses(longest=12.0)))
    assert len(spans) == 2
    assert not spans[0].whole and not spans[0].joined
    assert spans[1].whole and spans[1].joined
    assert spans[0].end == pytest.approx(10.15, abs=0.15)
    assert spans[1].start == spans[0].end


@pytest.mark.parametrize(("after", "whole"), [(0.0, False), (0.1, False), (0.4, True)])
def test_speech_that_the_recording_breaks_off_is_not_whole(after: float, whole: bool) -> None:
    sound = np.concatenate([noise(1, 0.0005), vowels(1.5), noise(after, 0.0005)])
    (span,) = cut_spans(blocks(sound))
    assert span.whole is whole


def test_silence_and_steady_noise_hold_no_speech() -> None:
    assert list(cut_spans(blocks(np.zeros(3 * SAMPLE_RATE)))) == []
    assert list(cut_spans(blocks(noise(6, 0.02)))) == []


def test_pending_speech_is_there_before_its_pause() -> None:
    cutter = SpanCutter()
    for block in blocks(said_at([(1.0, 1.2)], 2.4, 0.0005)):
        assert cutter.feed(block) == []
    assert cutter.pending is not None
    assert cutter.pending.start == pytest.approx(0.8, abs=0.3)
    (span,) = cutter.finish()
    assert span.start == pytest.approx(0.8, abs=0.3)


@pytest.mark.parametrize("snr", [30.0, 20.0, 10.0])
def test_signal_to_noise_ratio_is_estimated(snr: float) -> None:
    sound = said_at([(1.0, 2.0), (4.0, 2.0), (7.0, 2.0)], 10, 0.0)
    speech = sound[np.abs(sound) > 0]
    power = float(np.mean(np.square(speech)))
    sound = sound + noise(10, float(np.sqrt(power / 10 ** (snr / 10))), 3)
    cutter = SpanCutter()
    for block in blocks(sound):
        cutter.feed(block)
    level = cutter.level
    assert level.snr == pytest.approx(snr, abs=3)
    assert (level.warning is None) == (snr > 22)
    if snr <= 20:
        assert "headset" in str(level.warning)


def test_overdriven_and_faint_speech_are_warned_about() -> None:
    loud, faint = SpanCutter(), SpanCutter()
    sound = said_at([(1.0, 2.0)], 4, 0.00002)
    for block in blocks(sound * 12):
        loud.feed(block)
    for block in blocks(sound * 0.01):
        faint.feed(block)
    assert "overdriven" in str(loud.level.warning)
    assert "quiet" in str(faint.level.warning)


def test_speech_from_the_first_sample_on_is_kept() -> None:
    sound = np.concatenate([vowels(1.5), noise(1.5, 0.0005)])
    (span,) = cut_spans(blocks(sound))
    assert span.start < 0.15
    assert span.end >= 1.4
