"""The note as PDF, set by Typst from the note's data."""

from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

from dictate.errors import UserFault
from dictate.outputs.note import Note

_TEMPLATE: Final = "note.typ"


def note_pdf(note: Note, templates: Path | None = None) -> bytes:
    """Set a note as pages of A4.

    The file's metadata holds the title "Practice examination" and the typesetter's name:
    no person, no date, no path.

    Args:
        note: what to tell.
        templates: a folder of a course's own with a file ``note.typ``; the one of this
            package is used where it has none. It sees the note alone: it is compiled in
            an empty folder of its own, and packages from elsewhere are refused.

    Raises:
        UserFault: Typst is not installed, or the course's template is broken.
    """
    try:
        import typst
    except ImportError as error:
        raise UserFault(
            "PDF needs the package 'typst'; install it with: pip install 'dictate[documents]'."
        ) from error
    own = templates / _TEMPLATE if templates is not None else None
    theirs = own is not None and own.is_file()
    source: bytes = _course_template(own) if own is not None and theirs else _shipped_template()
    told = note.model_dump(mode="json") | {
        "heard_by": note.heard_by,
        "unspoken_regions": note.unspoken_regions,
    }
    with TemporaryDirectory(prefix="dictate-note-") as empty:
        try:
            made = typst.compile(  # type: ignore[type-var]
                source,
                font_paths=[],
                root=empty,
                # Packages are looked for in an empty folder and nowhere else.
                package_path=empty,
                sys_inputs={"note": json.dumps(told, ensure_ascii=False)},
            )
        except typst.TypstError as error:
            if not theirs:
                raise
            raise UserFault(f"The template {own} cannot be set: {_one_line(error)}.") from error
    assert isinstance(made, bytes)
    return made


def _shipped_template() -> bytes:
    return files("dictate.outputs").joinpath("templates", _TEMPLATE).read_bytes()


def _course_template(path: Path) -> bytes:
    content = path.read_bytes()
    # A package's name begins with '@'; fetching one would go to the network.
    for sign in (b"@", b"\\u{", b"from-unicode", b"eval("):
        if sign in content:
            raise UserFault(
                f"The template {path} may not hold '{sign.decode()}': packages and computed "
                "names are refused, so that nothing is fetched from elsewhere."
            )
    return content


def _one_line(error: Exception) -> str:
    message = str(getattr(error, "message", "") or error)
    hints = getattr(error, "hints", None) or []
    return "; ".join([" ".join(message.split()).rstrip("."), *hints[:1]])
