"""The few conversions needed to see that a number was meant in another unit."""

from __future__ import annotations

# (from, to) -> (factor, offset): to = from * factor + offset. Exact by definition of the
# units (international yard and pound agreement 1959; Fahrenheit scale).
_TO: dict[tuple[str, str], tuple[float, float]] = {
    ("[degF]", "Cel"): (5 / 9, -160 / 9),
    ("Cel", "[degF]"): (9 / 5, 32.0),
    ("[lb_av]", "kg"): (0.45359237, 0.0),
    ("kg", "[lb_av]"): (1 / 0.45359237, 0.0),
    ("[in_i]", "cm"): (2.54, 0.0),
    ("cm", "[in_i]"): (1 / 2.54, 0.0),
    ("m", "cm"): (100.0, 0.0),
    ("cm", "m"): (0.01, 0.0),
    ("mm", "cm"): (0.1, 0.0),
    ("cm", "mm"): (10.0, 0.0),
    ("[in_i]", "m"): (0.0254, 0.0),
    ("g", "kg"): (0.001, 0.0),
}


def converted(number: float, unit: str, to: str) -> float | None:
    """Convert a number between UCUM units; None where no conversion is known."""
    if unit == to:
        return number
    rule = _TO.get((unit, to))
    return None if rule is None else number * rule[0] + rule[1]
