"""``dictate picture`` on a session made from an invented transcript."""

from __future__ import annotations

import builtins
import subprocess
import sys
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest

from dictate.errors import UserFault
from dictate.figure.picture import as_png
from tests.conftest import ROOT

TALK = "[0:01] pulse seventy two\n[0:05] lips pink and moist\n"
SQUARE = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 2 1"><rect width="1" height="1"/></svg>'
)


def dictate(*words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "dictate", *words]
    return subprocess.run(command, capture_output=True, text=True, cwd=ROOT, check=False)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("picture")
    (place / "talk.txt").write_text(TALK, encoding="utf-8")
    done = dictate("convert", str(place / "talk.txt"), "--out", str(place / "one.session"))
    assert done.returncode == 0, done.stderr
    return place / "one.session"


def test_svg_and_png_are_written(folder: Path, tmp_path: Path) -> None:
    done = dictate("picture", str(folder), "--out", str(tmp_path / "a.svg"))
    assert done.returncode == 0, done.stderr
    assert 'data-region="vitals"' in (tmp_path / "a.svg").read_text(encoding="utf-8")
    done = dictate("picture", str(folder), "--out", str(tmp_path / "a.png"), "--width", "300")
    assert done.returncode == 0, done.stderr
    png = (tmp_path / "a.png").read_bytes()
    assert png[:8] == b"\x89PNG\r\n\x1a\n"
    assert int.from_bytes(png[16:20], "big") == 300


def test_the_note_carries_the_figure(folder: Path) -> None:
    note = (folder / "note.html").read_text(encoding="utf-8")
    assert '<figure class="body"><svg' in note
    assert 'data-region="vitals"' in note


def test_another_ending_is_refused_in_one_sentence(folder: Path, tmp_path: Path) -> None:
    done = dictate("picture", str(folder), "--out", str(tmp_path / "a.bmp"))
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert "neither .svg nor .png" in done.stderr


def test_png_without_its_renderer_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    real = builtins.__import__

    def without(name: str, *rest: Any, **more: Any) -> Any:
        if name == "resvg_py":
            raise ImportError(name)
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(UserFault, match=r"dictate\[picture\]"):
        as_png(SQUARE, 10)


@pytest.mark.parametrize("width", [0, -1, 100_000])
def test_widths_that_cannot_be_drawn_are_refused(width: int) -> None:
    with pytest.raises(UserFault, match="pixels wide"):
        as_png(SQUARE, width)


def test_a_picture_has_the_form_of_its_figure() -> None:
    assert as_png(SQUARE, 40)[16:24] == (40).to_bytes(4, "big") + (20).to_bytes(4, "big")
    assert BytesIO(as_png(SQUARE, 40)).read(4) == b"\x89PNG"
