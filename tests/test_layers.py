"""Data flows one way: no stage imports a later one."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from tests.conftest import ROOT

ORDER = (
    "exam",
    "audio",
    "recognition",
    "talk",
    "findings",
    "checks",
    "session",
    "outputs",
    "cohort",
)


@pytest.mark.parametrize("stage", ORDER)
def test_no_stage_imports_a_later_one(stage: str) -> None:
    later = ORDER[ORDER.index(stage) + 1 :]
    files = sorted((ROOT / "dictate" / stage).rglob("*.py"))
    assert files
    for path in files:
        for name in imported(path):
            parts = name.split(".")
            assert parts[0] != "dictate" or len(parts) < 2 or parts[1] not in later, (path, name)


def imported(path: Path) -> list[str]:
    names: list[str] = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module:
            names.append(node.module)
    return names
