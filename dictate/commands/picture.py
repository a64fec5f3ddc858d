"""``dictate picture``: the coverage of a session drawn on the body."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def picture(
    folder: Annotated[Path, typer.Argument(help="A session folder with its journal.")],
    out: Annotated[Path, typer.Option("--out", "-o", help="File to write: .svg or .png.")],
    width: Annotated[int, typer.Option(help="Width of a PNG in pixels.")] = 1620,
    dark: Annotated[bool, typer.Option("--dark", help="For dark pages.")] = False,
) -> None:
    """Draw how far each part of the body got: never spoken, performed, reported, measured."""
    from dictate.commands.convert import exam_of
    from dictate.conversion import opened, reopened
    from dictate.errors import UserFault
    from dictate.figure.drawing import coverage_figure
    from dictate.figure.picture import as_png
    from dictate.session.private_files import write_private

    ending = out.suffix.lower()
    if ending not in (".svg", ".png"):
        raise UserFault(f"{out} is neither .svg nor .png; end its name with one of them.")
    info, reading = opened(folder)
    catalogue = exam_of(info)
    session = reopened(info, reading, catalogue)
    svg = coverage_figure(session, catalogue, theme="dark" if dark else "light")
    content = as_png(svg, width) if ending == ".png" else svg.encode()
    write_private(out, content)
    typer.echo(f"Written to {out}")
