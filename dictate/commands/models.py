"""dictate models: list, get, add, verify and remove models of speech recognition."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

if TYPE_CHECKING:
    from dictate.recognition.model_download import Fetched
    from dictate.recognition.model_shelf import ShelvedModel

models = typer.Typer(
    help="List, get, add, verify and remove models of speech recognition.", no_args_is_help=True
)

_Manifest = Annotated[
    Optional[Path],  # noqa: UP045 - typer reads this at run time on Python 3.10
    typer.Option("--manifest", help="A list of models of your own, such as a school's mirror."),
]
_Replace = Annotated[bool, typer.Option("--replace", help="Write over a model of this name.")]


@models.command("list")
def list_models(manifest: _Manifest = None) -> None:
    """Show the models here and those that can be fetched."""
    from dictate.recognition.model_manifest import read_manifest
    from dictate.recognition.model_shelf import shelf_folder, shelved

    here = shelved()
    typer.echo(f"Here (kept in {shelf_folder()}):")
    for model in here:
        summed = "sums noted" if model.record else "laid there by hand"
        typer.echo(f"  {model.name}  {model.engine}, {model.bytes / 1e6:.0f} MB, {summed}")
    if not here:
        typer.echo("  none; the built-in recogniser needs none")
    typer.echo("Can be fetched with 'dictate models get NAME':")
    for offered in read_manifest(manifest).models:
        size = f"{offered.bytes / 1e6:.0f} MB" if offered.bytes else "size not listed"
        known = all(file.sha256 for file in offered.files)
        summed = "SHA-256 known" if known else "no public SHA-256"
        typer.echo(
            f"  {offered.name}  {offered.engine}, {offered.language}, {size}, "
            f"{offered.licence}, {summed}"
        )
        typer.echo(f"      {offered.about}")


@models.command()
def get(
    name: Annotated[str, typer.Argument(help="Name, as 'dictate models list' shows it.")],
    manifest: _Manifest = None,
    replace: _Replace = False,
) -> None:
    """Fetch a model; a broken transfer goes on where it stopped."""
    from dictate.recognition import model_shelf
    from dictate.recognition.model_manifest import read_manifest

    offered = read_manifest(manifest).named(name)
    if any(file.sha256 is None for file in offered.files):
        typer.echo(
            "No SHA-256 sum of this model is publicly known: what comes is trusted over https, "
            "and its own sums are noted for 'dictate models verify'.",
            err=True,
        )
    with _Bars() as bars:
        model = model_shelf.get(offered, model_shelf.shelf_folder(), bars.bar, replace=replace)
    _say_added(model)


@models.command()
def add(
    source: Annotated[Path, typer.Argument(help="Folder of an unpacked model, or its zip file.")],
    name: Annotated[str, typer.Option(help="Name to keep it under; that of the source.")] = "",
    replace: _Replace = False,
) -> None:
    """Lay a copy of a model onto the shelf, from a folder or a zip archive."""
    from dictate.recognition import model_shelf

    _say_added(model_shelf.add(source, model_shelf.shelf_folder(), name, replace=replace))


@models.command()
def verify(
    name: Annotated[str, typer.Argument(help="Name of a model here; all of them.")] = "",
) -> None:
    """Compare the files of models with the sums noted when they were added."""
    from dictate.errors import UserFault
    from dictate.recognition import model_shelf

    chosen = [model for model in model_shelf.shelved() if name in ("", model.name)]
    shelf = model_shelf.shelf_folder()
    if name and not chosen and (shelf / name).is_dir():
        raise UserFault(f"{name} in {shelf} is no complete model any more; get or add it again.")
    if not chosen:
        raise UserFault(
            f"There is no model '{name}' here; see 'dictate models list'."
            if name
            else "There is no model here to verify; see 'dictate models list'."
        )
    damaged = False
    for model in chosen:
        if not name and model.record is None:
            typer.echo(f"{model.name}: laid there by hand, no sums noted")
            continue
        faults = model_shelf.verify(model)
        damaged |= bool(faults)
        typer.echo(f"{model.name}: {'; '.join(faults) if faults else 'as it was added'}")
    if damaged:
        raise typer.Exit(1)


@models.command()
def remove(name: Annotated[str, typer.Argument(help="Name of a model here.")]) -> None:
    """Remove a model from this machine."""
    from dictate.recognition import model_shelf

    model_shelf.remove(name, model_shelf.shelf_folder())
    typer.echo(f"{name} was removed.")


def _say_added(model: ShelvedModel) -> None:
    typer.echo(f"{model.name} ({model.engine}, {model.bytes / 1e6:.0f} MB) is in {model.folder}.")


class _Bars:
    """Progress bars on the terminal, one a file; silent in a pipe."""

    def __init__(self) -> None:
        import sys

        from rich.console import Console
        from rich.progress import (
            BarColumn,
            DownloadColumn,
            Progress,
            TextColumn,
            TimeRemainingColumn,
        )

        self._bars = Progress(
            TextColumn("{task.description}"),
            BarColumn(),
            DownloadColumn(),
            TimeRemainingColumn(),
            console=Console(stderr=True),
            disable=not sys.stderr.isatty(),
        )

    def __enter__(self) -> _Bars:
        self._bars.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._bars.stop()

    def bar(self, name: str) -> Fetched:
        """Return what is told how far the file of this name is."""
        task = self._bars.add_task(name, total=None)

        def tell(done: int, total: int | None) -> None:
            self._bars.update(task, completed=done, total=total)

        return tell
