"""Quantiles of Student's t distribution, for confidence intervals of means."""

from __future__ import annotations

import math


def t_quantile(p: float, freedom: float) -> float:
    """The value that a t variable stays under with probability ``p``.

    Args:
        p: between 0 and 1, both exclusive.
        freedom: degrees of freedom, over 0.

    Raises:
        ValueError: an argument lies outside these bounds.
    """
    if not (0 < p < 1 and freedom > 0):
        raise ValueError("p must lie between 0 and 1, and the degrees of freedom above 0")
    if p < 0.5:
        return -t_quantile(1 - p, freedom)
    low, high = 0.0, 1.0
    while _below(high, freedom) < p:
        low, high = high, high * 2
        if high > 1e12:
            return math.inf
    for _ in range(200):
        middle = (low + high) / 2
        if middle in (low, high):
            break
        low, high = (middle, high) if _below(middle, freedom) < p else (low, middle)
    return (low + high) / 2


def _below(t: float, freedom: float) -> float:
    """Probability of staying under ``t`` >= 0."""
    return 1 - _beta_share(freedom / (freedom + t * t), freedom / 2, 0.5) / 2


def _beta_share(x: float, a: float, b: float) -> float:
    """The regularised incomplete beta function by its continued fraction.

    Source: NIST Digital Library of Mathematical Functions, 8.17.22 (the fraction) and
    8.17.4 (the reflection, used where the fraction converges slowly).
    """
    if x <= 0:
        return 0.0
    if x >= 1:
        return 1.0
    if x > (a + 1) / (a + b + 2):
        return 1 - _beta_share(1 - x, b, a)
    front = math.exp(
        math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x)
    )
    # Lentz's method: numerator and denominator of the fraction are carried as ratios.
    tiny = 1e-300
    c, d = 1.0, 1 / (1 - (a + b) * x / (a + 1) or tiny)
    fraction = d
    for m in range(1, 500):
        for term in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            d = 1 / (1 + term * d or tiny)
            c = 1 + term / c or tiny
            fraction *= c * d
        if abs(c * d - 1) < 1e-15:
            break
    return front * fraction / a
