"""An invented session with sound: sure values, doubtful ones, remarks and things never spoken of."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import datetime, timezone
from pathlib import Path
from typing import NamedTuple

import numpy as np
import soundfile

from dictate.recognition.words import HeardPhrase, NumberDoubt, Word
from dictate.session.entries import Entry, PhraseHeard, SessionEnd, SessionStart
from dictate.session.journal import Journal
from dictate.session.record import SessionInfo

STARTED = datetime(2026, 3, 4, 9, 30, tzinfo=timezone.utc)
RATE = 16_000


class Said(NamedTuple):
    """A phrase, how surely it was recognised, and how its number may also read."""

    words: str
    sure: float = 1.0
    also: str = ""


TALK = (
    Said("let's begin with the vital signs"),
    Said("blood pressure is one thirty four over eighty eight on the right"),
    Said("pulse is fifteen", 0.9, "fifty"),
    Said("respirations are one hundred sixty"),
    Said("temperature is thirty seven point one degrees celsius"),
    Said("oxygen saturation is ninety eight percent"),
    Said("now the eyes"),
    Said("left pupil reacts briskly to light", 0.22),
    Said("conjunctivae are pink on both sides"),
    Said("tonsils are two plus on both sides"),
    Said("lungs are clear on both sides"),
)
HOSTILE = (
    Said('<script>document.title="owned"</script> pulse is seventy two'),
    Said('"><img src=x onerror=alert(1)> temperature is thirty seven degrees celsius'),
    Said("</span></li></ol><h1>gone</h1> {{ 7*7 }} ${7*7} &lt;b&gt;"),
)


def phrases(talk: Sequence[Said], pause: float = 1.2) -> list[HeardPhrase]:
    """The talk with its times: a third of a second for each word."""
    made: list[HeardPhrase] = []
    start = 0.5
    for said in talk:
        words = said.words.split(" ")
        doubts = ()
        if said.also:
            first = len(words) - 1
            doubts = (NumberDoubt(first=first, last=first, alternatives=(said.also,)),)
        end = start + len(words) / 3
        made.append(
            HeardPhrase(
                words=tuple(
                    Word(
                        text=word,
                        start=start + place / 3,
                        end=start + (place + 0.9) / 3,
                        confidence=said.sure,
                    )
                    for place, word in enumerate(words)
                ),
                start=start,
                end=end,
                confidence=said.sure,
                number_doubts=doubts,
            )
        )
        start = end + pause
    return made


def sound_of(talk: Sequence[HeardPhrase], path: Path) -> float:
    """Write a tone wherever something is said; seconds of the whole."""
    seconds = talk[-1].end + 2.0
    samples = np.zeros(int(seconds * RATE), dtype=np.float32)
    for phrase in talk:
        first, last = int(phrase.start * RATE), int(phrase.end * RATE)
        samples[first:last] = 0.3 * np.sin(np.arange(last - first) * (2 * np.pi * 220 / RATE))
    soundfile.write(path, samples, RATE, subtype="PCM_16")
    return seconds


def write_session(
    folder: Path,
    talk: Sequence[Said] = TALK,
    *,
    learner: str = "ln-04",
    sound_name: str = "practice.wav",
    with_sound: bool = True,
) -> Path:
    """A session's folder as the program leaves it, its recording inside."""
    heard = phrases(talk)
    folder.mkdir(parents=True)
    seconds, digest = heard[-1].end + 2.0, "0" * 64
    if with_sound:
        seconds = sound_of(heard, folder / "practice.wav")
        digest = hashlib.sha256((folder / "practice.wav").read_bytes()).hexdigest()
    info = SessionInfo(
        id="invented",
        started=STARTED,
        sound_name=sound_name,
        sound_sha256=digest,
        seconds=seconds,
        learner=learner,
        engine="invented",
        engine_version="1",
        program_version="1",
        exam_version="1",
        course="usual",
    )
    entries: list[Entry] = [PhraseHeard(at=STARTED, phrase=phrase) for phrase in heard]
    with Journal.create(folder, SessionStart(at=STARTED, info=info)) as journal:
        for entry in [*entries, SessionEnd(at=STARTED, seconds=seconds)]:
            journal.add(entry)
    return folder
