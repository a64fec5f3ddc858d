"""The embedded recogniser: PocketSphinx with the language model of the exam."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from importlib.metadata import version
from operator import mul
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, NamedTuple

from dictate.audio.level import Level
from dictate.audio.segments import Pauses, Span, SpanCutter
from dictate.audio.source import SAMPLE_RATE, Block, Samples
from dictate.recognition.acoustic_model import Numbers
from dictate.recognition.adaptation import write_change
from dictate.recognition.language_model import ExamLanguage
from dictate.recognition.second_opinion import SURE, Hearing, JudgedNumber, judge_numbers
from dictate.recognition.voice_learning import VoiceLearning
from dictate.recognition.words import HeardPhrase, Word

FRAME_SECONDS = 0.01
CLEARLY_EXAM, PERHAPS_EXAM = 0.65, 0.56
"""Mean confidence, by the words' length, from which on a phrase belongs to the exam surely, or
perhaps.

On the tuning voices of ``tests/bench``, clean, the second keeps 84% of short replies heard well,
98% of the grammar's phrases and 95% of phrases outside it; the first keeps 75% and 94% of the
first two."""
LEARNT_FROM = 0.5
"""Mean confidence from which on the voice is learnt from a phrase's words.

On tuning voices (two clean, one in white noise and one in babble at 15 dB) hearing with a model
fitted to the voice gave 12.1% word errors on the exam's phrases and 19.6% outside them; without
20.7% and 29.5%. In an earlier form of the fit this measured better than 0.4 and 0.6."""
UNSURE = 0.25
"""Words of a phrase that belongs only perhaps are at most this sure."""
CUT_SECONDS = 0.5
"""A number so near to where the talk was cut may lack a word: it is doubtful."""
LANGUAGE_WEIGHT = 7.5
FILLER_SHARE = 1e-4
"""Probability of a noise word. On the tuning voices, clean, it gave 9.8% word errors on the exam's
phrases and 22.0% outside them against 10.1% and 22.6% with the decoder's own 1e-8."""
BEAM, WORD_BEAM = 1e-60, 1e-40
"""Wider than the decoder's own 1e-48 and 7e-29: on the tuning voices, clean, 9.3% word errors on
the exam's phrases and 15.7% outside them against 9.4% and 16.3%, for 5% more time."""


class Decoded(NamedTuple):
    """One decoding: the words, and begin and end of each in seconds."""

    hearing: Hearing
    times: list[tuple[float, float]]


class Clear(NamedTuple):
    """A phrase heard well enough to learn the voice from."""

    samples: Samples
    words: tuple[str, ...]


class PocketSphinxEngine:
    """Decodes each span between pauses with the trigram of the exam.

    The confidence of a word is its posterior in the lattice of the phrase, that of a
    phrase the mean of its words' by their length. From what was heard well the acoustic model
    is fitted to the voice while the talk goes on; another recording starts without.

    Args:
        language: the files built by ``language_model.exam_language``.
        pauses: settings of the segmentation.
        learns: whether the model is fitted to the voice.
        settings: further decoder settings, by PocketSphinx's names.
    """

    name = "pocketsphinx"

    def __init__(
        self,
        language: ExamLanguage,
        pauses: Pauses | None = None,
        *,
        learns: bool = True,
        **settings: Any,
    ) -> None:
        self._pauses = pauses
        self.language = language
        self._cutter = SpanCutter(pauses)
        self._settings = {
            "lm": str(language.language_model),
            "dict": str(language.dictionary),
            "loglevel": "FATAL",
            "lw": LANGUAGE_WEIGHT,
            "fillprob": FILLER_SHARE,
            "beam": BEAM,
            "wbeam": WORD_BEAM,
            **settings,
        }
        self._decoder = self._loaded()
        self._learns = learns
        self._learning: VoiceLearning | None = None
        self._clear: Clear | None = None
        self._fitted = self._no_room = False

    def _loaded(self, **further: str) -> Any:
        from pocketsphinx import Decoder

        return Decoder(**{**self._settings, **further})

    @property
    def version(self) -> str:
        """Library version, the identity of the language model, and whether voices are learnt."""
        model = self.language.language_model.parent.name
        learns = ", fitted to the voice" if self._learns else ""
        return f"pocketsphinx {version('pocketsphinx')}, {model}{learns}"

    @property
    def level(self) -> Level:
        """Speech and noise levels of what was heard since ``hear`` began."""
        return self._cutter.level

    def hear(self, blocks: Iterable[Block]) -> Iterator[HeardPhrase]:
        """Yield each phrase as soon as the pause after it was heard."""
        self._cutter = SpanCutter(self._pauses)
        self._forget_voice()
        for block in blocks:
            for span in self._cutter.feed(block):
                yield from self._heard(span)
        for span in self._cutter.finish():
            yield from self._heard(span)

    def _heard(self, span: Span) -> Iterator[HeardPhrase]:
        yield from self.hear_span(span)
        self.learn()

    def partial(self) -> str:
        """Decode what has been said since the last pause."""
        span = self._cutter.pending
        return " ".join(self.decode(span.samples).words) if span is not None else ""

    def decode(self, samples: Samples) -> Hearing:
        """Decode a piece of sound by itself, without a second opinion."""
        return self._timed(samples).hearing

    def _timed(self, samples: Samples) -> Decoded:
        decoder = self._decoder
        decoder.start_utt()
        decoder.process_raw(samples.tobytes(), full_utt=True)
        decoder.end_utt()
        # Asking for the hypothesis computes the lattice's posteriors, which seg() then has.
        hypothesis = decoder.hyp()
        if hypothesis is None or not hypothesis.hypstr:
            return Decoded(Hearing((), ()), [])
        words: list[str] = []
        confidences: list[float] = []
        times: list[tuple[float, float]] = []
        for segment in decoder.seg():
            text = segment.word.partition("(")[0]
            if not text or text[0] in "<[+":
                continue
            words.append(text)
            confidences.append(_share(segment.prob))
            begin = segment.start_frame * FRAME_SECONDS
            end = (segment.end_frame + 1) * FRAME_SECONDS
            times.append((begin, min(end, len(samples) / SAMPLE_RATE)))
        return Decoded(Hearing(tuple(words), tuple(confidences)), times)

    def hear_span(self, span: Span) -> Iterator[HeardPhrase]:
        """Yield the phrase that a span of speech holds, nothing where no word was heard."""
        hearing, times = self._timed(span.samples)
        if not hearing.words:
            return
        lengths = [end - start for start, end in times]
        mean = sum(map(mul, hearing.confidences, lengths)) / sum(lengths)
        most = 1.0 if mean >= CLEARLY_EXAM else UNSURE
        words = tuple(
            Word(
                text=text,
                start=span.start + start,
                end=span.start + end,
                confidence=min(confidence, most),
            )
            for text, confidence, (start, end) in zip(
                hearing.words, hearing.confidences, times, strict=True
            )
        )
        yield HeardPhrase(
            words=words,
            start=words[0].start,
            end=words[-1].end,
            confidence=mean,
            recognised=mean >= PERHAPS_EXAM,
            number_doubts=tuple(
                number.doubt
                for number in self.judge(hearing, span)
                if number.probability < SURE
                or (not span.whole and words[number.last].end > span.end - CUT_SECONDS)
                or (span.joined and words[number.first].start < span.start + CUT_SECONDS)
            ),
        )

        if self._learns and mean >= LEARNT_FROM:
            self._clear = Clear(span.samples, hearing.words)

    def learn(self) -> None:
        """Learn the voice from the span heard last; apart from it, so that nobody waits for this.

        To be called after each span where they are heard one by one.
        """
        clear, self._clear = self._clear, None
        if clear is None or self._no_room:
            return
        try:
            if self._learning is None:
                self._learning = VoiceLearning(self.language.dictionary)
            change = self._learning.take(clear.samples, clear.words)
            if change is not None:
                self._fit_to(change)
        except OSError:  # Without room for temporary files it hears on as it does.
            self._no_room = True

    def _fit_to(self, change: Numbers) -> None:
        with TemporaryDirectory(prefix="dictate-") as folder:
            path = Path(folder) / "voice.mllr"
            write_change(change, path)
            self._decoder = None  # Two at once would need twice the memory.
            self._decoder = self._loaded(mllr=str(path))
        self._fitted = True

    def _forget_voice(self) -> None:
        self._learning = self._clear = None
        self._no_room = False
        if self._fitted:
            self._decoder = self._loaded()
            self._fitted = False

    def judge(self, hearing: Hearing, span: Span) -> list[JudgedNumber]:
        """Weigh the numbers that were heard in a span."""
        return judge_numbers(hearing, span.samples, span.level.snr, self.decode)


def _share(p: float) -> float:
    return min(max(p, 0.0), 1.0)
