"""What a person should look at: doubtful values first, then what the checks remark."""

from __future__ import annotations

import hashlib
from typing import Literal, NamedTuple

from dictate.checks.flag import Flag
from dictate.checks.wording import clock
from dictate.exam.catalogue import Catalogue
from dictate.findings.finding import Finding, Level
from dictate.findings.numerals import value_words
from dictate.outputs.arrangement import site_title
from dictate.outputs.sentences import result_words, stands_out
from dictate.review.reviewed import OpenSession
from dictate.session.corrections import in_force
from dictate.session.entries import Acknowledgement, Confirmation

CLIP_MARGIN = 0.8  # seconds of sound before and after the words
_MOST_SHOWN = 6  # findings shown under one remark; the rest is counted


class Told(NamedTuple):
    """One finding in words."""

    id: str
    item: str
    region: str
    region_key: str
    title: str
    place: str
    side: str
    result: str
    status: str
    level: str
    at: str
    start: float
    end: float
    words: str
    speaker: str
    sure: str
    by_hand: bool
    doubts: tuple[str, ...]
    alternatives: tuple[str, ...]
    stands_out: bool
    confirmed: bool


class Remark(NamedTuple):
    """What a check says about a finding, and where its range or rule comes from."""

    sentence: str
    source: str


class Task(NamedTuple):
    """One thing to look at.

    ``kind`` is 'doubt' or the severity of a flag; ``begin`` and ``end`` bound its clip in
    seconds, both None where it points to no moment.
    """

    id: str
    kind: Literal["doubt", "error", "warning", "note"]
    sentence: str
    source: str
    rule: str
    findings: tuple[Told, ...]
    more: int
    at: str
    begin: float | None
    end: float | None
    remarks: tuple[Remark, ...] = ()


class Worklist(NamedTuple):
    """Tasks to do, and flags that were seen."""

    doubts: tuple[Task, ...]
    flags: tuple[Task, ...]
    seen: tuple[Task, ...]

    @property
    def left(self) -> int:
        """How many wait; notes of the checks are for reading and do not count."""
        return len(self.doubts) + sum(task.kind != "note" for task in self.flags)


def worklist(session: OpenSession) -> Worklist:
    """Put a session's doubts and flags into the order in which to look at them.

    A request of the checks to confirm a doubtful finding is the doubt itself and not told
    twice; other remarks about a doubtful finding stand beside it too.
    """
    tell = Teller(session)
    standing = {one.id: one for one in session.session.findings if one.stands}
    seen_rules = {
        (one.rule, one.sentence)
        for one in in_force(session.entries)
        if isinstance(one, Acknowledgement)
    }
    flags = [one for one in session.session.flags if not one.rule.startswith("doubtful:")]
    doubts = []
    for finding in sorted(standing.values(), key=lambda one: (one.start, one.id)):
        if finding.doubtful:
            doubts.append(
                Task(
                    id=f"doubt-{finding.id}",
                    kind="doubt",
                    sentence="",
                    source="",
                    rule="",
                    findings=(tell.told(finding),),
                    more=0,
                    at=clock(finding.start),
                    begin=max(0.0, finding.start - CLIP_MARGIN),
                    end=finding.end + CLIP_MARGIN,
                    remarks=tuple(
                        Remark(one.sentence, _source(one))
                        for one in flags
                        if finding.id in one.findings
                    ),
                )
            )
    told = [_flag_task(flag, standing, tell) for flag in flags]
    open_flags: list[Task] = []
    seen: list[Task] = []
    for flag, task in zip(flags, told, strict=True):
        (seen if (flag.rule, flag.sentence) in seen_rules else open_flags).append(task)
    return Worklist(doubts=tuple(doubts), flags=tuple(open_flags), seen=tuple(seen))


def _flag_task(flag: Flag, standing: dict[str, Finding], tell: Teller) -> Task:
    held = [standing[one] for one in flag.findings if one in standing]
    begin = end = None
    if held:
        last = max(held, key=lambda one: one.start)
        begin, end = max(0.0, last.start - CLIP_MARGIN), last.end + CLIP_MARGIN
    return Task(
        # The same remark keeps its place on the page while others come and go.
        id=f"flag-{hashlib.sha256(f'{flag.rule}|{flag.sentence}'.encode()).hexdigest()[:12]}",
        kind=flag.severity,
        sentence=flag.sentence,
        source=_source(flag),
        rule=flag.rule,
        findings=tuple(tell.told(one) for one in held[:_MOST_SHOWN]),
        more=max(0, len(held) - _MOST_SHOWN),
        at="" if flag.at is None else clock(flag.at),
        begin=begin,
        end=end,
    )


def _source(flag: Flag) -> str:
    """The flag's sources, each once."""
    return "; ".join(dict.fromkeys(flag.source.split("; ")))


class Teller:
    """Puts findings into words for the page."""

    def __init__(self, session: OpenSession) -> None:
        self._catalogue: Catalogue = session.catalogue
        self._regions = {one.region: one.title for one in session.catalogue.regions}
        self._confirmed = {
            one.seen.id for one in in_force(session.entries) if isinstance(one, Confirmation)
        }

    def told(self, finding: Finding) -> Told:
        """One finding in words."""
        item = self._catalogue.items.get(finding.item)
        region = finding.item.partition(".")[0]
        return Told(
            id=finding.id,
            item=finding.item,
            region=self._regions.get(region, "Other items"),
            region_key=region,
            title=item.title if item is not None else finding.item,
            place=self.place(finding),
            side=finding.side or "",
            result=result_words(finding, self._catalogue),
            status=finding.status or "",
            level=finding.level.value,
            at=clock(finding.start),
            start=finding.start,
            end=finding.end,
            words=finding.words,
            speaker="" if finding.speaker == "unknown" else finding.speaker,
            sure=f"{finding.confidence:.0%}",
            by_hand=finding.by_hand,
            doubts=tuple(_sentence(one) for one in finding.doubts),
            alternatives=tuple(value_words(one, self._catalogue) for one in finding.alternatives),
            stands_out=finding.level is not Level.PERFORMED
            and stands_out(finding, self._catalogue),
            confirmed=finding.id in self._confirmed,
        )

    def place(self, finding: Finding) -> str:
        """Side and site in words; '' where there is neither."""
        side = {None: "", "unspecified": "side not said", "both": "both sides"}.get(
            finding.side, finding.side or ""
        )
        return ", ".join(part for part in (side, site_title(finding, self._catalogue)) if part)


def _sentence(text: str) -> str:
    whole = text.strip().rstrip(".")
    return f"{whole[:1].upper()}{whole[1:]}." if whole else ""
