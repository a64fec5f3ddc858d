"""Measures spoken commands: those missed, and those heard in talk that held none.

Run ``python -m tests.bench.live_commands [--margins]``. Commands are spoken by the synthetic
voices, cleanly and in noise. The talk without commands is the sample sessions and the excerpts
of ``tests/talk/excerpts`` spoken by several voices: several hours. ``--margins`` prints how
commands and other talk compare on the tuning voices, from which the margin was chosen.
"""

from __future__ import annotations

import argparse
import random
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import yaml

from dictate.audio.recording import Recording
from dictate.audio.segments import Span, cut_spans
from dictate.audio.source import SAMPLE_RATE, Block, Samples
from dictate.cache import cache_folder
from dictate.exam.expansion import parsed, written_out
from dictate.live.command_ear import COMMAND_MARGIN, CommandEar
from dictate.live.command_words import CommandWords, load_command_words
from tests.bench.samples import names, sound_of
from tests.bench.speech import VOICES, Sound, Voice, available, speak, with_noise

EXCERPTS = Path(__file__).resolve().parents[1] / "talk" / "excerpts"
NUMBERS = ("eighty four", "one thirty over eighty", "two plus", "thirty six point eight")
TALKERS = ("flite-slt", "flite-rms", "flite-awb", "festival-hts", "flite-kal16", "festival-kal")


def spoken_commands(words: CommandWords, chance: random.Random) -> list[tuple[str, str]]:
    """Every command with one of its wordings after the other, and its name."""
    told: list[tuple[str, str]] = []
    for name, say in words.phrases.items():
        for way in written_out(parsed(say)):
            text = " ".join(way).replace("<number>", chance.choice(NUMBERS))
            told.append((name, f"{words.attention.word}, {text}"))
    return told


def in_pauses(sound: Sound) -> Samples:
    """Speech between two pauses of a quiet room, as the microphone gives it."""
    chance = np.random.default_rng(len(sound))
    room = chance.normal(0, 0.0003, len(sound) + int(1.6 * SAMPLE_RATE))
    room[int(0.8 * SAMPLE_RATE) : int(0.8 * SAMPLE_RATE) + len(sound)] += sound * 0.6
    return np.asarray(np.clip(room, -1, 1) * 32767, dtype=np.int16)


def spans(samples: Samples) -> list[Span]:
    """The spans of speech that the segmentation gives."""
    step = SAMPLE_RATE // 10
    blocks = (
        Block(at / SAMPLE_RATE, samples[at : at + step]) for at in range(0, len(samples), step)
    )
    return list(cut_spans(blocks))


def missed(ear: CommandEar, words: CommandWords, voices: list[Voice], folder: Path) -> None:
    """Print by voice and noise how many commands were missed or taken for another."""
    print(f"{'voice':16} {'sound':10} {'said':>5} {'missed':>7} {'other':>6}")
    for noise in (None, ("babble", 20), ("white", 20)):
        totals = [0, 0, 0]
        for voice in voices:
            said = lost = other = 0
            for number, (name, text) in enumerate(spoken_commands(words, random.Random(3))):
                sound = speak(text, voice, folder)
                if noise is not None:
                    sound = with_noise(sound, noise[0], noise[1], number, folder)
                heard = [ear.command(span.samples) for span in spans(in_pauses(sound))]
                got = [one.name for one in heard if one is not None]
                said += 1
                lost += not got
                other += bool(got) and got != [name]
            label = "clean" if noise is None else f"{noise[0]} {noise[1]}"
            print(f"{voice.name:16} {label:10} {said:5} {lost:7} {other:6}")
            totals = [a + b for a, b in zip(totals, (said, lost, other), strict=True)]
        share = 100 * (totals[1] + totals[2]) / totals[0]
        print(f"{'all':16} {label:10} {totals[0]:5} {totals[1]:7} {totals[2]:6}  {share:.1f}%")


def excerpt_lines(held_out: bool) -> Iterator[str]:
    """What is said in the excerpts of talk, line by line."""
    for path in sorted(EXCERPTS.glob("*.yaml")):
        if path.name.startswith("heldout_") == held_out:
            yield from _said(yaml.safe_load(path.read_text(encoding="utf-8")))


def _said(held: object) -> Iterator[str]:
    if isinstance(held, dict):
        for key, value in held.items():
            if key in ("say", "text", "talk", "line") and isinstance(value, str):
                yield from (part for part in value.splitlines() if part.strip())
            else:
                yield from _said(value)
    elif isinstance(held, list):
        for value in held:
            yield from _said(value)


def false_ones(ear: CommandEar, folder: Path, hours: float) -> None:
    """Print how often talk without commands was taken for one."""
    print(f"\n{'talk':28} {'minutes':>8} {'commands heard':>15}")
    total = count = 0.0
    for name in names():
        recording = Recording(sound_of(name))
        heard = [ear.command(span.samples) for span in cut_spans(recording.blocks())]
        got = [one.words for one in heard if one is not None]
        minutes = (recording.duration or 0) / 60
        total, count = total + minutes, count + len(got)
        print(f"{'sample ' + name:28} {minutes:8.1f} {len(got):15} {'; '.join(got)}")
    voices = [v for v in VOICES if v.name in TALKERS and available(v)]
    lines = [line for held in (False, True) for line in excerpt_lines(held)]
    for place, voice in enumerate(voices):
        seconds, got = 0.0, []
        for line in lines[place :: len(voices)] * 2 if hours > 2 else lines[place :: len(voices)]:
            sound = in_pauses(speak(line, voice, folder))
            seconds += len(sound) / SAMPLE_RATE
            heard = [ear.command(span.samples) for span in spans(sound)]
            got += [one.words for one in heard if one is not None]
        total, count = total + seconds / 60, count + len(got)
        print(f"{'excerpts, ' + voice.name:28} {seconds / 60:8.1f} {len(got):15} {'; '.join(got)}")
    print(f"{'all':28} {total:8.1f} {count:15.0f}  {60 * count / total:.2f} an hour")


def margins(words: CommandWords, folder: Path) -> None:
    """Print how commands and other talk compare with free phones on the tuning voices."""
    ear = CommandEar(words, 1e9)
    voices = [voice for voice in VOICES if voice.tuning and available(voice)]
    said = [
        fit.margin
        for voice in voices
        for _, text in spoken_commands(words, random.Random(3))
        for span in spans(in_pauses(speak(text, voice, folder)))
        if (fit := ear.fit("commands", span.samples)) is not None
    ]
    other = [
        fit.margin
        for number, line in enumerate(list(excerpt_lines(False))[::4])
        for span in spans(in_pauses(speak(line, voices[number % len(voices)], folder)))
        if (fit := ear.fit("commands", span.samples)) is not None
    ]
    for label, held in (("commands", said), ("other talk", other)):
        marks = np.percentile(held, (0, 1, 5, 50, 95, 99, 100))
        print(f"{label:10} {len(held):5}  " + "  ".join(f"{mark:7.2f}" for mark in marks))


def main(arguments: list[str]) -> None:
    """Print the tables asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--margins", action="store_true")
    parser.add_argument("--hours", type=float, default=2.0)
    given = parser.parse_args(arguments)
    words = load_command_words()
    folder = cache_folder() / "voices"
    if given.margins:
        margins(words, folder)
        return
    began = time.monotonic()
    ear = CommandEar(words)
    print(f"attention word '{words.attention.word}', margin {COMMAND_MARGIN}")
    missed(ear, words, [v for v in VOICES if not v.tuning and available(v)], folder)
    false_ones(ear, folder, given.hours)
    print(f"took {time.monotonic() - began:.0f} s")


if __name__ == "__main__":
    main(sys.argv[1:])
