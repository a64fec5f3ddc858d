"""The rest of the page in words: items in exam order, talk, history, marks."""

from __future__ import annotations

from decimal import Decimal
from typing import NamedTuple

from dictate.checks.wording import clock, listed
from dictate.exam.course import Criterion, marking_sheet
from dictate.findings.finding import Finding, Level
from dictate.outputs.arrangement import arrange
from dictate.outputs.sentences import result_words
from dictate.review.reviewed import OpenSession
from dictate.review.worklist import Teller, Told
from dictate.session.corrections import in_force
from dictate.session.entries import (
    Acknowledgement,
    Amendment,
    Comment,
    Confirmation,
    Correction,
    Entry,
    Judged,
    Score,
    Signature,
    Undo,
)

LEVEL_SHORT = {
    "unspoken": "never spoken of",
    "performed": "performed, no result",
    "reported": "reported",
    "measured": "measured",
}
_ORDER_RULES = ("order:", "region_order:")


class SideLevel(NamedTuple):
    """How far one side of an item got; ``side`` is '' where there are none."""

    side: str
    level: str


class Row(NamedTuple):
    """One item of the exam with what was found."""

    item: str
    title: str
    levels: tuple[SideLevel, ...]
    best: str
    required: bool
    sides: str
    findings: tuple[Told, ...]


class RegionRows(NamedTuple):
    """The items of one region, and those (with sides) never spoken of."""

    key: str
    title: str
    rows: tuple[Row, ...]
    counts: dict[str, int]
    unspoken: tuple[tuple[str, str], ...]


class Heard(NamedTuple):
    """One stretch of talk; ``times`` are the seconds at which its words begin."""

    start: float
    end: float
    at: str
    words: tuple[str, ...]
    times: str
    recognised: bool
    speaker: str


class Happened(NamedTuple):
    """One thing that a person did, from the journal."""

    at: str
    by: str
    what: str
    before: str
    after: str
    reason: str
    taken_back: bool
    kind: str


class Mark(NamedTuple):
    """One line of the marking sheet, with the mark given (None: not yet)."""

    criterion: Criterion
    shown: str
    points: Decimal | None
    remark: str
    by: str


class Sheet(NamedTuple):
    """The marking sheet by kind, with its total over the marks that were given."""

    kinds: tuple[tuple[str, tuple[Mark, ...]], ...]
    total: Decimal
    most_given: Decimal
    most: Decimal
    given: int
    lines: int


def region_rows(session: OpenSession) -> tuple[RegionRows, ...]:
    """Every item in exam order."""
    tell = Teller(session)
    required = session.checklist.required
    regions = []
    for view in arrange(session.session, session.catalogue):
        rows = []
        unspoken: list[tuple[str, str]] = []
        for item in view.items:
            levels = tuple(
                SideLevel(
                    side,
                    max(level, item.coverage.side_unsaid, key=lambda one: one.rank).value,
                )
                for side, level in item.coverage.sides.items()
            )
            missing = item.left_out(Level.UNSPOKEN)
            if missing is not None:
                unspoken.append((item.id, missing))
            rows.append(
                Row(
                    item=item.id,
                    title=item.title,
                    levels=levels,
                    best=item.coverage.level.value,
                    required=item.id in required,
                    sides=" ".join(sorted({one.side or "none" for one in item.findings})),
                    findings=tuple(tell.told(one) for one in item.findings),
                )
            )
        counts = {level.value: count for level, count in view.levels.items()}
        regions.append(RegionRows(view.key, view.title, tuple(rows), counts, tuple(unspoken)))
    return tuple(regions)


def heard_talk(session: OpenSession) -> tuple[Heard, ...]:
    """The talk as heard, in order of time."""
    return tuple(
        Heard(
            start=phrase.start,
            end=phrase.end,
            at=clock(phrase.start),
            words=tuple(word.text for word in phrase.words),
            times=" ".join(f"{word.start:.2f}" for word in phrase.words),
            recognised=phrase.recognised,
            speaker=phrase.speaker or "",
        )
        for phrase in sorted(session.session.phrases, key=lambda one: (one.start, one.end))
        if phrase.words
    )


def history(session: OpenSession) -> tuple[Happened, ...]:
    """What people did, newest first; what was taken back stays and says so."""
    left = list(in_force(session.entries))
    told = []
    for entry in session.entries:
        happened = _happened(entry, session)
        if happened is None:
            continue
        if entry in left:
            left.remove(entry)
        elif not isinstance(entry, Undo):
            happened = happened._replace(taken_back=True)
        told.append(happened)
    return tuple(reversed(told))


def _happened(entry: Entry, session: OpenSession) -> Happened | None:
    def line(what: str, before: str = "", after: str = "", reason: str = "") -> Happened:
        by = getattr(entry, "by", "")
        moment = f"{entry.at.astimezone():%Y-%m-%d %H:%M:%S}"
        return Happened(moment, by, what, before, after, reason, False, entry.kind)

    if isinstance(entry, Correction):
        before = _short(entry.before, session) if entry.before is not None else ""
        after = _short(entry.after, session) if entry.after is not None else ""
        about = entry.after or entry.before
        title = _title(about, session) if about is not None else ""
        verb = "Added" if entry.before is None else "Rejected" if entry.after is None else "Changed"
        return line(f"{verb}: {title}", before, after, entry.reason)
    if isinstance(entry, Confirmation):
        return line(f"Accepted: {_title(entry.seen, session)}", "", _short(entry.seen, session))
    if isinstance(entry, Acknowledgement):
        return line("Remark seen", reason=entry.sentence)
    if isinstance(entry, Score):
        given = "no mark" if entry.points is None else f"{entry.points:f} of {entry.most:f}"
        titles = {one.id: one.title for one in marking_sheet(session.checklist)}
        return line(
            f"Mark: {titles.get(entry.criterion, entry.criterion)}", "", given, entry.remark
        )
    if isinstance(entry, Comment):
        where = "" if entry.seconds is None else f" at {clock(entry.seconds)}"
        return line(f"Comment{where}", reason=entry.text)
    if isinstance(entry, Signature):
        verb = "Countersigned" if entry.role == "instructor" else "Signed"
        return line(f"{verb} as {entry.role}", reason=entry.comment)
    if isinstance(entry, Amendment):
        return line("Opened again for an amendment", reason=entry.reason)
    if isinstance(entry, Judged):
        return line("Judged by another course", entry.before, entry.course, entry.reason)
    if isinstance(entry, Undo):
        undone = _happened(entry.undone, session)
        return line("Taken back", reason=undone.what if undone is not None else "")
    return None


def _title(finding: Finding, session: OpenSession) -> str:
    item = session.catalogue.items.get(finding.item)
    return item.title if item is not None else finding.item


def _short(finding: Finding, session: OpenSession) -> str:
    place = Teller(session).place(finding)
    result = result_words(finding, session.catalogue)
    status = f" [{finding.status}]" if finding.status else ""
    return f"{place}: {result}{status}" if place else f"{result}{status}"


def sheet(session: OpenSession) -> Sheet:
    """The marking sheet; beside each line stands what the sound shows, never a mark of its own."""
    marks = session.marks()
    lines: dict[str, list[Mark]] = {}
    total = most_given = most = Decimal(0)
    for criterion in marking_sheet(session.checklist):
        most += Decimal(str(criterion.points))
        given = marks.get(criterion.id)
        if given is not None and given.points is not None:
            total += given.points
            most_given += given.most
        lines.setdefault(criterion.kind, []).append(
            Mark(
                criterion=criterion,
                shown=_shown(criterion, session),
                points=given.points if given is not None else None,
                remark=given.remark if given is not None else "",
                by=given.by if given is not None else "",
            )
        )
    count = sum(len(held) for held in lines.values())
    return Sheet(
        kinds=tuple((kind, tuple(held)) for kind, held in lines.items()),
        total=total,
        most_given=most_given,
        most=most,
        given=sum(mark.points is not None for held in lines.values() for mark in held),
        lines=count,
    )


def _shown(criterion: Criterion, session: OpenSession) -> str:
    """What the sound shows for a criterion; '' where it can show nothing."""
    if criterion.kind == "done":
        held = [
            entry.item
            for entry in session.checklist.entries
            if entry.required
            and (
                not criterion.places
                or entry.item in criterion.places
                or entry.item.partition(".")[0] in criterion.places
            )
        ]
        levels = [
            session.session.coverage[one].level for one in held if one in session.session.coverage
        ]
        spoken = sum(one is not Level.UNSPOKEN for one in levels)
        stated = sum(one.rank >= Level.REPORTED.rank for one in levels)
        return f"Heard: {spoken} of {len(held)} required items, {stated} with a result."
    if criterion.kind == "order":
        flags = [one for one in session.session.flags if one.rule.startswith(_ORDER_RULES)]
        if not flags:
            return "Heard: nothing out of order."
        moments = listed([clock(one.at) for one in flags if one.at is not None])
        count = f"{len(flags)} remark{'s' if len(flags) != 1 else ''}"
        return f"Heard: {count} about the order" + (f", at {moments}." if moments else ".")
    return ""
