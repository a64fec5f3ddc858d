"""Keys of the keyboard or of a foot pedal, read one by one from the terminal."""

from __future__ import annotations

import os
import select
import sys
import threading
from collections.abc import Callable
from types import TracebackType
from typing import Any, NamedTuple

from dictate.live.command_words import CommandName, CommandWords


class Key(NamedTuple):
    """A key and what it means: a command, an answer to a question, or nothing."""

    name: str
    command: CommandName | None = None
    answer: bool | None = None


class TypedValue(NamedTuple):
    """A value that was typed in place of the last one."""

    text: str


_SEQUENCES = {
    "[A": "up", "[B": "down", "[C": "right", "[D": "left", "[H": "home", "[F": "end",
    "OA": "up", "OB": "down", "OC": "right", "OD": "left", "OH": "home", "OF": "end",
    "[1~": "home", "[2~": "insert", "[3~": "delete", "[4~": "end", "[5~": "page_up",
    "[6~": "page_down", "[7~": "home", "[8~": "end",
    "OP": "f1", "OQ": "f2", "OR": "f3", "OS": "f4", "[11~": "f1", "[12~": "f2", "[13~": "f3",
    "[14~": "f4", "[15~": "f5", "[17~": "f6", "[18~": "f7", "[19~": "f8", "[20~": "f9",
    "[21~": "f10", "[23~": "f11", "[24~": "f12",
}  # fmt: skip
"""What terminals send for keys without a character, after ESC (xterm control sequences)."""
_PLAIN = {
    " ": "space",
    "\r": "enter",
    "\n": "enter",
    "\t": "tab",
    "\x7f": "delete",
    "\x08": "delete",
}


def key_names(sent: str) -> list[str]:
    """The names of the keys in what a terminal sent."""
    names: list[str] = []
    at = 0
    while at < len(sent):
        if sent[at] != "\x1b":
            names.append(_PLAIN.get(sent[at], sent[at]))
            at += 1
            continue
        for length in (4, 3, 2):
            name = _SEQUENCES.get(sent[at + 1 : at + 1 + length])
            if name is not None:
                names.append(name)
                at += 1 + length
                break
        else:
            names.append("escape")
            at += 1
    return names


class KeyReader:
    """Reads keys while it is open; a terminal is put back as it was afterwards.

    Args:
        words: which key gives which command.
        deliver: called with each ``Key`` or ``TypedValue`` on a thread of its own.
    """

    def __init__(self, words: CommandWords, deliver: Callable[[Key | TypedValue], None]) -> None:
        self._words = words
        self._deliver = deliver
        self._typing: str | None = None
        self._before: Any = None
        self._stop_reading, self._stop_writing = -1, -1
        self._thread: threading.Thread | None = None

    @property
    def typing(self) -> str | None:
        """The value that is being typed, None where none is."""
        return self._typing

    def __enter__(self) -> KeyReader:
        if not sys.stdin.isatty() or sys.platform == "win32":
            return self
        import termios
        import tty

        descriptor = sys.stdin.fileno()
        self._before = termios.tcgetattr(descriptor)
        tty.setcbreak(descriptor)
        self._stop_reading, self._stop_writing = os.pipe()
        self._thread = threading.Thread(target=self._read, args=(descriptor,), daemon=True)
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._before is None:
            return
        import contextlib
        import termios

        os.write(self._stop_writing, b".")
        if self._thread is not None:
            self._thread.join(1.0)
        os.close(self._stop_writing)
        os.close(self._stop_reading)
        with contextlib.suppress(termios.error, OSError):
            termios.tcsetattr(sys.stdin.fileno(), termios.TCSADRAIN, self._before)

    def pressed(self, name: str) -> None:
        """Take one key."""
        if self._typing is not None:
            self._type(name)
            return
        command = self._words.keys.get(name)
        if command == "replace":
            self._typing = ""
            return
        answer = {"y": True, "n": False}.get(name)
        if command is not None or answer is not None:
            self._deliver(Key(name, command, answer))

    def _type(self, name: str) -> None:
        assert self._typing is not None
        if name == "enter":
            typed, self._typing = self._typing.strip(), None
            if typed:
                self._deliver(TypedValue(typed))
        elif name == "escape":
            self._typing = None
        elif name == "delete":
            self._typing = self._typing[:-1]
        elif name == "space":
            self._typing += " "
        elif len(name) == 1 and len(self._typing) < 40:
            self._typing += name

    def _read(self, descriptor: int) -> None:
        while True:
            ready, _, _ = select.select([descriptor, self._stop_reading], [], [])
            if self._stop_reading in ready:
                return
            try:
                sent = os.read(descriptor, 64)
            except OSError:
                return  # The terminal is gone; its signal ends the session.
            if not sent:
                return
            for name in key_names(sent.decode("utf-8", "ignore")):
                self.pressed(name)
