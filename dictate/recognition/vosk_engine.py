"""Vosk behind the same interface: a bigger recogniser, given a model folder."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from importlib.metadata import version
from pathlib import Path
from typing import Any

from dictate.audio.level import Level
from dictate.audio.segments import SpanCutter
from dictate.audio.source import SAMPLE_RATE, Block
from dictate.errors import UserFault
from dictate.recognition.words import HeardPhrase, Word

NO_MODEL = (
    "There is no Vosk model here, so the built-in recogniser is used instead; unpack one "
    "(such as vosk-model-small-en-us-0.15 from alphacephei.com/vosk/models) and add it with "
    "'dictate models add FOLDER'."
)


def model_problem(folder: Path) -> str | None:
    """Return what is wrong with a Vosk model folder and how to mend it, or None.

    The library answers a wrong path, an empty folder and a lack of memory with one
    and the same error, so the folder is looked at first.
    """
    if not folder.exists():
        return f"There is no folder {folder}; give the path of an unpacked Vosk model."
    if not folder.is_dir():
        return f"{folder} is a file; unpack it and give the folder."
    if not any(folder.iterdir()):
        return f"{folder} is empty; unpack the Vosk model into it again."
    inner = [entry for entry in folder.iterdir() if (entry / "am").is_dir()]
    if not (folder / "am").is_dir() and len(inner) == 1:
        return f"The model lies one folder deeper: give {inner[0]}."
    # Older models keep every file in one flat folder.
    flat = (folder / "final.mdl").is_file()
    if not flat and not (folder / "am" / "final.mdl").is_file():
        return f"{folder} lacks am/final.mdl, so it is no complete Vosk model; unpack it again."
    graph = folder if flat else folder / "graph"
    static = (graph / "HCLG.fst").is_file()
    dynamic = (graph / "HCLr.fst").is_file() and (graph / "Gr.fst").is_file()
    if not static and not dynamic:
        return f"{folder} lacks its decoding graph (graph/HCLG.fst or HCLr.fst with Gr.fst)."
    if not flat and not (folder / "conf").is_dir():
        return f"{folder} lacks the folder conf; unpack the Vosk model again."
    return None


class VoskEngine:
    """Streams sound through a Vosk model.

    Args:
        folder: an unpacked model.
        phrases: limit what can be heard to these phrases (only models with a dynamic
            graph can do that); words the model lacks are left out and listed in
            ``unknown_words``.

    Raises:
        UserFault: the folder is no complete model, or loading fails.
    """

    name = "vosk"

    def __init__(self, folder: Path, phrases: Iterable[str] | None = None) -> None:
        problem = model_problem(folder)
        if problem:
            raise UserFault(problem)
        import vosk

        vosk.SetLogLevel(-1)
        self._folder = folder
        try:
            self._model = vosk.Model(model_path=str(folder))
        except Exception as error:
            raise UserFault(
                f"The Vosk model in {folder} could not be loaded; it may be damaged or need more "
                "memory than there is: unpack it again or use a smaller one."
            ) from error
        self.unknown_words: tuple[str, ...] = ()
        self._grammar: str | None = None
        if phrases is not None:
            self._grammar = self._phrase_list(phrases)
        self._recogniser: Any = None
        self._cutter = SpanCutter()

    @property
    def version(self) -> str:
        """Library version and name of the model folder."""
        return f"vosk {version('vosk')}, {self._folder.name}"

    @property
    def level(self) -> Level:
        """Speech and noise levels of what was heard since ``hear`` began."""
        return self._cutter.level

    def hear(self, blocks: Iterable[Block]) -> Iterator[HeardPhrase]:
        """Yield each phrase as soon as the model hears its end."""
        self._recogniser = recogniser = self._new_recogniser()
        clock = _Clock()
        self._cutter = SpanCutter()
        for block in blocks:
            clock.count(block)
            self._cutter.feed(block)
            if recogniser.AcceptWaveform(block.samples.tobytes()):
                yield from _phrase(json.loads(recogniser.Result()), clock)
        yield from _phrase(json.loads(recogniser.FinalResult()), clock)
        self._recogniser = None

    def partial(self) -> str:
        """Return the unfinished phrase as it sounds so far."""
        if self._recogniser is None:
            return ""
        return str(json.loads(self._recogniser.PartialResult()).get("partial", ""))

    def _new_recogniser(self) -> Any:
        import vosk

        arguments = [self._model, SAMPLE_RATE]
        if self._grammar is not None:
            arguments.append(self._grammar)
        recogniser = vosk.KaldiRecognizer(*arguments)
        recogniser.SetWords(True)
        return recogniser

    def _phrase_list(self, phrases: Iterable[str]) -> str:
        known: list[str] = []
        unknown: set[str] = set()
        for phrase in phrases:
            words = phrase.lower().split()
            missing = [word for word in words if self._model.vosk_model_find_word(word) < 0]
            unknown.update(missing)
            if words and not missing:
                known.append(" ".join(words))
        self.unknown_words = tuple(sorted(unknown))
        return json.dumps([*dict.fromkeys(known), "[unk]"], ensure_ascii=False)


class _Clock:
    """Maps the model's times to those of the blocks, and keeps them growing."""

    def __init__(self) -> None:
        self._offset: float | None = None
        self.heard = 0.0
        self.last = 0.0

    def count(self, block: Block) -> None:
        if self._offset is None:
            self._offset = block.start
        self.heard = block.start + len(block.samples) / SAMPLE_RATE

    def time(self, seconds: float) -> float:
        at = min(max(seconds + (self._offset or 0.0), self.last), self.heard)
        self.last = at
        return at


def _phrase(result: dict[str, Any], clock: _Clock) -> Iterator[HeardPhrase]:
    words = tuple(
        Word(
            text=str(entry["word"]),
            start=clock.time(float(entry["start"])),
            end=clock.time(float(entry["end"])),
            confidence=min(max(float(entry.get("conf", 1.0)), 0.0), 1.0),
        )
        for entry in result.get("result", [])
    )
    spoken = tuple(word for word in words if word.text not in ("[unk]", "<unk>"))
    if not words:
        return
    confidence = sum(word.confidence for word in words) / len(words)
    yield HeardPhrase(
        words=spoken or words,
        start=words[0].start,
        end=words[-1].end,
        confidence=confidence,
        recognised=len(spoken) * 2 >= len(words),
    )
