"""Reads a session's journal and reduces it to what a cohort's index keeps."""

from __future__ import annotations

import hashlib
import re
from collections import Counter
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path

from dictate.checks.flag import Flag
from dictate.checks.pace import seconds_by_region
from dictate.checks.standing import standing
from dictate.cohort.courses import checklist_of
from dictate.cohort.digest import STEADY, Digest, Expected, Judge, Raised, Reached, Spoken, Told
from dictate.conversion import opened, reopened
from dictate.errors import UserFault
from dictate.exam.course import Checklist
from dictate.findings.finding import (
    Choice,
    Finding,
    Grade,
    Level,
    Pressure,
    Quantity,
    Ratio,
)
from dictate.session.journal import JOURNAL_NAME, journal_bytes
from dictate.session.record import Session

_FEWEST_NUMBERS = 4  # fewer may be the same by chance: common practice
_ITEM_OR_REGION = re.compile(r"^[a-z][a-z0-9_]*(\.[a-z][a-z0-9_]*)?$")


@lru_cache(maxsize=8)
def checklist_for(course: str) -> Checklist:
    """The exam of a course as the sessions name it.

    Raises:
        UserFault: there is no such course here.
    """
    return checklist_of(course)


def expected_of(checklist: Checklist) -> tuple[Expected, ...]:
    """Every item and side that stands on the checklist, in exam order."""
    lines = []
    for entry in checklist.entries:
        paired = checklist.catalogue.items[entry.item].sides == "paired"
        lines += [
            Expected(item=entry.item, side=side, required=entry.required)
            for side in (("left", "right") if paired else ("",))
        ]
    return tuple(lines)


def digest_folder(folder: Path) -> Digest:
    """Read a session's journal and judge it by the exam that it names.

    Never raises for what is wrong with one session: that is told in ``problem``.
    """
    content = b""
    course = ""
    try:
        content = journal_bytes(folder / JOURNAL_NAME)
        info, reading = opened(folder)
        course = info.course
        checklist = checklist_for(course)
        session = reopened(info, reading, checklist.catalogue)
        return digest_of(session, checklist, hashlib.sha256(content).hexdigest())
    except UserFault as fault:
        problem = str(fault)
    except OSError as error:
        problem = f"The journal in {folder} cannot be read ({error.strerror}); check the disk."
    except Exception as error:
        # A defect, but one session's defect must not hide the others.
        problem = f"The program failed on {folder} ({type(error).__name__}: {error})."
    return Digest(
        content_sha256=hashlib.sha256(content).hexdigest(),
        judge=Judge(course=course, exam_version=""),
        problem=problem,
    )


def digest_of(session: Session, checklist: Checklist, content_sha256: str) -> Digest:
    """Reduce a session to what a cohort is told about."""
    catalogue = checklist.catalogue
    heard = standing(session.findings, session.coverage, catalogue, session.info.seconds)
    results = [one for one in heard.findings if one.level is not Level.PERFORMED]
    told = tuple(one for finding in results if (one := _told(finding)) is not None)
    return Digest(
        content_sha256=content_sha256,
        judge=Judge(course=session.info.course, exam_version=catalogue.version),
        session_id=session.info.id,
        sound_sha256=session.info.sound_sha256,
        learner=session.info.learner,
        partner=session.info.partner,
        started=session.info.started,
        seconds=session.info.seconds,
        engine=f"{session.info.engine} {session.info.engine_version}".strip(),
        program_version=session.info.program_version,
        state=session.state,
        results=len(results),
        doubtful=sum(one.doubtful for one in results),
        spoken=tuple(_spoken(session)),
        told=told,
        raised=_raised(session.flags),
        reached=tuple(_reached(session, checklist)),
        fingerprint=_fingerprint(told),
        region_seconds={
            region: round(spent, 1) for region, spent in seconds_by_region(heard).items()
        },
    )


def _spoken(session: Session) -> Iterator[Spoken]:
    for cover in session.coverage.values():
        for side, level in (*cover.sides.items(), ("?", cover.side_unsaid)):
            if level is not Level.UNSPOKEN:
                yield Spoken(item=cover.item, side=side, level=level.rank)


def _reached(session: Session, checklist: Checklist) -> Iterator[Reached]:
    counts: dict[str, Counter[int]] = {}
    for line in expected_of(checklist):
        cover = session.coverage.get(line.item)
        level = 0 if cover is None else cover.sides[line.side].rank
        counts.setdefault(line.item.partition(".")[0], Counter())[level] += 1
    for region, held in counts.items():
        yield Reached(
            region=region,
            expected=held.total(),
            performed=held[1],
            reported=held[2],
            measured=held[3],
        )


def _fingerprint(told: tuple[Told, ...]) -> str:
    """A hash of the numbers that change from one examination to the next."""
    numbers = sorted(
        f"{one.item} {one.side} {one.site} {one.number} {one.second}"
        for one in told
        if one.kind in ("quantity", "pressure") and one.item not in STEADY
    )
    if len(numbers) < _FEWEST_NUMBERS:
        return ""
    return hashlib.sha256("\n".join(numbers).encode()).hexdigest()


def _told(finding: Finding) -> Told | None:
    value = finding.value
    number: float | None = None
    second: float | None = None
    unit, text = "", ""
    if isinstance(value, Quantity):
        number, unit = float(value.number), value.unit
        second = None if value.high is None else float(value.high)
        text = value.comparator or ""
    elif isinstance(value, Pressure):
        number, second, unit = float(value.systolic), float(value.diastolic), value.unit
    elif isinstance(value, Ratio):
        number, second = float(value.numerator), float(value.denominator)
    elif isinstance(value, Grade):
        number, unit = float(value.grade), value.scale
    elif isinstance(value, Choice):
        text = f"not {value.code}" if value.denied else value.code
    elif finding.status is None:
        return None
    return Told(
        item=finding.item,
        side=finding.side or "",
        site=finding.site or "",
        kind="" if value is None else value.kind,
        number=number,
        second=second,
        unit=unit,
        text=text,
        status=finding.status or "",
        doubtful=finding.doubtful,
    )


def _raised(flags: tuple[Flag, ...]) -> tuple[Raised, ...]:
    """Each flag once for every item that it gathers."""
    counted: Counter[Raised] = Counter()
    for flag in flags:
        rule, _, about = flag.rule.partition(":")
        if rule == "order":
            rule, abouts = f"order:{about}", flag.items[:1]
        elif _ITEM_OR_REGION.match(about) and "." not in about and flag.items:
            abouts = flag.items if rule not in ("region_order", "pace") else (about,)
        else:
            abouts = (about,)
        for one in abouts or ("",):
            counted[Raised(rule=rule, about=one, severity=flag.severity)] += 1
    return tuple(counted.elements())
