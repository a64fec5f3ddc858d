"""The list of models that can be fetched: name, licence, addresses, sizes and sums."""

from __future__ import annotations

from pathlib import Path
from typing import Literal
from urllib.parse import urlsplit

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, field_validator, model_validator

from dictate.errors import UserFault
from dictate.exam.reading import read_yaml

EngineName = Literal["vosk", "transformer"]


class ModelFile(BaseModel):
    """One file to fetch. ``sha256`` is None where no sum is publicly known."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    url: str
    bytes: int | None = Field(default=None, gt=0)
    sha256: str | None = Field(default=None, pattern="^[0-9a-f]{64}$")

    @field_validator("url")
    @classmethod
    def _fetchable(cls, url: str) -> str:
        parts = urlsplit(url)
        if parts.scheme not in ("http", "https") or not parts.netloc:
            raise ValueError("the address must begin with https:// or http://")
        if not parts.path.rpartition("/")[2]:
            raise ValueError("the address must end in the name of a file")
        return url

    @model_validator(mode="after")
    def _trustworthy(self) -> ModelFile:
        if self.sha256 is None and urlsplit(self.url).scheme != "https":
            raise ValueError("without sha256 the address must begin with https://")
        return self

    @property
    def name(self) -> str:
        """The last part of the address."""
        return urlsplit(self.url).path.rpartition("/")[2]


class OfferedModel(BaseModel):
    """A model that can be fetched."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str = Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]*$")
    engine: EngineName
    language: str
    licence: str
    about: str
    files: tuple[ModelFile, ...] = Field(min_length=1)

    @property
    def bytes(self) -> int | None:
        """Size of all files, None where one is not known."""
        sizes = [file.bytes for file in self.files]
        return None if None in sizes else sum(size for size in sizes if size)


class Manifest(BaseModel):
    """All models on offer."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    models: tuple[OfferedModel, ...]

    def named(self, name: str) -> OfferedModel:
        """Return the model of this name.

        Raises:
            UserFault: there is none.
        """
        for model in self.models:
            if model.name == name:
                return model
        names = ", ".join(model.name for model in self.models) or "none"
        raise UserFault(f"No model named '{name}' is on offer; choose one of: {names}.")


def manifest_path() -> Path:
    """Return where the list lies: inside the package or at the top of a checkout.

    Raises:
        UserFault: it is missing, so the installation is damaged.
    """
    package = Path(__file__).resolve().parent.parent
    for folder in (package / "models", package.parent / "models"):
        if (folder / "manifest.yaml").is_file():
            return folder / "manifest.yaml"
    raise UserFault("The list of models is missing from this installation; install dictate again.")


def read_manifest(path: Path | None = None) -> Manifest:
    """Read a list of models, the one that comes with the program unless given.

    Raises:
        UserFault: the file is missing or not of this form.
    """
    return read_yaml(path or manifest_path(), TypeAdapter(Manifest))
