#!/usr/bin/env python3
"""Speaks the invented scripts of this folder with Debian's speech synthesisers.

    python sample_audio/make.py [NAME ...]

Each ``NAME.script.yaml`` becomes ``NAME.flac`` or ``NAME.opus`` (16 kHz, one channel); the
times of its lines are written into ``NAME.truth.yaml``, and for some a timed transcript
``NAME.vtt`` is written from the script. The same input gives the same samples.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import av
import numpy as np
import soundfile
import soxr
import yaml
from numpy.typing import NDArray

HERE = Path(__file__).resolve().parent
RATE = 16_000
# How each session is kept: FLAC opens everywhere, Opus keeps a long one small.
KEPT_AS = {
    "short": "opus",
    "long": "opus",
    "flawed": "flac",
    "heldout/evening": "opus",
}
WITH_TRANSCRIPT = ("flawed",)

# Debian package of each program and of each voice that the program does not bring along.
PACKAGES = {
    "flite": "flite",
    "espeak-ng": "espeak-ng",
    "festival": "festival festvox-us-slt-hts",
}
_LOUDNESS = 0.06  # root mean square of speech, full scale being 1
_ROOM_NOISE = 0.0003  # about 70 dB below full scale: a quiet room
_LEAD_IN = 0.6  # seconds before the first word
_MARK = re.compile(r"at: [\d.]+, line: (?P<line>\w+)")

Samples = NDArray[np.float32]


@dataclass(frozen=True)
class Line:
    """One line of a script with the time at which it is spoken, in seconds."""

    id: str
    who: str
    text: str
    start: float
    end: float


def main(names: list[str]) -> int:
    """Make the named sessions, or all of them."""
    scripts = {name: _read(name) for name in names or list(KEPT_AS)}
    missing = _missing(scripts)
    if missing:
        print(f"A speech synthesiser is missing; install it with: apt-get install {missing}")
        return 2
    for name, script in scripts.items():
        sound, lines = speak(script)
        kind = KEPT_AS.get(name, "flac")
        path = HERE / f"{name}.{kind}"
        if kind == "opus":
            write_opus(path, sound)
        else:
            soundfile.write(path, sound, RATE, subtype="PCM_16", format="FLAC")
        mark_times(HERE / f"{name}.truth.yaml", lines)
        if name in WITH_TRANSCRIPT:
            (HERE / f"{name}.vtt").write_text(transcript(lines), encoding="utf-8")
        print(f"{path.name}: {len(sound) / RATE:.0f} s, {path.stat().st_size / 1000:.0f} kB")
    return 0


def _read(name: str) -> dict[str, Any]:
    path = HERE / f"{name}.script.yaml"
    if not path.is_file():
        raise SystemExit(f"There is no script {path}.")
    script: dict[str, Any] = yaml.safe_load(path.read_text(encoding="utf-8"))
    return script


def _missing(scripts: dict[str, dict[str, Any]]) -> str:
    programs = {
        voice.partition(":")[0]
        for script in scripts.values()
        for voice in script["voices"].values()
    }
    lacking = sorted(program for program in programs if shutil.which(program) is None)
    return " ".join(PACKAGES[program] for program in lacking)


def speak(script: dict[str, Any]) -> tuple[Samples, list[Line]]:
    """Speak a script: the whole sound, and every line with its time."""
    parts: list[Samples] = [np.zeros(int(_LEAD_IN * RATE), dtype=np.float32)]
    at = len(parts[0])
    lines = []
    for line in script["lines"]:
        voice = script["voices"][line["who"]]
        spoken = _level(_trim(synthesise(voice, line["say"])))
        lines.append(
            Line(line["id"], line["who"], line["say"], at / RATE, (at + len(spoken)) / RATE)
        )
        pause = np.zeros(int(float(line["pause"]) * RATE), dtype=np.float32)
        parts += [spoken, pause]
        at += len(spoken) + len(pause)
    sound = np.concatenate(parts)
    noise = np.random.default_rng(1).normal(0, _ROOM_NOISE, len(sound)).astype(np.float32)
    return np.clip(sound + noise, -1, 1), lines


def synthesise(voice: str, text: str) -> Samples:
    """Speak one line with ``program:voice``; 16 kHz samples between -1 and 1."""
    program, _, name = voice.partition(":")
    with tempfile.TemporaryDirectory() as folder:
        wave = Path(folder) / "line.wav"
        if program == "flite":
            _run(["flite", "-voice", name, "-t", text, "-o", str(wave)])
        elif program == "espeak-ng":
            _run(["espeak-ng", "-v", name, "-s", "155", "-w", str(wave), text])
        else:
            _run(["text2wave", "-eval", f"(voice_{name})", "-o", str(wave)], text)
        samples, rate = soundfile.read(wave, dtype="float32", always_2d=True)
    mono = samples.mean(axis=1)
    resampled: Samples = mono if rate == RATE else soxr.resample(mono, rate, RATE)
    return resampled


def _run(command: list[str], given: str | None = None) -> None:
    done = subprocess.run(command, input=given, text=True, capture_output=True, check=False)
    if done.returncode != 0:
        raise SystemExit(f"{command[0]} failed: {done.stderr.strip()}")


def _trim(sound: Samples) -> Samples:
    """Cut the silence that synthesisers put around a line, leaving 30 ms."""
    loud = np.flatnonzero(np.abs(sound) > 0.01 * np.abs(sound).max())
    edge = int(0.03 * RATE)
    return sound[max(0, loud[0] - edge) : loud[-1] + edge] if len(loud) else sound


def _level(sound: Samples) -> Samples:
    """Bring a line to the common loudness, so that no voice is louder than the other."""
    power = float(np.sqrt(np.mean(np.square(sound[np.abs(sound) > 0.01]))))
    levelled: Samples = np.clip(sound * (_LOUDNESS / power), -0.99, 0.99).astype(np.float32)
    return levelled


def write_opus(path: Path, sound: Samples, bits_per_second: int = 24_000) -> None:
    """Write Opus in an Ogg file; the same sound gives the same bytes."""
    with av.open(str(path), "w", format="ogg", options={"fflags": "+bitexact"}) as file:
        stream = file.add_stream("libopus", rate=RATE)
        stream.bit_rate = bits_per_second
        stream.codec_context.layout = "mono"
        stream.codec_context.options = {"application": "voip", "flags": "+bitexact"}
        for start in range(0, len(sound), RATE):
            block = np.ascontiguousarray(sound[None, start : start + RATE])
            pcm = (block * 32767).astype(np.int16)
            frame = av.AudioFrame.from_ndarray(pcm, format="s16", layout="mono")
            frame.sample_rate = RATE
            frame.pts = start
            for packet in stream.encode(frame):
                file.mux(packet)
        for packet in stream.encode(None):
            file.mux(packet)


def mark_times(path: Path, lines: list[Line]) -> None:
    """Write the time of each line into the truth, leaving the rest of the file alone."""
    starts = {line.id: line.start for line in lines}

    def timed(match: re.Match[str]) -> str:
        if match["line"] not in starts:
            raise SystemExit(f"{path.name}: the script has no line '{match['line']}'.")
        return f"at: {starts[match['line']]:.1f}, line: {match['line']}"

    text = path.read_text(encoding="utf-8")
    path.write_text(_MARK.sub(timed, text), encoding="utf-8")


def transcript(lines: list[Line]) -> str:
    """The script as WebVTT with voice tags."""
    cues = [
        f"{_stamp(line.start)} --> {_stamp(line.end)}\n<v {line.who.capitalize()}>{line.text}\n"
        for line in lines
    ]
    return "WEBVTT\n\n" + "\n".join(cues)


def _stamp(seconds: float) -> str:
    thousandths = round(seconds * 1000)
    minutes, rest = divmod(thousandths, 60_000)
    return f"{minutes // 60:02d}:{minutes % 60:02d}:{rest // 1000:02d}.{rest % 1000:03d}"


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
