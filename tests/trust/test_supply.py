"""What the program is made of is locked, listed and whole in the package that is installed."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import sysconfig
import tarfile
import zipfile
from importlib.metadata import PackageNotFoundError, requires, version
from pathlib import Path

import pytest
from packaging.markers import default_environment
from packaging.requirements import Requirement

from tests.trust.running import ROOT, talk_file

CONSTRAINTS = ROOT / "supply" / "constraints.txt"
PYTHONS = ("3.10", "3.11", "3.12", "3.13")
# Licences that ask no more than to be named, or bind only changes of the library itself.
FREELY_USED = re.compile(
    r"(MIT|MIT-0|MIT-CMU|BSD|BSD-[23]-Clause|0BSD|ISC|Apache-2\.0|PSF-2\.0|MPL-2\.0|Zlib|CC0-1\.0"
    r"|LGPL(-2\.1-or-later)?|Unlicense)$"
)


def plain(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


def locked() -> list[Requirement]:
    lines = CONSTRAINTS.read_text(encoding="utf-8").splitlines()
    return [Requirement(line) for line in lines if line and not line.startswith("#")]


def asked_for() -> list[Requirement]:
    text = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    tables = re.findall(r"^(?:dependencies|requires|\w+) = \[(.*?)\]$", text, re.M | re.S)
    found = [
        q for table in tables for q in re.findall(r'"([^"]+)"', table) if re.search(r"[>=]=", q)
    ]
    assert len(found) >= 40
    return [Requirement(one) for one in found]


@pytest.mark.parametrize("python", PYTHONS)
def test_every_dependency_is_locked_to_one_version_for_each_python(python: str) -> None:
    world = {
        **default_environment(),
        "python_version": python,
        "python_full_version": f"{python}.5",
    }
    here: dict[str, str] = {}
    for one in locked():
        if one.marker is None or one.marker.evaluate(world):
            assert plain(one.name) not in here, f"{one.name} is locked twice for Python {python}"
            (pin,) = one.specifier
            assert pin.operator == "=="
            here[plain(one.name)] = pin.version
    for wanted in asked_for():
        assert plain(wanted.name) in here, f"{wanted.name} is not locked; run supply/lock"
        assert wanted.specifier.contains(here[plain(wanted.name)]), f"{wanted}; run supply/lock"


def test_the_lock_names_no_place_and_the_checks_use_it() -> None:
    assert not re.search(r"https?:|file:|--(extra-)?index|find-links", CONSTRAINTS.read_text())
    assert "PIP_CONSTRAINT" in (ROOT / ".ci" / "run").read_text(encoding="utf-8")


@pytest.mark.skipif(
    "supply/constraints.txt" not in os.environ.get("PIP_CONSTRAINT", ""),
    reason="this environment was not installed under the lock (PIP_CONSTRAINT is not set)",
)
def test_what_is_installed_is_what_is_locked() -> None:
    compared = 0
    for one in locked():
        if one.marker is None or one.marker.evaluate():
            try:
                (pin,) = one.specifier
                assert pin.contains(version(one.name)), one.name
                compared += 1
            except PackageNotFoundError:
                continue
    assert compared > 80


def test_the_readme_lists_the_licence_of_every_dependency() -> None:
    from supply import licences

    listed = licences.licences()
    assert len(listed) > 60
    assert {"numpy", "spacy", "pytest"} <= {one.name for one in listed}
    readme = licences.README.read_text(encoding="utf-8")
    section = readme.partition(licences.BEGIN)[2].partition(licences.END)[0]
    told = {
        name: licence
        for licence, names in re.findall(r"^- (.+?): (.+)$", section, re.M)
        for name in names.split(", ")
    }
    # Stand-ins for newer standard modules are needed on the older Pythons alone.
    elsewhere = {plain(one.name) for one in locked() if one.marker and not one.marker.evaluate()}
    missing = {one.name for one in listed} - told.keys() - elsewhere
    assert not missing, f"run: python supply/licences.py --write ({missing})"
    for name, licence in told.items():
        for part in re.split(r" AND | OR ", licence):
            assert FREELY_USED.match(part), f"{name} comes under {licence!r}"
    own = [plain(Requirement(one).name) for one in requires("dictate") or []]
    assert set(own) <= told.keys() | elsewhere


def without_checkout() -> dict[str, str]:
    kept = {k: v for k, v in os.environ.items() if k not in ("PYTHONPATH", "DICTATE_CACHE")}
    return kept | {"PYTHONSAFEPATH": "1"}


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the sdist, and the wheel that was built from it."""
    place = tmp_path_factory.mktemp("built")
    build = "import sys; from hatchling.build import build_{0} as b; print(b(sys.argv[1]))"
    subprocess.run([sys.executable, "-c", build.format("sdist"), str(place)], cwd=ROOT, check=True)
    (sdist,) = place.glob("*.tar.gz")
    with tarfile.open(sdist) as archive:
        archive.extractall(place / "unpacked", filter="data")
    (inner,) = (place / "unpacked").iterdir()
    subprocess.run([sys.executable, "-c", build.format("wheel"), str(place)], cwd=inner, check=True)
    return place


@pytest.mark.slow
def test_sdist_and_wheel_hold_every_file_of_the_program(built: Path) -> None:
    (wheel,) = built.glob("*.whl")
    (inner,) = (built / "unpacked").iterdir()
    names = set(zipfile.ZipFile(wheel).namelist())
    listed = subprocess.run(
        ["git", "ls-files", "dictate", "grammars", "models/manifest.yaml"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    ).stdout.split()
    files = listed or [
        p.relative_to(ROOT).as_posix()
        for top in ("dictate", "grammars")
        for p in (ROOT / top).rglob("*")
        if p.is_file() and "__pycache__" not in p.parts
    ]
    assert len(files) > 150
    for name in files:
        if (ROOT / name).is_file():
            assert (inner / name).is_file(), f"{name} is not in the sdist"
            inside = name if name.startswith("dictate/") else f"dictate/{name}"
            assert inside in names, f"{name} is not in the wheel"
    assert not [name for name in names if name.startswith(("tests/", "supply/"))]
    assert any(name.endswith("/licenses/LICENSE") for name in names)


@pytest.mark.slow
def test_the_installed_wheel_does_the_main_job_without_the_checkout(
    built: Path, tmp_path: Path
) -> None:
    (wheel,) = built.glob("*.whl")
    clean = tmp_path / "clean"
    subprocess.run([sys.executable, "-m", "venv", str(clean)], check=True)
    python = clean / "bin" / "python"
    pip = [str(python), "-m", "pip", "install", "-q", "--no-deps", "--no-index", str(wheel)]
    subprocess.run(pip, check=True, env=without_checkout())
    # The libraries come from the environment of the tests, the program from the wheel alone:
    # its own folder stands first, and a checkout installed for editing is not followed.
    (site,) = (clean / "lib").glob("python*/site-packages")
    (site / "libraries.pth").write_text(sysconfig.get_path("purelib") + "\n")
    where = subprocess.run(
        [str(python), "-c", "import dictate; print(dictate.__file__)"],
        cwd=tmp_path, env=without_checkout(), capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    assert str(clean) in where
    program = str(clean / "bin" / "dictate")

    def run(*arguments: str | Path) -> str:
        done = subprocess.run(
            [program, *map(str, arguments)],
            cwd=tmp_path,
            env=without_checkout() | {"DICTATE_CACHE": str(tmp_path / "cache")},
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, done.stderr
        return done.stdout

    run("convert", talk_file(tmp_path), "--out", tmp_path / "session")
    page = (tmp_path / "session" / "note.html").read_text(encoding="utf-8")
    assert "<svg" in page and "118/76" in page
    assert "seventy" in (tmp_path / "session" / "captions.vtt").read_text(encoding="utf-8")
    assert "pulse" in run("items", "pulse").lower()
    run("card")
    assert (tmp_path / "usual-card.html").stat().st_size > 10_000
    run("picture", tmp_path / "session", "--out", tmp_path / "body.svg")
    code = (
        "from dictate.review.pages import *; from importlib.resources import files;"
        "p = files('dictate') / 'review'; print(sorted(x.name for x in (p / 'static').iterdir()))"
    )
    told = subprocess.run(
        [str(python), "-c", code], cwd=tmp_path, env=without_checkout(), capture_output=True, text=True, check=True
    ).stdout  # fmt: skip
    assert ".js" in told and ".css" in told
