"""JSON whose decimals keep the digits that were said: 37.0 stays 37.0."""

from __future__ import annotations

import json
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any, Final

from dictate.errors import UserFault
from dictate.session.private_files import disk_fault

_LARGEST_FILE: Final = 200 * 1024 * 1024  # bytes; a bundle of an hour is some 5 MB


def write_json(value: Any) -> str:
    """The value as JSON, indented by two blanks, ending with a line feed.

    Raises:
        TypeError: it holds something that JSON has no form for.
        ValueError: it holds an infinite number or none at all (NaN).
    """
    return "".join(_parts(value, "\n")) + "\n"


def _parts(value: Any, line: str) -> Iterator[str]:
    if isinstance(value, dict):
        yield from _nested(
            "{}", line, ((json.dumps(key) + ": ", one) for key, one in value.items())
        )
    elif isinstance(value, list | tuple):
        yield from _nested("[]", line, (("", one) for one in value))
    elif isinstance(value, Decimal):
        if not value.is_finite():
            raise ValueError(f"{value} cannot be written as a number.")
        yield str(value)
    elif value is None or isinstance(value, str | bool | int | float):
        yield json.dumps(value, ensure_ascii=False, allow_nan=False)
    else:
        raise TypeError(f"{type(value).__name__} has no form in JSON.")


def _nested(brackets: str, line: str, members: Iterator[tuple[str, Any]]) -> Iterator[str]:
    deeper = line + "  "
    empty = True
    for key, member in members:
        yield (brackets[0] if empty else ",") + deeper + key
        yield from _parts(member, deeper)
        empty = False
    yield brackets if empty else line + brackets[1]


def load_json(path: Path) -> Any:
    """Read a file of JSON with decimals kept exact.

    Raises:
        UserFault: it cannot be read, is larger than 200 MB, or is no JSON.
    """
    try:
        if path.stat().st_size > _LARGEST_FILE:
            raise UserFault(f"{path} is larger than 200 MB; check the path.")
        content = path.read_bytes()
    except OSError as error:
        raise disk_fault(error, path) from error
    return read_json(content, str(path))


def read_json(text: str | bytes, name: str) -> Any:
    """Parse JSON with decimals kept exact.

    Args:
        text: the content.
        name: what to call it in a complaint.

    Raises:
        UserFault: it is no JSON; the sentence names the line.
    """

    def refuse(word: str) -> Any:
        raise UserFault(f"{name} holds '{word}', which is no number in JSON.")

    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        made = dict(pairs)
        if len(made) != len(pairs):
            keys = [key for key, _ in pairs]
            twice = next(key for key in keys if keys.count(key) > 1)
            raise UserFault(f"{name} has the key '{twice}' twice in one object; keep one of them.")
        return made

    try:
        if isinstance(text, bytes):
            text = text.decode("utf-8-sig")
        return json.loads(text, parse_float=Decimal, parse_constant=refuse, object_pairs_hook=once)
    except UnicodeDecodeError as error:
        raise UserFault(f"{name} is not text in UTF-8; save it as UTF-8 JSON.") from error
    except json.JSONDecodeError as error:
        raise UserFault(f"{name} is not JSON: line {error.lineno}: {error.msg}.") from error
    except (RecursionError, ValueError) as error:
        raise UserFault(f"{name} is not JSON that can be read: {error}.") from error
