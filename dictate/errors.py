"""The one kind of error that is shown to the person at the keyboard."""

from __future__ import annotations

from typing import Final

# C0 and C1 control characters and those that turn the direction of writing (Unicode UAX #9):
# in a name or a transcript from elsewhere they could steer the terminal or disguise the text.
_UNSEEN: Final = {
    code: "\N{REPLACEMENT CHARACTER}"
    for code in (*range(0x20), *range(0x7F, 0xA0), *range(0x202A, 0x202F), *range(0x2066, 0x206A))
}
_UNSEEN_BUT_BREAKS: Final = {code: sign for code, sign in _UNSEEN.items() if code not in (9, 10)}


def one_line(text: str) -> str:
    """``text`` with a sign in place of each character that steers a terminal, breaks too."""
    return text.translate(_UNSEEN)


def unsteering(text: str) -> str:
    """``text`` with a sign in place of what steers a terminal; tabs and line feeds stay."""
    return text.translate(_UNSEEN_BUT_BREAKS)


class UserFault(Exception):
    """Something the user can put right: the message says what is wrong and what to do.

    The command line prints the message as one sentence and exits with code 2;
    anything else that is raised is a defect of the program.
    """
