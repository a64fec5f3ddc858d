"""The command line. Heavy libraries are imported by the commands that need them."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Optional

import typer

from dictate import __version__
from dictate.commands.exam_app import card, grammar, items
from dictate.errors import UserFault

app = typer.Typer(
    name="dictate",
    help="Turns a spoken practice examination into a checked, time-stamped training record. "
    "Works offline. Not a medical device; makes no diagnosis.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"dictate {__version__}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Say the version.")
    ] = False,
) -> None:
    pass


@app.command()
def convert(
    recording: Annotated[
        str, typer.Argument(help="Recording or timed transcript; - reads standard input.")
    ],
    out: Annotated[
        Optional[Path],  # noqa: UP045 - typer reads this at run time on Python 3.10
        typer.Option("--out", "-o", help="Session folder; NAME.session beside the recording."),
    ] = None,
    engine: Annotated[str, typer.Option(help="Recogniser: auto, pocketsphinx or vosk.")] = "auto",
    model: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(help="Folder of an unpacked Vosk model; models/ is looked through too."),
    ] = None,
    channels: Annotated[
        str,
        typer.Option(help="Who speaks on each channel, such as 'examiner,partner'."),
    ] = "",
    learner: Annotated[str, typer.Option(help="Code of the learner, no name.")] = "learner",
    partner: Annotated[str, typer.Option(help="Code of the partner, no name.")] = "partner",
    consent: Annotated[
        str, typer.Option(help="How the partner's consent to be recorded is known.")
    ] = "not recorded here",
    course: Annotated[
        str, typer.Option(help="Course file, or the key of one shipped; the usual exam.")
    ] = "",
    json: Annotated[bool, typer.Option("--json", help="Print the session as JSON.")] = False,
    strict: Annotated[
        bool, typer.Option("--strict", help="Exit with 1 when a flag of severity error is raised.")
    ] = False,
) -> None:
    """Turn a recording or a timed transcript into findings, checks and a note."""
    from dictate.commands.convert import run

    code = run(
        recording,
        out=out,
        engine=engine,
        model=model,
        channels=channels,
        learner=learner,
        partner=partner,
        consent=consent,
        course=course,
        as_json=json,
        strict=strict,
    )
    raise typer.Exit(code)


@app.command()
def rebuild(
    folder: Annotated[Path, typer.Argument(help="A session folder with its journal.")],
) -> None:
    """Compute a session's outputs again from its journal."""
    from dictate.commands.convert import rebuild as run

    raise typer.Exit(run(folder))


app.command()(items)
app.command()(card)
app.add_typer(grammar, name="grammar")


def main() -> None:
    """Run the command line; a user's fault is one sentence and exit code 2."""
    try:
        app()
    except UserFault as fault:
        typer.echo(f"dictate: {fault}", err=True)
        sys.exit(2)
    except KeyboardInterrupt:
        typer.echo("dictate: stopped; what was heard until now is in the journal.", err=True)
        sys.exit(130)
    except BrokenPipeError:
        sys.exit(141)


if __name__ == "__main__":
    main()
