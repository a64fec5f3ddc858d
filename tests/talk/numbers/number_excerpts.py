"""Reads the excerpts and compares what was read with what an attentive listener writes down."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any

import yaml

from dictate.talk.numbers import (
    Spoken,
    as_digits,
    as_grade,
    as_pressure,
    as_quantity,
    as_ratio,
    find_numbers,
    is_courtesy,
)

FOLDER = Path(__file__).parent / "excerpts"
SYSTOLIC, DIASTOLIC = (60, 260), (30, 150)


def cases(name: str) -> list[dict[str, Any]]:
    return list(yaml.safe_load((FOLDER / name).read_text(encoding="utf-8")))


def faults(case: dict[str, Any]) -> list[str]:
    """What differs between the reading of one excerpt and its expected values."""
    tokens = case["words"].split()
    found = [spoken for spoken in find_numbers(tokens) if not is_courtesy(tokens, spoken)]
    wanted = case["values"]
    if len(found) != len(wanted):
        return [f"{len(wanted)} values wanted, found {[spoken.text for spoken in found]}"]
    return [
        fault
        for spoken, value in zip(found, wanted, strict=True)
        for fault in _differences(spoken, value)
    ]


def _differences(spoken: Spoken, value: dict[str, Any]) -> Iterator[str]:
    chosen, expected = _choose(spoken, value)
    if chosen is None:
        yield f"{spoken.text!r}: nothing chosen from {spoken.readings}"
        return
    for name, wanted in expected.items():
        got = getattr(chosen, name)
        if got != wanted:
            yield f"{spoken.text!r}: {name} is {got}, not {wanted}"


def _choose(spoken: Spoken, value: dict[str, Any]) -> tuple[Any, dict[str, Any]]:
    doubtful = {"doubtful": value.get("doubtful", False)}
    approximate = {"approximate": value.get("approximate", False)}
    if "quantity" in value:
        units = None
        if value.get("imperial"):
            units = {"ft_in", "ft", "in"}
        return as_quantity(spoken, value["low"], value["high"], unit_ok=units), {
            "value": Decimal(str(value["quantity"])),
            "high": Decimal(str(value["to"])) if "to" in value else None,
            "comparator": value.get("comparator"),
            "unit": value.get("unit"),
            "plausible": value.get("plausible", True),
            **approximate,
            **doubtful,
        }
    if "pressure" in value:
        upper, lower = value["pressure"]
        return as_pressure(spoken, SYSTOLIC, DIASTOLIC), {
            "systolic": upper,
            "diastolic": lower,
            "repaired": value.get("repaired", False),
            **approximate,
            **doubtful,
        }
    if "ratio" in value:
        numbers = value["ratio"]
        return as_ratio(spoken), {
            "numerator": numbers[0],
            "denominator": numbers[1] if len(numbers) > 1 else None,
            "letters": value.get("letters"),
            "jaeger": len(numbers) == 1,
            **doubtful,
        }
    if "grade" in value:
        trace = value["grade"] == "trace"
        return as_grade(spoken, value["max"]), {
            "value": None if trace else value["grade"],
            "high": value.get("to"),
            "modifier": "trace" if trace else value.get("sign"),
            "denominator": value.get("of"),
            "out_of_scale": value.get("out_of_scale", False),
            **approximate,
            **doubtful,
        }
    return as_digits(spoken), {"digits": tuple(value["digits"]), **doubtful}
