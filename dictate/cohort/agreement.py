"""How far measurements of the same thing by several people agree."""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import fmean, stdev

from pydantic import BaseModel, ConfigDict

from dictate.cohort.student import t_quantile

Interval = tuple[float, float]
LIMIT = 1.96
"""Standard deviations on either side of the mean that hold 95% of normal differences."""


class Limits(BaseModel):
    """Differences between two people: their mean and the limits of agreement.

    All in the unit of the measurements. ``mean_interval``, ``lower_interval`` and
    ``upper_interval`` are 95% confidence intervals.
    """

    model_config = ConfigDict(frozen=True)

    pairs: int
    mean: float
    deviation: float
    lower: float
    upper: float
    mean_interval: Interval
    lower_interval: Interval
    upper_interval: Interval


def limits_of_agreement(
    first: Sequence[float], second: Sequence[float], *, width: float = LIMIT
) -> Limits | None:
    """Mean difference (first minus second) and limits of agreement, with their intervals.

    Source: Bland & Altman, Lancet i:307-310, 1986. The paper takes ``width`` 2; the
    standard error of a limit is the paper's approximation, the root of 3 s² / n.

    Args:
        first: one person's measurements.
        second: the other's, of the same things in the same order.
        width: standard deviations from the mean to a limit.

    Returns:
        None with fewer than three pairs, where limits say nothing.

    Raises:
        ValueError: the two differ in length.
    """
    differences = [one - other for one, other in zip(first, second, strict=True)]
    pairs = len(differences)
    if pairs < 3:
        return None
    mean, deviation = fmean(differences), stdev(differences)
    lower, upper = mean - width * deviation, mean + width * deviation
    t = t_quantile(0.975, pairs - 1)
    of_mean = t * deviation / math.sqrt(pairs)
    of_limit = t * deviation * math.sqrt(3 / pairs)
    return Limits(
        pairs=pairs,
        mean=mean,
        deviation=deviation,
        lower=lower,
        upper=upper,
        mean_interval=(mean - of_mean, mean + of_mean),
        lower_interval=(lower - of_limit, lower + of_limit),
        upper_interval=(upper - of_limit, upper + of_limit),
    )


class Spread(BaseModel):
    """How much measurements of one thing by different people scatter.

    ``within`` is the standard deviation within a subject; two people's measurements of
    the same subject differ by less than ``reproducibility`` in 95% of cases.
    """

    model_config = ConfigDict(frozen=True)

    subjects: int
    measurements: int
    within: float
    reproducibility: float


def spread_within(subjects: Sequence[Sequence[float]]) -> Spread | None:
    """Scatter within subjects, by one-way analysis of variance over all of them.

    Subjects may have different numbers of measurements; those with one say nothing and
    are left out. Source: Bland & Altman, BMJ 313:744, 1996 (the within-subject standard
    deviation and 1.96 times root 2 of it).

    Returns:
        None where no subject was measured twice.
    """
    held = [values for values in subjects if len(values) > 1]
    if not held:
        return None
    squares = math.fsum((value - fmean(values)) ** 2 for values in held for value in values)
    freedom = sum(len(values) - 1 for values in held)
    within = math.sqrt(squares / freedom)
    return Spread(
        subjects=len(held),
        measurements=sum(len(values) for values in held),
        within=within,
        reproducibility=LIMIT * math.sqrt(2) * within,
    )
