"""What ``cohort`` does: refresh the index, print the table, write page and CSV."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table
from rich.text import Text

from dictate.cohort.history import Learner
from dictate.cohort.index import Index
from dictate.cohort.refreshing import Refreshed, index_of, refresh
from dictate.cohort.report import (
    CohortReport,
    Titles,
    learners_csv,
    render_page,
    repeated_words,
    report_on,
    slope,
)
from dictate.errors import UserFault
from dictate.session.private_files import write_private

_MOST_MISSED = 8
_MOST_TOLD = 10


@contextlib.contextmanager
def refreshed(
    folder: Path, place: Path | None, *, anew: bool = False
) -> Iterator[tuple[Index, Refreshed]]:
    """The index of a folder, brought up to date, with a bar while sessions are read."""
    if not folder.is_dir():
        raise UserFault(f"{folder} is no folder; name the folder that holds the sessions.")
    bar = Progress(
        TextColumn("reading sessions"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        console=Console(stderr=True),
        transient=True,
    )
    with Index.open(index_of(folder, place)) as index:
        with bar:
            task = bar.add_task("reading", total=None, visible=False)
            done = refresh(
                index,
                folder,
                anew=anew,
                processes=os.cpu_count() or 1,
                told=lambda read, whole: bar.update(
                    task, completed=read, total=whole, visible=True
                ),
            )
        yield index, done


def run(
    folder: Path,
    *,
    out: Path | None,
    csv: Path | None,
    index: Path | None,
    anew: bool,
    plots: bool,
    as_json: bool,
) -> int:
    """Tell of a cohort.

    Raises:
        UserFault: there is nothing to tell of, or a file cannot be written.
    """
    with refreshed(folder, index, anew=anew) as (held, done):
        report = report_on(held.connection, problems=done.problems, stale=done.stale)
    if out is not None:
        figures: dict[str, str] = {}
        if plots:
            from dictate.cohort.plots import figures_of

            figures = figures_of(report)
        write_private(out, render_page(report, folder.resolve().name, figures).encode())
    if csv is not None:
        write_private(csv, learners_csv(report).encode())
    if as_json:
        print(report.model_dump_json(indent=1))
        return 0
    _print(report, done)
    for path in (out, csv):
        if path is not None:
            Console().print(f"Written: {path}", highlight=False, soft_wrap=True)
    return 0


def _print(report: CohortReport, done: Refreshed) -> None:
    console = Console()
    titles = report.titles()
    console.print(
        f"{len(report.learners)} learners, {report.sessions} sessions, {report.hours:.1f} h of "
        f"sound ({done.read} read now, {done.removed} gone)",
        highlight=False,
    )
    console.print(_table(report))
    console.print("Standing over the last three sessions of each learner.", style="dim")
    if report.missed:
        console.print("\nMost missed (learners who had begun the region)", style="bold")
        for missed in report.missed[:_MOST_MISSED]:
            share = missed.share
            console.print(
                f"  {titles.item(missed.item)}: {share.count} of {share.total}, "
                f"{share.share:.0%} ({share.low:.0%} to {share.high:.0%})",
                highlight=False,
                markup=False,
            )
    if report.repeated:
        console.print("\nRepeats more than chance explains: ask", style="bold")
        for repeated in report.repeated[:_MOST_TOLD]:
            text = f"  {repeated_words(repeated, titles)}"
            console.print(text, highlight=False, markup=False)
    _print_agreement(report, titles, console)
    if report.stale:
        console.print(
            f"\n{report.stale} sessions were judged by exam data that has changed since; "
            "--rebuild judges them by today's.",
            style="yellow",
        )
    for problem in report.problems[:_MOST_TOLD]:
        console.print(problem, style="red", highlight=False, markup=False)
    if len(report.problems) > _MOST_TOLD:
        console.print(f"and {len(report.problems) - _MOST_TOLD} more.", style="red")


def _table(report: CohortReport) -> Table:
    table = Table(box=None, pad_edge=False, header_style="bold")
    table.add_column("Learner")
    # Short, so that a terminal of 80 columns holds them.
    for name in ("n", "Min", "Covered", "Gain", "Confirm", "Err", "Warn", "Order", "1 side"):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("Omits", no_wrap=True)
    for one in report.learners:
        table.add_row(*_cells(one))
    return table


def _cells(one: Learner) -> list[Text]:
    gained = slope(one)
    single = one.sides.missing_left + one.sides.missing_right
    cells = (
        one.learner,
        str(len(one.sessions)),
        f"{one.minutes:.0f}",
        f"{one.covered:.0%}",
        "" if gained is None else f"{gained:+.1f}",
        f"{one.doubtful.share:.0%}",
        *(f"{one.mean(name):.1f}" for name in ("errors", "warnings", "order_faults")),
        f"{single}/{single + one.sides.both}",
        one.sides.habit,
    )
    return [Text(cell) for cell in cells]


def _print_agreement(report: CohortReport, titles: Titles, console: Console) -> None:
    if not report.agreement.numbers:
        return
    console.print("\nDifference between two learners, same partner (95% limits)", style="bold")
    for one in report.agreement.numbers[:_MOST_MISSED]:
        limits = one.limits
        console.print(
            f"  {titles.measure(one.item, one.part, one.unit)}: {limits.mean:+.1f} "
            f"({limits.lower:+.1f} to {limits.upper:+.1f}), {limits.pairs} pairs",
            highlight=False,
            markup=False,
        )
