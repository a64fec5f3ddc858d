"""Opens whatever the user named and gives its words: a recording or a timed transcript."""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from dictate.audio.recording import Recording, channels_apart, spool_standard_input
from dictate.audio.source import SAMPLE_RATE, Block, Source
from dictate.errors import UserFault
from dictate.recognition.engine import Engine
from dictate.recognition.language_model import ExamLanguage
from dictate.recognition.timed_text import is_timed_text, read_timed_text
from dictate.recognition.words import HeardPhrase

EngineChoice = Literal["auto", "pocketsphinx", "vosk"]
Progress = Callable[[float, "float | None"], None]
"""Called with the seconds read so far and the total, None where it is not known."""
FEWEST_TO_JUDGE, LEAST_FITTING = 4, 0.5
"""From so many stretches of talk on, a smaller share that fits the exam is warned about.

Of the sample exams 0.96 to 1.0 fit, of everyday talk in eight other languages 0 to 0.25
(tests/trust)."""


@dataclass
class Heard:
    """What is known about the input; ``warnings`` and ``seconds`` are complete at its end."""

    name: str
    kind: Literal["recording", "timed text"]
    engine: str
    engine_version: str
    sha256: str
    duration: float | None = None
    language: ExamLanguage | None = None
    seconds: float = 0.0
    snr: float | None = None
    warnings: list[str] = field(default_factory=list)


def open_words(
    path: str | Path,
    engine: EngineChoice = "auto",
    *,
    language: Callable[[], ExamLanguage],
    vosk_model: Path | None = None,
    speakers: tuple[str, ...] = (),
    progress: Progress | None = None,
    listener: Engine | None = None,
) -> tuple[Iterator[HeardPhrase], Heard]:
    """Open a file, or standard input for ``-``, and return its phrases and what it is.

    Args:
        path: recording or timed transcript; the kind is told by its content.
        engine: ``auto`` takes Vosk where a model is given, else the embedded one.
        language: gives the language model, called only when it is needed.
        vosk_model: folder of an unpacked Vosk model.
        speakers: names of the speakers by channel; channels are then heard apart.
        progress: told how far the recording was read.
        listener: a recogniser that is loaded already, in place of ``engine``.

    Raises:
        UserFault: the input cannot be read or is of no known kind. Faults further in
            are raised while the phrases are taken.
    """
    spool: tempfile.TemporaryDirectory[str] | None = None
    name = Path(path).name
    if str(path) == "-":
        spool = tempfile.TemporaryDirectory(prefix="dictate-")
        path, name = spool_standard_input(Path(spool.name)), "standard input"
    path = Path(path)
    if path.is_file():
        with path.open("rb") as file:
            head = file.read(1 << 16)
        if is_timed_text(head):
            heard = Heard(name, "timed text", "timed text", "1", _sha256(path))
            return _kept(read_timed_text(path, name), spool), heard
        if path.suffix.lower() in (".vtt", ".srt", ".txt") and head:
            raise UserFault(
                f"{name} holds no timed text; write cues as WebVTT or SubRip, or lines that begin "
                "with a stamp such as [0:05]."
            )
    recordings = channels_apart(path) if speakers else [Recording(path)]
    if speakers and len(speakers) != len(recordings):
        raise UserFault(
            f"{name} has {len(recordings)} channel(s) but {len(speakers)} speaker(s) were named; "
            "name one for each channel."
        )
    notes: list[str] = []
    if listener is None:
        listener, notes = open_engine(engine, language, vosk_model)
    heard = Heard(
        name=name,
        kind="recording",
        engine=listener.name,
        engine_version=listener.version,
        sha256=recordings[0].sha256(),
        duration=recordings[0].duration,
        language=getattr(listener, "language", None),
        warnings=notes,
    )
    phrases = _listen(listener, recordings, speakers, heard, progress)
    return _kept(phrases, spool), heard


def open_engine(
    choice: EngineChoice, language: Callable[[], ExamLanguage], vosk_model: Path | None
) -> tuple[Engine, list[str]]:
    """Load a recogniser, with sentences for the user about the choice.

    Raises:
        UserFault: its model cannot be loaded.
    """
    from dictate.recognition.pocketsphinx_engine import PocketSphinxEngine
    from dictate.recognition.vosk_engine import NO_MODEL, VoskEngine

    if choice == "vosk" and vosk_model is None:
        return PocketSphinxEngine(language()), [NO_MODEL]
    if choice != "pocketsphinx" and vosk_model is not None:
        return VoskEngine(vosk_model), []
    return PocketSphinxEngine(language()), []


def _listen(
    engine: Engine,
    recordings: list[Recording],
    speakers: tuple[str, ...],
    heard: Heard,
    progress: Progress | None,
) -> Iterator[HeardPhrase]:
    """Hear one channel after the other; with several, phrases come in order of time."""
    fitting = every = 0
    for phrase in _in_order(engine, recordings, speakers, heard, progress):
        every += 1
        fitting += phrase.recognised
        yield phrase
    if every >= FEWEST_TO_JUDGE and fitting < LEAST_FITTING * every:
        heard.warnings.append(
            f"Of {every} stretches of talk {every - fitting} did not fit the exam and were left "
            "unrecognised: check that this is an examination, spoken in English near the "
            "microphone."
        )


def _in_order(
    engine: Engine,
    recordings: list[Recording],
    speakers: tuple[str, ...],
    heard: Heard,
    progress: Progress | None,
) -> Iterator[HeardPhrase]:
    if len(recordings) == 1:
        yield from _one(engine, recordings[0], speakers[0] if speakers else None, heard, progress)
        return
    phrases: list[HeardPhrase] = []
    for recording, speaker in zip(recordings, speakers, strict=True):
        phrases.extend(_one(engine, recording, speaker, heard, progress))
    yield from sorted(phrases, key=lambda phrase: phrase.start)


def _one(
    engine: Engine,
    recording: Recording,
    speaker: str | None,
    heard: Heard,
    progress: Progress | None,
) -> Iterator[HeardPhrase]:
    for phrase in engine.hear(_counted(recording, heard, progress)):
        yield phrase if speaker is None else phrase.model_copy(update={"speaker": speaker})
    heard.warnings.extend(recording.warnings)
    level = engine.level
    if level is not None:
        heard.snr = level.snr
        if level.warning and level.warning not in heard.warnings:
            heard.warnings.append(level.warning)


def _counted(source: Source, heard: Heard, progress: Progress | None) -> Iterator[Block]:
    for block in source.blocks():
        yield block
        heard.seconds = block.start + len(block.samples) / SAMPLE_RATE
        if progress is not None:
            progress(heard.seconds, source.duration)


def _kept(
    phrases: Iterator[HeardPhrase], spool: tempfile.TemporaryDirectory[str] | None
) -> Iterator[HeardPhrase]:
    """Keep the copy of standard input until the last phrase was taken."""
    try:
        yield from phrases
    finally:
        if spool is not None:
            spool.cleanup()


def _sha256(path: Path) -> str:
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while piece := file.read(1 << 20):
            digest.update(piece)
    return digest.hexdigest()
