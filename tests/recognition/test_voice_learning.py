"""The acoustic model is fitted to a voice: by the right numbers, privately, and forgotten again."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Iterator
from pathlib import Path

import jiwer
import numpy as np
import pytest

from dictate.audio.recording import Recording
from dictate.audio.segments import Span, cut_spans
from dictate.audio.source import SAMPLE_RATE, Block
from dictate.conversion import exam_language_of
from dictate.exam.catalogue import Catalogue
from dictate.recognition.acoustic_model import acoustic_model
from dictate.recognition.adaptation import fit, write_change
from dictate.recognition.alignment import Aligned, Aligner
from dictate.recognition.pocketsphinx_engine import PocketSphinxEngine
from dictate.recognition.second_opinion import Hearing, JudgedNumber, at_tempo
from dictate.recognition.timed_text import read_timed_text
from dictate.recognition.voice_learning import LAST_FRAMES, VoiceLearning

BIGGER = 0.82
"""Playing speed at which a voice sounds like that of somebody with a much longer throat."""


class FirstHearing(PocketSphinxEngine):
    """The engine without the second hearing of numbers, to be quick."""

    def judge(self, hearing: Hearing, span: Span) -> list[JudgedNumber]:
        return []


@pytest.fixture(scope="module")
def dictionary(exam: Catalogue) -> Path:
    return exam_language_of(exam).dictionary


@pytest.fixture
def empty(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder for temporary files, with nothing in it."""
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    return tmp_path


def drawn(change: np.ndarray, count: int) -> Aligned:
    """Speech drawn from the model with its means changed."""
    model = acoustic_model()
    chance = np.random.default_rng(4)
    phones = chance.integers(3, len(model.phones), count)
    density = chance.integers(0, model.means.shape[2], count)
    means = model.means[phones, :, density]
    moved = np.einsum("sij,nsj->nsi", change[:, :, 1:], means) + change[:, :, 0]
    spread = np.sqrt(model.variances[phones, :, density])
    sound = moved + 0.3 * spread * chance.standard_normal(means.shape)
    return Aligned(sound.astype(np.float32), phones)


def unchanged() -> np.ndarray:
    change = np.zeros((3, 13, 14))
    change[:, :, 1:] = np.eye(13)
    return change


def test_a_known_change_of_the_means_is_found() -> None:
    change = unchanged()
    change[:, :, 1:] *= 0.9
    change[0, :3, 0] = (4.0, -6.0, 5.0)
    found = fit(acoustic_model(), [drawn(change, 3_000)])
    before = np.abs(unchanged() - change)[0, :3, 0].mean()
    assert np.abs(found - change)[0, :3, 0].mean() < 0.3 * before
    assert np.abs(np.diagonal(found[0, :, 1:]) - 0.9).mean() < 0.12


def test_without_speech_nothing_is_changed() -> None:
    assert np.allclose(fit(acoustic_model(), []), unchanged(), atol=1e-6)


def test_the_unchanged_model_hears_as_before(exam: Catalogue, tmp_path: Path) -> None:
    write_change(unchanged(), tmp_path / "same.mllr")
    language = exam_language_of(exam)
    sound = np.concatenate([block.samples for block in first(20)])
    plain = PocketSphinxEngine(language, learns=False)
    same = PocketSphinxEngine(language, learns=False, mllr=str(tmp_path / "same.mllr"))
    assert plain.decode(sound).words == same.decode(sound).words != ()


def first(seconds: float, tempo: float = 1.0) -> Iterator[Block]:
    """The beginning of a sample, as the voice of somebody else where the tempo is not 1."""
    recording = Recording(Path(__file__).parents[2] / "sample_audio" / "flawed.flac")
    sound = np.concatenate([block.samples for block in recording.blocks()])
    sound = at_tempo(sound[: int(seconds * SAMPLE_RATE)], tempo)
    for at in range(0, len(sound), 4_000):
        yield Block(at / SAMPLE_RATE, sound[at : at + 4_000])


def said(seconds: float) -> str:
    """What is said there, in words."""
    path = Path(__file__).parents[2] / "sample_audio" / "flawed.vtt"
    phrases = [phrase for phrase in read_timed_text(path) if phrase.end <= seconds]
    return " ".join(re.findall(r"[a-z']+", " ".join(one.text for one in phrases).lower()))


def test_words_are_laid_along_their_sound_and_no_file_stays(dictionary: Path, empty: Path) -> None:
    model = acoustic_model()
    aligner = Aligner(dictionary, model.phones)
    span = next(cut_spans(first(20)))
    words = ["let's", "begin", "with", "the", "vital", "signs"]
    aligned = aligner.align(span.samples, words)
    assert list(empty.iterdir()) == []
    assert aligned is not None
    heard = [model.phones[number] for number in dict.fromkeys(aligned.phones)]
    assert heard[:3] == ["L", "EH", "T"]
    assert aligned.features.shape == (len(aligned.phones), 3, 13)
    assert np.isfinite(aligned.features).all()
    assert 0.3 < len(aligned.phones) / 100 < len(span.samples) / SAMPLE_RATE


def test_words_that_cannot_be_in_the_sound_teach_nothing(dictionary: Path, empty: Path) -> None:
    aligner = Aligner(dictionary, acoustic_model().phones)
    short = np.zeros(800, dtype=np.int16)
    assert aligner.align(short, ["auscultation", "of", "the", "abdomen"]) is None
    assert list(empty.iterdir()) == []


def test_learning_ends(dictionary: Path) -> None:
    learning = VoiceLearning(dictionary)
    spans = list(cut_spans(first(12)))
    changes = 0
    for _ in range(200):
        if learning.ended:
            break
        for span in spans:
            changes += learning.take(span.samples, ["blood", "pressure"]) is not None
    assert learning.ended
    assert 3 <= changes <= 6
    assert learning.frames < LAST_FRAMES + 2_000
    assert learning.take(spans[0].samples, ["blood", "pressure"]) is None


def test_an_unusual_voice_is_heard_better_and_forgotten(exam: Catalogue, empty: Path) -> None:
    language = exam_language_of(exam)
    engine = FirstHearing(language)
    fitted = [phrase.text for phrase in engine.hear(first(60, BIGGER))]
    again = [phrase.text for phrase in engine.hear(first(20, BIGGER))]
    plain = [p.text for p in FirstHearing(language, learns=False).hear(first(60, BIGGER))]
    assert len(again) > 4
    assert fitted[: len(again) - 1] == again[:-1]
    words = said(60)
    with_voice = jiwer.wer(words, " ".join(fitted))
    without = jiwer.wer(words, " ".join(plain))
    print(f"word errors {100 * with_voice:.0f} % fitted to the voice, {100 * without:.0f} % not")
    assert with_voice < 0.8 * without
    assert list(empty.iterdir()) == []


def test_without_a_place_for_temporary_files_it_hears_on(
    exam: Catalogue, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    language = exam_language_of(exam)
    plain = list(FirstHearing(language, learns=False).hear(first(20)))
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "missing"))
    heard = list(FirstHearing(language).hear(first(20)))
    assert [phrase.text for phrase in heard] == [phrase.text for phrase in plain] != []
