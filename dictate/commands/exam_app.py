"""The commands about the exam itself: ``items``, ``card`` and ``grammar check``.

Only declarations: what the commands do is imported when one of them runs.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer

app = typer.Typer(no_args_is_help=True, add_completion=False)
grammar = typer.Typer(no_args_is_help=True, help="Work on exam and course files.")
app.add_typer(grammar, name="grammar")


@app.command()
def items(
    words: Annotated[
        Optional[list[str]],  # noqa: UP045 - typer reads this at run time on Python 3.10
        typer.Argument(help="An item's id to show it, or words to look for."),
    ] = None,
    region: Annotated[str, typer.Option("--region", "-r", help="Only this region.")] = "",
    course: Annotated[
        str, typer.Option("--course", "-c", help="Course file, or the key of a course shipped.")
    ] = "",
    all_items: Annotated[
        bool, typer.Option("--all", "-a", help="Also items that are off by default.")
    ] = False,
    json: Annotated[bool, typer.Option("--json", help="Print as JSON.")] = False,
) -> None:
    """List the exam's items, look for one by its words, or show one by its id."""
    from dictate.commands import exam_data

    exam_data.items(words or [], region=region, course=course, all_items=all_items, as_json=json)


@app.command()
def card(
    course: Annotated[
        str, typer.Argument(help="Course file, or the key of a course shipped; the usual exam.")
    ] = "",
    out: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option("--out", "-o", help="HTML file to write; - prints it."),
    ] = None,
) -> None:
    """Write the printable card of what can be said in a course's exam."""
    from dictate.commands import exam_data

    exam_data.card(course, out)


@grammar.command("check")
def check(
    file: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Argument(help="Course or region file; without one the exam data itself."),
    ] = None,
    full: Annotated[
        bool, typer.Option("--full", help="Also list shared words that are told apart.")
    ] = False,
    json: Annotated[bool, typer.Option("--json", help="Print the report as JSON.")] = False,
) -> None:
    """Check a file, and list words that two items claim and items without words.

    Exit code 1: words that nothing tells apart, or an item without words; 2: the file does
    not fit.
    """
    from dictate.commands import exam_data

    raise typer.Exit(exam_data.check(file, full=full, as_json=json))
