"""Findings and coverage as tables (CSV), with a dictionary of the columns."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import timedelta
from decimal import Decimal
from typing import Final

from dictate.exam.catalogue import Catalogue
from dictate.findings.finding import (
    Choice,
    Finding,
    Grade,
    Pressure,
    Quantity,
    Ratio,
    Text,
    Trials,
    Value,
)
from dictate.findings.numerals import value_words
from dictate.outputs.arrangement import arrange, site_title
from dictate.session.record import Session

# Column, type, what it means. The order is the order in the file.
COLUMNS: Final[tuple[tuple[str, str, str], ...]] = (
    ("session", "text", "Identifier of the session."),
    ("finding", "text", "Identifier of the finding within the session."),
    ("region", "text", "Region of the exam, in words."),
    ("item", "code", "Item of the exam data."),
    ("title", "text", "The item in words."),
    ("side", "code", "left, right, both, midline, unspecified; empty where it has no sides."),
    ("side_inferred", "yes/no", "yes when the side was carried on from earlier talk."),
    ("site", "text", "Place within the item, in words."),
    ("kind", "code", "quantity, pressure, ratio, grade, choice, trials or text."),
    ("value", "text", "The value in words for people."),
    ("number", "number", "The number, the systolic pressure, the numerator or the grade."),
    ("second", "number", "Upper end of a range, the diastolic pressure or the denominator."),
    ("comparator", "code", "One of <, <=, >, >= where the value is a bound."),
    ("approximate", "yes/no", "yes when it was said to be about so much."),
    ("unit", "UCUM", "Unit of number and second."),
    ("scale", "code", "Scale of a grade."),
    ("out_of", "number", "Upper end of the scale as it was said; number of trials."),
    ("modifier", "text", "plus or minus of a grade; letters of an acuity."),
    ("code", "code", "The reading of the item that was said."),
    ("denied", "yes/no", "yes when the reading was said not to be so."),
    ("status", "code", "normal, abnormal, present, absent, indeterminate; empty if unsaid."),
    ("level", "code", "performed, reported or measured."),
    ("certainty", "code", "sure or hedged."),
    ("start", "seconds", "Begin, from the start of the recording."),
    ("end", "seconds", "End, from the start of the recording."),
    ("time", "ISO 8601", "Begin as an absolute time."),
    ("speaker", "code", "examiner, partner or unknown."),
    ("confidence", "number", "Of the recognition, 0 to 1."),
    ("doubts", "text", "Why a person should confirm it; empty where nothing is doubtful."),
    ("alternatives", "text", "Other values that the sound could have meant."),
    ("stands", "yes/no", "no when it was struck or replaced."),
    ("replaced_by", "text", "Identifier of the finding that replaced it."),
    ("by_hand", "yes/no", "yes when a person entered it."),
    ("words", "text", "The words it rests on, as heard."),
)
_NUMBER: Final = re.compile(r"-?[0-9]+(\.[0-9]+)?")
# Signs with which spreadsheet programs begin a formula, in their half and full width.
_FORMULA_SIGNS: Final = "=+-@＝＋－＠|%\t\r\n"


def findings_table(session: Session, catalogue: Catalogue) -> str:
    """Every finding as a row of CSV (RFC 4180 with line feeds doubled by ``\\r``), in time order.

    Struck and replaced findings are rows too, with ``stands`` set to no.
    """
    return _csv([name for name, _, _ in COLUMNS], findings_rows(session, catalogue))


def findings_rows(session: Session, catalogue: Catalogue) -> list[dict[str, str]]:
    """The cells of :func:`findings_table` by column, before anything is done for spreadsheets."""
    return [
        _row(finding, session, catalogue)
        for finding in sorted(session.findings, key=lambda one: (one.start, one.end, one.id))
    ]


def columns_table() -> str:
    """The data dictionary of :func:`findings_table`: column, type, meaning."""
    rows = [{"column": name, "type": kind, "meaning": means} for name, kind, means in COLUMNS]
    return _csv(["column", "type", "meaning"], rows)


def coverage_table(session: Session, catalogue: Catalogue) -> str:
    """Each item and side with the level it reached, in the order of the exam."""
    rows = [
        {
            "session": session.info.id,
            "region": region.title,
            "item": view.id,
            "title": view.title,
            "side": side,
            "level": level.value,
            "level_side_unsaid": view.coverage.side_unsaid.value,
        }
        for region in arrange(session, catalogue)
        for view in region.items
        for side, level in view.coverage.sides.items()
    ]
    return _csv(["session", "region", "item", "title", "side", "level", "level_side_unsaid"], rows)


def _csv(columns: Sequence[str], rows: Iterable[Mapping[str, str]]) -> str:
    buffer = io.StringIO()
    writer = csv.DictWriter(buffer, fieldnames=columns, lineterminator="\r\n")
    writer.writeheader()
    for row in rows:
        writer.writerow({name: harmless(row.get(name, "")) for name in columns})
    return buffer.getvalue()


def harmless(cell: str) -> str:
    """The cell with an apostrophe before it where a spreadsheet would take it for a formula.

    Numbers stay numbers. Source: OWASP, CSV Injection (the list of signs and the
    apostrophe as the remedy).
    """
    if _NUMBER.fullmatch(cell):
        return cell
    bare = cell.lstrip(" \u00a0\u200b\ufeff")
    return f"'{cell}" if bare and bare[0] in _FORMULA_SIGNS else cell


def _yes(truth: bool) -> str:
    return "yes" if truth else "no"


def _row(finding: Finding, session: Session, catalogue: Catalogue) -> dict[str, str]:
    item = catalogue.items.get(finding.item)
    moment = session.info.started + timedelta(seconds=finding.start)
    row = {
        "session": session.info.id,
        "finding": finding.id,
        "region": catalogue.region_of(finding.item).title if item is not None else "",
        "item": finding.item,
        "title": item.title if item is not None else "",
        "side": finding.side or "",
        "side_inferred": _yes(finding.side_inferred),
        "site": site_title(finding, catalogue),
        "status": finding.status or "",
        "level": finding.level.value,
        "certainty": finding.certainty,
        "start": f"{finding.start:.3f}",
        "end": f"{finding.end:.3f}",
        "time": moment.isoformat(timespec="milliseconds"),
        "speaker": finding.speaker,
        "confidence": f"{finding.confidence:.3f}",
        "doubts": " ".join(finding.doubts),
        "alternatives": "; ".join(value_words(one, catalogue) for one in finding.alternatives),
        "stands": _yes(finding.stands),
        "replaced_by": finding.superseded_by or "",
        "by_hand": _yes(finding.by_hand),
        "words": finding.words,
    }
    if finding.value is not None:
        row |= {"kind": finding.value.kind, "value": value_words(finding.value, catalogue)}
        row |= _parts(finding.value)
    return row


def _digits(number: Decimal | None) -> str:
    return "" if number is None else format(number, "f" if abs(number.adjusted()) < 16 else "")


def _parts(value: Value) -> dict[str, str]:
    if isinstance(value, Quantity):
        return {
            "number": _digits(value.number),
            "second": _digits(value.high),
            "comparator": value.comparator or "",
            "approximate": _yes(value.approximate),
            "unit": value.unit,
        }
    if isinstance(value, Pressure):
        return {
            "number": _digits(value.systolic),
            "second": _digits(value.diastolic),
            "approximate": _yes(value.approximate),
            "unit": value.unit,
        }
    if isinstance(value, Ratio):
        return {
            "number": _digits(value.numerator),
            "second": _digits(value.denominator),
            "modifier": str(value.letters) if value.letters else "",
        }
    if isinstance(value, Grade):
        return {
            "number": _digits(value.grade),
            "scale": value.scale,
            "out_of": "" if value.out_of is None else str(value.out_of),
            "modifier": value.modifier or "",
        }
    if isinstance(value, Choice):
        return {"code": value.code, "denied": _yes(value.denied)}
    if isinstance(value, Trials):
        known = value.right is not None
        return {"number": str(value.right) if known else "", "out_of": str(len(value.answers))}
    assert isinstance(value, Text)
    return {}
