"""Learns the voice of a recording from what was clearly heard in it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from dictate.audio.source import Samples
from dictate.recognition.acoustic_model import Numbers, acoustic_model
from dictate.recognition.adaptation import fit
from dictate.recognition.alignment import Aligned, Aligner

FIRST_FRAMES, LAST_FRAMES = 300, 4_800
"""The model is fitted when so many frames (of 10 ms) were heard, then whenever they have doubled;
after the last nothing more is learnt, so that memory and time stay the same however long it is."""
FEWEST_WORDS = 2


class VoiceLearning:
    """Takes phrase after phrase and says when the model can be fitted to the voice.

    Args:
        dictionary: how the words are spoken.
    """

    def __init__(self, dictionary: Path) -> None:
        self._model = acoustic_model()
        self._aligner = Aligner(dictionary, self._model.phones)
        self._speech: list[Aligned] = []
        self.frames = 0
        self._due = FIRST_FRAMES

    @property
    def ended(self) -> bool:
        """Whether the voice is known well enough."""
        return self._due > LAST_FRAMES

    def take(self, samples: Samples, words: Sequence[str]) -> Numbers | None:
        """Learn from a phrase; return the change of the model where it is due."""
        if self.ended or len(words) < FEWEST_WORDS:
            return None
        aligned = self._aligner.align(samples, words)
        if aligned is None:
            return None
        self._speech.append(aligned)
        self.frames += len(aligned.phones)
        if self.frames < self._due:
            return None
        while self._due <= self.frames:
            self._due *= 2
        return fit(self._model, self._speech)
