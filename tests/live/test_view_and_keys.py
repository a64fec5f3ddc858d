from __future__ import annotations

import io
import time

import pytest
from rich.console import Console

from dictate.commands.listen import HearOptions, _view
from dictate.live.command_words import load_command_words
from dictate.live.keys import Key, KeyReader, TypedValue, key_names
from dictate.live.shown import Filled, ItemLine, RegionTime, Shown
from dictate.live.view import PlainView, ScreenView, screen

SHOWN = Shown(
    seconds=754,
    level_dbfs=-30,
    snr=31,
    phrase="blood pressure one thirty over eighty on the left and the pulse is seventy two and regular",
    partial="now the other",
    question="Blood pressure, left, 130/80 mm Hg?",
    filled=tuple(
        Filled(title=f"Item {n}", result=f"{n} cm", remark="please confirm" if n == 5 else "")
        for n in range(6)
    ),
    region="Vital signs",
    items=tuple(
        ItemLine(title=f"Thing {n}", level=level, here=n == 9)
        for n, level in enumerate(["not spoken of", "performed", "reported", "measured"] * 5)
    ),
    flags=("A very long remark " * 12, "The temperature does not fit."),
    regions=(RegionTime(title="Vital signs", seconds=65),),
    covered=12,
    items_in_all=240,
    lost=2,
)


def drawn(shown: Shown, width: int, height: int, *, large: bool = False) -> list[str]:
    console = Console(width=width, height=height, file=io.StringIO(), color_system=None)
    console.print(screen(shown, width, height, large=large))
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue().split("\n")[:-1]


@pytest.mark.parametrize("large", [False, True])
@pytest.mark.parametrize(("width", "height"), [(80, 24), (120, 40), (60, 18)])
def test_everything_fits_and_nothing_needs_colour(width: int, height: int, large: bool) -> None:
    lines = drawn(SHOWN, width, height, large=large)
    assert len(lines) <= height
    assert max(len(line) for line in lines) <= width
    text = "\n".join(lines)
    assert "LISTENING" in text
    assert "12:34" in text
    assert "CONFIRM: Blood pressure, left" in text
    assert "(please confirm)" in text
    assert "temperature does not fit" in text
    assert "Vital signs 1:05" in text


def test_the_four_levels_are_words_and_the_item_in_hand_is_in_view() -> None:
    text = "\n".join(drawn(SHOWN, 80, 40))
    for level in ("not spoken of", "performed", "reported", "measured"):
        assert level in text
    assert "> Thing 9" in "\n".join(drawn(SHOWN, 80, 24))


def test_large_letters_show_the_last_value_or_the_state() -> None:
    plain = Shown(filled=(Filled(title="Pulse rate", result="72 /min"),))
    lines = drawn(plain, 80, 24, large=True)
    assert sum("██" in line for line in lines) == 5
    assert any("PULSE RATE" in line for line in lines)
    paused = drawn(plain.model_copy(update={"state": "paused"}), 80, 24, large=True)
    assert "PAUSED" in paused[0]
    assert paused != lines


def test_plain_lines_tell_each_thing_once() -> None:
    written: list[str] = []
    view = PlainView(written.append)
    first = Shown(phrase="pulse seventy two", phrases=1, fills=1, filled=SHOWN.filled[:1])
    view.show(first)
    view.show(first)
    view.show(first.model_copy(update={"fills": 3, "filled": SHOWN.filled[:3]}))
    view.show(first.model_copy(update={"fills": 3, "state": "paused"}))
    assert written == [
        "0:00  pulse seventy two",
        "      Item 0: 0 cm",
        "      Item 1: 1 cm",
        "      Item 2: 2 cm",
        "0:00  paused",
    ]


def test_what_terminals_send_is_told_apart() -> None:
    assert key_names("p \x1b[5~\x1b[6~\x1bOP\x1b[15~\x1b[A\r\x7f") == [
        "p", "space", "page_up", "page_down", "f1", "f5", "up", "enter", "delete",
    ]  # fmt: skip
    assert key_names("\x1b") == ["escape"]


def pressed(*keys: str, pedals: dict[str, str] | None = None) -> list[Key | TypedValue]:
    given: list[Key | TypedValue] = []
    words = load_command_words().with_pedals(pedals or {})  # type: ignore[arg-type]
    reader = KeyReader(words, given.append)
    for key in keys:
        reader.pressed(key)
    return given


def test_keys_give_commands_and_answers() -> None:
    assert pressed("p", "page_up", "y", "n", "ü") == [
        Key("p", "pause"),
        Key("page_up", "mark"),
        Key("y", None, True),
        Key("n", None, False),
    ]


def test_a_pedal_gets_the_command_of_the_user() -> None:
    assert pressed("f13", "m", pedals={"f13": "mark", "m": "strike"}) == [
        Key("f13", "mark"),
        Key("m", "strike"),
    ]


def test_a_value_is_typed_and_can_be_given_up() -> None:
    assert pressed("v", "1", "3", "x", "delete", "0", "/", "8", "0", "enter", "p") == [
        TypedValue("130/80"),
        Key("p", "pause"),
    ]
    assert pressed("v", "8", "escape", "v", "enter", "m") == [Key("m", "mark")]


EVIL = "pulse \x1b]0;title\x07seventy \x1b[2Jtwo\r"


def test_lines_cannot_steer_the_terminal() -> None:
    lines: list[str] = []
    view = PlainView(lines.append)
    view.line(EVIL)
    view.show(
        SHOWN.model_copy(
            update={
                "phrase": EVIL,
                "phrases": 1,
                "question": EVIL,
                "fills": 1,
                "filled": (Filled(title=EVIL, result=EVIL, remark=EVIL),),
            }
        )
    )
    assert len(lines) == 4
    assert all(line.isprintable() for line in lines)


def test_the_screen_cannot_be_steered_by_what_was_said(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.setenv("TERM", "xterm")
    options = HearOptions("", None, True, "", 0, False, False, False, None, 1.0)
    view = _view(options, KeyReader(load_command_words(), lambda key: None))
    assert isinstance(view, ScreenView)
    shown = ""
    view.show(SHOWN.model_copy(update={"phrase": EVIL, "partial": EVIL, "question": EVIL}))
    with view:
        until = time.monotonic() + 120
        while "Heard:" not in shown and time.monotonic() < until:
            time.sleep(0.05)
            shown += capsys.readouterr().out
    assert "seventy" in shown
    assert "\x1b]" not in shown and "\x07" not in shown
    assert "\x1b[2Jtwo" not in shown
