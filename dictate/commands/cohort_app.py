"""The commands about many sessions and courses; only declarations, nothing heavy."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

course = typer.Typer(no_args_is_help=True, help="Install course packages and list them.")


@course.command("install")
def install(
    package: Annotated[Path, typer.Argument(help="A package file, or a folder with package.yaml.")],
) -> None:
    """Install a course package; its version stays even when a newer one is installed."""
    from dictate.commands.cohort_courses import install as run

    run(package)


@course.command("list")
def courses() -> None:
    """List the installed courses with their versions, and those that come with the program."""
    from dictate.commands.cohort_courses import show

    show()


@course.command("show")
def schedule(
    name: Annotated[str, typer.Argument(help="Key of a course, or key@version.")],
) -> None:
    """Show an installed course: its checklist by region and its schedule."""
    from dictate.commands.cohort_courses import show_one

    show_one(name)


def judge(
    sessions: Annotated[
        list[Path], typer.Argument(help="Session folders, or folders of sessions.")
    ],
    course: Annotated[
        str, typer.Option(help="Course to judge by from now on, such as KEY@VERSION; or 'usual'.")
    ],
    by: Annotated[str, typer.Option(help="Your code, no name.")],
    role: Annotated[str, typer.Option(help="Who you are: learner or instructor.")] = "instructor",
    reason: Annotated[str, typer.Option(help="Why; needed where the session is signed.")] = "",
) -> None:
    """Judge sessions anew by another course or version; the journal keeps who, when and why."""
    from dictate.commands.cohort_courses import judge_all

    raise typer.Exit(judge_all(sessions, course, by=by, role=role, reason=reason))


_INDEX = typer.Option(help="Where the index lies; in the folder itself without this.")


def cohort(
    folder: Annotated[Path, typer.Argument(help="The folder under which the sessions lie.")],
    out: Annotated[
        Path | None,
        typer.Option("--out", "-o", help="HTML page to write, complete in itself."),
    ] = None,
    csv: Annotated[
        Path | None,
        typer.Option(help="CSV file to write, one line for each learner."),
    ] = None,
    index: Annotated[Path | None, _INDEX] = None,
    rebuild: Annotated[
        bool, typer.Option("--rebuild", help="Read and judge every session again.")
    ] = False,
    plots: Annotated[bool, typer.Option(help="Draw the pictures of the page.")] = True,
    json: Annotated[bool, typer.Option("--json", help="Print everything as JSON.")] = False,
) -> None:
    """Tell how learners stand: coverage, flags, order, sides, what repeats, who agrees."""
    from dictate.commands.cohort_report import run

    code = run(folder, out=out, csv=csv, index=index, anew=rebuild, plots=plots, as_json=json)
    raise typer.Exit(code)


def practice(
    folder: Annotated[Path, typer.Argument(help="The folder under which the sessions lie.")],
    learner: Annotated[str, typer.Option(help="Code of the learner.")],
    course: Annotated[
        str, typer.Option(help="Course to plan for; the one of the last session without this.")
    ] = "",
    week: Annotated[
        int | None,
        typer.Option(help="Week of the course; what is due by then comes first."),
    ] = None,
    most: Annotated[int, typer.Option(help="How many things at the most.")] = 6,
    index: Annotated[Path | None, _INDEX] = None,
    speak: Annotated[bool, typer.Option("--speak", help="Say it aloud with espeak-ng.")] = False,
    sound: Annotated[
        Path | None,
        typer.Option(help="Write what is said to this WAV file."),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print as JSON.")] = False,
) -> None:
    """Say what to practise next, from the learner's last sessions, with the reasons."""
    from dictate.commands.practice import run

    code = run(
        folder,
        learner=learner,
        course=course,
        week=week,
        most=most,
        index=index,
        speak=speak,
        sound=sound,
        as_json=json,
    )
    raise typer.Exit(code)
