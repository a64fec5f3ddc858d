"""The language of a whole session: the exam's sentences and the talk around them."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from dictate.exam.location import grammars_folder
from dictate.exam.reading import content_hash
from dictate.recognition.everyday import read_everyday
from dictate.recognition.language_model import ExamLanguage, exam_language

EXAM_SENTENCES = 30_000
"""On the tuning voices (tests/bench, clean) 30,000 gave 8.9% word errors on the exam's phrases,
18.8% outside them and 84.9% exact numbers; 12,000 gave 9.9%, 21.3% and 79.4%."""
EVERYDAY_SENTENCES = 12_000

Sampler = Callable[[int], Iterable[str]]
"""Given a count, yields that many sentences of the exam, always the same ones."""


def speech_language(
    exam_sentences: Sampler | None = None,
    *,
    grammars: Path | None = None,
    exam_version: str = "",
    extra_words: Iterable[str] = (),
    cache: Path | None = None,
) -> ExamLanguage:
    """Build or find the language model and dictionary of a session.

    Args:
        exam_sentences: samples what the exam's items say; everyday talk alone if None.
        grammars: folder of the exam data, the installed one unless given.
        exam_version: identity of the exam where it is not that of ``grammars`` alone,
            such as a course's own items.
        extra_words: words that must be sayable whether sampled or not.
        cache: where builds are kept, the user's cache folder unless given.

    Raises:
        UserFault: the everyday talk or the pronunciations cannot be read.
    """
    folder = grammars or grammars_folder()
    speech = folder / "speech"
    talk = read_everyday(speech / "everyday.yaml")

    def sentences() -> Iterator[str]:
        yield from talk.sentences(EVERYDAY_SENTENCES, random.Random(11))
        if exam_sentences is not None:
            yield from exam_sentences(EXAM_SENTENCES)

    return exam_language(
        sentences,
        made_from=[
            content_hash(folder),
            exam_version,
            f"{EXAM_SENTENCES if exam_sentences else 0} {EVERYDAY_SENTENCES}",
        ],
        own_pronunciations=speech / "pronunciations.dict",
        extra_words={*talk.vocabulary, *(word.lower() for word in extra_words)},
        cache=cache,
    )
