"""``dictate forget``, ``dictate seal`` and ``dictate unseal``."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated, Optional

import typer

from dictate.errors import UserFault

_FOLDER = typer.Argument(help="A session folder with its journal.")
_PHRASE_FILE = typer.Option(
    "--passphrase-file", help="Read the passphrase from this file's first line; asked otherwise."
)


def forget(
    folder: Annotated[Path, _FOLDER],
    everything: Annotated[
        bool, typer.Option("--everything", help="Also files there that this program did not write.")
    ] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
) -> None:
    """Delete a session: sound, journal and all outputs; say what cannot be erased."""
    from dictate.cohort.index import forget_rows
    from dictate.session.deletion import CANNOT_ERASE, delete_session

    if not yes and not typer.confirm(f"Delete the session in {folder} for good?"):
        raise UserFault("Nothing was deleted.")
    done = delete_session(folder, everything=everything)
    forget_rows(folder)
    typer.echo(f"Deleted {len(done.removed)} files of {folder}.")
    if done.left:
        names = ", ".join(path.name for path in done.left)
        typer.echo(f"Left, as this program did not write it: {names}.")
    typer.echo(CANNOT_ERASE)


def seal(
    folder: Annotated[Path, _FOLDER],
    passphrase_file: Annotated[Optional[Path], _PHRASE_FILE] = None,  # noqa: UP045
) -> None:
    """Encrypt a session into FOLDER.sealed and delete the folder."""
    from dictate.cohort.index import forget_rows
    from dictate.session.deletion import CANNOT_ERASE
    from dictate.session.sealing import seal as run

    sealed, _ = run(folder, _passphrase(passphrase_file, twice=True))
    forget_rows(folder)
    typer.echo(f"Sealed as {sealed}. Without the passphrase nobody can open it, you included.")
    typer.echo(CANNOT_ERASE)


def unseal(
    sealed: Annotated[Path, typer.Argument(help="A file made by 'dictate seal'.")],
    out: Annotated[Path | None, typer.Option("--out", "-o", help="Folder to open it in.")] = None,
    passphrase_file: Annotated[Optional[Path], _PHRASE_FILE] = None,  # noqa: UP045
) -> None:
    """Open a sealed session as a folder again; the sealed file stays."""
    from dictate.session.sealing import unseal as run

    typer.echo(f"Opened as {run(sealed, _passphrase(passphrase_file, twice=False), out)}.")


def _passphrase(file: Path | None, twice: bool) -> str:
    """From a file, from ``DICTATE_PASSPHRASE``, or asked for without showing it."""
    if file is not None:
        try:
            return file.read_text(encoding="utf-8").partition("\n")[0].rstrip("\r")
        except (OSError, UnicodeDecodeError) as error:
            raise UserFault(f"The passphrase file {file} cannot be read; check it.") from error
    return os.environ.get("DICTATE_PASSPHRASE") or str(
        typer.prompt("Passphrase", hide_input=True, confirmation_prompt=twice)
    )
