"""The embedded recogniser: PocketSphinx with the language model of the exam."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from dictate.audio.level import Level
from dictate.audio.segments import Pauses, Span, SpanCutter
from dictate.audio.source import Block
from dictate.recognition.language_model import ExamLanguage
from dictate.recognition.words import HeardPhrase, Word

FRAME_SECONDS = 0.01
DOMAIN_PROBABILITY = 0.002
WORD_PROBABILITY = 0.48
UNSURE = 0.25


class PocketSphinxEngine:
    """Decodes each span between pauses with the trigram of the exam.

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
            **settings,
        )

    @property
    def version(self) -> str:
        """Library version and the identity of the language model."""
        from importlib.metadata import version

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
                yield from self._phrases(span)
        for span in self._cutter.finish():
            yield from self._phrases(span)

    def partial(self) -> str:
        """Decode what has been said since the last pause."""
        span = self._cutter.pending
        if span is None:
            return ""
        phrase = self._decode(span)
        return phrase.text if phrase else ""

    def _phrases(self, span: Span) -> Iterator[HeardPhrase]:
        phrase = self._decode(span)
        if phrase is not None:
            yield phrase

    def _decode(self, span: Span) -> HeardPhrase | None:
        decoder = self._decoder
        decoder.start_utt()
        decoder.process_raw(span.samples.tobytes(), full_utt=True)
        decoder.end_utt()
        hypothesis = decoder.hyp()
        if hypothesis is None or not hypothesis.hypstr:
            return None
        words: list[Word] = []
        for segment in decoder.seg():
            text = segment.word.partition("(")[0]
            if not text or text[0] in "<[+":
                continue
            start = span.start + segment.start_frame * FRAME_SECONDS
            end = span.start + (segment.end_frame + 1) * FRAME_SECONDS
            words.append(
                Word(text=text, start=start, end=end, confidence=min(max(segment.prob, 0.0), 1.0))
            )
        if not words:
            return None
        likely = hypothesis.prob >= DOMAIN_PROBABILITY
        # The probability of a whole phrase falls with its length; a long one that is likely
        # word by word is kept, with its words marked as unsure.
        each = max(hypothesis.prob, 0.0) ** (1 / len(words))
        if not likely and each >= WORD_PROBABILITY:
            words = [word.model_copy(update={"confidence": UNSURE}) for word in words]
        return HeardPhrase(
            words=tuple(words),
            start=words[0].start,
            end=words[-1].end,
            confidence=min(max(hypothesis.prob, 0.0), 1.0),
            recognised=likely or each >= WORD_PROBABILITY,
        )
