"""JSON Schemas of the exam's files, for editors that complete and check YAML.

``python -m dictate.exam.schema_files`` writes them anew after a model was changed.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter

from dictate.exam.ambiguity import Explanation
from dictate.exam.catalogue import CheckRules, Region, Scale, Site, Source
from dictate.exam.course import Course
from dictate.exam.location import grammars_folder

_KINDS: dict[str, tuple[str, TypeAdapter[Any]]] = {
    "region": ("A region of the exam", TypeAdapter(Region)),
    "course": ("A course's exam", TypeAdapter(Course)),
    "sources": ("Publications", TypeAdapter(dict[str, Source])),
    "scales": ("Grading scales", TypeAdapter(dict[str, Scale])),
    "sites": ("Lists of places", TypeAdapter(dict[str, tuple[Site, ...]])),
    "checks": ("Rules between items", TypeAdapter(CheckRules)),
    "shared_words": ("Words shared on purpose", TypeAdapter(tuple[Explanation, ...])),
}


def schema_texts() -> dict[str, str]:
    """The text of each schema file, by file name."""
    return {
        f"{kind}.schema.json": schema_text(title, adapter)
        for kind, (title, adapter) in _KINDS.items()
    }


def schema_text(title: str, adapter: TypeAdapter[Any]) -> str:
    """The text of one schema file."""
    schema = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **adapter.json_schema(mode="validation"),
        "title": title,
    }
    return json.dumps(schema, indent=1, ensure_ascii=False) + "\n"


def write_schemas(folder: Path | None = None) -> list[Path]:
    """Write the schema files; return their paths."""
    folder = folder or grammars_folder() / "schema"
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for name, text in schema_texts().items():
        path = folder / name
        path.write_text(text, encoding="utf-8")
        written.append(path)
    return written


if __name__ == "__main__":
    for made in write_schemas():
        print(made)
