"""Everything that a cohort is told, put together once for the table, the page and CSV."""

from __future__ import annotations

import csv
import io
import sqlite3
from collections.abc import Iterable
from pathlib import Path

from pydantic import BaseModel, ConfigDict

from dictate.checks.wording import unit_text
from dictate.cohort.digesting import checklist_for
from dictate.cohort.history import Learner, Missed, learners_of, most_missed
from dictate.cohort.pairs import Agreement, agreement_of
from dictate.cohort.repetition import Repeated, repetitions
from dictate.cohort.trend import median_slope
from dictate.errors import UserFault
from dictate.exam.catalogue import Catalogue
from dictate.outputs.table import harmless

CAUTION = (
    "Training records of practice examinations, told by what the sound shows; no verdict on any "
    "learner and no diagnosis. What repeats or is missing is a question to ask."
)


class Titles:
    """Titles of items and regions, by the courses in use and then by the usual exam."""

    def __init__(self, courses: Iterable[str]) -> None:
        self._exams: list[Catalogue] = []
        for course in (*dict.fromkeys(courses), "usual"):
            try:
                self._exams.append(checklist_for(course).catalogue)
            except UserFault:
                continue  # a course that is no longer installed here

    @property
    def order(self) -> dict[str, int]:
        """The regions' places from head to toe, by the first of the exams that knows them."""
        keys = dict.fromkeys(region.region for one in self._exams for region in one.regions)
        return {key: place for place, key in enumerate(keys)}

    def item(self, item: str) -> str:
        """The item's title; its id where no exam here knows it."""
        return next((one.items[item].title for one in self._exams if item in one.items), item)

    def region(self, key: str) -> str:
        """The region's title; its key where no exam here knows it."""
        regions = (region for one in self._exams for region in one.regions)
        return next((one.title for one in regions if one.region == key), key)

    def measure(self, item: str, part: str, unit: str) -> str:
        """An item, with the part of a pressure and the unit, as a heading."""
        name = f"{self.item(item)}, {part}" if part else self.item(item)
        return f"{name} ({unit_text(unit).strip()})" if unit not in ("", "1") else name


class CohortReport(BaseModel):
    """A cohort as it stands. ``regions`` are keys in exam order."""

    model_config = ConfigDict(frozen=True)

    learners: tuple[Learner, ...]
    regions: tuple[str, ...]
    missed: tuple[Missed, ...]
    repeated: tuple[Repeated, ...]
    agreement: Agreement
    problems: tuple[str, ...] = ()
    stale: int = 0

    @property
    def sessions(self) -> int:
        """How many sessions can be read."""
        return sum(len(one.sessions) for one in self.learners)

    @property
    def hours(self) -> float:
        """Hours of sound in all."""
        return sum(one.minutes for who in self.learners for one in who.sessions) / 60

    @property
    def most_covered(self) -> float:
        """The greatest coverage of any session, for the scale of the curves; never 0."""
        return max(one.covered for who in self.learners for one in who.sessions) or 1.0

    def titles(self) -> Titles:
        """Titles by the courses of these sessions."""
        return Titles(one.course for who in self.learners for one in who.sessions)


def report_on(
    connection: sqlite3.Connection, *, problems: tuple[str, ...] = (), stale: int = 0
) -> CohortReport:
    """Ask the index for everything.

    Raises:
        UserFault: there is no session that can be read.
    """
    learners = learners_of(connection)
    if not learners:
        why = f" The first says: {problems[0]}" if problems else ""
        raise UserFault(
            "There is no session here that can be read; convert recordings into this folder "
            f"first.{why}"
        )
    sessions = [one for who in learners for one in who.sessions]
    places = Titles(one.course for one in sessions).order
    regions = {region for who in learners for region in who.regions}
    return CohortReport(
        learners=tuple(learners),
        regions=tuple(sorted(regions, key=lambda key: (places.get(key, len(places)), key))),
        missed=tuple(most_missed(connection, learners)),
        repeated=tuple(repetitions(connection)),
        agreement=agreement_of(connection, sessions),
        problems=problems,
        stale=stale,
    )


def region_share(learner: Learner, region: str) -> float | None:
    """Share of a region's lines that have a result; None where it is not on the checklist."""
    held = learner.regions.get(region)
    if held is None or not held.expected:
        return None
    return (held.reported + held.measured) / held.expected


def slope(learner: Learner) -> float | None:
    """Percentage points of coverage gained from session to session (Sen 1968)."""
    return median_slope([100 * one.covered for one in learner.sessions])


def repeated_words(one: Repeated, titles: Titles) -> str:
    """What repeats, as a sentence for people."""
    who = ", ".join(one.learners)
    if one.kind == "sound":
        return f"{who}: the same recording stands in {one.count} sessions."
    if one.kind == "session":
        return f"{who}: the same numbers throughout in {one.count} sessions."
    if one.kind == "cohort":
        return (
            f"{titles.item(one.item)} {one.value} in {one.count} of {one.total} measurements, by "
            f"{len(one.learners)} learners; between people it should scatter more."
        )
    return (
        f"{who}: {titles.item(one.item)} {one.value} in {one.count} of {one.total}; "
        f"among the others {one.usual:.0%} are so."
    )


LEARNER_COLUMNS = (
    "learner", "sessions", "first", "last", "minutes_median", "covered", "covered_low_region",
    "covered_slope", "doubtful", "errors_mean", "warnings_mean", "order_faults_mean",
    "one_sided", "both_sided", "missing_left", "missing_right", "missing_habit",
)  # fmt: skip


def learners_csv(report: CohortReport) -> str:
    """One line for each learner, then the four levels of each region (shares of its lines)."""
    levels = ("unspoken", "performed", "reported", "measured")
    columns = [*LEARNER_COLUMNS, *(f"{r}_{level}" for r in report.regions for level in levels)]
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\r\n")
    writer.writerow(columns)
    for one in report.learners:
        shares = {r: s for r in report.regions if (s := region_share(one, r)) is not None}
        gained = slope(one)
        first, last = one.sessions[0].started, one.sessions[-1].started
        row = [
            one.learner,
            len(one.sessions),
            first.date().isoformat() if first else "",
            last.date().isoformat() if last else "",
            f"{one.minutes:.1f}",
            f"{one.covered:.3f}",
            min(shares, key=lambda key: shares[key], default=""),
            "" if gained is None else f"{gained:.2f}",
            f"{one.doubtful.share:.3f}",
            *(f"{one.mean(name):.2f}" for name in ("errors", "warnings", "order_faults")),
            one.sides.missing_left + one.sides.missing_right,
            one.sides.both,
            one.sides.missing_left,
            one.sides.missing_right,
            one.sides.habit,
        ]
        for region in report.regions:
            held = one.regions.get(region)
            if held is None:
                row += ["", "", "", ""]
                continue
            got = (held.performed, held.reported, held.measured)
            row += [f"{n / held.expected:.3f}" for n in (held.expected - sum(got), *got)]
        writer.writerow([harmless(str(cell)) for cell in row])
    return "\ufeff" + buffer.getvalue()


def render_page(report: CohortReport, name: str, figures: dict[str, str]) -> str:
    """The report as one page of HTML that needs nothing from elsewhere.

    Args:
        report: what to tell.
        name: what the cohort is called.
        figures: SVG by name, as :func:`dictate.cohort.plots.figures_of` draws them.
    """
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    titles = report.titles()
    return environment.get_template("cohort.html.j2").render(
        report=report,
        name=name,
        figures=figures,
        titles=titles,
        caution=CAUTION,
        region_share=region_share,
        slope=slope,
        repeated=[repeated_words(one, titles) for one in report.repeated],
    )
