"""Builds, caches and finds the language model and dictionary of the exam."""

from __future__ import annotations

import hashlib
import json
import random
import shutil
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import NamedTuple

from dictate.cache import cache_folder
from dictate.recognition import ngrams
from dictate.recognition.general_model import GeneralEnglish
from dictate.recognition.number_words import NUMBER_WORDS, SWAPPED_WORDS, with_other_numbers
from dictate.recognition.pronunciations import (
    general_dictionary,
    pronounce,
    write_dictionary,
)

BUILDER_VERSION = "3"
NUMBER_SPREAD = 2
"""Copies of each sentence with a number, with its number words swapped within their class,
so that every value can be said after every word that some value was sampled after."""
SPREAD_WEIGHT = 0.3
HELD_OUT = 0.1
GENERAL_SHARE = 0.1
"""Share of general English. On phrasings outside the grammar (tests/bench, tuning voices)
0.1 measured better than 0, 0.3 and 0.5: 24.4% word errors against 26.3, 26.1 and 26.8."""


class ExamLanguage(NamedTuple):
    """Files for the recogniser and how they came about.

    ``unknown`` lists words without a pronunciation: they cannot be heard.
    ``seconds`` is the time spent building, 0 when the files were ``reused``.
    """

    language_model: Path
    dictionary: Path
    words: int
    unknown: tuple[str, ...]
    smoothing: str
    perplexity: float
    seconds: float
    reused: bool


def exam_language(
    sentences: Callable[[], Iterable[str | tuple[str, float]]],
    *,
    made_from: Sequence[Path | str],
    own_pronunciations: Path,
    extra_words: Iterable[str] = (),
    cache: Path | None = None,
) -> ExamLanguage:
    """Return the language model of the exam, built only when something changed.

    Args:
        sentences: called only when a build is needed; gives what may be said, in
            words, each with an optional weight (1 unless given).
        made_from: everything the sentences depend on: files (their content counts)
            and strings such as a sample count.
        own_pronunciations: our dictionary of words that the general one lacks.
        extra_words: words that must be sayable beyond those in the sentences.
        cache: folder to keep builds in; the user's cache folder unless given.

    Raises:
        UserFault: a dictionary file is malformed.
    """
    extra = sorted({word.lower() for word in extra_words})
    key = _key([*made_from, own_pronunciations], extra)
    folder = (cache or cache_folder()) / f"exam-{key[:24]}"
    ready = _read(folder)
    if ready is not None:
        return ready
    began = time.perf_counter()
    folder.parent.mkdir(parents=True, exist_ok=True)
    work = Path(tempfile.mkdtemp(prefix="build-", dir=folder.parent))
    try:
        facts = _build(sentences(), extra, own_pronunciations, work)
        (work / "facts.json").write_text(json.dumps(facts), encoding="utf-8")
        try:
            work.replace(folder)
        except OSError:
            # Another process was quicker, or an unfinished folder stands there.
            if _read(folder) is None:
                shutil.rmtree(folder, ignore_errors=True)
                work.replace(folder)
    finally:
        shutil.rmtree(work, ignore_errors=True)
    built = _read(folder)
    assert built is not None
    return built._replace(reused=False, seconds=time.perf_counter() - began)


def _build(
    sentences: Iterable[str | tuple[str, float]], extra: list[str], own: Path, folder: Path
) -> dict[str, object]:
    said = _gather(sentences)
    vocabulary = {word for words, _ in said for word in words} | set(extra) | SWAPPED_WORDS
    spoken = pronounce(vocabulary, own, general_dictionary())
    missing = set(spoken.unknown)
    said = [entry for entry in said if not missing.intersection(entry[0])]
    base = {word: 1.0 for word in spoken.dictionary}
    chance = random.Random(7)
    kept, held = _split(said, chance)
    kinds: tuple[ngrams.Smoothing, ...] = ("witten-bell", "kneser-ney")
    scores = {
        kind: ngrams.perplexity(
            ngrams.train(_spread(kept, chance), base, kind), (words for words, _ in held)
        )
        for kind in kinds
    }
    best = min(scores, key=lambda kind: scores[kind])
    model = ngrams.train(_spread(said, chance), base, best)
    english = GeneralEnglish()
    model = ngrams.mix(model, english.p, english.telling(spoken.dictionary), GENERAL_SHARE)
    ngrams.write_arpa(model, folder / "exam.arpa")
    write_dictionary(spoken.dictionary, folder / "exam.dict")
    return {
        "words": len(spoken.dictionary),
        "unknown": list(spoken.unknown),
        "smoothing": best,
        "perplexity": scores[best],
    }


def _gather(sentences: Iterable[str | tuple[str, float]]) -> list[ngrams.Weighted]:
    """Split into words and join repeated sentences, their weights added."""
    weights: Counter[tuple[str, ...]] = Counter()
    for entry in sentences:
        text, weight = (entry, 1.0) if isinstance(entry, str) else entry
        words = tuple(text.lower().split())
        if words:
            weights[words] += weight  # type: ignore[assignment]
    return list(weights.items())


def _split(
    said: list[ngrams.Weighted], chance: random.Random
) -> tuple[list[ngrams.Weighted], list[ngrams.Weighted]]:
    held = set(chance.sample(range(len(said)), int(len(said) * HELD_OUT)))
    kept = [entry for index, entry in enumerate(said) if index not in held]
    return kept, [said[index] for index in sorted(held)]


def _spread(said: list[ngrams.Weighted], chance: random.Random) -> Iterable[ngrams.Weighted]:
    for words, weight in said:
        yield words, weight
        if not NUMBER_WORDS.isdisjoint(words):
            copies = NUMBER_SPREAD * min(max(round(weight), 1), 20)
            for _ in range(copies):
                yield with_other_numbers(words, chance), weight * SPREAD_WEIGHT / copies


def _key(parts: Sequence[Path | str], extra: list[str]) -> str:
    digest = hashlib.sha256(f"builder {BUILDER_VERSION}".encode())
    for part in parts:
        content = part.read_bytes() if isinstance(part, Path) else part.encode()
        digest.update(f"{len(content)}:".encode())
        digest.update(content)
    digest.update("\n".join(extra).encode())
    return digest.hexdigest()


def _read(folder: Path) -> ExamLanguage | None:
    """Return the finished build in ``folder``, or None where there is none or it is damaged."""
    model, dictionary = folder / "exam.arpa", folder / "exam.dict"
    try:
        facts = json.loads((folder / "facts.json").read_text(encoding="utf-8"))
        if not (model.stat().st_size and dictionary.stat().st_size):
            return None
        return ExamLanguage(
            model,
            dictionary,
            int(facts["words"]),
            tuple(facts["unknown"]),
            str(facts["smoothing"]),
            float(facts["perplexity"]),
            0.0,
            True,
        )
    except (OSError, ValueError, KeyError, TypeError):
        return None
