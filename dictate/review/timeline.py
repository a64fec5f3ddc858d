"""Where things lie in the recording: regions, findings, remarks, commands, silence."""

from __future__ import annotations

from typing import Final, NamedTuple

from dictate.checks.wording import clock
from dictate.outputs.captions import chapter_list
from dictate.review.reviewed import OpenSession
from dictate.review.worklist import Teller
from dictate.session.entries import Mark, SpokenCommand

_SILENCE: Final = 8.0  # seconds without talk from which on a pause is shown
_TICKS: Final = (5, 10, 15, 30, 60, 120, 300, 600, 1800, 3600)  # seconds between marks of time
_MOST_TICKS: Final = 14


class Stretch(NamedTuple):
    """A part of the recording in per cent of its length."""

    key: str
    title: str
    x: float
    width: float
    start: float


class Point(NamedTuple):
    """A moment with something to see; ``x`` in per cent of the length."""

    kind: str
    title: str
    x: float
    start: float


class Timeline(NamedTuple):
    """All that is drawn over the waveform."""

    seconds: float
    regions: tuple[Stretch, ...]
    silences: tuple[Stretch, ...]
    findings: tuple[Point, ...]
    flags: tuple[Point, ...]
    marks: tuple[Point, ...]
    ticks: tuple[Point, ...]


def timeline(session: OpenSession) -> Timeline:
    """Lay a session out over its length."""
    held = session.session
    seconds = max(
        [held.info.seconds, 1.0, *(one.end for one in held.phrases[-1:])],
    )

    def x(at: float) -> float:
        return round(min(max(at / seconds, 0.0), 1.0) * 100, 3)

    def stretch(key: str, title: str, start: float, end: float) -> Stretch:
        return Stretch(key, title, x(start), round(x(end) - x(start), 3), start)

    tell = Teller(session)
    findings = []
    for finding in held.findings:
        if finding.stands:
            told = tell.told(finding)
            kind = "doubt" if finding.doubtful else finding.level.value
            place = f" ({told.place})" if told.place else ""
            title = f"{told.at} {told.title}{place}: {told.result}"
            findings.append(Point(kind, title, x(finding.start), finding.start))
    flags = [
        Point(one.severity, f"{clock(one.at)} {one.sentence}", x(one.at), one.at)
        for one in held.flags
        if one.at is not None and not one.rule.startswith("doubtful:")
    ]
    marks = [
        Point("comment", f"{clock(one.seconds)} {one.by}: {one.text}", x(one.seconds), one.seconds)
        for one in session.comments()
        if one.seconds is not None
    ]
    for entry in session.entries:
        if isinstance(entry, SpokenCommand):
            words = f"{clock(entry.seconds)} command: {entry.words}"
            marks.append(Point("command", words, x(entry.seconds), entry.seconds))
        elif isinstance(entry, Mark):
            words = f"{clock(entry.seconds)} mark: {entry.text}"
            marks.append(Point("mark", words, x(entry.seconds), entry.seconds))
    step = next((one for one in _TICKS if seconds / one <= _MOST_TICKS), _TICKS[-1])
    ticks = [
        Point("tick", clock(at), x(at), float(at)) for at in range(step, int(seconds) + 1, step)
    ]
    return Timeline(
        seconds=seconds,
        regions=tuple(
            stretch(one.region, one.title, one.start, one.end)
            for one in chapter_list(held, session.catalogue)
        ),
        silences=tuple(
            stretch("silence", f"{clock(start)} {end - start:.0f} s without talk", start, end)
            for start, end in _silences(session, seconds)
        ),
        findings=tuple(findings),
        flags=tuple(flags),
        marks=tuple(marks),
        ticks=tuple(ticks),
    )


def _silences(session: OpenSession, seconds: float) -> list[tuple[float, float]]:
    found = []
    before = 0.0
    for phrase in sorted(session.session.phrases, key=lambda one: one.start):
        if phrase.start - before >= _SILENCE:
            found.append((before, phrase.start))
        before = max(before, phrase.end)
    if seconds - before >= _SILENCE:
        found.append((before, seconds))
    return found
