"""Answers by ear: short spoken sentences and three tones, without the network."""

from __future__ import annotations

import io
import queue
import shutil
import subprocess
import threading
import time
from typing import Any, Final, Literal

import numpy as np

from dictate.audio.source import SAMPLE_RATE, Samples
from dictate.errors import UserFault
from dictate.live.capture import sound_library

Tone = Literal["recorded", "doubtful", "warning"]
ECHO_SECONDS = 0.3
"""After the last sample the room and the sound card still sound so long."""
_WORDS_PER_MINUTE = 175
_LONGEST_SPEECH = 30.0
_RATE = 22_050

TONES: Final[dict[Tone, tuple[tuple[float, float], ...]]] = {
    "recorded": ((880.0, 0.07),),
    "doubtful": ((587.0, 0.09), (784.0, 0.09)),
    "warning": ((330.0, 0.16), (0.0, 0.05), (330.0, 0.16)),
}
"""Pitch in hertz (0 is silence) and length in seconds: one short, two rising, two low."""


class SpokenAnswers:
    """Speaks with espeak-ng where it is installed, and sounds tones, one after the other.

    Args:
        volume: 1 to 100.
        output: name or number of the output device; None for the system's usual one.

    Raises:
        UserFault: nothing can be played here.
    """

    def __init__(self, volume: int = 60, output: str | None = None) -> None:
        self._library = sound_library()
        self._program = shutil.which("espeak-ng")
        self.speaks = self._program is not None
        self._volume = volume / 100
        self._device = usable_output(self._library, output)
        self._waiting: queue.Queue[str | Samples | None] = queue.Queue()
        self._unsaid = 0
        self._turn = threading.Lock()
        self._sounded_until = 0.0
        self._thread = threading.Thread(target=self._play, daemon=True)
        self._thread.start()

    def say(self, sentence: str) -> None:
        """Speak, after what is being spoken."""
        if self.speaks and sentence:
            self._add(sentence)

    def tone(self, tone: Tone) -> None:
        """Sound a short tone."""
        self._add(tone_samples(tone))

    def silent_at(self, moment: float) -> bool:
        """Whether nothing could be heard from it at this ``time.monotonic()``."""
        with self._turn:
            return not self._unsaid and moment >= self._sounded_until

    def close(self) -> None:
        """Say what waits, then stop."""
        self._waiting.put(None)
        self._thread.join(5.0)

    def _add(self, what: str | Samples) -> None:
        with self._turn:
            self._unsaid += 1
        self._waiting.put(what)

    def _play(self) -> None:
        while True:
            what = self._waiting.get()
            if what is None:
                return
            try:
                samples, rate = self._spoken(what) if isinstance(what, str) else (what, SAMPLE_RATE)
                self._sound(samples, rate)
            except (OSError, subprocess.SubprocessError, self._library.PortAudioError):
                pass  # What is said is shown as well; the session must not end for it.
            finally:
                with self._turn:
                    self._unsaid -= 1
                    self._sounded_until = time.monotonic() + ECHO_SECONDS

    def _spoken(self, sentence: str) -> tuple[Samples, int]:
        import soundfile

        assert self._program is not None
        done = subprocess.run(
            [self._program, "-v", "en", "-s", str(_WORDS_PER_MINUTE), "--stdin", "--stdout"],
            input=sentence.encode(),
            capture_output=True,
            timeout=_LONGEST_SPEECH,
            check=True,
        )
        samples, rate = soundfile.read(io.BytesIO(done.stdout), dtype="int16")
        return samples, int(rate)

    def _sound(self, samples: Samples, rate: int) -> None:
        import soxr

        wanted = int(self._device["default_samplerate"])
        loud = soxr.resample(samples.astype(np.float32) * self._volume, rate, wanted)
        frames = np.clip(loud, -32_768, 32_767).astype(np.int16)
        with self._library.RawOutputStream(
            samplerate=wanted, device=self._device["index"], channels=1, dtype="int16"
        ) as stream:
            stream.write(frames.tobytes())


def tone_samples(tone: Tone) -> Samples:
    """The sound of a tone at 16 kHz, its parts faded in and out."""
    parts = []
    for pitch, seconds in TONES[tone]:
        times = np.arange(round(seconds * SAMPLE_RATE)) / SAMPLE_RATE
        fade = np.minimum(1, np.minimum(times, seconds - times) / 0.01)
        parts.append(np.sin(2 * np.pi * pitch * times) * fade * 12_000)
    samples: Samples = np.concatenate(parts).astype(np.int16)
    return samples


def usable_output(library: Any, wanted: str | None) -> dict[str, Any]:
    """Find the device to play on.

    Raises:
        UserFault: there is none.
    """
    try:
        device = library.query_devices(wanted, "output")
    except (library.PortAudioError, ValueError) as error:
        raise UserFault(
            "There is no loudspeaker or headphone to answer by; plug one in, or use '--voice 0'."
        ) from error
    return dict(device)
