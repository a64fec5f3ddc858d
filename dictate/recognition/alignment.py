"""Which phone was spoken when: words that were heard, laid along their sound."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dictate.audio.source import Samples

CEPSTRA = 13
SILENCES = ("SIL", "+NSN+", "+SPN+")


class Aligned(NamedTuple):
    """Speech without its silences: features (frame, stream, dimension) and each frame's phone."""

    features: NDArray[np.float32]
    phones: NDArray[np.int64]


class Aligner:
    """Finds the phones of words that are known.

    PocketSphinx gives the features that it works with only as files. They lie in a folder that
    nobody else can open and that is removed before the alignment is handed on.

    Args:
        dictionary: how the words are spoken.
        phones: names of the phones, in the order in which they are numbered.
    """

    def __init__(self, dictionary: Path, phones: Sequence[str]) -> None:
        from pocketsphinx import Decoder

        # Only the name is kept: a process that ends suddenly then leaves no folder.
        self._folder = Path(tempfile.mkdtemp(prefix="dictate-"))
        self._folder.rmdir()
        self._numbers = {name: number for number, name in enumerate(phones)}
        self._decoder = Decoder(
            lm=None, dict=str(dictionary), loglevel="FATAL", mfclogdir=str(self._folder)
        )

    def align(self, samples: Samples, words: Sequence[str]) -> Aligned | None:
        """Return the speech by its phones, None where the words do not fit the sound."""
        decoder = self._decoder
        with self._private() as folder:
            try:
                decoder.set_align_text(" ".join(words))
                self._process(samples)
                if decoder.hyp() is None:
                    return None
                cepstra = _cepstra(min(folder.iterdir()))
                decoder.set_alignment()
                self._process(samples)
            except (RuntimeError, ValueError):  # No path through the words; no frame.
                return None
            at = np.full(len(cepstra), -1)
            for word in decoder.get_alignment():
                for phone in word:
                    if phone.name not in SILENCES:
                        number = self._numbers[phone.name]
                        at[phone.start : phone.start + phone.duration] = number
        spoken = at >= 0
        return Aligned(features(cepstra)[spoken].astype(np.float32), at[spoken])

    def _process(self, samples: Samples) -> None:
        self._decoder.start_utt()
        self._decoder.process_raw(samples.tobytes(), full_utt=True)
        self._decoder.end_utt()

    @contextmanager
    def _private(self) -> Iterator[Path]:
        self._folder.mkdir(mode=0o700)
        try:
            yield self._folder
        finally:
            shutil.rmtree(self._folder, ignore_errors=True)


def _cepstra(path: Path) -> NDArray[np.float64]:
    """Read the decoder's file of cepstra: their count, then floats, the high byte first."""
    values = np.frombuffer(path.read_bytes()[4:], ">f4").astype(np.float64)
    return values.reshape(-1, CEPSTRA)


def features(cepstra: NDArray[np.float64]) -> NDArray[np.float64]:
    """The three streams of the model: cepstra less their mean, their slope and its slope."""
    centred = cepstra - cepstra.mean(axis=0)
    padded = np.pad(centred, ((3, 3), (0, 0)), mode="edge")

    def shifted(by: int) -> NDArray[np.float64]:
        return padded[3 + by : 3 + by + len(cepstra)]

    slope = shifted(2) - shifted(-2)
    bend = (shifted(3) - shifted(-1)) - (shifted(1) - shifted(-3))
    return np.stack([centred, slope, bend], axis=1)
