"""The nozzle's speed by the wall: on walls that are simulated in time, at speeds of their own."""

from dataclasses import replace

import numpy as np
import pytest
from walls import Wall, doubts_of, random_wall, simulate_walls

from ringscan.model.answers import fit_null, fit_spacing
from ringscan.model.budget import intervals
from ringscan.model.fit import JointFit, fit_jointly
from ringscan.model.newton import Tangent
from ringscan.model.speed import FACTOR, LEAST_ERROR, SpeedEstimate, fit_speed
from ringscan.model.verdict import Outcome, judge
from ringscan.plan import Quantity

CLEAN = {"texture_um": 1.0, "belt_um": 1.0}


def fitted(wall: Wall, seed: int, *, told: float = 1.0) -> JointFit:
    """Fit a wall whose plan says `told` times the speed that it was printed with."""
    walls = simulate_walls(wall, seed)
    motion = replace(walls.motion, speed_mm_s=told * walls.motion.speed_mm_s)
    return fit_jointly(replace(walls, motion=motion), doubts_of(wall))


def test_the_interval_holds_the_planned_speed_where_it_was_kept() -> None:
    """Nineteen twentieths should be; fewer than 19 of 24 has a chance below 1e-2."""
    rng = np.random.default_rng(5)
    inside = 0
    for seed in range(24):
        speed = fitted(random_wall(rng, **CLEAN), seed).speed
        inside += speed.ratio is None or speed.ratio.low <= 1 <= speed.ratio.high
        assert speed.as_planned
    assert inside >= 19


@pytest.mark.parametrize("told", [1.03, 0.97])
def test_a_small_change_of_speed_is_measured(told: float) -> None:
    """The walls' scale and heights are off as well, by what they are drawn with.

    Fewer than 9 of 12 intervals of 95 % hold the truth with a chance below 1e-2.
    """
    rng = np.random.default_rng(11)
    off, inside = [], 0
    for seed in range(12):
        ratio = fitted(random_wall(rng, **CLEAN), seed, told=told).speed.ratio
        assert ratio is not None
        off.append(ratio.value * told - 1)
        inside += ratio.low < 1 / told < ratio.high
    assert inside >= 9
    assert float(np.sqrt(np.mean(np.square(off)))) < 0.01


def test_a_print_that_was_slower_is_a_disagreement() -> None:
    """Where the two answers agree within their errors, the speed tells it all the same."""
    wall = Wall(frequency_hz=38, damping_ratio=0.06, texture_um=1.0)
    for told, outcome in ((1.0, Outcome.CALL), (1.08, Outcome.DISAGREEMENT)):
        fit = fitted(wall, 3, told=told)
        spacing = fit_spacing(fit)
        null = fit_null(fit, spacing, Quantity.FREQUENCY)
        null = replace(null, value=spacing.frequency_hz, standard_error=1.0)
        frequency, _ = intervals(fit.estimate)
        verdict = judge(fit=fit, frequency=frequency, spacing=spacing, null=null)
        assert verdict.outcome is outcome, verdict.reasons
    assert "of the planned speed" in verdict.reasons[0]


def test_where_the_speed_is_never_reached_the_wall_says_nothing_of_it() -> None:
    """At 500 mm/s² a face of 60 mm allows sqrt(500 × 60) = 173 mm/s at most."""
    wall = Wall(acceleration_mm_s2=500.0, speed_mm_s=400.0, corner_speed_mm_s=0.0)
    speed = fitted(wall, 1).speed
    assert speed.standard_error == np.inf
    assert speed.ratio is None
    assert speed.as_planned


def test_one_step_solves_a_linear_model() -> None:
    """Against numpy.linalg.lstsq of all parameters at once."""
    rng = np.random.default_rng(2)
    J, change = rng.standard_normal((3, 20, 50)), rng.standard_normal((20, 50))
    truth = np.array([0.2, -0.1, 0.4])
    data = np.tensordot(truth, J, 1) + 0.07 * change + 0.01 * rng.standard_normal((20, 50))
    columns = np.concatenate([J, change[None]]).reshape(4, -1).T
    solved, *_ = np.linalg.lstsq(columns, data.ravel(), rcond=None)
    view = Tangent(at=np.zeros(3), jacobian=J, left=data)
    found = fit_speed(view, change, np.zeros(3), 1.0)
    assert found.log_ratio == pytest.approx(solved[3], rel=1e-9)
    # white noise: the sandwich is the plain covariance, but for the chance of 20 clusters
    alone = (
        change.ravel()
        - J.reshape(3, -1).T @ np.linalg.lstsq(J.reshape(3, -1).T, change.ravel(), rcond=None)[0]
    )
    view = Tangent(at=np.zeros(3), jacobian=J, left=data - (columns @ solved).reshape(data.shape))
    plain = 0.01 / float(np.sqrt(alone @ alone))
    assert fit_speed(view, change, np.zeros(3), 1.0).standard_error == pytest.approx(plain, rel=0.4)


def test_what_is_known_of_the_others_is_not_taken_for_certain() -> None:
    """White noise of unit size and another parameter that is known beforehand by as much as tells
    half: the plain covariance of both at once, by numpy.linalg.inv (JCGM 100, 5.1.2)."""
    rng = np.random.default_rng(3)
    J = rng.standard_normal((1, 200, 5))
    change = J[0] + 0.3 * rng.standard_normal((200, 5))
    known = 0.1 * float((J**2).sum())
    columns = np.stack([J[0].ravel(), change.ravel()])
    covariance = np.linalg.inv(columns @ columns.T + np.diag([known, 0.0]))
    view = Tangent(at=np.zeros(1), jacobian=J, left=rng.standard_normal((200, 5)))
    error = fit_speed(view, change, np.array([known]), 1.0).standard_error
    # 200 clusters' squares: 10 % of the half that they tell, 3 % of the root of all
    assert error == pytest.approx(np.sqrt(covariance[1, 1]), rel=0.1)


def test_only_what_the_others_cannot_mimic_counts_as_freedom() -> None:
    """Twenty bands tell the same each; one of them tells a hundred times as much of another."""
    J = np.zeros((1, 20, 5))
    J[0, 0, 0] = 10.0
    change = J[0].copy()
    change[:, 1] = 1.0
    view = Tangent(at=np.zeros(1), jacobian=J, left=np.zeros((20, 5)))
    assert fit_speed(view, change, np.zeros(1), 1.0).freedom == pytest.approx(19)


def test_the_interval_is_one_of_the_logarithm() -> None:
    """A value and its ends by Student's t for many degrees of freedom, 1.960."""
    speed = SpeedEstimate(log_ratio=-0.02, standard_error=0.03, freedom=1e6)
    half = 1.96 * np.hypot(FACTOR * 0.03, LEAST_ERROR)
    assert speed.ratio is not None
    got = (speed.ratio.low, speed.ratio.value, speed.ratio.high)
    assert got == pytest.approx(np.exp([-0.02 - half, -0.02, -0.02 + half]), rel=1e-4)


@pytest.mark.parametrize(("error", "told"), [(0.2, True), (0.22, False), (float("inf"), False)])
def test_an_interval_of_half_the_speed_says_nothing(error: float, told: bool) -> None:
    """1.2 × 1.96 × 0.2 is 0.47, with 0.22 it is 0.52."""
    speed = SpeedEstimate(log_ratio=-0.9, standard_error=error, freedom=1e6)
    assert (speed.ratio is not None) is told
    assert speed.as_planned is not told


def test_far_off_is_not_as_planned() -> None:
    """Half a 95 % interval is 1.97 × hypot(1.2 × 0.004, 0.005) = 0.0137; times 1.5 would pass."""
    near, far = (
        SpeedEstimate(log_ratio=off, standard_error=0.004, freedom=200.0) for off in (0.019, -0.022)
    )
    assert near.as_planned
    assert not far.as_planned
    assert far.ratio is not None
    assert far.ratio.high < 1
