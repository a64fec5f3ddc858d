"""Captions of what was heard, and chapters of the exam's regions (W3C WebVTT)."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import Final

from pydantic import BaseModel, ConfigDict

from dictate.exam.catalogue import Catalogue
from dictate.outputs.arrangement import UNKNOWN_REGION
from dictate.recognition.words import Word
from dictate.session.record import Session

_LONGEST_LINE: Final = 42  # characters; two such lines fit a phone and a picture (common practice)
_SHORTEST_CUE: Final = 0.2  # seconds; a cue must not end where it begins
_CHAPTER_GAP: Final = 8.0  # seconds in another region below which a chapter is not broken
_WHITE: Final = re.compile(r"\s+")


class Chapter(BaseModel):
    """A stretch in which one region was spoken of; seconds from the start."""

    model_config = ConfigDict(frozen=True)

    region: str
    title: str
    start: float
    end: float


def captions(session: Session) -> str:
    """What was heard as WebVTT, with voice tags where it is known who spoke.

    Long phrases are cut at word times. Talk that did not fit the exam is shown in
    brackets after "unclear", since its words are likely wrong.
    """
    cues = []
    for phrase in sorted(session.phrases, key=lambda one: (one.start, one.end)):
        for words in _pieces(phrase.words):
            text = _WHITE.sub(" ", " ".join(word.text for word in words)).strip()
            if not text:
                continue
            if not phrase.recognised:
                text = f"[unclear: {text}]"
            voice = f"<v {_annotation(phrase.speaker)}>" if phrase.speaker else ""
            lines = [_escaped(line) for line in _two_lines(text)]
            begin = words[0].start
            end = max(words[-1].end, begin + _SHORTEST_CUE)
            cues.append(f"{_times(begin, end)}\n{voice}" + "\n".join(lines))
    return _file(session, cues)


def chapters(session: Session, catalogue: Catalogue) -> str:
    """The regions as WebVTT chapters, in the order in which they were spoken of."""
    cues = [
        f"{chapter.region}\n{_times(chapter.start, chapter.end)}\n{_escaped(chapter.title)}"
        for chapter in chapter_list(session, catalogue)
    ]
    return _file(session, cues)


def chapter_list(session: Session, catalogue: Catalogue) -> tuple[Chapter, ...]:
    """Stretches of talk about one region each, without overlaps and in order of time.

    A short remark about another region does not break a chapter in two.
    """
    titles = {region.region: region.title for region in catalogue.regions}
    runs: list[Chapter] = []
    for finding in sorted(session.findings, key=lambda one: (one.start, one.end, one.id)):
        key = finding.item.partition(".")[0]
        region, title = (key, titles[key]) if key in titles else (UNKNOWN_REGION, "Other items")
        end = max(finding.end, finding.start + _SHORTEST_CUE)
        if runs and runs[-1].region == region:
            runs[-1] = runs[-1].model_copy(update={"end": max(end, runs[-1].end)})
        elif (
            len(runs) > 1
            and runs[-2].region == region
            and runs[-1].end - runs[-1].start < _CHAPTER_GAP
        ):
            runs.pop()
            runs[-1] = runs[-1].model_copy(update={"end": max(end, runs[-1].end)})
        else:
            runs.append(Chapter(region=region, title=title, start=finding.start, end=end))
    return tuple(_one_after_another(runs, session.info.seconds))


def _one_after_another(runs: Sequence[Chapter], length: float) -> Iterator[Chapter]:
    for place, run in enumerate(runs):
        end = runs[place + 1].start if place + 1 < len(runs) else max(run.end, length)
        if end - run.start >= _SHORTEST_CUE:
            yield run.model_copy(update={"end": end})


def _pieces(words: Sequence[Word]) -> Iterator[list[Word]]:
    piece: list[Word] = []
    length = 0
    for word in words:
        if piece and length + 1 + len(word.text) > 2 * _LONGEST_LINE - 12:
            yield piece
            piece, length = [], 0
        piece.append(word)
        length += len(word.text) + 1
    if piece:
        yield piece


def _two_lines(text: str) -> list[str]:
    if len(text) <= _LONGEST_LINE:
        return [text]
    blanks = [place for place, sign in enumerate(text) if sign == " "]
    if not blanks:
        return [text]
    middle = min(blanks, key=lambda place: abs(place - len(text) / 2))
    return [text[:middle], text[middle + 1 :]]


def _escaped(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def _annotation(name: str) -> str:
    """A speaker's name as a tag's annotation: one line, no end of tag."""
    return _escaped(_WHITE.sub(" ", name).strip())


def _stamp(seconds: float) -> str:
    thousandths = round(seconds * 1000)
    return (
        f"{thousandths // 3_600_000:02}:{thousandths // 60_000 % 60:02}:"
        f"{thousandths // 1000 % 60:02}.{thousandths % 1000:03}"
    )


def _times(start: float, end: float) -> str:
    return f"{_stamp(start)} --> {_stamp(end)}"


def _file(session: Session, cues: Sequence[str]) -> str:
    header = "WEBVTT\n\nNOTE\nMade by a program from sound; it can be misheard. Training record.\n"
    return header + "".join(f"\n{cue}\n" for cue in cues)
