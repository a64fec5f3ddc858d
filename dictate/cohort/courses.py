"""Course packages: a course with its version and schedule, installed with one command.

A package is one YAML file, or a folder with ``package.yaml``:

    version: "2026.1"
    course: course.yaml            # a course file beside it, or the course itself
    schedule:
      - {week: 1, places: [vitals, general]}

What the course makes of the exam data is frozen when it is installed, and every version
stays installed: a session made with ``key@version`` is judged by that version until
somebody judges it anew.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated

import yaml
from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StringConstraints,
    TypeAdapter,
    ValidationError,
)

from dictate.cache import cache_folder
from dictate.errors import UserFault
from dictate.exam.catalogue import Catalogue
from dictate.exam.course import (
    Checklist,
    Course,
    Place,
    apply_course,
    load_course,
    usual_checklist,
)
from dictate.exam.reading import Lines, load_catalogue, read_with_lines
from dictate.session.private_files import make_private_folder, write_private

PACKAGE_NAME = "package.yaml"
_FROZEN = "installed.json"


def _quoted(version: object) -> object:
    # YAML reads 2026.10 without quotes as the number 2026.1.
    if not isinstance(version, str):
        raise ValueError('write the version in quotes, such as "2026.1"')
    return version


Version = Annotated[
    str,
    BeforeValidator(_quoted),
    StringConstraints(pattern=r"^[0-9A-Za-z][0-9A-Za-z._-]{0,30}$"),
]


class Due(BaseModel):
    """What is to be mastered by the end of a week of the course, counted from 1."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    week: int = Field(ge=1, le=200)
    places: tuple[Place, ...] = Field(min_length=1)


class Package(BaseModel):
    """A package as its file says it."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    version: Version
    course: str | Course = Field(description="Name of the course file, or the course itself.")
    schedule: tuple[Due, ...] = ()


class Installed(BaseModel):
    """An installed version of a course, ready for use whatever becomes of the exam data."""

    model_config = ConfigDict(frozen=True)

    version: str
    schedule: tuple[Due, ...]
    checklist: Checklist

    @property
    def name(self) -> str:
        """What names it on the command line and in a session: ``key@version``."""
        return f"{self.checklist.course}@{self.version}"


def courses_folder() -> Path:
    """Where packages are installed: the user's data folder, or ``DICTATE_DATA``."""
    import platformdirs

    data = os.environ.get("DICTATE_DATA") or platformdirs.user_data_dir("dictate")
    return Path(data) / "courses"


def exam_data() -> Catalogue:
    """The exam data of this installation."""
    return load_catalogue(cache=cache_folder() / "exam")


def read_package(path: Path) -> Installed:
    """Read a package and apply its course to the exam data.

    Raises:
        UserFault: it does not fit; the sentence names file and line.
    """
    file = path / PACKAGE_NAME if path.is_dir() else path
    if not file.is_file():
        raise UserFault(f"There is no course package at {path}; it needs a file {PACKAGE_NAME}.")
    package, lines = read_with_lines(file, TypeAdapter(Package))
    if isinstance(package.course, Course):
        checklist = apply_course(exam_data(), package.course, _inside(lines))
    else:
        if Path(package.course).name != package.course:
            raise lines.fault(("course",), "course: the course file must lie beside the package")
        checklist = load_course(file.parent / package.course, exam_data())
    known = {entry.item for entry in checklist.entries}
    for number, due in enumerate(package.schedule):
        for place in due.places:
            if not any(item == place or item.startswith(f"{place}.") for item in known):
                raise lines.fault(
                    ("schedule", number), f"schedule: '{place}' is not on the checklist", place
                )
    return Installed(version=package.version, schedule=package.schedule, checklist=checklist)


def _inside(lines: Lines) -> Lines:
    for key, value in lines.root.value:
        if isinstance(key, yaml.Node) and key.value == "course":
            return Lines(lines.path, value)
    return lines


def install(path: Path) -> Installed:
    """Install a package for this user.

    Raises:
        UserFault: it does not fit, or another content has this version already.
    """
    package = read_package(path)
    folder = courses_folder() / package.checklist.course / package.version
    text = package.model_dump_json()
    if folder.is_dir() and (folder / _FROZEN).is_file():
        if (folder / _FROZEN).read_text(encoding="utf-8") != text:
            raise UserFault(
                f"{package.name} is installed with another content; give the changed course a new "
                "version."
            )
        return package
    make_private_folder(folder)
    write_private(folder / _FROZEN, text.encode())
    return package


def installed() -> list[Installed]:
    """Every installed version, newest last within a course."""
    return list(_installed("*"))


def _installed(key: str) -> Iterator[Installed]:
    files = courses_folder().glob(f"{key}/*/{_FROZEN}")
    for file in sorted(files, key=lambda one: (one.parent.parent.name, _order(one.parent.name))):
        yield _frozen(file)


def _frozen(file: Path) -> Installed:
    try:
        return Installed.model_validate_json(file.read_bytes())
    except (OSError, ValidationError) as error:
        raise UserFault(
            f"The installed course in {file.parent} cannot be read; remove that folder and install "
            "the course again."
        ) from error


def _order(version: str) -> list[tuple[int, str]]:
    """2026.10 comes after 2026.9."""
    parts = re.findall(r"\d+|[A-Za-z]+", version)
    return [(int(part), "") if part.isdigit() else (-1, part) for part in parts]


def find_installed(name: str) -> Installed | None:
    """The version named ``key@version``, or the newest of ``key``; None where there is none.

    Raises:
        UserFault: a version was named that is not installed.
    """
    key, at, version = name.partition("@")
    if not re.fullmatch(r"[a-z][a-z0-9_]*", key):
        return None
    held = list(_installed(key))
    if not at:
        return held[-1] if held else None
    for one in held:
        if one.version == version:
            return one
    raise UserFault(
        f"The course {name} is not installed here; install its package with "
        "'dictate course install'."
    )


def checklist_of(course: str) -> Checklist:
    """The exam of an installed course, a course file, a shipped course, or the usual one.

    Raises:
        UserFault: there is no such course, or it does not fit.
    """
    if course in ("", "usual"):
        return usual_checklist(exam_data())
    held = find_installed(course)
    return held.checklist if held is not None else load_course(course, exam_data())


def full_name(course: str) -> str:
    """The name to keep in a session: with its version where the course is installed."""
    held = find_installed(course) if course not in ("", "usual") else None
    return held.name if held is not None else course
