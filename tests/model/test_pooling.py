"""Pooling against a published example, an independent library, and simulated towers."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.meta_analysis import combine_effects

from ringscan.model.budget import NORMAL_95
from ringscan.model.pooling import outliers, paule_mandel, pool, pool_repeats

KACKER_VALUES = np.array([61.00, 61.40, 62.21, 62.30, 62.34, 62.60, 62.70, 62.84, 65.90])
KACKER_VARIANCES = np.array(
    [0.2025, 1.2100, 0.0900, 0.2025, 0.3844, 0.5625, 0.0676, 0.0225, 1.8225]
)
"""Nine laboratories' results: Kacker, Metrologia 41 (2004) 132, table 1, as statsmodels' own tests
quote it."""

TRIALS = 800
SHARE_SD = 0.008
"""Standard deviation of a share of .95 among so many trials."""


def towers(seed: int, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Frequencies that scatter by about 1 Hz, with errors of .2 to 1 Hz."""
    rng = np.random.default_rng(seed)
    errors = rng.uniform(0.2, 1.0, count)
    return rng.normal(40, np.hypot(1.0, errors)), errors


def test_the_published_example():
    tau = paule_mandel(KACKER_VALUES, np.sqrt(KACKER_VARIANCES)) ** 0.5
    assert tau == pytest.approx(0.8399, abs=6e-5)  # printed with four digits
    pooled = pool(KACKER_VALUES, np.sqrt(KACKER_VARIANCES))
    # R's metafor 2.x, rma(method="PM"), quoted in the same tests
    assert pooled.scatter**2 == pytest.approx(0.705395309224248, rel=1e-8)
    assert pooled.value == pytest.approx(62.4076199113286, rel=1e-10)
    assert pooled.chance == pytest.approx(0.00167935146372742, rel=1e-8)


@pytest.mark.parametrize("seed", range(8))
def test_against_statsmodels(seed):
    values, errors = towers(seed, 3 + seed)
    theirs = combine_effects(values, errors**2, method_re="pm", atol=1e-9)
    ours = pool(values, errors)
    assert ours.scatter**2 == pytest.approx(theirs.tau2, rel=1e-6, abs=1e-9)
    assert ours.value == pytest.approx(theirs.mean_effect_re, rel=1e-8)
    assert ours.chance == pytest.approx(theirs.test_homogeneity().pvalue, rel=1e-8)
    by_scatter = theirs.conf_int(use_t=True)[3]  # Hartung & Knapp's, Student's t
    by_errors = NORMAL_95 * theirs.sd_eff_w_fe
    half = max((by_scatter[1] - by_scatter[0]) / 2, by_errors)
    assert [ours.low, ours.high] == pytest.approx([ours.value - half, ours.value + half], rel=1e-6)


def test_values_that_agree_by_luck_are_not_surer_than_their_errors_allow():
    pooled = pool(np.array([40.0, 40.0, 40.0]), np.array([0.3, 0.3, 0.3]))
    assert pooled.scatter == 0
    assert pooled.chance == pytest.approx(1)
    # three equal errors: the mean's is that by the root of three
    assert pooled.high - 40 == pytest.approx(1.96 * 0.3 / 3**0.5, rel=1e-4)


@pytest.mark.parametrize(
    ("count", "scatter", "most"),
    [
        # where there is no scatter, that there may be some makes the interval wide
        (2, 0.0, 1.0),
        (2, 2.0, 0.985),
        (4, 0.5, 0.985),
        (8, 1.0, 0.98),
    ],
)
def test_the_interval_holds_the_truth_nineteen_times_of_twenty(count, scatter, most):
    rng = np.random.default_rng(count)
    inside = 0
    for _ in range(TRIALS):
        errors = rng.uniform(0.3, 1.2, count)
        pooled = pool(rng.normal(40, np.hypot(scatter, errors)), errors)
        inside += pooled.low <= 40 <= pooled.high
    # Hartung & Knapp's law is approximate where errors are unequal: a hundredth, and the trials'
    assert 0.94 - 3 * SHARE_SD <= inside / TRIALS <= most


@pytest.mark.parametrize(("told", "low", "high"), [(0.5, 0.93, 0.985), (0.0, 0.0, 0.8)])
def test_an_error_that_all_share_does_not_average_out(told, low, high):
    rng = np.random.default_rng(3)
    inside = 0
    for _ in range(500):
        own = rng.uniform(0.3, 0.6, 10)
        values = 40 + rng.normal(0, 0.5) + rng.normal(0, own)
        pooled = pool(values, np.hypot(own, 0.5), common=told)
        inside += pooled.low <= 40 <= pooled.high
    # without being told, the mean of ten would be taken for three times surer than it is
    assert low <= inside / 500 <= high


def test_a_scatter_of_two_in_closed_form():
    """Weighted squares of two: d² / (2 (u² + tau²)), which is to be 1."""
    ones = np.ones(2)
    assert paule_mandel(np.array([40.0, 41.6]), ones) == pytest.approx(1.6**2 / 2 - 1)
    assert paule_mandel(np.array([40.0, 41.4]), ones) == 0


def test_whether_values_differ_is_judged_by_their_whole_errors():
    """Squares of -1, 0 and 1: 2, of which chi² with two degrees of freedom says exp(-2 / 2)."""
    pooled = pool(np.array([39.5, 40.0, 40.5]), np.full(3, 0.5), common=0.3)
    assert pooled.chance == pytest.approx(np.exp(-1))


@pytest.mark.parametrize("common", [0.1, 0.2])
def test_an_error_that_is_all_shared_gives_no_value_all_the_weight(common):
    pooled = pool(np.array([40.0, 40.02]), np.array([0.1, 0.1]), common=common)
    # by equal weights, and never surer than what both share
    assert pooled.value == pytest.approx(40.01)
    assert pooled.high - pooled.value > 1.959 * common


def test_repeats_are_no_surer_than_one():
    one = pool_repeats(np.array([40.0]), np.array([0.3]))
    four = pool_repeats(np.array([40.1, 39.9, 40.0, 40.0]), np.full(4, 0.3))
    assert one.high - one.low == pytest.approx(2 * 1.96 * 0.3, rel=1e-4)
    assert four.high - four.low == pytest.approx(one.high - one.low)
    assert four.value == pytest.approx(40.0)


def test_repeats_that_scatter_more_than_their_errors_are_less_sure():
    # two values 2 d apart about their mean: the squares' sum is 2 (d/u)², with one freedom
    pooled = pool_repeats(np.array([39.0, 41.0]), np.array([0.5, 0.5]))
    assert (pooled.high - pooled.low) / 2 == pytest.approx(1.96 * 0.5 * 8**0.5, rel=1e-4)
    assert pooled.scatter == pytest.approx(2**0.5)
    assert pooled.chance < 0.01


def test_the_better_repeat_weighs_more():
    pooled = pool_repeats(np.array([40.0, 41.0]), np.array([0.5, 1.0]))
    assert pooled.value == pytest.approx(40.2)  # weights 4 : 1
    # and its error more: (4 × 0.5 + 1) / 5; the squares' sum, 0.8, is no more than it should be
    assert pooled.high - pooled.value == pytest.approx(1.96 * 0.6, rel=1e-4)


@pytest.mark.parametrize(
    ("values", "named"),
    [
        ([22.6, 22.7, 41.2], [2]),
        ([22.6, 22.7, 22.5, 22.6, 12.0], [4]),
        ([22.6, 22.7, 31.0, 22.5, 45.0], [2, 4]),
        ([22.6, 41.2], []),  # of two, neither can be named
        ([22.6, 22.7, 41.1, 41.2], []),  # nor of two halves
        ([22.6, 22.6, 23.2], []),  # 2.6 %: machines may differ by that
        # errors of .15 and 2 % are .476; the mean of two has half of its square: 4 × .583 = 2.33
        ([22.6, 22.6, 24.8], []),
        ([22.6, 22.6, 25.1], [2]),
        ([20.0, 23.0, 26.0, 29.0], []),  # a scatter is no outlier
    ],
)
def test_outliers_are_named(values, named):
    out = outliers(np.array(values), np.full(len(values), 0.15), least_scatter=0.02 * values[0])
    assert np.flatnonzero(out).tolist() == named


def test_towers_that_only_scatter_are_hardly_ever_named():
    rng = np.random.default_rng(1)
    named = sum(
        outliers(rng.normal(40, np.hypot(0.8, 0.3), 5), np.full(5, 0.3), least_scatter=0.8).any()
        for _ in range(300)
    )
    assert named <= 3  # a hundredth


lists = st.lists(
    st.tuples(st.floats(10, 90), st.floats(0.05, 5)), min_size=2, max_size=7, unique=True
)


@given(lists, st.randoms(use_true_random=False), st.floats(0.01, 100))
@settings(max_examples=60, deadline=None)
def test_order_and_unit_change_nothing(pairs, random, unit):
    values, errors = np.array(pairs).T
    shuffled = random.sample(pairs, len(pairs))
    other_values, other_errors = np.array(shuffled).T * unit
    ours, other = pool(values, errors), pool(other_values, other_errors)
    for name in ("value", "low", "high", "scatter"):
        # the root of the scatter is found to 1e-12 of the variance
        expected = getattr(ours, name) * unit
        assert getattr(other, name) == pytest.approx(expected, rel=1e-5, abs=1e-4 * unit)
    found = outliers(values, errors, least_scatter=1.0)
    other_found = outliers(other_values, other_errors, least_scatter=unit)
    assert sorted(values[found] * unit) == pytest.approx(sorted(other_values[other_found]))
