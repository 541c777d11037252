"""The least-squares problem: model and data meet after the filter."""

from dataclasses import replace

import numpy as np
import pytest
from walls import Wall, simulate_walls

from ringscan.errors import FaceError, PlanError
from ringscan.model.problem import STEEPEST, Problem, Walls, pose_problem, refine
from ringscan.model.vibration import pole, trial_pole

CALM = Wall(texture_um=0.3, belt_um=0, bulge_um=0, gain=0.5, along_hz=0, sensor=0.001)
"""Little but ripple, and shading that is nearly linear."""


def refined(walls: Walls, lam: complex) -> Problem:
    problem = pose_problem(walls)
    return refine(problem, walls, lam, complex(*problem.strength(problem.columns(lam))))


def test_ripple_at_the_true_pole_explains_the_data() -> None:
    walls = simulate_walls(CALM, 0)
    lam = trial_pole(38, 0.08)
    problem = refined(walls, lam)
    size = problem.whitener.use.sum()

    def left_at(f: float) -> float:
        M = problem.columns(trial_pole(f, 0.08))
        return float(((problem.data - np.tensordot(problem.strength(M), M, 1)) ** 2).sum())

    # the data are 14 times the noise, and what is left is noise of unit size
    assert (problem.data**2).sum() > 10 * size
    assert left_at(38) == pytest.approx(size, rel=0.2)
    # 5 % off leaves several times as much
    assert min(left_at(36.1), left_at(39.9)) > 2 * left_at(38)


def test_a_ripple_too_steep_to_be_one_leaves_the_wall_as_it_is() -> None:
    walls = simulate_walls(CALM, 2)
    problem = pose_problem(walls)
    again = refine(problem, walls, trial_pole(38, 0.08), 1e9 + 0j)
    assert (again.valid == problem.valid).all()
    assert np.isfinite(again.data).all()


@pytest.mark.parametrize(
    "wall",
    [
        Wall(commanded_hz=(37.0, 38.0)),
        Wall(commanded_hz=(30.0, 38.0, 46.0)),
        # bands on both sides of the ramp's start are no pair
        Wall(commanded_hz=(np.nan, np.nan, 37.0, 38.0)),
        # the last impulse comes when the face is over
        Wall(family="EI", commanded_hz=(9.0,) * 12, speed_mm_s=500, length_mm=20),
    ],
    ids=["two bands", "three bands", "two and two", "too fast"],
)
def test_too_little_of_a_wall_is_told(wall: Wall) -> None:
    with pytest.raises(PlanError, match="are needed; plan a longer ramp"):
        pose_problem(simulate_walls(wall, 1))


@pytest.mark.parametrize(("samples", "enough"), [(11, False), (12, True)])
def test_too_little_of_every_band_is_told(samples: int, enough: bool) -> None:
    walls = simulate_walls(Wall(), 1)
    narrow = replace(walls, valid=np.zeros_like(walls.valid))
    narrow.valid[:, 100 : 100 + samples] = True
    if enough:
        pose_problem(narrow)
        return
    with pytest.raises(PlanError, match="only 0 pairs of neighbouring layer bands"):
        pose_problem(narrow)


@pytest.mark.parametrize("light", [0.0, 0.3])
def test_a_perfectly_even_wall_is_told(light: float) -> None:
    walls = simulate_walls(Wall(), 1)
    even = replace(walls, intensity=np.full_like(walls.intensity, light))
    with pytest.raises(FaceError, match="perfectly uniform"):
        pose_problem(even)


def test_strength_is_plain_least_squares() -> None:
    problem = pose_problem(simulate_walls(Wall(), 1))
    M = problem.columns(trial_pole(35, 0.1))
    # numpy's own least squares over the full design
    expected = np.linalg.lstsq(M.reshape(2, -1).T, problem.data.ravel())[0]
    assert problem.strength(M) == pytest.approx(expected, rel=1e-8)


def test_columns_are_the_filtered_slope() -> None:
    problem = pose_problem(simulate_walls(Wall(), 2))
    lam = trial_pole(35, 0.1)
    M = problem.columns(lam)
    c = 0.3 - 0.7j
    whole = problem.whitener(np.real(c * problem.drawing.slope(lam)))
    assert np.allclose(c.real * M[0] + c.imag * M[1], whole, atol=1e-9 * np.abs(whole).max())


def test_exposure_does_not_matter() -> None:
    walls = simulate_walls(Wall(), 3)
    brighter = replace(walls, intensity=walls.intensity * 7.5)
    # rounding
    assert np.allclose(pose_problem(walls).data, pose_problem(brighter).data, atol=1e-8)


def test_what_is_masked_does_not_matter() -> None:
    walls = simulate_walls(Wall(), 4)
    valid = walls.valid.copy()
    valid[10:20, 200:260] = False
    spoilt = walls.intensity.copy()
    spoilt[10:20, 200:260] = 1e3
    masked = pose_problem(replace(walls, valid=valid))
    same = pose_problem(replace(walls, valid=valid, intensity=spoilt))
    assert np.allclose(masked.data, same.data, atol=1e-8)


@pytest.mark.parametrize("texture_um", [1.0, 5.0])
def test_refined_noise_is_of_unit_size(texture_um: float) -> None:
    walls = simulate_walls(Wall(texture_um=texture_um), 5)
    lam = trial_pole(38, 0.08)
    problem = refined(walls, lam)
    M = problem.columns(lam)
    left = problem.data - np.tensordot(problem.strength(M), M, 1)
    # levels are known to some per cent from two neighbours each; the rest is the other axis's
    # ringing, shared by neighbours and hence not seen in their differences
    assert np.mean(left[problem.whitener.use] ** 2) == pytest.approx(1, abs=0.25)


def test_ripple_too_steep_for_the_light_is_left_out() -> None:
    walls = simulate_walls(Wall(frequency_hz=20, damping_ratio=0.04, gain=4), 7)
    first = pose_problem(walls)
    lam = trial_pole(20, 0.04)
    problem = refined(walls, lam)
    slope = np.abs(problem.drawing.slope(lam))
    assert 0.01 < (first.valid & ~problem.valid).sum() / first.valid.sum() < 0.8
    # what is left out is steeper than all that is kept
    assert slope[first.valid & ~problem.valid].min() > slope[problem.valid].max()
    # and in light that it does not fill, nothing is
    faint = simulate_walls(Wall(frequency_hz=20, damping_ratio=0.04, gain=0.1 * STEEPEST), 7)
    first = pose_problem(faint)
    assert (refined(faint, lam).valid == first.valid).all()


def test_thinned_problem_is_every_nth_band() -> None:
    problem = pose_problem(simulate_walls(Wall(), 6), shared=False)
    part = problem.every(4)
    lam = trial_pole(38, 0.08)
    assert (part.data == problem.data[::4]).all()
    assert np.allclose(part.columns(lam), problem.columns(lam)[:, ::4])


def test_trial_pole_is_the_pole() -> None:
    assert trial_pole(40, 0.1) == complex(pole(40, 0.1))


def test_the_noise_is_that_of_the_wall_without_its_ripple() -> None:
    """The same bead drawn without any ringing tells how loud the noise is near the edge."""
    wall = Wall(commanded_hz=(20.0, 24.0, 29.0, 35.0, 42.0, 50.0, 60.0), along_hz=0, gain=1)
    wall = replace(wall, texture_um=0.5, frequency_hz=45)
    lam = trial_pole(45, 0.08)
    blank = pose_problem(simulate_walls(replace(wall, frequency_hz=0), 8))
    ringing = simulate_walls(wall, 8)
    first, problem = pose_problem(ringing), refined(ringing, lam)
    both = blank.valid & problem.valid  # which is part of what was valid at first
    both &= problem.s_mm < 6
    loud, told = (
        np.median(blank.whitener.scale[both] / by.whitener.scale[both]) for by in (first, problem)
    )
    # seven bands differ much, so that before the fit their ripple passes for noise
    assert loud > 1.4
    # the same light but for the ripple: what shading bent of it is far below the noise
    assert told == pytest.approx(1, abs=0.03)


def plain(step_mm: float, highest_hz: float) -> Walls:
    """Walls whose light is their place, 0.1 per mm, and which differ by bands."""
    walls = simulate_walls(Wall(commanded_hz=(20.0, 40.0, highest_hz), pixel_mm=step_mm), 0)
    light = 0.1 * walls.s_mm + np.array([[0.0], [1.0], [2.0]])
    return replace(walls, intensity=light, valid=np.ones_like(walls.valid))


@pytest.mark.parametrize(
    ("step_mm", "highest_hz", "pooled_mm"),
    [
        # eight samples of a ripple of 60 Hz at 120 mm/s would be 0.25 mm apart: 0.2 mm at most
        (0.05, 50.0, 0.2),
        # 120 / 100 / 8
        (0.05, 100.0, 0.15),
        # less than a tenth to be gained
        (0.19, 50.0, 0.19),
        (0.3, 50.0, 0.3),
    ],
)
def test_pooled_samples_are_means_at_their_middle(
    step_mm: float, highest_hz: float, pooled_mm: float
) -> None:
    walls = plain(step_mm, highest_hz)
    walls.valid[1, 100] = False
    walls.intensity[1, 100] = 1e3
    pooled = walls.pooled()
    # the face holds a whole number of them
    assert np.diff(pooled.s_mm) == pytest.approx(pooled_mm, rel=0.01)
    light = 0.1 * pooled.s_mm + np.array([[0.0], [1.0], [2.0]])
    # its weights are in single precision
    assert pooled.intensity[pooled.valid] == pytest.approx(light[pooled.valid], abs=1e-6)
    # all that lies in a step must be valid: the one with sample 100 goes, two if it lies across
    assert 1 <= (~pooled.valid).sum() <= 2
    lost = pooled.s_mm[~pooled.valid[1]]
    assert np.abs(lost - walls.s_mm[100]).max() <= (pooled_mm + step_mm) / 2
    assert pooled.valid[[0, 2]].all()
    # from edge to edge: nothing of the face is lost
    reach = (walls.s_mm[0] - step_mm / 2, walls.s_mm[-1] + step_mm / 2)
    half = float(pooled.s_mm[1] - pooled.s_mm[0]) / 2
    assert (pooled.s_mm[0] - half, pooled.s_mm[-1] + half) == pytest.approx(reach, abs=1e-9)
    # a mean over a step has the step's own variance, a twelfth of its square
    blurred = replace(pooled, blur_mm=0.1)
    assert blurred.sample_mm2 == pytest.approx(0.1**2 + (2 * half) ** 2 / 12)


@pytest.mark.parametrize("skew_mm", [0.7, -0.7])
def test_straightened_walls_have_their_light_where_it_belongs(skew_mm: float) -> None:
    """By `Bent`, what is given as s lies at s + skew × up: such walls have 0.1 × that for light."""
    walls = plain(0.1, 50.0)
    leaning = replace(walls, intensity=0.1 * (walls.s_mm + skew_mm * walls.up[:, None]))
    leaning.valid[0, 200] = False
    got = leaning.straightened(skew_mm)
    middle = slice(10, -10)
    expected = np.broadcast_to(0.1 * walls.s_mm, got.intensity.shape)
    assert got.intensity[:, middle] == pytest.approx(expected[:, middle], abs=1e-9)
    # up is -0.5 at the base: moved by 0.35 mm, three and a half samples, so that two touch it
    lost = np.flatnonzero(~got.valid[0, middle]) + 10
    assert lost.size == 2
    assert abs(lost.mean() - (200 - 5 * skew_mm)) < 0.01
    # beyond the face's ends nothing is known: three and a half samples at one of them
    assert got.valid[1].all()
    assert (~got.valid[2]).sum() == 4
