"""The findings as Apache Parquet: typed columns that carry their meaning with them."""

from __future__ import annotations

import io
from datetime import datetime
from typing import Any

from dictate.errors import UserFault
from dictate.exam.catalogue import Catalogue
from dictate.outputs.table import COLUMNS, findings_rows
from dictate.session.record import Session


def findings_parquet(session: Session, catalogue: Catalogue) -> bytes:
    """Every finding as a row; empty cells are null.

    Numbers and seconds are float64, yes/no is bool, the time is a timestamp in UTC to the
    millisecond, all else is text. Each field's metadata hold ``type`` and ``meaning`` of
    the data dictionary.

    Raises:
        UserFault: pyarrow is not installed.
    """
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError as error:
        raise UserFault(
            "Parquet needs the package 'pyarrow'; install it with: pip install 'dictate[parquet]'."
        ) from error
    types: dict[str, Any] = {
        "number": pa.float64(),
        "seconds": pa.float64(),
        "yes/no": pa.bool_(),
        "ISO 8601": pa.timestamp("ms", tz="UTC"),
    }
    schema = pa.schema(
        [
            pa.field(
                name, types.get(kind, pa.string()), metadata={"type": kind, "meaning": meaning}
            )
            for name, kind, meaning in COLUMNS
        ]
    )
    rows = findings_rows(session, catalogue)
    columns = {name: [_typed(row.get(name, ""), kind) for row in rows] for name, kind, _ in COLUMNS}
    buffer = io.BytesIO()
    pq.write_table(pa.table(columns, schema=schema), buffer)
    return buffer.getvalue()


def _typed(cell: str, kind: str) -> str | float | bool | datetime | None:
    if cell == "":
        return None
    if kind in ("number", "seconds"):
        return float(cell)
    if kind == "yes/no":
        return cell == "yes"
    return datetime.fromisoformat(cell) if kind == "ISO 8601" else cell
