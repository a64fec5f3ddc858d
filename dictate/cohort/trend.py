"""Whether a learner's figures rise or fall from session to session."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from statistics import median


def median_slope(values: Sequence[float]) -> float | None:
    """Change from one value to the next: the median of the slopes of all pairs.

    Source: Sen, Journal of the American Statistical Association 63:1379-1389, 1968. One
    odd session hardly moves it. None with fewer than three values.
    """
    if len(values) < 3:
        return None
    return median(
        (later - earlier) / (at_later - at_earlier)
        for (at_earlier, earlier), (at_later, later) in combinations(enumerate(values), 2)
    )
