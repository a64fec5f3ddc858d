"""Scores the understanding of exam talk against the excerpts' truth.

Run ``python tests/talk/scoring.py`` for totals, with ``--errors`` for a listing of what
went wrong in the open excerpts. Held-out excerpts are only ever totals here.
"""

from __future__ import annotations

import argparse
import random
import sys
import zlib
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, fields
from decimal import Decimal
from pathlib import Path

from dictate.exam.catalogue import Catalogue, Item
from dictate.exam.reading import load_catalogue
from dictate.findings.finding import (
    Choice,
    Finding,
    Grade,
    Level,
    Pressure,
    Quantity,
    Ratio,
    Text,
    Trials,
    Value,
)
from dictate.recognition.words import HeardPhrase

sys.path.insert(0, str(Path(__file__).resolve().parent))

from alike import OPPOSITE, PLAINLY_NORMAL, SAME_ITEMS, about_the_same, statement
from excerpt_format import (
    FRESH,
    OPEN_FRESH,
    Excerpt,
    TrueValue,
    Truth,
    phrases_of,
    read_excerpts,
)

Understand = Callable[[Iterable[HeardPhrase], Catalogue], Sequence[Finding]]

ERROR_RATES = (0.05, 0.10, 0.20)


@dataclass(frozen=True)
class Entry:
    """One finding or truth entry on one side, ready to be aligned."""

    item: str
    side: str
    site: str | None
    value: Value | TrueValue | None
    level: str | None
    status: str | None
    has_result: bool
    codes: frozenset[str]
    plus_scale: bool
    source: Finding | Truth


@dataclass
class Share:
    """How many of how many."""

    good: int = 0
    of: int = 0

    def add(self, good: bool) -> None:
        self.good += good
        self.of += 1

    def __str__(self) -> str:
        return f"{self.good / self.of:.3f}" if self.of else "-"


@dataclass
class Score:
    """Sums over one or more excerpts."""

    words: int = 0
    matched: int = 0
    missed: int = 0
    extra: int = 0
    results_matched: int = 0
    results_missed: int = 0
    results_extra: int = 0
    false_findings: int = 0
    forbidden: int = 0
    silent_wrong: int = 0
    value: Share = field(default_factory=Share)
    site: Share = field(default_factory=Share)
    status: Share = field(default_factory=Share)
    level: Share = field(default_factory=Share)
    certainty: Share = field(default_factory=Share)
    doubt: Share = field(default_factory=Share)
    errors: list[str] = field(default_factory=list)

    def __iadd__(self, other: Score) -> Score:
        for part in fields(self):
            mine, theirs = getattr(self, part.name), getattr(other, part.name)
            if isinstance(mine, Share):
                mine.good += theirs.good
                mine.of += theirs.of
            else:
                setattr(self, part.name, mine + theirs)
        return self

    @property
    def precision(self) -> float:
        return _ratio(self.matched, self.matched + self.extra)

    @property
    def recall(self) -> float:
        return _ratio(self.matched, self.matched + self.missed)

    @property
    def f1(self) -> float:
        return _ratio(2 * self.matched, 2 * self.matched + self.missed + self.extra)

    @property
    def results_f1(self) -> float:
        return _ratio(
            2 * self.results_matched,
            2 * self.results_matched + self.results_missed + self.results_extra,
        )

    @property
    def false_per_thousand(self) -> float:
        return 1000 * self.false_findings / self.words if self.words else 0.0


def _ratio(part: int, whole: int) -> float:
    return part / whole if whole else 1.0


def score_excerpt(excerpt: Excerpt, findings: Iterable[Finding], catalogue: Catalogue) -> Score:
    """Score the findings of one excerpt against its truth."""
    score = Score(words=excerpt.word_count)
    true = _tidy(_true_entries(excerpt.truth, catalogue))
    undivided = {entry.item for entry in true if entry.side == "undivided"}
    heard = _tidy(_found_entries(findings, catalogue, undivided))
    may = {SAME_ITEMS.get(item, item) for item in excerpt.may}
    heard = [entry for entry in heard if entry.has_result or entry.item not in may]
    pairs, missed, extra = _align(true, heard)
    # 'Fine' beside a more particular result that is just as good says nothing of its own.
    good = {(one.item, one.side) for one in true if one.status in ("normal", "absent")}
    idle = [one for one in extra if _plainly_normal(one) and (one.item, one.side) in good]
    extra = [one for one in extra if one not in idle]
    heard = [one for one in heard if one not in idle]
    score.matched, score.missed, score.extra = len(pairs), len(missed), len(extra)
    for entry in missed:
        score.errors.append(f"missed   {_told(entry)}")
    for entry in extra:
        score.errors.append(f"extra    {_told(entry)}")
    for wanted, got in pairs:
        _score_pair(score, wanted, got, catalogue)
    score.false_findings += sum(entry.has_result for entry in extra)
    results = _align(
        [entry for entry in true if entry.has_result],
        [entry for entry in heard if entry.has_result],
    )
    score.results_matched, score.results_missed, score.results_extra = map(len, results)
    forbidden = {SAME_ITEMS.get(item, item) for item in excerpt.forbidden}
    for entry in heard:
        if entry.has_result and entry.item in forbidden:
            score.forbidden += 1
            score.errors.append(f"forbidden {_told(entry)}")
    return score


def _score_pair(score: Score, wanted: Entry, got: Entry, catalogue: Catalogue) -> None:
    assert isinstance(wanted.source, Truth)
    assert isinstance(got.source, Finding)
    truth, finding = wanted.source, got.source
    wrong = []
    level_fits = wanted.level in (got.level, None) and wanted.has_result == got.has_result
    score.level.add(level_fits)
    if not level_fits:
        wrong.append("level")
    status = wanted.status
    if wanted.has_result and got.has_result:
        site_fits = wanted.site == got.site
        score.site.add(site_fits)
        if not site_fits:
            wrong.append("site")
        value_fits = _value_fits(wanted, got)
        score.value.add(value_fits)
        if not value_fits:
            wrong.append("value")
            score.silent_wrong += not finding.doubtful
        if value_fits and isinstance(finding.value, Choice):
            # The same said in other words has the status of those words.
            status = _status_of(catalogue.items[finding.item], finding.value, finding.status)
        if status is not None:
            score.status.add(status == finding.status)
            if status != finding.status:
                wrong.append(f"status {finding.status} for {status}")
        score.certainty.add(truth.hedged == (finding.certainty == "hedged"))
        if truth.hedged != (finding.certainty == "hedged"):
            wrong.append("certainty")
    if truth.doubtful:
        score.doubt.add(finding.doubtful)
        if not finding.doubtful:
            wrong.append("not marked doubtful")
    other_code = _other_code(wanted, got)
    if got.has_result and (other_code or not wanted.has_result):
        score.false_findings += 1
        wrong.append("false finding")
    if wrong:
        score.errors.append(f"differs  {_told(wanted)}  <>  {_told(got)}: {', '.join(wrong)}")


def _other_code(wanted: Entry, got: Entry) -> bool:
    """True when the two state different readings, whether affirmed or denied."""
    if not (isinstance(wanted.value, TrueValue) and isinstance(got.value, Choice)):
        return False
    if wanted.value.code is None or _plainly_normal(wanted) or _plainly_normal(got):
        return False
    return not about_the_same(wanted.item, wanted.value.code, got.value.code)


def _plainly_normal(entry: Entry) -> bool:
    """True for 'it looks fine', where the item has no reading of that name."""
    value = entry.value
    code = value.code if isinstance(value, Choice | TrueValue) else None
    return code == PLAINLY_NORMAL and PLAINLY_NORMAL not in entry.codes


def _status_of(item: Item, choice: Choice, otherwise: str | None) -> str | None:
    """The status that follows from the reading itself."""
    said = {reading.code: reading.status for reading in item.readings}.get(choice.code)
    if said is None:
        return otherwise
    return OPPOSITE[said] if choice.denied else said


def _found_entries(
    findings: Iterable[Finding], catalogue: Catalogue, undivided: set[str]
) -> list[Entry]:
    entries = []
    for finding in findings:
        if not finding.stands or finding.level is Level.UNSPOKEN:
            continue
        item = catalogue.items[finding.item]
        sides = _sides(finding.side, item.sides == "paired")
        if finding.item in undivided and finding.side not in ("left", "right"):
            sides = ("undivided",)
        result = finding.level.rank >= Level.REPORTED.rank
        for side in sides:
            entries.append(
                Entry(
                    item=SAME_ITEMS.get(finding.item, finding.item),
                    side=side,
                    site=finding.site,
                    value=finding.value,
                    level=finding.level.value,
                    status=finding.status,
                    has_result=result,
                    codes=frozenset(reading.code for reading in item.readings),
                    plus_scale=_plus_scale(item, catalogue),
                    source=finding,
                )
            )
    return entries


def _true_entries(truth: Iterable[Truth], catalogue: Catalogue) -> list[Entry]:
    entries = []
    for entry in truth:
        item = catalogue.items[entry.item]
        for side in _sides(entry.side, item.sides == "paired"):
            entries.append(
                Entry(
                    item=SAME_ITEMS.get(entry.item, entry.item),
                    side=side,
                    site=entry.site,
                    value=entry.value,
                    level=entry.true_level,
                    status=entry.true_status(catalogue),
                    has_result=entry.has_result,
                    codes=frozenset(reading.code for reading in item.readings),
                    plus_scale=_plus_scale(item, catalogue),
                    source=entry,
                )
            )
    return entries


def _plus_scale(item: Item, catalogue: Catalogue) -> bool:
    return item.scale is not None and catalogue.scales[item.scale].plus


def _sides(side: str | None, paired: bool) -> tuple[str, ...]:
    if not paired:
        return ("",)
    return ("left", "right") if side == "both" else (side or "unspecified",)


def _tidy(entries: list[Entry]) -> list[Entry]:
    """Say each thing once: no repeats, and no performance beside a result of the same."""
    with_result = {(entry.item, entry.side) for entry in entries if entry.has_result}
    items_with_result = {item for item, _ in with_result}
    kept: list[Entry] = []
    seen: set[tuple[object, ...]] = set()
    for entry in entries:
        if entry.has_result:
            key: tuple[object, ...] = (entry.item, entry.side, entry.site, _statement(entry))
        else:
            key = (entry.item, entry.side)
            covered = key in with_result
            covered |= (
                entry.side in ("unspecified", "undivided") and entry.item in items_with_result
            )
            if covered:
                continue
        if key not in seen:
            seen.add(key)
            kept.append(entry)
    return kept


def _statement(entry: Entry) -> object:
    """The value, with readings that say the same written as one."""
    value = entry.value
    if isinstance(value, Choice | TrueValue) and value.code is not None:
        return statement(entry.item, value.code, value.denied)
    return value


def _align(
    true: list[Entry], heard: list[Entry]
) -> tuple[list[tuple[Entry, Entry]], list[Entry], list[Entry]]:
    """Pair entries of the same item and side, best fitting first."""
    groups: dict[tuple[str, str], tuple[list[Entry], list[Entry]]] = defaultdict(lambda: ([], []))
    for entry in true:
        groups[entry.item, entry.side][0].append(entry)
    for entry in heard:
        groups[entry.item, entry.side][1].append(entry)
    pairs: list[tuple[Entry, Entry]] = []
    missed: list[Entry] = []
    extra: list[Entry] = []
    for wanted, got in groups.values():
        ranked = sorted(
            (
                (-_fit(one, other), i, j)
                for i, one in enumerate(wanted)
                for j, other in enumerate(got)
            ),
        )
        used_wanted: set[int] = set()
        used_got: set[int] = set()
        for _, i, j in ranked:
            if i not in used_wanted and j not in used_got:
                used_wanted.add(i)
                used_got.add(j)
                pairs.append((wanted[i], got[j]))
        missed += [entry for i, entry in enumerate(wanted) if i not in used_wanted]
        extra += [entry for j, entry in enumerate(got) if j not in used_got]
    return pairs, missed, extra


def _fit(wanted: Entry, got: Entry) -> int:
    assert isinstance(wanted.source, Truth)
    assert isinstance(got.source, Finding)
    fit = 8 * (wanted.has_result == got.has_result)
    fit += 4 * (not _other_code(wanted, got))
    fit += 2 * (wanted.site == got.site)
    return fit + _value_fits(wanted, got)


def _value_fits(wanted: Entry, got: Entry) -> bool:
    assert isinstance(wanted.source, Truth)
    assert isinstance(got.source, Finding)
    truth, finding = wanted.source, got.source
    if truth.value is None:
        return finding.value is None
    accepted = (truth.value, *truth.alternatives)
    heard: tuple[Value, ...] = (finding.value,) if finding.value is not None else ()
    if truth.doubtful:
        heard += finding.alternatives
    if _plainly_normal(wanted) or _plainly_normal(got):
        good = ("normal", "absent")
        return wanted.status in good and got.status in good
    return any(_same_value(wanted, one, other) for one in accepted for other in heard)


def _same_value(entry: Entry, wanted: TrueValue, got: Value) -> bool:
    if wanted.kind != got.kind:
        return False
    match got:
        case Quantity():
            return _same_quantity(wanted, got)
        case Pressure():
            return (wanted.systolic, wanted.diastolic, wanted.approximate) == (
                got.systolic,
                got.diastolic,
                got.approximate,
            )
        case Ratio():
            numerator, _, denominator = (wanted.ratio or "").partition("/")
            return (Decimal(numerator), Decimal(denominator), wanted.letters) == (
                got.numerator,
                got.denominator,
                got.letters,
            )
        case Grade():
            # On a scale that is said with 'plus', two and two plus are one grade.
            modifiers = {wanted.modifier, got.modifier}
            same_modifier = len(modifiers) == 1 or (
                entry.plus_scale and modifiers == {"plus", None}
            )
            return wanted.grade == got.grade and same_modifier
        case Choice():
            return statement(entry.item, wanted.code or "", wanted.denied) == statement(
                entry.item, got.code, got.denied
            )
        case Trials():
            return (
                wanted.trials == got.answers
                and wanted.right in (got.right, None)
                and wanted.wrong in (got.wrong, None)
            )
        case Text():
            return (wanted.text or "").lower() == got.text.lower()


def _same_quantity(wanted: TrueValue, got: Quantity) -> bool:
    if wanted.comparator != got.comparator:
        return False
    if wanted.comparator is None and wanted.approximate != got.approximate:
        return False
    if (wanted.high is None) != (got.high is None):
        return False
    if wanted.unit == got.unit:
        return wanted.number == got.number and wanted.high == got.high
    return (wanted.number, wanted.unit) == (got.said_number, got.said_unit)


def _told(entry: Entry) -> str:
    place = " ".join(
        part for part in (entry.item, entry.side, entry.site and f"@{entry.site}") if part
    )
    if entry.value is None:
        told = place
    else:
        said = entry.value.model_dump(exclude_defaults=True, exclude={"kind", "title", "scale"})
        told = f"{place} = " + " ".join(f"{key}:{value}" for key, value in said.items())
    if isinstance(entry.source, Finding):
        told += f"  [{entry.source.start:.0f}s '{entry.source.words}']"
    return told


@dataclass
class Report:
    """Scores of many excerpts, in total and by style and phenomenon."""

    total: Score = field(default_factory=Score)
    by_style: dict[str, Score] = field(default_factory=lambda: defaultdict(Score))
    by_phenomenon: dict[str, Score] = field(default_factory=lambda: defaultdict(Score))
    by_excerpt: dict[str, Score] = field(default_factory=dict)


def score_all(
    excerpts: Iterable[Excerpt],
    understand: Understand,
    catalogue: Catalogue,
    error_rate: float = 0.0,
) -> Report:
    """Understand and score every excerpt, with simulated recognition errors if asked.

    The errors depend only on the excerpt's name and the rate, so runs can be compared.
    """
    report = Report()
    for excerpt in excerpts:
        lines = excerpt.lines
        if error_rate:
            from sound_alikes import with_errors

            start = zlib.crc32(f"{excerpt.name} {error_rate}".encode())
            lines = with_errors(lines, error_rate, random.Random(start))
        score = score_excerpt(excerpt, understand(phrases_of(lines), catalogue), catalogue)
        report.by_excerpt[excerpt.name] = score
        report.total += score
        report.by_style[excerpt.style] += score
        for phenomenon in excerpt.phenomena:
            report.by_phenomenon[phenomenon] += score
    return report


_HEADING = (
    f"{'':22}{'words':>7}{'P':>7}{'R':>7}{'F1':>7}{'F1res':>7}{'value':>7}{'site':>7}"
    f"{'status':>7}{'level':>7}{'hedge':>7}{'doubt':>7}{'false/k':>8}{'silent':>7}{'forbid':>7}"
)


def _row(name: str, score: Score) -> str:
    return (
        f"{name:22}{score.words:>7}{score.precision:>7.3f}{score.recall:>7.3f}{score.f1:>7.3f}"
        f"{score.results_f1:>7.3f}{score.value!s:>7}{score.site!s:>7}{score.status!s:>7}"
        f"{score.level!s:>7}{score.certainty!s:>7}{score.doubt!s:>7}"
        f"{score.false_per_thousand:>8.2f}{score.silent_wrong:>7}{score.forbidden:>7}"
    )


def print_report(title: str, report: Report, details: bool = True) -> None:
    """Print totals; with ``details`` also by style and by phenomenon."""
    print(f"\n{title}\n{_HEADING}")
    print(_row("all", report.total))
    if details:
        for groups in (report.by_style, report.by_phenomenon):
            print()
            for name in sorted(groups):
                print(_row(name, groups[name]))


def print_errors(excerpts: Iterable[Excerpt], report: Report) -> None:
    """List the talk and what went wrong in it, excerpt by excerpt."""
    for excerpt in excerpts:
        errors = report.by_excerpt[excerpt.name].errors
        if not errors:
            continue
        print(f"\n== {excerpt.name} ({excerpt.style}; {', '.join(excerpt.phenomena)})")
        for line in excerpt.lines:
            speaker = f"{line.speaker}: " if line.speaker else ""
            print(f"  {line.t:6.1f}  {speaker}{line.text}")
        for error in errors:
            print(f"  - {error}")


def main() -> None:
    """Print the scores."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--errors", action="store_true", help="list errors of open excerpts")
    parser.add_argument("--only", help="only open excerpts whose name has this in it")
    parser.add_argument("--clean", action="store_true", help="leave out simulated errors")
    parser.add_argument(
        "--show-held-out",
        action="store_true",
        help="list errors of held-out excerpts too; they are spent for scoring after that",
    )
    options = parser.parse_args()
    from dictate.pipeline import understand

    catalogue = load_catalogue()
    excerpts = read_excerpts()
    later_groups = sorted({one.group for one in excerpts if one.name.startswith(FRESH)})
    shown = later_groups if options.show_held_out else OPEN_FRESH
    opened = [one for one in excerpts if one.group == "open" and (options.only or "") in one.name]
    held_out = [] if options.only else [one for one in excerpts if one.held_out]
    report = score_all(opened, understand, catalogue)
    if options.errors:
        print_errors(opened, report)
    print_report(f"Open, {len(opened)} excerpts", report)
    for later_group in later_groups:
        some = [
            one for one in excerpts if one.group == later_group and (options.only or "") in one.name
        ]
        if some:
            later = score_all(some, understand, catalogue)
            if options.errors and later_group in shown:
                print_errors(some, later)
            print_report(f"Written later, {later_group}, {len(some)} excerpts", later, False)
    if held_out:
        hidden = score_all(held_out, understand, catalogue)
        if options.show_held_out:
            print_errors(held_out, hidden)
        print_report(f"Held out, {len(held_out)} excerpts", hidden)
    if not options.clean:
        for rate in ERROR_RATES:
            for name, some in (("Open", opened), ("Held out", held_out)):
                if some:
                    noisy = score_all(some, understand, catalogue, rate)
                    print_report(f"{name}, {rate:.0%} of words heard wrongly", noisy, False)


if __name__ == "__main__":
    main()
