"""How well the recognisers hear: word errors, numbers, silently wrong numbers, speed, memory.

One command prints the table for the voices that were never used for choosing settings:

    python -m tests.bench.hearing

``--tuning`` measures the other voices and phrases instead; ``--calibrate`` uses them to
fit the weights of the second opinion on numbers; ``--human`` hears recordings of people
from Debian's package pocketsphinx-testdata (BSD-2-Clause). Speech and noise are made
anew the same each time; what was spoken is kept in ``--folder``.
"""

from __future__ import annotations

import argparse
import random
import resource
import sys
import tempfile
import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import jiwer
import numpy as np
import yaml
from numpy.typing import NDArray

from dictate.audio.segments import Span
from dictate.audio.source import SAMPLE_RATE, Block
from dictate.exam.location import grammars_folder
from dictate.exam.reading import load_catalogue
from dictate.recognition.engine import Engine
from dictate.recognition.everyday import read_everyday
from dictate.recognition.exam_sentences import sample_sentences
from dictate.recognition.language_model import ExamLanguage
from dictate.recognition.number_words import NUMBER_WORDS, number_runs
from dictate.recognition.pocketsphinx_engine import PocketSphinxEngine
from dictate.recognition.second_opinion import (
    SURE,
    Hearing,
    JudgedNumber,
    Weights,
    judge_numbers,
    terms,
    weigh,
)
from dictate.recognition.speech_language import speech_language
from dictate.recognition.words import HeardPhrase
from tests.bench.speech import NOISES, SNRS, VOICES, Voice, available, speak, with_noise

OUTSIDE = Path(__file__).parent / "hearing_data" / "outside.yaml"
ELSEWHERE = OUTSIDE.with_name("elsewhere.yaml")
PAUSE = 1.2
CLEAN = "clean"
CONDITIONS = (CLEAN, *(f"{noise}{snr}" for noise in NOISES for snr in SNRS))
# Ways to write what sounds the same; neither way counts as an error.
SAME = {
    "colour": "color", "ear drum": "eardrum", "wind pipe": "windpipe", "ear drums": "eardrums",
    "okay": "ok", "grey": "gray", "ahh": "ah", "aah": "ah", "centimetres": "centimeters",
    "millimetres": "millimeters", "mcburneys": "mcburney's", "ninety-nine": "ninety nine",
    "lateralises": "lateralizes", "oedema": "edema", "mould": "mold", "b p": "bp",
}  # fmt: skip


@dataclass
class Case:
    """One phrase to say. ``kind`` is grammar, outside or off."""

    text: str
    kind: str


@dataclass
class Score:
    """What came out of one voice under one condition."""

    cases: list[Case]
    heard: list[list[HeardPhrase]]
    seconds: float
    took: float
    numbers: list[tuple[JudgedNumber, bool]] = field(default_factory=list)

    def texts(self, kind: str) -> tuple[list[str], list[str]]:
        """Reference and heard text of the cases of one kind."""
        pairs = [
            (same(case.text), same(" ".join(phrase.text for phrase in heard)) or "-")
            for case, heard in zip(self.cases, self.heard, strict=True)
            if case.kind == kind
        ]
        return [pair[0] for pair in pairs], [pair[1] for pair in pairs]


class WatchedEngine(PocketSphinxEngine):
    """The embedded engine, with every judged number kept for the reliability table."""

    def __init__(self, language: ExamLanguage) -> None:
        super().__init__(language)
        self.judged: list[tuple[float, tuple[str, ...], JudgedNumber]] = []
        self.least = SURE

    def judge(self, hearing: Hearing, span: Span) -> list[JudgedNumber]:
        judged = judge_numbers(hearing, span.samples, span.level.snr, self.decode, least=self.least)
        self.judged.extend((span.start, hearing.words, number) for number in judged)
        return judged


def same(text: str) -> str:
    """Fold spellings that sound alike."""
    padded = f" {text.lower()} "
    for written, folded in SAME.items():
        padded = padded.replace(f" {written} ", f" {folded} ")
    return padded.strip()


def phrases(tuning: bool, count: int, language: ExamLanguage) -> list[Case]:
    """Phrases of the grammar (half of them with numbers) and outside it, and other talk."""
    lists = yaml.safe_load(OUTSIDE.read_text(encoding="utf-8"))
    sayable = {line.split()[0] for line in language.dictionary.open(encoding="utf-8")}
    chance = random.Random(41 if tuning else 42)
    drawn = list(sample_sentences(load_catalogue(), 9_000, 977 if tuning else 978))
    talk = read_everyday(grammars_folder() / "speech" / "everyday.yaml")
    drawn += talk.sentences(3_000, chance)
    chance.shuffle(drawn)
    good = [
        text
        for text in dict.fromkeys(drawn)
        if 3 <= len(text.split()) <= 12
        and sayable.issuperset(text.split())
        and not any(len(word) == 1 and word not in "ai" for word in text.split())
    ]
    with_number = [text for text in good if NUMBER_WORDS.intersection(text.split())]
    without = [text for text in good if not NUMBER_WORDS.intersection(text.split())]
    inside = with_number[: count // 2] + without[: count - count // 2]
    outside = lists["tuning" if tuning else "held_out"][:count]
    cases = [Case(text, "grammar") for text in inside]
    cases += [Case(text, "outside") for text in outside]
    cases += [Case(text, "off") for text in lists["off_domain"][tuning::2]]
    if tuning:
        further = yaml.safe_load(ELSEWHERE.read_text(encoding="utf-8"))
        cases += [Case(text, "off") for text in further["english"]]
    return cases


def recording(
    cases: Sequence[Case], voice: Voice, condition: str, folder: Path
) -> tuple[NDArray[np.int16], list[tuple[float, float]]]:
    """All phrases one after the other with pauses, and where each was said."""
    parts: list[NDArray[np.float64]] = [np.zeros(SAMPLE_RATE)]
    times: list[tuple[float, float]] = []
    at = float(SAMPLE_RATE)
    for case in cases:
        sound = speak(case.text, voice, folder)
        times.append((at / SAMPLE_RATE, (at + len(sound)) / SAMPLE_RATE))
        parts += [sound, np.zeros(int(PAUSE * SAMPLE_RATE))]
        at += len(sound) + len(parts[-1])
    sound = np.concatenate(parts)
    if condition != CLEAN:
        noise = condition.rstrip("0123456789")
        sound = with_noise(sound, noise, float(condition[len(noise) :]), 1, folder)
    # No room and no microphone is silent: about 50 dB below the speech.
    sound = sound + np.random.default_rng(3).normal(0, 3e-4, len(sound))
    sound *= 0.5 / np.abs(sound).max()
    return (sound * 32_767).astype(np.int16), times


def blocks(samples: NDArray[np.int16]) -> Iterator[Block]:
    """The sound as a recording gives it."""
    for at in range(0, len(samples), 4_000):
        yield Block(at / SAMPLE_RATE, samples[at : at + 4_000])


def score(engine: Engine, cases: list[Case], voice: Voice, condition: str, folder: Path) -> Score:
    """Let the engine hear one voice under one condition."""
    samples, times = recording(cases, voice, condition, folder)
    began = time.process_time()
    phrases_heard = list(engine.hear(blocks(samples)))
    took = time.process_time() - began
    result = Score(cases, [[] for _ in cases], len(samples) / SAMPLE_RATE, took)
    for phrase in phrases_heard:
        result.heard[nearest(times, (phrase.start + phrase.end) / 2)].append(phrase)
    if isinstance(engine, WatchedEngine):
        for start, words, number in engine.judged:
            case = cases[nearest(times, start + 0.5)]
            said = [value(words_of) for words_of in runs(case.text.split())]
            right = value(words[number.first : number.last + 1]) in said
            if case.kind != "off":
                result.numbers.append((number, right))
        engine.judged.clear()
    return result


def scored(
    jobs: int, engine: Engine, cases: list[Case], voices: list[Voice], condition: str, folder: Path
) -> list[Score]:
    """Score every voice, in forked processes where more than one job is asked for."""
    if jobs == 1:
        return [score(engine, cases, voice, condition, folder) for voice in voices]
    for voice in voices:  # spoken once, before the processes part
        recording(cases, voice, condition, folder)
    shared.update(engine=engine, cases=cases, condition=condition, folder=folder)
    with get_context("fork").Pool(jobs) as pool:
        return pool.map(_score_shared, voices, chunksize=1)


shared: dict[str, Any] = {}


def _score_shared(voice: Voice) -> Score:
    return score(shared["engine"], shared["cases"], voice, shared["condition"], shared["folder"])


def nearest(times: Sequence[tuple[float, float]], at: float) -> int:
    """Index of the phrase that was said at or nearest to a time."""
    return min(range(len(times)), key=lambda i: max(times[i][0] - at, at - times[i][1], 0.0))


def runs(words: Sequence[str]) -> list[Sequence[str]]:
    """The stretches of words that say numbers."""
    return [words[first : last + 1] for first, last in number_runs(words)]


def value(words: Sequence[str]) -> tuple[str, ...]:
    """A number's words without those that do not change it."""
    kept = ["zero" if word in ("oh", "nought") else word for word in words]
    return tuple(word for word in kept if word not in ("and", "a"))


def number_counts(scores: Iterable[Score], kind: str | None = None) -> dict[str, float]:
    """Per cent of phrases with a number: exact, silently wrong, right but marked."""
    count = exact = silent = marked = missed = 0
    for one in scores:
        for case, heard in zip(one.cases, one.heard, strict=True):
            if case.kind == "off" or (kind is not None and case.kind != kind):
                continue
            said = [value(run) for run in runs(case.text.split())]
            found: list[tuple[tuple[str, ...], bool]] = []
            for phrase in heard:
                words = [word.text for word in phrase.words]
                for first, last in number_runs(words):
                    doubted = not phrase.recognised or any(
                        doubt.first <= last and doubt.last >= first
                        for doubt in phrase.number_doubts
                    )
                    found.append((value(words[first : last + 1]), doubted))
            if not said and not found:
                continue
            count += 1
            right = [number for number, _ in found] == said
            exact += right
            missed += not found
            silent += any(number not in said and not doubted for number, doubted in found)
            marked += right and any(doubted for _, doubted in found)
    total = max(count, 1)
    return {
        "count": count,
        "exact": 100 * exact / total,
        "silent": 100 * silent / total,
        "marked": 100 * marked / max(exact, 1),
        "missed": 100 * missed / total,
    }


def word_errors(scores: Iterable[Score], kind: str) -> float:
    """Word error rate in per cent over all cases of a kind."""
    said: list[str] = []
    heard: list[str] = []
    for one in scores:
        reference, found = one.texts(kind)
        said += reference
        heard += found
    return float(100 * jiwer.wer(said, heard)) if said else float("nan")


def accepted(scores: Iterable[Score], kind: str) -> float:
    """Per cent of the heard phrases of a kind that count as recognised."""
    flags = [
        phrase.recognised
        for one in scores
        for case, heard in zip(one.cases, one.heard, strict=True)
        if case.kind == kind
        for phrase in heard
    ]
    return 100 * sum(flags) / max(len(flags), 1)


HEAD = (
    f"{'':24}{'WER %':>16}{'numbers %':>34}{'accepted %':>18}{'':>7}\n"
    f"{'engine / condition / voice':24}{'grammar':>8}{'outside':>8}"
    f"{'n':>6}{'exact':>7}{'silent':>7}{'marked':>7}{'missed':>7}"
    f"{'exam':>9}{'other':>9}{'RTF':>7}"
)


def line(name: str, scores: list[Score]) -> str:
    """One row of the table."""
    numbers = number_counts(scores)
    speed = sum(one.took for one in scores) / sum(one.seconds for one in scores)
    return (
        f"{name:24}{word_errors(scores, 'grammar'):8.1f}{word_errors(scores, 'outside'):8.1f}"
        f"{numbers['count']:6.0f}{numbers['exact']:7.1f}{numbers['silent']:7.1f}"
        f"{numbers['marked']:7.1f}{numbers['missed']:7.1f}"
        f"{accepted(scores, 'grammar'):9.1f}{accepted(scores, 'off'):9.1f}{speed:7.3f}"
    )


def reliability(
    numbers: Sequence[tuple[JudgedNumber, bool]], weights: Weights | None = None
) -> str:
    """How often numbers of each degree of sureness were right."""
    edges = (0.0, 0.3, 0.6, 0.8, 0.9, 0.95, 0.98, 0.99, 1.01)
    rows = ["sureness of a number     n   right %"]
    judged = [
        (number.probability if weights is None else weigh(number.evidence, weights), right)
        for number, right in numbers
    ]
    for low, high in pairwise(edges):
        inside = [right for p, right in judged if low <= p < high]
        if inside:
            share = 100 * sum(inside) / len(inside)
            rows.append(f"{low:5.2f} to {min(high, 1):4.2f}    {len(inside):6}   {share:6.1f}")
    sure = [right for p, right in judged if p >= SURE]
    if sure:
        rows.append(
            f"'sure' ({SURE} and above): {100 * len(sure) / len(judged):.1f} % of the numbers, "
            f"{100 * sum(sure) / len(sure):.2f} % of them right"
        )
    return "\n".join(rows)


def calibrate(numbers: Sequence[tuple[JudgedNumber, bool]]) -> Weights:
    """Fit the logistic weights by Newton's method with a small ridge."""
    inputs = np.array([(1.0, *terms(number.evidence)) for number, _ in numbers])
    right = np.array([float(ok) for _, ok in numbers])
    weights = np.zeros(inputs.shape[1])
    for _ in range(50):
        p = 1 / (1 + np.exp(-inputs @ weights))
        gradient = inputs.T @ (right - p) - 0.1 * weights
        curvature = (inputs * (p * (1 - p))[:, None]).T @ inputs + 0.1 * np.eye(len(weights))
        step = np.linalg.solve(curvature, gradient)
        weights += step
        if np.abs(step).max() < 1e-6:
            break
    return Weights(*(round(float(weight), 3) for weight in weights))


def memory() -> float:
    """Largest memory of this process so far, MB."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def human(engine: Engine) -> None:
    """Hear people: card names (numbers) and read prose, as exam and other talk."""
    folder = Path("/usr/share/pocketsphinx/test/data")
    if not folder.is_dir():
        print("People's recordings: install Debian's package pocketsphinx-testdata.")
        return
    import soundfile

    for kind in ("cards", "librivox"):
        flags, lines = [], []
        for path in sorted((folder / kind).glob("*.wav")):
            sound, _ = soundfile.read(str(path), dtype="int16")
            padded = np.concatenate([np.zeros(8000, np.int16), sound, np.zeros(12000, np.int16)])
            for phrase in engine.hear(blocks(padded)):
                flags.append(phrase.recognised)
                marks = " (number marked)" if phrase.number_doubts else ""
                lines.append(f"  {path.stem}: {phrase.text} [{phrase.confidence:.4f}]{marks}")
        print(f"{kind}: {sum(flags)} of {len(flags)} phrases accepted as exam talk")
        print("\n".join(lines))


def main() -> None:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--tuning", action="store_true", help="the voices and phrases for tuning")
    parser.add_argument("--calibrate", action="store_true", help="fit weights (implies --tuning)")
    parser.add_argument("--human", action="store_true", help="recordings of people only")
    parser.add_argument("--phrases", type=int, default=40, help="phrases of each kind")
    parser.add_argument("--conditions", default=",".join(CONDITIONS))
    parser.add_argument("--voices", default="", help="names, comma-separated; all unless given")
    parser.add_argument("--engine", choices=("pocketsphinx", "vosk"), default="pocketsphinx")
    parser.add_argument("--model", type=Path, help="folder of the Vosk model")
    parser.add_argument("--jobs", type=int, default=1, help="processes; 1 for fair speed")
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()) / "hearing")
    chosen = parser.parse_args()
    tuning = chosen.tuning or chosen.calibrate
    catalogue = load_catalogue()
    language = speech_language(
        lambda count: sample_sentences(catalogue, count),
        exam_version=catalogue.version,
        cache=chosen.folder / "language",
    )
    built = "reused" if language.reused else f"built in {language.seconds:.1f} s"
    print(f"language model: {language.words} words, {language.smoothing}, {built}")
    cases = phrases(tuning, chosen.phrases, language)
    before = memory()
    engine: Engine
    if chosen.engine == "vosk":
        from dictate.recognition.vosk_engine import VoskEngine

        engine = VoskEngine(chosen.model)
    else:
        engine = WatchedEngine(language)
        engine.least = 0.0 if chosen.calibrate else SURE
    if chosen.human:
        human(engine)
        return
    names = [name for name in chosen.voices.split(",") if name]
    voices = [
        voice
        for voice in VOICES
        if (voice.name in names if names else voice.tuning == tuning) and available(voice)
    ]
    if not voices:
        sys.exit("None of the synthesisers espeak-ng, flite and festival is installed.")
    print(engine.version)
    print(HEAD)
    everything: list[Score] = []
    for condition in chosen.conditions.split(","):
        scores = scored(chosen.jobs, engine, cases, voices, condition, chosen.folder)
        print(line(f"{engine.name} {condition}", scores), flush=True)
        if len(voices) > 1:
            for voice, one in zip(voices, scores, strict=True):
                print(line(f"  {voice.name}", [one]), flush=True)
        everything += scores
    print(f"memory over what was there before the engine: {memory() - before:.0f} MB")
    numbers = [pair for one in everything for pair in one.numbers]
    if chosen.calibrate:
        weights = calibrate(numbers)
        print(weights)
        print(reliability(numbers, weights))
    elif numbers:
        print(reliability(numbers))


if __name__ == "__main__":
    main()
