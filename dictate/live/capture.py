"""Sound while it is made: a microphone, or a file played as if it were one."""

from __future__ import annotations

import contextlib
import queue
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple, Protocol

import numpy as np

from dictate.audio.recording import Recording
from dictate.audio.source import SAMPLE_RATE, Samples
from dictate.errors import UserFault

BLOCK_SECONDS = 0.05
SILENT_DEVICE_SECONDS = 2.0
"""A microphone that gives no sound at all for so long was unplugged."""
RETRY_SECONDS = 1.0


class Sound(NamedTuple):
    """16 kHz mono sound, and when it arrived by ``time.monotonic()``."""

    samples: Samples
    arrived: float


class Lost(NamedTuple):
    """The machine was too slow, and sound was lost ``times`` times since the last report."""

    times: int


class Gone(NamedTuple):
    """The microphone was taken away; ``sentence`` is for the user."""

    sentence: str


class Back(NamedTuple):
    """There is a microphone again."""

    name: str


class Over(NamedTuple):
    """There is no more sound: the file has ended."""


SoundEvent = Sound | Lost | Gone | Back | Over
Deliver = Callable[[SoundEvent], None]


class SoundSource(Protocol):
    """Delivers sound events on a thread of its own between ``start`` and ``stop``."""

    @property
    def name(self) -> str:
        """What the user calls it."""
        ...

    def start(self, deliver: Deliver) -> None:
        """Begin; raises UserFault where that is not possible."""
        ...

    def stop(self) -> None:
        """End; nothing is delivered afterwards."""
        ...


class FileMicrophone:
    """Plays a recording as if it were spoken into a microphone, ``speed`` times as fast.

    Args:
        path: a sound file of any kind.
        speed: 1 for real time.
        then_silence: seconds of silence after its end, so that the last phrase is closed.

    Raises:
        UserFault: the file cannot be read.
    """

    def __init__(self, path: Path, speed: float = 1.0, then_silence: float = 1.0) -> None:
        self._recording = Recording(path)
        self.name = path.name
        self._speed = speed
        self._silence = then_silence
        self._stopped = threading.Event()
        self._thread: threading.Thread | None = None

    def pieces(self) -> Iterator[Samples]:
        """Yield the sound in blocks as a microphone would give them."""
        size = round(BLOCK_SECONDS * SAMPLE_RATE)
        rest = np.zeros(0, dtype=np.int16)
        for block in self._recording.blocks():
            rest = np.concatenate([rest, block.samples])
            while len(rest) >= size:
                yield rest[:size]
                rest = rest[size:]
        yield np.concatenate([rest, np.zeros(round(self._silence * SAMPLE_RATE), dtype=np.int16)])

    def start(self, deliver: Deliver) -> None:
        """Begin to play."""
        self._thread = threading.Thread(target=self._play, args=(deliver,), daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Stop playing."""
        self._stopped.set()
        if self._thread is not None:
            self._thread.join()

    def _play(self, deliver: Deliver) -> None:
        began = time.monotonic()
        played = 0.0
        for samples in self.pieces():
            played += len(samples) / SAMPLE_RATE
            late = began + played / self._speed - time.monotonic()
            if self._stopped.wait(max(late, 0.0)):
                return
            deliver(Sound(samples, time.monotonic()))
        deliver(Over())


class Microphone:
    """A sound device. Sound that gets lost is counted; one that is unplugged is waited for.

    Args:
        wanted: number or part of the name of the device; None for the system's usual one.

    Raises:
        UserFault: there is no PortAudio, no device, or it cannot be opened.
    """

    def __init__(self, wanted: str | None = None) -> None:
        self._library = sound_library()
        self._wanted = wanted
        self._raw: queue.SimpleQueue[bytes] = queue.SimpleQueue()
        self._overflows = 0
        self._stream: Any = None
        self._rate = SAMPLE_RATE
        self._stopped = threading.Event()
        self._thread: threading.Thread | None = None
        self.name = ""
        self._open()

    def start(self, deliver: Deliver) -> None:
        """Begin to listen."""
        while not self._raw.empty():
            self._raw.get()  # What came before nobody asked for.
        if self._stream is None:
            self._open()
        self._stopped.clear()
        self._thread = threading.Thread(target=self._pump, args=(deliver,), daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Close the device."""
        self._stopped.set()
        if self._thread is not None:
            self._thread.join()
        self._close()

    def _open(self) -> None:
        number, device = choose_device(self._library, self._wanted)
        self._rate = int(device["default_samplerate"])
        try:
            self._stream = self._library.RawInputStream(
                samplerate=self._rate,
                device=number,
                channels=1,
                dtype="int16",
                blocksize=round(BLOCK_SECONDS * self._rate),
                latency="high",
                callback=self._called,
            )
            self._stream.start()
        except self._library.PortAudioError as error:
            raise UserFault(device_sentence(str(device["name"]), error)) from error
        self.name = str(device["name"])

    def _called(self, content: Any, frames: int, when: Any, status: Any) -> None:
        """Called by PortAudio on its own thread: it must only queue."""
        if status.input_overflow:
            self._overflows += 1
        self._raw.put(bytes(content))

    def _close(self) -> None:
        if self._stream is not None:
            with contextlib.suppress(self._library.PortAudioError):
                self._stream.abort()
            with contextlib.suppress(self._library.PortAudioError):
                self._stream.close()
            self._stream = None

    def _pump(self, deliver: Deliver) -> None:
        import soxr

        while not self._stopped.is_set():
            resampler = soxr.ResampleStream(self._rate, SAMPLE_RATE, 1, dtype="int16")
            reported = self._overflows
            heard = time.monotonic()
            while not self._stopped.is_set():
                try:
                    content = self._raw.get(timeout=0.2)
                except queue.Empty:
                    if time.monotonic() - heard > SILENT_DEVICE_SECONDS or not self._alive():
                        break
                    continue
                heard = time.monotonic()
                samples = resampler.resample_chunk(np.frombuffer(content, dtype=np.int16))
                if self._overflows > reported:
                    deliver(Lost(self._overflows - reported))
                    reported = self._overflows
                if len(samples):
                    deliver(Sound(samples, heard))
            if not self._stopped.is_set():
                self._wait_for_device(deliver)

    def _alive(self) -> bool:
        try:
            return bool(self._stream is not None and self._stream.active)
        except self._library.PortAudioError:
            return False

    def _wait_for_device(self, deliver: Deliver) -> None:
        deliver(
            Gone(
                f"The microphone '{self.name}' gives no sound any more; the session waits until "
                "one is plugged in."
            )
        )
        while not self._stopped.wait(RETRY_SECONDS):
            self._close()
            # PortAudio looks for devices only when it is loaded.
            self._library._terminate()
            self._library._initialize()
            try:
                self._open()
            except UserFault:
                continue
            deliver(Back(self.name))
            return


def sound_library() -> Any:
    """Load sounddevice.

    Raises:
        UserFault: it, or the PortAudio library that it needs, is not installed.
    """
    try:
        import sounddevice
    except OSError as error:
        raise UserFault(
            "The PortAudio library is missing, so no microphone can be used: install the system "
            "package libportaudio2 (Debian, Ubuntu) or portaudio (Fedora, Arch, Homebrew)."
        ) from error
    except ImportError as error:
        raise UserFault(
            "The Python package sounddevice is missing: install it with 'pip install sounddevice'."
        ) from error
    return sounddevice


def input_devices(library: Any) -> list[tuple[int, dict[str, Any]]]:
    """Number and description of every device that can record."""
    return [
        (number, device)
        for number, device in enumerate(library.query_devices())
        if device["max_input_channels"] > 0
    ]


def choose_device(library: Any, wanted: str | None) -> tuple[int, dict[str, Any]]:
    """Find the device that the user named, or the usual one.

    Raises:
        UserFault: there is none, or the name fits none or several.
    """
    devices = input_devices(library)
    if not devices:
        raise UserFault(
            "No microphone was found: plug one in, or allow this program to use it in the "
            "system's settings."
        )
    if wanted is None:
        usual = library.default.device[0]
        return next((one for one in devices if one[0] == usual), devices[0])
    exact = [one for one in devices if wanted in (str(one[0]), one[1]["name"])]
    fitting = exact or [one for one in devices if wanted.lower() in one[1]["name"].lower()]
    if len(fitting) == 1:
        return fitting[0]
    known = "; ".join(f"{number}: {device['name']}" for number, device in fitting or devices)
    if fitting:
        raise UserFault(f"Several microphones are called '{wanted}'; give a number: {known}.")
    raise UserFault(f"There is no microphone '{wanted}'; choose one of these: {known}.")


_TAKEN, _NO_RATE, _GONE = -9985, -9997, -9996


def device_sentence(name: str, error: Any) -> str:
    """Say why a device cannot be opened. The numbers are PortAudio's, from ``portaudio.h``."""
    number = error.args[1] if len(error.args) > 1 else None
    if number == _TAKEN:
        return (
            f"The microphone '{name}' cannot be opened: another program uses it, or this one may "
            "not; close the other program or allow the microphone in the system's settings."
        )
    if number == _NO_RATE:
        return f"The microphone '{name}' refuses its own sample rate; choose another device."
    if number == _GONE:
        return f"The microphone '{name}' is not there any more; plug it in or choose another."
    told = str(error.args[0]) if error.args else "no reason given"
    return f"The microphone '{name}' cannot be opened ({told}); choose another device."
