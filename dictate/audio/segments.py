"""Cuts a stream into spans of speech between pauses."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from typing import NamedTuple

import numpy as np

from dictate.audio.level import Level, LevelMeter, dbfs
from dictate.audio.source import SAMPLE_RATE, Block, Samples

FRAME_SECONDS = 0.02
FRAME = int(SAMPLE_RATE * FRAME_SECONDS)
SETTLED = 0.2
"""Seconds of silence after which a recording that ends is not cut within a word."""


class Span(NamedTuple):
    """Speech between two pauses with a little of the pauses at both ends.

    ``start`` is the recording time of the first sample in seconds; ``level`` is the
    running estimate at its end. ``whole`` is false where the talk goes on beyond the end: a
    long stretch was cut, or the recording ends in the middle of speech. ``joined`` is true
    where it goes on from the span before, without a pause.
    """

    start: float
    samples: Samples
    level: Level
    whole: bool = True
    joined: bool = False

    @property
    def end(self) -> float:
        """Recording time just after the last sample, seconds."""
        return self.start + len(self.samples) / SAMPLE_RATE


class Pauses(NamedTuple):
    """Settings of the segmentation; times in seconds.

    ``mode`` is the WebRTC detector's aggressiveness, 0 to 3. ``margin_db`` is how far
    a frame must stand above the tracked noise floor to count as speech as well.
    """

    mode: int = 2
    margin_db: float = 6.0
    begin: float = 0.08
    pause: float = 0.5
    before: float = 0.3
    after: float = 0.25
    longest: float = 20.0


class SpanCutter:
    """Takes blocks as they come and gives spans as soon as their pause is heard.

    A frame is speech if the WebRTC voice activity detector says so and its energy
    stands above a floor that follows the quietest of the last seconds. The second
    condition keeps steady noise, which the detector takes for speech at low
    signal-to-noise ratios, from joining phrases.
    """

    def __init__(self, pauses: Pauses | None = None) -> None:
        import webrtcvad

        self._set = pauses or Pauses()
        self._vad = webrtcvad.Vad(self._set.mode)
        self._rest: Samples = np.zeros(0, dtype=np.int16)
        self._position = 0
        self._before: deque[Samples] = deque(maxlen=_frames(self._set.before + self._set.begin))
        self._open: list[Samples] = []
        self._open_start = 0
        self._joined = False
        self._voiced = 0
        self._silent = 0
        self._floor = _NoiseFloor()
        self._meter = LevelMeter()

    @property
    def level(self) -> Level:
        """Speech and noise levels of everything heard so far."""
        return self._meter.level

    @property
    def pending(self) -> Span | None:
        """The span being spoken at this moment, for live display."""
        if not self._open:
            return None
        samples = np.concatenate(self._open)
        return Span(self._open_start / SAMPLE_RATE, samples, self.level, False, self._joined)

    def feed(self, block: Block) -> list[Span]:
        """Take a block; return the spans that it completed."""
        samples = np.concatenate([self._rest, block.samples]) if len(self._rest) else block.samples
        spans: list[Span] = []
        whole = len(samples) // FRAME * FRAME
        for offset in range(0, whole, FRAME):
            spans.extend(self._frame(samples[offset : offset + FRAME]))
        self._rest = samples[whole:].copy()
        return spans

    def finish(self) -> list[Span]:
        """End the stream; return the span that was still open."""
        if self._open and len(self._rest):
            self._open.append(self._rest)
        return list(self._close(keep=None)) if self._open else []

    def _frame(self, frame: Samples) -> Iterator[Span]:
        level = dbfs(frame)
        self._floor.add(level)
        speech = level > self._floor.level + self._set.margin_db and self._vad.is_speech(
            frame.tobytes(), SAMPLE_RATE
        )
        self._meter.add(frame, speech)
        self._position += FRAME
        if not self._open:
            self._before.append(frame)
            self._voiced = self._voiced + 1 if speech else max(self._voiced - 1, 0)
            if self._voiced >= _frames(self._set.begin):
                self._open = list(self._before)
                self._open_start = self._position - len(self._open) * FRAME
                self._joined = False
                self._before.clear()
                self._silent = 0
            return
        self._open.append(frame)
        self._silent = 0 if speech else self._silent + 1
        if self._silent >= _frames(self._set.pause):
            yield from self._close(keep=_frames(self._set.after))
        elif len(self._open) >= _frames(self._set.longest):
            yield self._cut()

    def _close(self, keep: int | None) -> Iterator[Span]:
        """End the open span, leaving ``keep`` frames of its closing pause.

        Noise at the very beginning, before its level is known, may have opened the
        span: one that stands nowhere above the noise is dropped.
        """
        drop = 0 if keep is None else max(self._silent - keep, 0)
        frames = self._open[: len(self._open) - drop]
        self._before.extend(self._open[len(frames) :])
        span = Span(
            self._open_start / SAMPLE_RATE,
            np.concatenate(frames),
            self.level,
            self._silent >= _frames(SETTLED),
            self._joined,
        )
        loud = sum(dbfs(f) > self._floor.level + self._set.margin_db for f in self._open)
        self._open = []
        self._voiced = 0
        if loud >= _frames(self._set.begin):
            yield span

    def _cut(self) -> Span:
        """Cut a long span in the middle of the quietest fifth of a second of its last half."""
        window = _frames(0.2)
        energy = np.array([dbfs(frame) for frame in self._open])
        quiet = np.convolve(energy, np.ones(window) / window, mode="valid")
        first = len(quiet) // 2
        at = first + int(quiet[first:].argmin()) + window // 2
        span = Span(
            self._open_start / SAMPLE_RATE,
            np.concatenate(self._open[:at]),
            self.level,
            False,
            self._joined,
        )
        self._open = self._open[at:]
        self._open_start += at * FRAME
        self._joined = True
        return span


def cut_spans(blocks: Iterable[Block], pauses: Pauses | None = None) -> Iterator[Span]:
    """Yield the spans of speech of a stream in order, in constant memory."""
    cutter = SpanCutter(pauses)
    for block in blocks:
        yield from cutter.feed(block)
    yield from cutter.finish()


class _NoiseFloor:
    """The 10th percentile of frame levels over the last seconds, found from a histogram."""

    _SECONDS = 6.0

    def __init__(self) -> None:
        self._levels: deque[int] = deque()
        self._counts = np.zeros(100, dtype=np.int64)
        self.level = -60.0

    def add(self, level: float) -> None:
        slot = min(max(int(level) + 90, 0), 99)
        self._levels.append(slot)
        self._counts[slot] += 1
        if len(self._levels) > _frames(self._SECONDS):
            self._counts[self._levels.popleft()] -= 1
        if len(self._levels) < _frames(0.4):
            return
        below = np.cumsum(self._counts)
        self.level = float(np.searchsorted(below, 0.1 * len(self._levels) + 1) - 90)


def _frames(seconds: float) -> int:
    return max(round(seconds / FRAME_SECONDS), 1)
