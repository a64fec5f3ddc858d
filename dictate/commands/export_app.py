"""``export``, ``validate``, ``diff`` and ``import``: declarations alone.

What the commands do is imported when one of them runs.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer

_SESSION = "A session folder, or a bundle that was exported."


def export(
    session: Annotated[Path, typer.Argument(help=_SESSION)],
    formats: Annotated[
        Optional[list[str]],  # noqa: UP045 - typer reads this at run time on Python 3.10
        typer.Argument(
            help="markdown, html, pdf, docx, csv, parquet, vtt, fhir, fhir-document, "
            "fhir-definitions, clips; all of them but clips when none is named."
        ),
    ] = None,
    out: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option("--out", "-o", help="Folder to write to; 'export' in the session's."),
    ] = None,
    style: Annotated[str, typer.Option(help="clinical (sentences) or terse.")] = "clinical",
    redact: Annotated[
        bool, typer.Option("--redact", help="Leave out sound, free text and names.")
    ] = False,
    templates: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(
            help="A course's folder with note.md.j2, note.html.j2, note.typ (PDF) or note.docx."
        ),
    ] = None,
    sound: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(help="The recording for clips; looked for beside the session."),
    ] = None,
    with_sound: Annotated[
        bool,
        typer.Option(
            "--with-sound", help="Bundles with the recording's reference and each finding's clip."
        ),
    ] = False,
) -> None:
    """Write a session as notes, tables, captions, FHIR bundles or audio clips."""
    from dictate.commands import export_data

    export_data.export(
        session,
        formats or [],
        out=out,
        style=style,
        redact=redact,
        templates=templates,
        sound=sound,
        with_sound=with_sound,
    )


def validate(
    files: Annotated[list[Path], typer.Argument(help="FHIR R4 resources or bundles in JSON.")],
    json: Annotated[bool, typer.Option("--json", help="Print the complaints as JSON.")] = False,
) -> None:
    """Check FHIR R4 files offline; exit code 1 when something is wrong."""
    from dictate.commands import export_data

    raise typer.Exit(export_data.validate(files, as_json=json))


def diff(
    first: Annotated[Path, typer.Argument(help=_SESSION)],
    second: Annotated[Path, typer.Argument(help=_SESSION)],
    everything: Annotated[
        bool, typer.Option("--all", "-a", help="Also what is the same in both.")
    ] = False,
    json: Annotated[bool, typer.Option("--json", help="Print as JSON.")] = False,
) -> None:
    """Tell what differs between two sessions."""
    from dictate.commands import export_data

    export_data.diff(first, second, everything=everything, as_json=json)


def read(
    bundle: Annotated[Path, typer.Argument(help="A FHIR bundle that this program wrote.")],
    out: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option("--out", "-o", help="Folder for note, tables and bundle."),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print the session as JSON.")] = False,
) -> None:
    """Read a bundle back into a session, check it again, and show it."""
    from dictate.commands import export_data

    export_data.read(bundle, out=out, as_json=json)
