"""What counts as exam talk: how much of it is kept, and how much else is let in.

    python -m tests.bench.accepting            # voices and phrases that were never tuned on
    python -m tests.bench.accepting --fit      # the others; fits the weights of ``belonging``

Each row is a kind of sound: phrases of the exam, in its own wording and outside it, short replies;
and what does not belong: other English talk, long and short, ten other languages, read prose
(Debian's pocketsphinx-testdata) and wordless noises. Of the exam, only what was heard well counts.
"""

from __future__ import annotations

import argparse
import math
import tempfile
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import jiwer
import numpy as np
import soundfile
import yaml

from dictate.audio.segments import Span
from dictate.audio.source import SAMPLE_RATE, Samples
from dictate.exam.reading import load_catalogue
from dictate.recognition.belonging import belonging, perhaps_belongs, surely_belongs
from dictate.recognition.exam_sentences import sample_sentences
from dictate.recognition.language_model import ExamLanguage
from dictate.recognition.pocketsphinx_engine import Decoded, PocketSphinxEngine
from dictate.recognition.second_opinion import Hearing, JudgedNumber
from dictate.recognition.speech_language import speech_language
from tests.bench.hearing import ELSEWHERE, OUTSIDE, PAUSE, blocks, nearest, phrases, same
from tests.bench.speech import VOICES, Sound, Voice, available, speak

SHORT = OUTSIDE.with_name("short.yaml")
PROSE = Path("/usr/share/pocketsphinx/test/data/librivox")
EXAM = ("grammar", "outside", "reply")
OTHER = ("off", "stray", "foreign", "prose", "noise")
ALONE = (0.56, 0.65)
"""Confidences that alone parted the two best, for comparison: kept, and kept without a mark."""
HEARD_WELL = 0.34  # word errors up to which a phrase of the exam counts as heard


class Said(NamedTuple):
    """A sound, its kind and its words, empty where it has none or they do not matter."""

    kind: str
    text: str
    sound: Sound


class Taken(NamedTuple):
    """One phrase that was heard."""

    kind: str
    voice: str
    said: str
    heard: str
    confidence: float
    expectedness: float

    @property
    def counts(self) -> bool:
        """Whether it is to be judged: exam talk only where it was heard well."""
        if self.kind not in EXAM:
            return True
        return float(jiwer.wer(same(self.said), same(self.heard) or "-")) <= HEARD_WELL


class WatchedEngine(PocketSphinxEngine):
    """The embedded engine, which tells how expected its last phrase was; numbers are not judged."""

    expectedness = 0.0

    def _timed(self, samples: Samples) -> Decoded:
        decoded = super()._timed(samples)
        self.expectedness = decoded.expectedness
        return decoded

    def judge(self, hearing: Hearing, span: Span) -> list[JudgedNumber]:
        return []


def noises(number: int) -> Iterator[Sound]:
    """Knocks, coughs, hums and squeaks, 24 in all, made by formulas."""
    chance = np.random.default_rng(number)
    for index in range(24):
        size = int(SAMPLE_RATE * chance.uniform(0.15, 0.7))
        time = np.arange(size) / SAMPLE_RATE
        sound = chance.standard_normal(size)
        kind = index % 4
        if kind == 0:
            sound = sound * np.exp(-time * chance.uniform(8, 30))
        elif kind == 1:
            spectrum = np.fft.rfft(sound)
            frequency = np.fft.rfftfreq(size, 1 / SAMPLE_RATE)
            middle = chance.uniform(400, 1500)
            low = np.exp(-(((frequency - middle) / 500) ** 2))
            high = 0.2 * np.exp(-(((frequency - 3 * middle) / 600) ** 2))
            sound = np.fft.irfft(spectrum * (low + high), size) * np.exp(-6 * time)
        elif kind == 2:
            pitch = chance.uniform(90, 250)
            parts = [np.sin(2 * np.pi * pitch * n * time + n) / n for n in range(1, 12)]
            sound = np.sum(parts, axis=0) * np.hanning(size)
        else:
            pitch = chance.uniform(500, 1500)
            glide = np.sin(2 * np.pi * pitch * (time + time**2))
            sound = glide * np.hanning(size) + 0.05 * sound
        yield 0.4 * sound / np.abs(sound).max()


def hear(engine: WatchedEngine, voice: str, said: list[Said]) -> list[Taken]:
    """Let the engine hear the sounds one after the other, with pauses."""
    parts: list[Sound] = [np.zeros(SAMPLE_RATE)]
    times: list[tuple[float, float]] = []
    at = SAMPLE_RATE
    for one in said:
        times.append((at / SAMPLE_RATE, (at + len(one.sound)) / SAMPLE_RATE))
        parts += [one.sound, np.zeros(int(PAUSE * SAMPLE_RATE))]
        at += len(one.sound) + len(parts[-1])
    sound = np.concatenate(parts)
    sound = sound + np.random.default_rng(3).normal(0, 3e-4, len(sound))
    samples = (sound * 0.5 / np.abs(sound).max() * 32_767).astype(np.int16)
    taken = []
    for phrase in engine.hear(blocks(samples)):
        one = said[nearest(times, (phrase.start + phrase.end) / 2)]
        taken.append(
            Taken(one.kind, voice, one.text, phrase.text, phrase.confidence, engine.expectedness)
        )
    return taken


def everything(
    tuning: bool, count: int, language: ExamLanguage, names: set[str], folder: Path
) -> list[Taken]:
    """Hear all kinds from all voices of one half."""
    engine = WatchedEngine(language)
    short = yaml.safe_load(SHORT.read_text(encoding="utf-8"))["tuning" if tuning else "held_out"]
    texts = [(case.kind, case.text) for case in phrases(tuning, count, language)]
    texts += [("reply", text) for text in short["replies"]]
    texts += [("stray", text) for text in short["other"]]
    taken: list[Taken] = []
    for voice in VOICES:
        if voice.tuning == tuning and available(voice) and (not names or voice.name in names):
            said = [Said(kind, text, speak(text, voice, folder)) for kind, text in texts]
            taken += hear(engine, voice.name, said)
    languages = yaml.safe_load(ELSEWHERE.read_text(encoding="utf-8"))["languages"]
    for code in sorted(languages)[tuning::2] if not names else ():
        voice = Voice(f"espeak-{code}", "espeak-ng", ("-v", code, "-s", "150"), tuning)
        if available(voice):
            said = [Said("foreign", text, speak(text, voice, folder)) for text in languages[code]]
            taken += hear(engine, voice.name, said)
    taken += hear(engine, "noise", [Said("noise", "", one) for one in noises(17 + tuning)])
    if PROSE.is_dir():
        read = [soundfile.read(str(path))[0] for path in sorted(PROSE.glob("*.wav"))[tuning::2]]
        taken += hear(engine, "human", [Said("prose", "", sound) for sound in read])
    return [one for one in taken if one.counts]


def table(taken: list[Taken]) -> str:
    """Per cent of each kind, and of each voice, that is kept at all and without a mark.

    The last columns tell the same for a rule of the confidence alone.
    """
    groups: dict[str, list[tuple[bool, ...]]] = defaultdict(list)
    for one in taken:
        pair = (one.confidence, one.expectedness)
        alone = (one.confidence >= level for level in ALONE)
        judged = (perhaps_belongs(*pair), surely_belongs(*pair), *alone)
        groups[one.kind].append(judged)
        if one.kind in EXAM:
            groups[f"  {one.voice}"].append(judged)
    rows = [
        f"{'':16}{'':>5}{'':>21}{'by confidence alone':>21}",
        f"{'':16}{'n':>5}{'kept %':>9}{'unmarked %':>12}{'kept %':>9}{'unmarked %':>12}",
    ]
    order = [*EXAM, *sorted(name for name in groups if name.startswith(" ")), *OTHER]
    for name in order:
        if name in groups:
            row = f"{name:16}{len(groups[name]):5}"
            for width, flags in zip((9, 12, 9, 12), zip(*groups[name], strict=True), strict=True):
                row += f"{100 * sum(flags) / len(flags):{width}.1f}"
            rows.append(row)
    return "\n".join(rows)


def fit(taken: list[Taken]) -> tuple[float, ...]:
    """Fit the weights by Newton's method with a small ridge."""
    inputs = np.array(
        [
            (1.0, math.log(clear / (1 - clear)), one.expectedness)
            for one in taken
            for clear in [min(max(one.confidence, 0.003), 0.997)]
        ]
    )
    exam = np.array([float(one.kind in EXAM) for one in taken])
    weights = np.zeros(3)
    for _ in range(50):
        p = 1 / (1 + np.exp(-inputs @ weights))
        gradient = inputs.T @ (exam - p) - 0.05 * weights
        curvature = (inputs * (p * (1 - p))[:, None]).T @ inputs + 0.05 * np.eye(3)
        weights += np.linalg.solve(curvature, gradient)
    return tuple(round(float(weight), 3) for weight in weights)


def main() -> None:
    """Print the table; with ``--fit`` also the weights that fit best."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--fit", action="store_true", help="the voices and phrases for tuning")
    parser.add_argument("--phrases", type=int, default=40, help="phrases of each kind")
    parser.add_argument("--voices", default="", help="names, comma-separated; all unless given")
    parser.add_argument("--errors", action="store_true", help="also what was judged wrongly")
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()) / "hearing")
    chosen = parser.parse_args()
    catalogue = load_catalogue()
    language = speech_language(
        lambda count: sample_sentences(catalogue, count), exam_version=catalogue.version
    )
    names = {name for name in chosen.voices.split(",") if name}
    taken = everything(chosen.fit, chosen.phrases, language, names, chosen.folder)
    if chosen.fit:
        print("bias, clarity, expectedness:", *fit(taken))
    print(table(taken))
    for one in sorted(taken) if chosen.errors else ():
        fits = belonging(one.confidence, one.expectedness)
        if perhaps_belongs(one.confidence, one.expectedness) != (one.kind in EXAM):
            print(f"{one.kind:8}{one.voice:14}{fits:5.2f}  {one.said} -> {one.heard}")


if __name__ == "__main__":
    main()
