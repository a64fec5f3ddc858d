"""Synthetic speech and noise for the benchmarks: Debian's synthesisers, fixed noise."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray

from dictate.audio.source import SAMPLE_RATE

Sound = NDArray[np.float64]

NOISES = ("white", "babble", "room")
SNRS = (25, 20, 15)


@dataclass(frozen=True)
class Voice:
    """One synthetic voice. ``tuning`` voices chose the settings, the others only measure."""

    name: str
    program: str
    arguments: tuple[str, ...]
    tuning: bool


VOICES = (
    Voice("flite-slt", "flite", ("-voice", "slt"), True),
    Voice("flite-kal16", "flite", ("-voice", "kal16"), True),
    Voice("festival-ked", "text2wave", ("-eval", "(voice_ked_diphone)"), True),
    Voice("espeak-us", "espeak-ng", ("-v", "en-us", "-s", "150"), True),
    Voice("flite-awb", "flite", ("-voice", "awb"), False),
    Voice("flite-rms", "flite", ("-voice", "rms"), False),
    Voice("festival-hts", "text2wave", ("-eval", "(voice_cmu_us_slt_arctic_hts)"), False),
    Voice("festival-kal", "text2wave", ("-eval", "(voice_kal_diphone)"), False),
    Voice("espeak-gb", "espeak-ng", ("-v", "en-gb", "-s", "150"), False),
    Voice("espeak-us-m3", "espeak-ng", ("-v", "en-us+m3", "-s", "155"), False),
)


def available(voice: Voice) -> bool:
    """Whether the voice's program is installed."""
    return shutil.which(voice.program) is not None


def speak(text: str, voice: Voice, folder: Path) -> Sound:
    """Return ``text`` spoken, 16 kHz mono in -1..1, kept in ``folder`` once made."""
    key = hashlib.sha256(f"{voice}{text}".encode()).hexdigest()[:20]
    path = folder / voice.name / f"{key}.flac"
    if not path.exists():
        path.parent.mkdir(parents=True, exist_ok=True)
        raw = path.with_suffix(f".{os.getpid()}.wav")
        _say(text, voice, raw)
        sound, rate = soundfile.read(str(raw), dtype="float64", always_2d=True)
        mono = soxr.resample(sound[:, 0], rate, SAMPLE_RATE)
        peak = float(np.abs(mono).max()) or 1.0
        soundfile.write(str(path), mono / peak * 0.5, SAMPLE_RATE, subtype="PCM_16")
        raw.unlink()
    sound, _ = soundfile.read(str(path), dtype="float64")
    return np.asarray(sound, dtype=np.float64)


def _say(text: str, voice: Voice, path: Path) -> None:
    if voice.program == "flite":
        command = ["flite", *voice.arguments, "-t", text, "-o", str(path)]
        subprocess.run(command, check=True, capture_output=True)
    elif voice.program == "espeak-ng":
        command = ["espeak-ng", *voice.arguments, "-w", str(path), text]
        subprocess.run(command, check=True, capture_output=True)
    else:
        command = ["text2wave", *voice.arguments, "-o", str(path)]
        subprocess.run(command, input=text.encode(), check=True, capture_output=True)


def with_noise(speech: Sound, kind: str, snr: float, start: int, folder: Path) -> Sound:
    """Mix in noise at ``snr`` dB over the mean power of the speech; ``start`` shifts the noise.

    ``room`` adds the noise of a room (low-passed hum) and its echo to the speech.
    """
    if kind == "room":
        speech = _in_room(speech)
    noise = _noise(kind, folder)
    at = (start * 7919) % (len(noise) - 1)
    piece = np.resize(np.roll(noise, -at), len(speech))
    loud = np.abs(speech) > 0.02 * np.abs(speech).max()
    power = float(np.mean(np.square(speech[loud])))
    scale = np.sqrt(power / 10 ** (snr / 10) / float(np.mean(np.square(piece))))
    return speech + piece * scale


@lru_cache(maxsize=8)
def _noise(kind: str, folder: Path) -> Sound:
    chance = np.random.default_rng(5)
    length = 20 * SAMPLE_RATE
    if kind == "white":
        return chance.standard_normal(length)
    if kind == "room":
        spectrum = np.fft.rfft(chance.standard_normal(length))
        frequency = np.fft.rfftfreq(length, 1 / SAMPLE_RATE)
        spectrum *= 1 / np.maximum(frequency, 60) ** 0.9
        hum = 0.05 * np.sin(2 * np.pi * 100 * np.arange(length) / SAMPLE_RATE)
        noise = np.fft.irfft(spectrum, length)
        return np.asarray(noise / np.abs(noise).max() + hum)
    talk = (
        "the bus was late again so we walked along the river and looked at the boats",
        "did you ever finish painting that fence or is it still waiting for warm weather",
        "she ordered soup and a sandwich and then changed her mind about the soup",
        "the radio said that it would rain but the sky has been clear all morning",
    )
    babble = np.zeros(length)
    voices = [voice for voice in VOICES if available(voice)]
    for index, text in enumerate(talk * 2):
        sound = speak(text, voices[index % len(voices)], folder)
        babble += np.resize(np.roll(sound, int(chance.integers(len(sound)))), length)
    return babble


def _in_room(speech: Sound) -> Sound:
    """Echo of a small furnished room: exponentially fading noise, 0.3 s to -60 dB."""
    chance = np.random.default_rng(9)
    length = int(0.3 * SAMPLE_RATE)
    tail = chance.standard_normal(length) * 10 ** (-3 * np.arange(length) / length)
    tail *= 0.25 / np.sqrt(float(np.sum(np.square(tail))))
    tail[0] = 1.0
    size = len(speech) + length
    wet = np.fft.irfft(np.fft.rfft(speech, size) * np.fft.rfft(tail, size), size)
    return np.asarray(wet[: len(speech)])
