"""The command line. Heavy libraries are imported by the commands that need them."""

from __future__ import annotations

import errno
import os
import sys
from pathlib import Path
from typing import Annotated, Optional

import typer

from dictate import __version__
from dictate.commands.cohort_app import cohort, judge, practice
from dictate.commands.cohort_app import course as courses
from dictate.commands.exam_app import card, grammar, items
from dictate.commands.export_app import diff, export, read, validate
from dictate.commands.listen import listen
from dictate.commands.models import models
from dictate.commands.picture import picture
from dictate.commands.protect import forget, seal, unseal
from dictate.commands.resume import resume
from dictate.errors import UserFault, one_line
from dictate.session.private_files import disk_fault

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
    recordings: Annotated[
        list[str],
        typer.Argument(
            metavar="RECORDING...",
            help="Recording or timed transcript; - reads standard input. A folder, a pattern in "
            "quotes or several of them: all recordings there.",
        ),
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
    processes: Annotated[
        int, typer.Option("--processes", "-j", help="Many recordings: processes; 0: all cores.")
    ] = 0,
    cluster: Annotated[
        str, typer.Option(help="Many recordings: address of a Dask scheduler that does the work.")
    ] = "",
    again: Annotated[
        bool, typer.Option("--again", help="Many recordings: also those that are done already.")
    ] = False,
) -> None:
    """Turn recordings or timed transcripts into findings, checks and a note each."""
    from dictate.commands.convert import run, several

    if cluster or several(recordings):
        from dictate.commands.cohort_convert import run_many

        code = run_many(
            recordings,
            out=out,
            engine=engine,
            model=model,
            channels=channels,
            learner=learner,
            partner=partner,
            consent=consent,
            course=course,
            processes=processes,
            cluster=cluster,
            again=again,
            as_json=json,
            strict=strict,
        )
        raise typer.Exit(code)
    code = run(
        recordings[0],
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


app.command()(listen)
app.command()(resume)
app.command()(export)
app.command()(validate)
app.command()(diff)
app.command("import")(read)
app.command()(items)
app.command()(forget)
app.command()(seal)
app.command()(unseal)
app.command()(card)
app.command()(judge)
app.command()(cohort)
app.command()(practice)
app.command()(picture)
app.add_typer(grammar, name="grammar")
app.add_typer(models, name="models")
app.add_typer(courses, name="course")


@app.command()
def review(
    folder: Annotated[Path, typer.Argument(help="A session folder, or a folder of sessions.")],
    code: Annotated[str, typer.Option(help="Your code, no name; the session's learner.")] = "",
    role: Annotated[str, typer.Option(help="Who you are: learner or instructor.")] = "learner",
    port: Annotated[int, typer.Option(help="Port on this machine; 0 takes any.")] = 0,
    browser: Annotated[bool, typer.Option(help="Open the page in the browser.")] = True,
    sound: Annotated[
        Optional[Path],  # noqa: UP045 - typer reads this at run time on Python 3.10
        typer.Option(help="The recording, where it lies elsewhere."),
    ] = None,
) -> None:
    """Replay, correct and sign sessions on a page of this machine."""
    from dictate.commands.review import run

    raise typer.Exit(run(folder, code=code, role=role, port=port, browser=browser, sound=sound))


def main() -> None:
    """Run the command line; a user's fault is one sentence and exit code 2."""
    os.umask(0o077)  # Whatever is written, caches and indexes too, is for its owner alone.
    try:
        app()
    except UserFault as fault:
        typer.echo(f"dictate: {one_line(str(fault))}", err=True)
        sys.exit(2)
    except BrokenPipeError:
        sys.exit(141)
    except OSError as error:
        # Any path given may be one that no disk can hold; whatever first asks for it says so.
        if error.errno not in (errno.ENAMETOOLONG, errno.ELOOP):
            raise
        told = disk_fault(error, Path(str(error.filename)))
        typer.echo(f"dictate: {one_line(str(told))}", err=True)
        sys.exit(2)
    except KeyboardInterrupt:
        typer.echo("dictate: stopped; what was heard until now is in the journal.", err=True)
        sys.exit(130)


if __name__ == "__main__":
    main()
