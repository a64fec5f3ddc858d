"""The terminal while a session runs: a screen, or plain lines where there is no terminal."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable
from textwrap import wrap
from types import TracebackType

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.text import Text

from dictate.errors import one_line
from dictate.live.block_letters import block_letters
from dictate.live.shown import Filled, ItemLine, Shown

REFRESH_SECONDS = 0.2
LEAST_LARGE_HEIGHT = 22  # lines; on fewer, large letters would hide the rest
METER_CELLS, QUIETEST_DBFS = 12, -60.0
KEYS_LINE = "p pause  s take back  v value  m mark  l left  a all  b read  w where  q done"


def clock(seconds: float) -> str:
    """Minutes and seconds, such as 12:05."""
    return f"{int(seconds) // 60}:{int(seconds) % 60:02d}"


def meter(level_dbfs: float) -> str:
    """The level as a bar of twelve cells from -60 dB to full scale."""
    share = (level_dbfs - QUIETEST_DBFS) / -QUIETEST_DBFS
    cells = min(max(round(share * METER_CELLS), 0), METER_CELLS)
    return "#" * cells + "-" * (METER_CELLS - cells)


def screen(
    shown: Shown, width: int, height: int, *, large: bool = False, typing: str | None = None
) -> RenderableType:
    """Draw one moment of the session into ``width`` columns and ``height`` lines."""
    large = large and height >= LEAST_LARGE_HEIGHT
    top = [_state_line(shown, width)]
    if large:
        top += _large(shown, width)
    top += _heard(shown, width, typing)
    filled = _filled(shown, width, 2 if large else 5)
    bottom = [*_flags(shown, width, 1), _times(shown, width), _keys(width)]
    room = height - len(top) - len(filled) - len(bottom) - 2
    region = [_rule(_region_title(shown), width), *_items(shown, width, max(room, 0))]
    lines = [*top, *filled, *region]
    lines += [Text("")] * (height - 1 - len(lines) - len(bottom))
    return Group(*lines[: height - 1 - len(bottom)], *bottom)


def _state_line(shown: Shown, width: int) -> Text:
    snr = f", {shown.snr:.0f} dB over noise" if shown.snr is not None else ""
    lost = f"  LOST SOUND {shown.lost}x" if shown.lost else ""
    left = f" {shown.state.upper()}  {clock(shown.seconds)}  "
    text = Text(left, style="bold reverse")
    text.append(f" level [{meter(shown.level_dbfs)}]{snr}", style="not reverse")
    text.append(lost, style="bold")
    right = f"{shown.covered} of {shown.items_in_all} items"
    text.append(" " * max(width - text.cell_len - len(right), 1) + right, style="not reverse")
    return _one_line(text, width)


def _large(shown: Shown, width: int) -> list[Text]:
    word = {"listening": "listen", "waiting for a microphone": "no mic"}.get(
        shown.state, shown.state
    )
    lines = [Text("")]
    if shown.state == "listening" and shown.filled:
        last = shown.filled[-1]
        lines += [Text(line, style="bold") for line in block_letters(_short(last), width)]
        lines.append(_one_line(Text(f"{last.title} {last.remark}".upper(), style="bold"), width))
    else:
        lines += [Text(line, style="bold") for line in block_letters(word, width)]
    return [*lines, Text("")]


def _short(filled: Filled) -> str:
    return ("?" if filled.remark == "please confirm" else "") + filled.result


def _heard(shown: Shown, width: int, typing: str | None) -> list[Text]:
    lines = [_one_line(Text("Heard: ").append(shown.phrase, style="bold"), width)]
    lines.append(_one_line(Text(f"  ... {shown.partial}" if shown.partial else "", "dim"), width))
    if typing is not None:
        lines.append(_one_line(Text(f"New value: {typing}_   (Enter takes it)", "bold"), width))
    elif shown.question:
        lines.append(_one_line(Text(f"CONFIRM: {shown.question}  y / n / v", "bold"), width))
    else:
        lines.append(_one_line(Text(shown.told), width))
    return lines


def _filled(shown: Shown, width: int, most: int) -> list[Text]:
    lines = [_rule("Just filled", width)]
    for one in shown.filled[-most:]:
        mark = {"": "+", "please confirm": "?", "taken back": "x"}.get(one.remark, "+")
        text = Text(f" {mark} {one.title}: ").append(one.result, style="bold")
        if one.remark:
            text.append(f"  ({one.remark})")
        lines.append(_one_line(text, width))
    return lines


def _region_title(shown: Shown) -> str:
    return shown.region or "No region yet"


def _items(shown: Shown, width: int, room: int) -> list[Text]:
    """The items around the last one that was spoken of, as many as there is room for."""
    items = shown.items
    here = next((place for place, item in enumerate(items) if item.here), 0)
    first = max(min(here - room // 3, len(items) - room), 0)
    return [_item_line(item, width) for item in items[first : first + room]]


def _item_line(item: ItemLine, width: int) -> Text:
    level = item.level
    title = Text(f"{'>' if item.here else ' '} {item.title}", "bold" if item.here else "")
    title.truncate(max(width - len(level) - 2, 8), overflow="ellipsis")
    title.append(" " * max(width - title.cell_len - len(level), 1))
    title.append(level, style="dim" if level == "not spoken of" else "")
    return _one_line(title, width)


def _flags(shown: Shown, width: int, most: int) -> list[Text]:
    """The newest flags, on at most two lines each."""
    lines: list[Text] = []
    for flag in shown.flags[-most:]:
        wrapped = wrap(f"! {flag}", width, subsequent_indent="  ", max_lines=2, placeholder=" ...")
        lines += [Text(line, "bold") for line in wrapped]
    return lines


def _times(shown: Shown, width: int) -> Text:
    spent = sorted(shown.regions, key=lambda one: one.title == shown.region)[-3:]
    parts = [f"{one.title} {clock(one.seconds)}" for one in spent]
    return _one_line(Text("Time: " + ", ".join(parts) if parts else ""), width)


def _keys(width: int) -> Text:
    return _one_line(Text(KEYS_LINE, "dim"), width)


def _rule(title: str, width: int) -> Text:
    line = Text(f"-- {title} ", "bold")
    line.append("-" * max(width - line.cell_len, 0))
    return _one_line(line, width)


def _one_line(text: Text, width: int) -> Text:
    text.truncate(width, overflow="ellipsis")
    text.no_wrap = True
    return text


class ScreenView:
    """Keeps the terminal's screen up to date; use it as a context manager.

    Args:
        console: the terminal.
        large: with the last value in letters five lines high.
        typing: gives the value that is being typed.
    """

    def __init__(self, console: Console, *, large: bool, typing: Callable[[], str | None]) -> None:
        self._console = console
        self._large = large
        self._typing = typing
        self._shown = Shown()
        self._live = Live(
            console=console, screen=True, auto_refresh=False, redirect_stdout=False,
            redirect_stderr=False,
        )  # fmt: skip
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._keep_up, daemon=True)
        self._gone = False

    def __enter__(self) -> ScreenView:
        self._live.start()
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._stopped.set()
        self._thread.join(2.0)
        with contextlib.suppress(OSError):
            self._live.stop()

    def show(self, shown: Shown) -> None:
        """Take what is to be shown next."""
        self._shown = shown

    def line(self, sentence: str) -> None:
        """Sentences stand on the screen already."""

    def _keep_up(self) -> None:
        last: tuple[object, ...] = ()
        while not self._stopped.wait(REFRESH_SECONDS):
            size = self._console.size
            now = (self._shown, self._typing(), size)
            if now == last:
                continue
            last = now
            try:
                self._live.update(
                    screen(
                        self._shown, size.width, size.height, large=self._large,
                        typing=self._typing(),
                    ),
                    refresh=True,
                )  # fmt: skip
            except (OSError, ValueError):
                return  # The terminal was closed; the session goes on to its end.


class PlainView:
    """Writes what is new as lines, for a log or a screen reader."""

    def __init__(self, write: Callable[[str], None]) -> None:
        self._write = write
        self._phrases = 0
        self._filled = 0
        self._question = ""
        self._state = "listening"

    def __enter__(self) -> PlainView:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        pass

    def show(self, shown: Shown) -> None:
        """Write what changed since the last time."""
        if shown.state != self._state:
            self._state = shown.state
            self._put(f"{clock(shown.seconds)}  {shown.state}")
        if shown.phrases > self._phrases:
            self._phrases = shown.phrases
            self._put(f"{clock(shown.seconds)}  {shown.phrase}")
        new = min(shown.fills - self._filled, len(shown.filled))
        self._filled = shown.fills
        for one in shown.filled[len(shown.filled) - new :] if new > 0 else ():
            remark = f" ({one.remark})" if one.remark else ""
            self._put(f"      {one.title}: {one.result}{remark}")
        if shown.question != self._question:
            self._question = shown.question
            if shown.question:
                self._put(f"      please confirm: {shown.question}")

    def line(self, sentence: str) -> None:
        """Write a sentence that has to be read."""
        self._put(f"      {sentence}")

    def _put(self, line: str) -> None:
        with contextlib.suppress(OSError):
            self._write(one_line(line))
