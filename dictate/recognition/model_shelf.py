"""The models on this machine: where they lie, adding, checking and removing them."""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path

from pydantic import BaseModel, ConfigDict, ValidationError

from dictate.errors import UserFault
from dictate.recognition.model_archive import MOST_BYTES, unpack
from dictate.recognition.model_download import Fetched, fetch, sha256
from dictate.recognition.model_manifest import EngineName, OfferedModel, manifest_path
from dictate.recognition.transformer_model import transformer_problem
from dictate.recognition.vosk_engine import model_problem

RECORD = "dictate-model.json"
_PROBLEM: dict[EngineName, Callable[[Path], str | None]] = {
    "vosk": model_problem,
    "transformer": transformer_problem,
}


class ModelRecord(BaseModel):
    """What is noted in a model's folder when it is added: where it came from, all sums."""

    model_config = ConfigDict(frozen=True)

    engine: EngineName
    source: str
    archive_sha256: str | None = None
    files: dict[str, str]


class ShelvedModel(BaseModel):
    """A model on this machine. ``record`` is None where it was laid there by hand."""

    model_config = ConfigDict(frozen=True)

    name: str
    engine: EngineName
    folder: Path
    bytes: int
    record: ModelRecord | None


def shelf_folder() -> Path:
    """The user's folder of models, or the one named by ``DICTATE_MODELS``."""
    import platformdirs

    named = os.environ.get("DICTATE_MODELS")
    return Path(named) if named else platformdirs.user_data_path("dictate") / "models"


def shelved(shelf: Path | None = None) -> list[ShelvedModel]:
    """Return the usable models: those of a checkout's ``models/``, then those of the shelf."""
    places = [shelf] if shelf is not None else [manifest_path().parent, shelf_folder()]
    found: list[ShelvedModel] = []
    for place in places:
        for folder in sorted(place.iterdir()) if place.is_dir() else []:
            engine = _engine_of(folder)
            if engine is not None and all(model.name != folder.name for model in found):
                found.append(_shelved(folder, engine))
    return found


def newest_for(engine: EngineName, shelf: Path | None = None) -> Path | None:
    """Return the folder of the first model for an engine, None where there is none."""
    return next((model.folder for model in shelved(shelf) if model.engine == engine), None)


def add(source: Path, shelf: Path, name: str = "", *, replace: bool = False) -> ShelvedModel:
    """Lay a copy of a model on the shelf, from its folder or its zip archive.

    Args:
        source: an unpacked model's folder, or a zip archive of one.
        shelf: the folder to keep it in; made where missing.
        name: the name to keep it under, that of the source unless given.
        replace: whether a model of this name may be written over.

    Raises:
        UserFault: the source is no complete model, is unsafe to unpack, or the name is taken.
    """
    if not source.exists():
        raise UserFault(f"There is no {source}; give a model's folder or its zip archive.")
    if source.is_file() and source.suffix.lower() != ".zip":
        raise UserFault(f"{source.name} is no zip archive; give a model's folder or a .zip file.")
    name = name or (source.stem if source.is_file() else source.resolve().name)
    with _bench(shelf) as work:
        inner = Path(work) / "model"
        inner.mkdir()
        if source.is_file():
            unpack(source, inner)
            summed = sha256(source)
        else:
            _copy(source, inner)
            summed = None
        return _place(_inner(inner), shelf, name, str(source.resolve()), summed, replace)


def get(
    offered: OfferedModel,
    shelf: Path,
    progress: Callable[[str], Fetched] | None = None,
    *,
    replace: bool = False,
) -> ShelvedModel:
    """Fetch a model and lay it on the shelf.

    Args:
        offered: an entry of the list of models.
        shelf: the folder to keep it in.
        progress: gives, for the name of a file, what is told how far it is.
        replace: whether a model of this name may be written over.

    Raises:
        UserFault: it cannot be fetched, has a wrong sum, or is no complete model.
    """
    if not replace:
        _free(shelf, offered.name)
    parts = shelf / ".fetched" / offered.name
    files = [
        fetch(file, parts, progress(file.name) if progress else None) for file in offered.files
    ]
    with _bench(shelf) as work:
        inner = Path(work) / "model"
        inner.mkdir()
        archive = len(files) == 1 and files[0].suffix == ".zip"
        if archive:
            unpack(files[0], inner)
        else:
            for file in files:
                shutil.copyfile(file, inner / file.name)
        summed = sha256(files[0]) if archive else None
        source = offered.files[0].url
        model = _place(_inner(inner), shelf, offered.name, source, summed, replace, offered.engine)
    shutil.rmtree(parts, ignore_errors=True)
    return model


def verify(model: ShelvedModel) -> list[str]:
    """Return what is wrong with a model now, one sentence each; empty where all is as added.

    Raises:
        UserFault: the model was laid there by hand, so no sums were noted.
    """
    if model.record is None:
        raise UserFault(
            f"{model.name} was laid into {model.folder.parent} by hand, so no sums of its files "
            "were noted; take it out and add it with 'dictate models add'."
        )
    faults: list[str] = []
    for name, summed in sorted(model.record.files.items()):
        path = model.folder / name
        if not path.is_file():
            faults.append(f"{name} is missing")
        elif sha256(path) != summed:
            faults.append(f"{name} has changed")
    known = {*model.record.files, RECORD}
    faults += [f"{name} was not there before" for name in sorted(_names(model.folder) - known)]
    problem = _PROBLEM[model.engine](model.folder)
    return [*faults, problem] if problem else faults


def remove(name: str, shelf: Path) -> None:
    """Remove a model from the shelf.

    Raises:
        UserFault: the shelf has no folder of this name.
    """
    folder = shelf / _plain(name)
    if not folder.is_dir() or folder.is_symlink():
        names = ", ".join(model.name for model in shelved(shelf)) or "none"
        raise UserFault(f"{shelf} has no model named '{name}'; there: {names}.")
    try:
        shutil.rmtree(folder)
    except OSError as error:
        raise UserFault(f"{folder} could not be removed: {error.strerror or error}.") from error


def _place(
    folder: Path,
    shelf: Path,
    name: str,
    source: str,
    archive_sha256: str | None,
    replace: bool,
    wanted: EngineName | None = None,
) -> ShelvedModel:
    """Check a prepared folder, note its sums, and move it to its place."""
    engine: EngineName = wanted or _kind(folder)
    problem = _PROBLEM[engine](folder)
    if problem:
        place = f"{folder}"
        raise UserFault(problem.replace(place, source))
    record = ModelRecord(
        engine=engine,
        source=source,
        archive_sha256=archive_sha256,
        files={entry: sha256(folder / entry) for entry in sorted(_names(folder) - {RECORD})},
    )
    (folder / RECORD).write_text(record.model_dump_json(indent=1) + "\n", encoding="utf-8")
    target = shelf / _plain(name)
    if replace and target.is_dir():
        shutil.rmtree(target)
    _free(shelf, name)
    folder.replace(target)
    return _shelved(target, engine)


def _free(shelf: Path, name: str) -> None:
    if (shelf / _plain(name)).exists():
        raise UserFault(
            f"{shelf} already has '{name}'; give --replace to write over it, or another --name."
        )


def _plain(name: str) -> str:
    if not name or name.startswith(".") or Path(name).name != name or "\\" in name:
        raise UserFault(f"'{name}' cannot be the name of a model; use letters, figures, - and _.")
    return name


def _bench(shelf: Path) -> tempfile.TemporaryDirectory[str]:
    """A folder to prepare a model in, on the same disk so that moving it is one step."""
    try:
        shelf.mkdir(parents=True, exist_ok=True)
        return tempfile.TemporaryDirectory(prefix=".adding-", dir=shelf)
    except OSError as error:
        raise UserFault(
            f"Models cannot be kept in {shelf}: {error.strerror or error}; name another folder "
            "in DICTATE_MODELS."
        ) from error


def _copy(source: Path, target: Path) -> None:
    files = [path for path in sorted(source.rglob("*")) if not path.is_dir() or path.is_symlink()]
    for path in files:
        if path.is_symlink() or not path.is_file():
            raise UserFault(
                f"{path} is a link or a special file, which a model does not need; copy the "
                "folder with its links resolved, then add the copy."
            )
    if sum(path.stat().st_size for path in files) > MOST_BYTES:
        raise UserFault(f"{source} is larger than any model; name the folder of the model itself.")
    try:
        for path in files:
            if path.name == RECORD:
                continue
            copied = target / path.relative_to(source)
            copied.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, copied)
    except OSError as error:
        raise UserFault(f"{source} could not be copied: {error.strerror or error}.") from error


def _inner(folder: Path) -> Path:
    """Archives mostly hold one folder that holds the model."""
    entries = [entry for entry in folder.iterdir() if entry.name != "__MACOSX"]
    if len(entries) == 1 and entries[0].is_dir() and entries[0].name not in ("am", "graph"):
        return entries[0]
    return folder


def _kind(folder: Path) -> EngineName:
    return "transformer" if (folder / "model.bin").is_file() else "vosk"


def _engine_of(folder: Path) -> EngineName | None:
    if not folder.is_dir() or folder.name.startswith("."):
        return None
    engine = _kind(folder)
    return engine if _PROBLEM[engine](folder) is None else None


def _shelved(folder: Path, engine: EngineName) -> ShelvedModel:
    return ShelvedModel(
        name=folder.name,
        engine=engine,
        folder=folder,
        bytes=sum((folder / name).stat().st_size for name in _names(folder)),
        record=_record(folder),
    )


def _record(folder: Path) -> ModelRecord | None:
    try:
        return ModelRecord.model_validate(json.loads((folder / RECORD).read_bytes()))
    except (OSError, ValueError, ValidationError):
        return None


def _names(folder: Path) -> set[str]:
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}
