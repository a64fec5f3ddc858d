"""The terminal summary fits 80 columns, needs no colour, and shows hostile text as text."""

from __future__ import annotations

import io

import pytest
from rich.console import Console

from dictate.exam.catalogue import Catalogue
from dictate.outputs.summary import print_summary
from dictate.session.record import Session


class _AsciiFile(io.StringIO):
    @property
    def encoding(self) -> str:  # type: ignore[override]
        return "ascii"


def printed(session: Session, catalogue: Catalogue, width: int, colour: bool = False) -> str:
    file = io.StringIO()
    console = Console(file=file, width=width, force_terminal=colour, no_color=not colour)
    print_summary(session, catalogue, console)
    return file.getvalue()


@pytest.mark.parametrize("width", [60, 80, 140])
def test_lines_fit(session: Session, catalogue: Catalogue, width: int) -> None:
    text = printed(session, catalogue, width)
    assert max(len(line.rstrip()) for line in text.splitlines()) <= width
    assert "\x1b" not in text


def test_summary_holds_findings_coverage_and_flags(session: Session, catalogue: Catalogue) -> None:
    text = printed(session, catalogue, 100)
    assert "Pulse rate: 72\u00a0/min." in text
    assert "[to confirm: could also be 134/80" in text.replace("\u00a0", " ")
    assert "performed, result not stated: Pupils to light (right)" in text
    row = next(line for line in text.splitlines() if line.startswith("Eyes  "))
    assert row.split() == ["Eyes", "■■□", "2", "-", "1", "-"]
    assert "1 error, 1 warning, 1 note" in text
    assert text.index("error: The pressure") < text.index('warning: Descent "differs" <b>')
    assert "An invented textbook, Invented Press, 2001" in text
    assert "<script>" in text


def test_levels_differ_without_colour_and_in_ascii(session: Session, catalogue: Catalogue) -> None:
    file = _AsciiFile()
    print_summary(session, catalogue, Console(file=file, width=100))
    row = next(line for line in file.getvalue().splitlines() if line.startswith("Eyes  "))
    assert row.split() == ["Eyes", "MMp", "2", "-", "1", "-"]
    assert "M measured" in file.getvalue()


def test_markup_in_heard_text_is_not_obeyed(session: Session, catalogue: Catalogue) -> None:
    info = session.info.model_copy(update={"sound_name": "[red]x[/red] [link=http://a.b]y[/link]"})
    text = printed(session.model_copy(update={"info": info}), catalogue, 100, colour=True)
    assert "[red]x[/red] [link=http://a.b]y[/link]" in text
