"""The embedded recogniser: PocketSphinx with the language model of the exam."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from importlib.metadata import version
from typing import Any

from dictate.audio.level import Level
from dictate.audio.segments import Pauses, Span, SpanCutter
from dictate.audio.source import SAMPLE_RATE, Block, Samples
from dictate.recognition.language_model import ExamLanguage
from dictate.recognition.second_opinion import SURE, Hearing, JudgedNumber, judge_numbers
from dictate.recognition.words import HeardPhrase, Word

FRAME_SECONDS = 0.01
CLEARLY_EXAM, PERHAPS_EXAM = 0.65, 0.5
"""Mean word confidence from which on a phrase belongs to the exam surely, or perhaps.

Measured on the tuning voices of ``tests/bench``: of phrases about other things 5% reach
the first, of phrases heard well 82% (clean) and 98% the second. The mean parted the two
better than the probability of the whole phrase did, which falls with its length: area
under the curve 0.94 against 0.93 clean, 0.95 against 0.92 in babble at 20 dB."""
UNSURE = 0.25
"""Words of a phrase that belongs only perhaps are at most this sure."""
LANGUAGE_WEIGHT = 7.5


class PocketSphinxEngine:
    """Decodes each span between pauses with the trigram of the exam.

    The confidence of a word is its posterior in the lattice of the phrase, that of a
    phrase the mean of its words'.

    Args:
        language: the files built by ``language_model.exam_language``.
        pauses: settings of the segmentation.
        settings: further decoder settings, by PocketSphinx's names.
    """

    name = "pocketsphinx"

    def __init__(
        self, language: ExamLanguage, pauses: Pauses | None = None, **settings: Any
    ) -> None:
        from pocketsphinx import Decoder

        self._pauses = pauses
        self.language = language
        self._cutter = SpanCutter(pauses)
        self._decoder = Decoder(
            lm=str(language.language_model),
            dict=str(language.dictionary),
            loglevel="FATAL",
            **{"lw": LANGUAGE_WEIGHT, **settings},
        )

    @property
    def version(self) -> str:
        """Library version and the identity of the language model."""
        return f"pocketsphinx {version('pocketsphinx')}, {self.language.language_model.parent.name}"

    @property
    def level(self) -> Level:
        """Speech and noise levels of what was heard since ``hear`` began."""
        return self._cutter.level

    def hear(self, blocks: Iterable[Block]) -> Iterator[HeardPhrase]:
        """Yield each phrase as soon as the pause after it was heard."""
        self._cutter = SpanCutter(self._pauses)
        for block in blocks:
            for span in self._cutter.feed(block):
                yield from self._phrase(span)
        for span in self._cutter.finish():
            yield from self._phrase(span)

    def partial(self) -> str:
        """Decode what has been said since the last pause."""
        span = self._cutter.pending
        return " ".join(self.decode(span.samples).words) if span is not None else ""

    def decode(self, samples: Samples) -> Hearing:
        """Decode a piece of sound by itself, without a second opinion."""
        return self._timed(samples)[0]

    def _timed(self, samples: Samples) -> tuple[Hearing, list[tuple[float, float]]]:
        decoder = self._decoder
        decoder.start_utt()
        decoder.process_raw(samples.tobytes(), full_utt=True)
        decoder.end_utt()
        # Asking for the hypothesis computes the lattice's posteriors, which seg() then has.
        hypothesis = decoder.hyp()
        if hypothesis is None or not hypothesis.hypstr:
            return Hearing((), ()), []
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
        return Hearing(tuple(words), tuple(confidences)), times

    def _phrase(self, span: Span) -> Iterator[HeardPhrase]:
        hearing, times = self._timed(span.samples)
        if not hearing.words:
            return
        mean = hearing.mean_confidence
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
                number.doubt for number in self.judge(hearing, span) if number.probability < SURE
            ),
        )

    def judge(self, hearing: Hearing, span: Span) -> list[JudgedNumber]:
        """Weigh the numbers that were heard in a span."""
        return judge_numbers(hearing, span.samples, span.level.snr, self.decode)


def _share(p: float) -> float:
    return min(max(p, 0.0), 1.0)
