"""Tables read back as they were written, and no cell is a formula."""

from __future__ import annotations

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dictate.exam.catalogue import Catalogue
from dictate.outputs.table import (
    COLUMNS,
    columns_table,
    coverage_table,
    findings_table,
    harmless,
)
from dictate.session.record import Session


def rows_of(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text, newline="")))


def test_every_finding_is_a_row_with_its_parts(session: Session, catalogue: Catalogue) -> None:
    rows = {row["finding"]: row for row in rows_of(findings_table(session, catalogue))}
    assert set(rows) == {finding.id for finding in session.findings}
    assert {key: rows["f1"][key] for key in ("number", "second", "unit", "side", "time")} == {
        "number": "134",
        "second": "88",
        "unit": "mm[Hg]",
        "side": "right",
        "time": "2026-03-04T09:30:12.000+01:00",
    }
    assert rows["f7"]["comparator"] == ">=" and rows["f5"]["second"] == "18"
    assert rows["old"]["stands"] == "no" and rows["old"]["replaced_by"] == "new"
    assert rows["f24"]["number"] == "4.0"
    kinds = {row["kind"] for row in rows.values()}
    assert kinds == {"quantity", "pressure", "ratio", "grade", "choice", "trials", "text", ""}


def test_words_survive_commas_quotes_and_line_breaks(
    session: Session, catalogue: Catalogue
) -> None:
    rows = {row["finding"]: row for row in rows_of(findings_table(session, catalogue))}
    for finding in session.findings:
        assert rows[finding.id]["words"] == finding.words


def test_dictionary_names_the_columns_of_the_table(session: Session, catalogue: Catalogue) -> None:
    header = findings_table(session, catalogue).splitlines()[0].split(",")
    named = rows_of(columns_table())
    assert header == [row["column"] for row in named] == [name for name, _, _ in COLUMNS]
    assert all(row["meaning"] for row in named)


def test_coverage_has_each_item_and_side(session: Session, catalogue: Catalogue) -> None:
    rows = {(row["item"], row["side"]): row for row in rows_of(coverage_table(session, catalogue))}
    assert rows["eyes.pupils_light", "right"]["level"] == "performed"
    assert rows["eyes.pupils_light", "left"]["level"] == "unspoken"
    assert rows["eyes.acuity", "left"]["level_side_unsaid"] == "measured"
    assert ("groin.nodes", "") not in rows


@pytest.mark.parametrize(
    "cell",
    [
        "=cmd|' /C calc'!A0",
        "+1+1",
        "-2+3",
        "@SUM(A1)",
        "\t=1",
        "\r=1",
        "  =1",
        "＝1",
        "\ufeff=1",
        "-",
    ],
)
def test_formulas_become_text(cell: str) -> None:
    assert harmless(cell) == f"'{cell}"


@pytest.mark.parametrize("cell", ["-2", "3.5", "-0.25", "", "plain", "a=b", "’s"])
def test_numbers_and_plain_text_stay(cell: str) -> None:
    assert harmless(cell) == cell


@given(st.text(max_size=20))
def test_no_cell_begins_like_a_formula(cell: str) -> None:
    shown = harmless(cell).lstrip(" \u00a0\u200b\ufeff")
    if shown[:1] in ("=", "+", "-", "@", "＝", "＋", "－", "＠"):
        float(shown)  # only a plain number may begin with a minus sign
