"""Smooth closed and open curves through given points, written as SVG path data."""

from __future__ import annotations

import math
from typing import Annotated, NamedTuple

from pydantic import AfterValidator

_HANDLE = 0.39  # of the chord; four points on a circle then come out as a circle


class Knot(NamedTuple):
    """A point that the curve passes through; at a corner the curve may turn sharply."""

    x: float
    y: float
    corner: bool = False


def read_points(text: str) -> tuple[Knot, ...]:
    """Read points written as ``x,y x,y! x,y``; an exclamation mark makes a corner.

    Raises:
        ValueError: a point is not two numbers, or there are fewer than two.
    """
    knots = []
    for word in text.split():
        parts = word.removesuffix("!").split(",")
        try:
            x, y = (float(part) for part in parts)
        except ValueError as error:
            raise ValueError(
                f"'{word}' is no point; write it as 'x,y', or 'x,y!' for a corner"
            ) from error
        if not (math.isfinite(x) and math.isfinite(y)):
            raise ValueError(f"'{word}' is no point of a drawing")
        knots.append(Knot(x, y, word.endswith("!")))
    if len(knots) < 2:
        raise ValueError("a curve needs two points or more")
    return tuple(knots)


def _checked(text: str) -> str:
    read_points(text)
    return text


Points = Annotated[str, AfterValidator(_checked)]


def mirrored(knots: tuple[Knot, ...]) -> tuple[Knot, ...]:
    """The same curve on the other side of the line x = 0, run through backwards."""
    return tuple(Knot(-knot.x, knot.y, knot.corner) for knot in reversed(knots))


def whole(half: tuple[Knot, ...]) -> tuple[Knot, ...]:
    """Close a half outline, which begins and ends on x = 0, by its mirror image."""
    other = [knot for knot in mirrored(half) if knot.x != 0]
    return half + tuple(other)


def path_data(knots: tuple[Knot, ...], *, closed: bool) -> str:
    """Cubic Bezier path through the knots.

    The tangent at a knot runs along the line between its neighbours; its handles are a
    fixed share of the way to the next knot, so that uneven spacing makes no loops.
    """
    count = len(knots)
    steps = count if closed else count - 1
    parts = [f"M{_number(knots[0].x)} {_number(knots[0].y)}"]
    for place in range(steps):
        here, there = knots[place], knots[(place + 1) % count]
        chord = math.dist(here[:2], there[:2]) * _HANDLE
        out_x, out_y = _direction(knots, place, closed)
        in_x, in_y = _direction(knots, (place + 1) % count, closed)
        numbers = (
            here.x + out_x * chord,
            here.y + out_y * chord,
            there.x - in_x * chord,
            there.y - in_y * chord,
            there.x,
            there.y,
        )
        parts.append("C" + " ".join(_number(number) for number in numbers))
    return "".join(parts) + ("Z" if closed else "")


def ellipse_data(x: float, y: float, across: float, down: float) -> str:
    """Path of an ellipse with its middle at ``x``, ``y`` and the two half widths."""
    left, right, height = _number(x - across), _number(x + across), _number(y)
    radii = f"{_number(across)} {_number(down)} 0 1 1"
    return f"M{left} {height}A{radii} {right} {height}A{radii} {left} {height}Z"


def _direction(knots: tuple[Knot, ...], place: int, closed: bool) -> tuple[float, float]:
    if knots[place].corner or (not closed and place in (0, len(knots) - 1)):
        return 0.0, 0.0
    before, after = knots[place - 1], knots[(place + 1) % len(knots)]
    length = math.dist(before[:2], after[:2]) or 1.0
    return (after.x - before.x) / length, (after.y - before.y) / length


def _number(value: float) -> str:
    return f"{round(value, 1) + 0.0:g}"  # adding 0.0 turns minus zero into zero
