"""Shares of a count, their confidence intervals, and how likely a count is by chance."""

from __future__ import annotations

import math
from statistics import NormalDist

from pydantic import BaseModel, ConfigDict

_EXACT = 500  # tries up to which the ways are counted in whole numbers


class Share(BaseModel):
    """``count`` of ``total`` with its confidence interval; all shares lie between 0 and 1."""

    model_config = ConfigDict(frozen=True)

    count: int
    total: int
    low: float
    high: float

    @property
    def share(self) -> float:
        """The observed share; 0 where nothing was counted."""
        return self.count / self.total if self.total else 0.0


def wilson(count: int, total: int, confidence: float = 0.95) -> Share:
    """The share with Wilson's score interval, without continuity correction.

    Source: Wilson, Journal of the American Statistical Association 22:209-212, 1927;
    method 3 of Newcombe, Statistics in Medicine 17:857-872, 1998. Of nothing counted
    the interval is 0 to 1.

    Raises:
        ValueError: ``count`` is no part of ``total``.
    """
    if not 0 <= count <= total:
        raise ValueError(f"{count} is no part of {total}")
    if total == 0:
        return Share(count=0, total=0, low=0.0, high=1.0)
    z = NormalDist().inv_cdf((1 + confidence) / 2)
    p = count / total
    middle = (2 * count + z * z) / (2 * (total + z * z))
    half = z * math.sqrt(z * z + 4 * count * (1 - p)) / (2 * (total + z * z))
    low = 0.0 if count == 0 else max(0.0, middle - half)
    high = 1.0 if count == total else min(1.0, middle + half)
    return Share(count=count, total=total, low=low, high=high)


def at_least(count: int, total: int, chance: float) -> float:
    """Probability of ``count`` or more hits in ``total`` independent tries (binomial tail)."""
    if count <= 0:
        return 1.0
    if total > _EXACT and 0 < chance < 1:
        # The numbers of ways no longer fit a float; their logarithms do.
        every = math.lgamma(total + 1)
        return min(
            1.0,
            math.fsum(
                math.exp(
                    every
                    - math.lgamma(hits + 1)
                    - math.lgamma(total - hits + 1)
                    + hits * math.log(chance)
                    + (total - hits) * math.log1p(-chance)
                )
                for hits in range(count, total + 1)
            ),
        )
    terms = (
        math.comb(total, hits) * chance**hits * (1 - chance) ** (total - hits)
        for hits in range(count, total + 1)
    )
    return min(1.0, math.fsum(terms))
