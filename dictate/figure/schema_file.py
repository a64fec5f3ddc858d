"""JSON Schema of the drawing's files; ``python -m dictate.figure.schema_file`` writes it anew."""

from __future__ import annotations

from dictate.exam.location import grammars_folder
from dictate.exam.schema_files import schema_text
from dictate.figure.shapes import VIEW

NAME = "figure.schema.json"


def figure_schema() -> str:
    """The text of the schema file."""
    return schema_text("A view of the body", VIEW)


if __name__ == "__main__":
    path = grammars_folder() / "schema" / NAME
    path.write_text(figure_schema(), encoding="utf-8")
    print(path)
