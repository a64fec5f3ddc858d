"""The session so far: its journal, and what the journal amounts to at this moment."""

from __future__ import annotations

from dictate.checks.checking import check
from dictate.checks.flag import Flag
from dictate.exam.catalogue import Catalogue
from dictate.findings.coverage import ItemCoverage, coverage_of
from dictate.findings.finding import Choice, Finding, Level, Text, Trials
from dictate.findings.values import amended
from dictate.live.answers import finding_title, finding_words, level_words
from dictate.live.shown import Filled, ItemLine, RegionTime, Shown
from dictate.live.understanding import Understanding
from dictate.outputs.sentences import result_words
from dictate.recognition.words import HeardPhrase
from dictate.session.corrections import apply_corrections
from dictate.session.entries import (
    Confirmation,
    Correction,
    Entry,
    Mark,
    Notice,
    PhraseHeard,
    SessionEnd,
    SpokenCommand,
    now,
)
from dictate.session.journal import Journal
from dictate.talk.numbers import find_numbers

SHOWN_FILLED = 5
LIVE_RULES = frozenset(
    [
        "implausible", "unusual", "unit", "systolic_not_above_diastolic", "scale", "acuity",
        "asymmetry", "conflict", "contradiction", "order", "region_order",
    ]
)  # fmt: skip
"""Checks that can be judged before the end; what is missing may still come."""
_AFTER = 0.25
"""Seconds after its last word that belong to a phrase, as in ``dictate.audio.segments``."""


class Record:
    """Writes what happens into the journal and keeps the findings up to date.

    Args:
        catalogue: the exam.
        journal: open for adding.
        learner: code of the person who examines.
        earlier: entries that the journal holds already, when a session goes on.
    """

    def __init__(
        self, catalogue: Catalogue, journal: Journal, learner: str, earlier: tuple[Entry, ...] = ()
    ) -> None:
        self._catalogue = catalogue
        self._journal = journal
        self._learner = learner
        self._understanding = Understanding(catalogue)
        self._decisions: list[Entry] = []
        self._phrase = ""
        self._phrases = self._fills = 0
        self._filled: list[Filled] = []
        self._region_seconds: dict[str, float] = {}
        self._seconds = 0.0
        self.heard_until = 0.0
        self.findings: tuple[Finding, ...] = ()
        self.coverage: dict[str, ItemCoverage] = {}
        self.flags: tuple[Flag, ...] = ()
        for entry in earlier:
            if isinstance(entry, PhraseHeard):
                self._understanding.add(entry.phrase)
                self.heard_until = max(self.heard_until, entry.phrase.end + _AFTER)
            elif isinstance(entry, Confirmation | Correction):
                self._decisions.append(entry)
            elif isinstance(entry, SpokenCommand) and entry.said_until is not None:
                self.heard_until = max(self.heard_until, entry.said_until)
        self._update()
        self._known = _by_id(self.findings)

    @property
    def region(self) -> str | None:
        """The region that the talk is in."""
        return self._understanding.region

    @property
    def live_flags(self) -> tuple[Flag, ...]:
        """Flags that hold whatever may still be said."""
        return tuple(flag for flag in self.flags if flag.rule.partition(":")[0] in LIVE_RULES)

    def pass_time(self, seconds: float) -> None:
        """Count time to the region in hand."""
        self._seconds += seconds
        region = self.region
        if region is not None:
            self._region_seconds[region] = self._region_seconds.get(region, 0.0) + seconds

    def passed(self, seconds: float) -> None:
        """So much of the session lies behind already."""
        self._seconds = seconds

    def hear(self, phrase: HeardPhrase) -> None:
        """Write down a phrase and read it."""
        self._journal.add(PhraseHeard(at=now(), phrase=phrase))
        self._phrase = phrase.text
        self._phrases += 1
        self._understanding.add(phrase)
        self._update()

    def settle(self) -> None:
        """Read what may still have been going on."""
        self._understanding.settle()
        self._update()

    def settle_by(self, seconds: float) -> bool:
        """Read an unfinished phrase when nobody went on with it; true if there was one."""
        if not self._understanding.settle_by(seconds):
            return False
        self._update()
        return True

    def news(self) -> list[Finding]:
        """Findings that are new or changed since the last call, and that stand."""
        fresh = [
            one
            for one in self.findings
            if one.stands and _reading(self._known.get(one.id)) != _reading(one)
        ]
        gone = [
            one
            for one in self.findings
            if one.struck and self._known.get(one.id) is not None and self._known[one.id].stands
        ]
        self._known = _by_id(self.findings)
        for one in gone:
            self._show_filled(one, "taken back")
        for one in fresh:
            self._show_filled(one, "please confirm" if one.doubtful else "")
        return fresh

    def standing(self, finding_id: str) -> Finding | None:
        """The finding with this id, while it stands."""
        return next((one for one in self.findings if one.id == finding_id and one.stands), None)

    def strike(self, finding: Finding | None = None, reason: str = "by command") -> str | None:
        """Take a finding back, the last result unless one is given; tell what was taken back."""
        last = finding or self._last(numbers_only=False)
        if last is None:
            return None
        self._decide(Correction(at=now(), by=self._learner, before=last, after=None, reason=reason))
        return f"Taken back: {finding_words(last, self._catalogue)}."

    def replace(self, value: tuple[str, ...], finding: Finding | None = None) -> str | None:
        """Give the last number, or that of a finding, another value; None where it fits none.

        Args:
            value: the words of the number, as spoken or typed.
            finding: which one; the last with a number unless given.
        """
        last = finding or self._last(numbers_only=True)
        item = self._catalogue.items.get(last.item) if last is not None else None
        if last is None or item is None:
            return None
        for spoken in find_numbers(list(value)):
            measured = amended(item, last.value, spoken, self._catalogue)
            if measured is None:
                continue
            after = last.model_copy(
                update={
                    "value": measured.value,
                    "status": measured.status,
                    "level": Level.MEASURED,
                    "doubts": (),
                    "alternatives": (),
                }
            )
            self._decide(
                Correction(
                    at=now(),
                    by=self._learner,
                    before=last,
                    after=after,
                    reason=f"said: {' '.join(value)}",
                )
            )
            return f"Changed: {finding_words(after, self._catalogue)}."
        return None

    def confirm(self, finding: Finding) -> None:
        """A person said that a doubtful finding is right."""
        self._decide(Confirmation(at=now(), by=self._learner, seen=finding))
        self._known = _by_id(self.findings)

    def mark(self, seconds: float) -> None:
        """Remember a moment."""
        self._journal.add(Mark(at=now(), seconds=seconds))

    def command(
        self, name: str, words: str, seconds: float, said_until: float | None = None
    ) -> None:
        """Write down a command at ``seconds``, and where its words ended if it was spoken."""
        self._journal.add(
            SpokenCommand(at=now(), name=name, words=words, seconds=seconds, said_until=said_until)
        )

    def notice(self, sentence: str) -> None:
        """Write down what the reader of the session should know."""
        self._journal.add(Notice(at=now(), sentence=sentence))

    def end(self, seconds: float, sound_sha256: str) -> None:
        """The recording is over; how long it is, and the SHA-256 of its file."""
        self._journal.add(SessionEnd(at=now(), seconds=seconds, sound_sha256=sound_sha256))

    def shown(self) -> Shown:
        """What a view shows of the findings."""
        region = self.region
        here = next((one for one in self._catalogue.regions if one.region == region), None)
        items = here.items if here is not None else ()
        last = max(
            (one for one in self.findings if one.stands and one.item.startswith(f"{region}.")),
            key=lambda one: one.end,
            default=None,
        )
        spoken = [one for one in self.coverage.values() if one.level is not Level.UNSPOKEN]
        return Shown(
            phrase=self._phrase,
            filled=tuple(self._filled),
            region=here.title if here is not None else "",
            items=tuple(
                ItemLine(
                    title=item.title,
                    level=level_words(self.coverage[item.id]),
                    here=last is not None and last.item == item.id,
                )
                for item in items
                if item.id in self.coverage
            ),
            flags=tuple(flag.sentence for flag in self.live_flags),
            regions=tuple(
                RegionTime(title=one.title, seconds=self._region_seconds[one.region])
                for one in self._catalogue.regions
                if one.region in self._region_seconds
            ),
            covered=len(spoken),
            items_in_all=len(self.coverage),
            phrases=self._phrases,
            fills=self._fills,
        )

    def _last(self, *, numbers_only: bool) -> Finding | None:
        results = [
            one
            for one in self.findings
            if one.stands
            and one.level is not Level.PERFORMED
            and not (
                numbers_only
                and (one.value is None or isinstance(one.value, Choice | Text | Trials))
            )
        ]
        return max(results, key=lambda one: (one.end, one.id), default=None)

    def _decide(self, entry: Correction | Confirmation) -> None:
        self._journal.add(entry)
        self._decisions.append(entry)
        self._update()

    def _update(self) -> None:
        self.findings = apply_corrections(self._understanding.findings, self._decisions).findings
        self.coverage = coverage_of(self.findings, self._catalogue)
        self.flags = check(self.findings, self.coverage, self._catalogue, self._seconds)

    def _show_filled(self, finding: Finding, remark: str) -> None:
        line = Filled(
            title=finding_title(finding, self._catalogue),
            result=result_words(finding, self._catalogue),
            remark=remark,
        )
        self._fills += 1
        self._filled = [*self._filled, line][-SHOWN_FILLED:]


def _by_id(findings: tuple[Finding, ...]) -> dict[str, Finding]:
    return {one.id: one for one in findings}


def _reading(finding: Finding | None) -> object:
    """What of a finding a person would see change."""
    if finding is None:
        return None
    return (
        finding.value,
        finding.status,
        finding.side,
        finding.site,
        finding.level,
        finding.doubts,
    )
