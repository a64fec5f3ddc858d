"""Letters five lines high, for reading a terminal from across the room."""

from __future__ import annotations

from typing import Final

HEIGHT = 5
_DRAWN: Final = {
    "A": ".#. #.# ### #.# #.#",
    "B": "##. #.# ##. #.# ##.",
    "C": ".## #.. #.. #.. .##",
    "D": "##. #.# #.# #.# ##.",
    "E": "### #.. ##. #.. ###",
    "F": "### #.. ##. #.. #..",
    "G": ".## #.. #.# #.# .##",
    "H": "#.# #.# ### #.# #.#",
    "I": "### .#. .#. .#. ###",
    "J": "..# ..# ..# #.# .#.",
    "K": "#.# #.# ##. #.# #.#",
    "L": "#.. #.. #.. #.. ###",
    "M": "#.# ### ### #.# #.#",
    "N": "##. #.# #.# #.# #.#",
    "O": ".#. #.# #.# #.# .#.",
    "P": "##. #.# ##. #.. #..",
    "Q": ".#. #.# #.# ##. .##",
    "R": "##. #.# ##. #.# #.#",
    "S": ".## #.. .#. ..# ##.",
    "T": "### .#. .#. .#. .#.",
    "U": "#.# #.# #.# #.# ###",
    "V": "#.# #.# #.# #.# .#.",
    "W": "#.# #.# ### ### #.#",
    "X": "#.# #.# .#. #.# #.#",
    "Y": "#.# #.# .#. .#. .#.",
    "Z": "### ..# .#. #.. ###",
    "0": "### #.# #.# #.# ###",
    "1": ".#. ##. .#. .#. ###",
    "2": "##. ..# .#. #.. ###",
    "3": "##. ..# .#. ..# ##.",
    "4": "#.# #.# ### ..# ..#",
    "5": "### #.. ##. ..# ##.",
    "6": ".## #.. ### #.# ###",
    "7": "### ..# .#. .#. .#.",
    "8": "### #.# ### #.# ###",
    "9": "### #.# ### ..# ##.",
    "/": "..# ..# .#. #.. #..",
    ".": "... ... ... ... .#.",
    "+": "... .#. ### .#. ...",
    "-": "... ... ### ... ...",
    "?": "##. ..# .#. ... .#.",
    "%": "#.# ..# .#. #.. #.#",
    ":": "... .#. ... .#. ...",
}
"""The five rows of each character, from top to bottom."""


def block_letters(text: str, width: int) -> list[str]:
    """Write ``text`` in five lines of at most ``width`` columns; what does not fit is left out.

    Characters that are not drawn leave a gap.
    """
    lines = [""] * HEIGHT
    for character in text.upper():
        rows = _DRAWN.get(character, "... ... ... ... ...").split()
        if character == " ":
            rows = ["."] * HEIGHT
        added = ["".join("██" if dot == "#" else "  " for dot in row) + "  " for row in rows]
        if len(lines[0]) + len(added[0]) - 2 > width:
            break
        lines = [line + more for line, more in zip(lines, added, strict=True)]
    return [line.rstrip() for line in lines]
