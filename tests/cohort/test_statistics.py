"""The statistics against published worked examples and reference libraries."""

from __future__ import annotations

import random
from statistics import NormalDist

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from sklearn.metrics import cohen_kappa_score
from statsmodels.formula.api import ols
from statsmodels.stats import inter_rater
from statsmodels.stats.proportion import proportion_confint

from dictate.cohort.agreement import limits_of_agreement, spread_within
from dictate.cohort.kappa import cohen_kappa, fleiss_kappa
from dictate.cohort.proportions import at_least, wilson
from dictate.cohort.student import t_quantile
from dictate.cohort.trend import median_slope

# Bland & Altman, Lancet i:307-310, 1986, table: peak expiratory flow in l/min of 17 people, two
# readings with a Wright meter and two with a mini Wright meter.
WRIGHT = (494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427)
WRIGHT_AGAIN = (490, 397, 512, 401, 470, 611, 415, 431, 638, 429, 420, 633, 275, 492, 165, 372, 421)
MINI = (512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451)


def test_limits_of_agreement_of_the_paper_of_1986() -> None:
    # The paper: mean difference -2.1, SD 38.8, limits -79.7 to 75.5 (with 2 SD), interval of
    # the mean -22.0 to 17.8, of the lower limit -114.3 to -45.1, of the upper 40.9 to 110.1.
    got = limits_of_agreement(WRIGHT, MINI, width=2)
    assert got is not None
    assert got.pairs == 17
    assert round(got.mean, 1) == -2.1
    assert round(got.deviation, 1) == 38.8
    # The paper computes on from the rounded mean and deviation.
    for value, published in zip(
        (got.lower, got.upper, *got.mean_interval, *got.lower_interval, *got.upper_interval),
        (-79.7, 75.5, -22.0, 17.8, -114.3, -45.1, 40.9, 110.1),
        strict=True,
    ):
        assert value == pytest.approx(published, abs=0.25)


def test_the_interval_of_the_mean_difference_is_that_of_a_paired_t_test() -> None:
    got = limits_of_agreement(WRIGHT, MINI)
    assert got is not None
    reference = stats.ttest_rel(WRIGHT, MINI).confidence_interval(0.95)
    assert got.mean_interval == pytest.approx((reference.low, reference.high))
    assert got.upper - got.lower == pytest.approx(
        2 * 1.96 * np.std(np.subtract(WRIGHT, MINI), ddof=1)
    )


def test_fewer_than_three_pairs_have_no_limits() -> None:
    assert limits_of_agreement((1, 2), (2, 3)) is None
    with pytest.raises(ValueError, match=r"shorter|longer"):
        limits_of_agreement((1, 2, 3), (2, 3))


def test_scatter_within_subjects_is_that_of_the_analysis_of_variance() -> None:
    # Bland & Altman, Statistical Methods in Medical Research 8:135-160, 1999, section 3, give
    # the within-subject standard deviation of these two Wright readings as 15.3 l/min.
    got = spread_within(tuple(zip(WRIGHT, WRIGHT_AGAIN, strict=True)))
    assert got is not None
    assert round(got.within, 1) == 15.3
    assert got.reproducibility == pytest.approx(2.77 * got.within, rel=2e-3)
    assert got.measurements == 34
    uneven = [[120.0, 126.0, 118.0], [131.0, 135.0], [99.0], [110.0, 110.0, 114.0, 102.0]]
    spread = spread_within(uneven)
    assert spread is not None
    data = pd.DataFrame(
        {
            "value": [value for values in uneven for value in values],
            "who": [str(place) for place, values in enumerate(uneven) for _ in values],
        }
    )
    assert spread.within == pytest.approx(ols("value ~ C(who)", data).fit().mse_resid ** 0.5)
    assert spread.subjects == 3
    assert spread_within([[1.0], []]) is None


# Fleiss, Levin & Paik, Statistical Methods for Rates and Proportions, 3rd ed. 2003, table 18.1:
# two raters sort 100 patients into three groups; kappa 0.68 (0.676).
TWO_RATERS = ((75, 1, 4), (5, 4, 1), (0, 0, 10))


def _unrolled(table: tuple[tuple[int, ...], ...]) -> tuple[list[int], list[int]]:
    cells = [
        (row, column)
        for row, counts in enumerate(table)
        for column, count in enumerate(counts)
        for _ in range(count)
    ]
    return [row for row, _ in cells], [column for _, column in cells]


def test_cohen_kappa_of_a_published_table() -> None:
    got = cohen_kappa(*_unrolled(TWO_RATERS))
    assert got is not None
    assert got.kappa == pytest.approx(0.68, abs=0.005)
    assert (got.observed, round(got.expected, 3)) == (0.89, 0.66)
    assert got.error == pytest.approx(inter_rater.cohens_kappa(TWO_RATERS).std_kappa)


def test_cohen_kappa_of_random_ratings_is_that_of_two_libraries() -> None:
    chance = random.Random(5)
    for _ in range(50):
        names = list(range(chance.randint(2, 5)))
        size = chance.randint(8, 60)
        first = [chance.choice(names) for _ in range(size)]
        second = [one if chance.random() < 0.6 else chance.choice(names) for one in first]
        got = cohen_kappa(first, second)
        assert got is not None
        if got.kappa is None:
            continue
        assert got.kappa == pytest.approx(cohen_kappa_score(first, second))
        table = [[0] * len(names) for _ in names]
        for one, other in zip(first, second, strict=True):
            table[one][other] += 1
        assert got.error == pytest.approx(inter_rater.cohens_kappa(table).std_kappa, abs=1e-9)


def test_kappa_says_nothing_where_all_ratings_are_one_category() -> None:
    got = cohen_kappa(["normal"] * 4, ["normal"] * 4)
    assert got is not None
    assert got.kappa is None
    assert got.low is None
    assert cohen_kappa([], []) is None
    assert fleiss_kappa([{"a": 1}]) is None


# Fleiss, Psychological Bulletin 76:378-382, 1971: 30 patients, each sorted by six psychiatrists
# into five diagnoses (1 depression, 2 personality disorder, 3 schizophrenia, 4 neurosis,
# 5 other), kappa 0.430. The ratings are read from the reference library's own tests.
def test_fleiss_kappa_of_the_paper_of_1971() -> None:
    ratings = pytest.importorskip("statsmodels.stats.tests.test_inter_rater").diagnoses
    counts = [
        {str(name): int((row == name).sum()) for name in range(1, 6) if (row == name).any()}
        for row in ratings
    ]
    got = fleiss_kappa(counts)
    assert got is not None
    assert got.subjects == 30
    assert got.kappa == pytest.approx(0.430, abs=5e-4)
    table, _ = inter_rater.aggregate_raters(ratings)
    assert got.kappa == pytest.approx(inter_rater.fleiss_kappa(table))


def test_fleiss_kappa_of_random_ratings_is_that_of_the_library() -> None:
    chance = np.random.default_rng(3)
    for raters, kinds in ((2, 2), (3, 4), (14, 5)):
        ratings = chance.integers(0, kinds, size=(25, raters))
        ratings[:12] = ratings[:12, :1]
        table, _ = inter_rater.aggregate_raters(ratings)
        got = fleiss_kappa([{str(k): int(n) for k, n in enumerate(row)} for row in table])
        assert got is not None
        assert got.kappa == pytest.approx(inter_rater.fleiss_kappa(table))


# Newcombe, Statistics in Medicine 17:857-872, 1998, table I, method 3 (from memory; the
# reference library computes the same).
@pytest.mark.parametrize(
    ("count", "total", "low", "high"),
    [
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_wilson_interval_of_the_paper_of_1998(
    count: int, total: int, low: float, high: float
) -> None:
    got = wilson(count, total)
    assert (round(got.low, 4), round(got.high, 4)) == (low, high)


@settings(max_examples=60, deadline=None)
@given(st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_wilson_interval_is_that_of_the_library(counted: tuple[int, int]) -> None:
    count, total = counted
    got = wilson(count, total)
    low, high = proportion_confint(count, total, method="wilson")
    assert got.low == pytest.approx(max(0.0, low), abs=1e-9)
    assert got.high == pytest.approx(min(1.0, high), abs=1e-9)
    assert got.low <= got.share <= got.high


def test_nothing_counted_leaves_everything_open() -> None:
    assert (wilson(0, 0).low, wilson(0, 0).high, wilson(0, 0).share) == (0, 1, 0)
    with pytest.raises(ValueError, match="no part"):
        wilson(3, 2)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 80), st.integers(0, 80), st.floats(0.01, 0.99))
def test_chance_of_a_count_is_that_of_the_library(count: int, more: int, chance: float) -> None:
    total = count + more
    expected = stats.binom.sf(count - 1, total, chance)
    assert at_least(count, total, chance) == pytest.approx(expected, rel=1e-6, abs=1e-12)


@pytest.mark.parametrize(("count", "total"), [(260, 501), (1100, 2000), (5100, 10_000), (1, 4000)])
def test_chance_of_a_large_count_is_that_of_the_library(count: int, total: int) -> None:
    for chance in (0.5, 0.02, 0.97):
        expected = stats.binom.sf(count - 1, total, chance)
        assert at_least(count, total, chance) == pytest.approx(expected, rel=1e-6, abs=1e-12)


@settings(max_examples=80, deadline=None)
@given(st.floats(0.001, 0.999), st.floats(0.6, 500))
def test_t_quantile_is_that_of_the_library(p: float, freedom: float) -> None:
    assert t_quantile(p, freedom) == pytest.approx(stats.t.ppf(p, freedom), rel=1e-7, abs=1e-9)


def test_t_quantile_nears_the_normal_one() -> None:
    assert t_quantile(0.975, 1e6) == pytest.approx(NormalDist().inv_cdf(0.975), rel=1e-5)
    with pytest.raises(ValueError, match="between"):
        t_quantile(1.0, 3)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(-1e3, 1e3), min_size=3, max_size=12))
def test_the_median_slope_is_that_of_the_library(values: list[float]) -> None:
    assert median_slope(values) == pytest.approx(stats.theilslopes(values).slope, abs=1e-9)


def test_two_sessions_are_no_trend() -> None:
    assert median_slope([0.2, 0.9]) is None
