"""What ``course`` and ``judge`` do."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import typer
from rich.console import Console
from rich.progress import track

from dictate.cohort import courses
from dictate.cohort.judging import judge
from dictate.cohort.refreshing import session_folders
from dictate.errors import UserFault
from dictate.exam.course import shipped_courses


def install(package: Path) -> None:
    """Install a package and say how it is used."""
    made = courses.install(package)
    count = len(made.checklist.entries)
    typer.echo(f"Installed {made.name}: {made.checklist.title} ({count} items).")
    typer.echo(f"Use it with: dictate convert RECORDING --course {made.checklist.course}")


def show() -> None:
    """Print the courses that can be used here."""
    held = courses.installed()
    for one in held:
        typer.echo(f"{one.name}  {one.checklist.title}")
    for key in shipped_courses():
        typer.echo(f"{key}  (comes with the program)")
    if not held:
        typer.echo("No package is installed; 'dictate course install PACKAGE' installs one.")


def show_one(name: str) -> None:
    """Print one installed course.

    Raises:
        UserFault: it is not installed.
    """
    held = courses.find_installed(name)
    if held is None:
        raise UserFault(f"The course {name} is not installed; 'dictate course list' lists them.")
    checklist = held.checklist
    required = checklist.required
    typer.echo(f"{held.name}  {checklist.title}")
    if checklist.about:
        typer.echo(checklist.about)
    regions = Counter(entry.item.partition(".")[0] for entry in checklist.entries)
    for region in checklist.catalogue.regions:
        if regions[region.region]:
            must = sum(item.partition(".")[0] == region.region for item in required)
            typer.echo(f"  {region.title}: {regions[region.region]} items, {must} required")
    for due in held.schedule:
        titles = [_title(held, place) for place in due.places]
        typer.echo(f"  by the end of week {due.week}: {', '.join(titles)}")


def _title(held: courses.Installed, place: str) -> str:
    catalogue = held.checklist.catalogue
    if place in catalogue.items:
        return catalogue.items[place].title
    return catalogue.region_of(place).title


def judge_all(places: list[Path], course: str, *, by: str, role: str, reason: str) -> int:
    """Judge every session under the places; return 1 where one of them could not be.

    Raises:
        UserFault: there is no such course, no session, or no such role.
    """
    if role not in ("learner", "instructor"):
        raise UserFault(f"There is no part '{role}' to play; choose learner or instructor.")
    if not by.strip():
        raise UserFault("Give your code with --by; the journal keeps who judged.")
    courses.checklist_of(courses.full_name(course) or "usual")
    folders = [folder for place in places for folder in session_folders(place)]
    if not folders:
        raise UserFault(f"There is no session in {places[0]}; check the folder.")
    console = Console(stderr=True)
    failed = 0
    for folder in track(folders, "judging", console=console, transient=True):
        try:
            done = judge(folder, course, by=by, role=role, reason=reason)  # type: ignore[arg-type]
        except UserFault as fault:
            failed += 1
            typer.echo(f"{folder}: {fault}", err=True)
            continue
        if not done.changed:
            typer.echo(f"{folder}: judged by {done.course} already.")
        else:
            was = "" if done.flags_before is None else f", {done.flags_before} remarks before"
            typer.echo(
                f"{folder}: judged by {done.course} in place of {done.before} "
                f"({done.flags} remarks{was})."
            )
    return int(failed > 0)
