"""The coarse search: its peak, its arithmetic, and what it finds by chance."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom
from walls import Wall, doubts_of, simulate_walls

from ringscan.model.chance import chance_gains
from ringscan.model.given import bend, redraw
from ringscan.model.problem import pose_problem
from ringscan.model.search import DAMPING_RATIOS, FREQUENCIES_HZ, search
from ringscan.model.vibration import trial_pole


@pytest.mark.parametrize("gain", [3.0, -3.0])
@pytest.mark.parametrize(
    ("f", "zeta", "family"),
    [(22, 0.04, "ZV"), (38, 0.08, "ZVD"), (52, 0.12, "ZV"), (45, 0.06, "EI")],
)
def test_peak_is_at_the_truth(f: float, zeta: float, family: str, gain: float) -> None:
    walls = simulate_walls(Wall(frequency_hz=f, damping_ratio=zeta, family=family, gain=gain), 1)
    (found, damping), *_ = search(pose_problem(walls)).best(3)
    # half the width of the criterion's peak, zeta f, and two steps of the grid
    assert abs(found / f - 1) < zeta / 2 + 0.02
    assert damping in DAMPING_RATIOS


def test_gain_is_the_fall_of_the_sum_of_squares() -> None:
    """The gathered sums against the plain least-squares fit of the same ripple."""
    problem = pose_problem(simulate_walls(Wall(texture_um=4), 2))
    found = search(problem)
    for z, i in ((0, 60), (1, 130), (2, 160), (3, 220), (1, 262)):
        M = problem.columns(trial_pole(FREQUENCIES_HZ[i], DAMPING_RATIOS[z]))
        c = problem.strength(M)
        left = problem.data - np.tensordot(c, M, 1)
        fall = (problem.data**2).sum() - (left**2).sum()
        # normal matrices are interpolated, and taken from every fourth band
        assert found.gain[z, i] == pytest.approx(fall, rel=0.15, abs=0.005 * found.gain.max())


def test_best_lists_separate_peaks_from_the_highest_down() -> None:
    found = search(pose_problem(simulate_walls(Wall(frequency_hz=52, damping_ratio=0.03), 3)))
    peaks = found.best(4)
    profile = found.gain.max(axis=0)
    heights = [profile[int(np.argmin(np.abs(FREQUENCIES_HZ - f)))] for f, _ in peaks]
    assert heights == sorted(heights, reverse=True)
    assert heights[0] == profile.max()
    assert len({f for f, _ in peaks}) == len(peaks)


def test_samples_that_a_bent_edge_puts_before_the_last_impulse() -> None:
    """A second mode is searched for with the drawing that the fit bent: the samples stay in use."""
    ramp = tuple(np.linspace(60, 15, 60).tolist())  # the lowest band has the shortest shaper
    wall = Wall(frequency_hz=38, family="ZVDD", texture_um=1, commanded_hz=ramp)
    walls = simulate_walls(wall, 5)
    problem = pose_problem(walls)
    shifted = redraw(walls, bend(np.array([-1.5, 0, 0, 0, 0, 0, 0]), 38.0), doubts_of(wall))
    early = shifted.passing_s < shifted.impulses.delay_s[:, None]
    assert (early & problem.valid).sum() > 10
    found = search(replace(problem, drawing=shifted))
    assert np.isfinite(found.gain).all()
    # the ripples behind them still tell the frequency
    assert found.best(1)[0][0] == pytest.approx(38, rel=0.1)


def test_products_add_up_to_the_gain_of_the_best_pole() -> None:
    problem = pose_problem(simulate_walls(Wall(texture_um=4), 4))
    found = search(problem)
    total = found.products.sum(axis=0)
    u, v = total.real, -total.imag
    inverse = found.inverse
    gain = inverse[..., 0, 0] * u**2 + 2 * inverse[..., 0, 1] * u * v + inverse[..., 1, 1] * v**2
    z, i = np.unravel_index(found.gain.argmax(), found.gain.shape)
    # bands' products add up to the whole's: what they have in common is already out of the data
    assert gain[z, i] == pytest.approx(found.gain[z, i], rel=0.05)


def test_chance_repeats_with_its_seed_and_differs_without() -> None:
    problem = pose_problem(simulate_walls(Wall(frequency_hz=0), 5))
    found = search(problem)
    one, same, other = (chance_gains(problem, found, trials=40, seed=seed) for seed in (0, 0, 1))
    assert (one == same).all()
    assert (one != other).any()


def test_blank_walls_pass_the_chance_quantile_as_often_as_it_says() -> None:
    """The upper tenth of the trials' gains on blank walls; the full count is in the benchmark."""
    level, walls = 0.1, 14
    passed = 0
    for seed in range(walls):
        problem = pose_problem(simulate_walls(Wall(frequency_hz=0, texture_um=2 + seed % 4), seed))
        found = search(problem)
        chance = chance_gains(problem, found, trials=150, seed=seed)
        passed += bool(found.gain.max() > np.quantile(chance, 1 - level))
    # a correct rule passes this many or fewer in 9999 of 10000 runs of this test
    assert passed <= binom.ppf(0.9999, walls, level)
