"""The whole model: what it draws with everything bent, and its derivatives against differences."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from walls import RAMP, Wall, doubts_of, simulate_walls

from ringscan.model.given import Bent, Doubts, bend, redraw
from ringscan.model.motion import CornerMotion
from ringscan.model.problem import Walls, pose_problem
from ringscan.model.ripple import draw
from ringscan.model.shapers import Impulses
from ringscan.model.vibration import pole, trial_pole
from ringscan.model.whole import WholeModel, shade

Array = NDArray[np.float64]

NAMES = [
    *("shift", "stretch", "skew", "height", "along", "along's damping", "blur"),
    *("second power", "third power"),
    *(f"{name} of mode {i}" for i in (1, 2) for name in ("f", "zeta", "real", "imaginary")),
]
POINT = np.array(
    [
        *(0.1, 0.004, 0.05, 0.3, 0.2, 0.3, 2e-3),
        *(0.3, -0.2),
        *(38.0, 0.08, 0.12, -0.07),
        *(55.0, 0.12, -0.03, 0.04),
    ]
)
"""Nothing is 0 in it, so that no term of a derivative vanishes, and the ripple is strong enough to
bend its shading."""
STEPS = np.array(
    [1e-4, 1e-5, 1e-4, 1e-3, 1e-3, 1e-3, 1e-5, 1e-3, 1e-3, *([1e-3, 1e-5, 1e-5, 1e-5] * 2)]
)


@pytest.fixture(scope="module")
def model() -> WholeModel:
    wall = Wall(commanded_hz=(*RAMP[:4], *np.linspace(15, 60, 20).tolist()), pixel_mm=0.2)
    walls = replace(simulate_walls(wall, 1), blur_mm=0.08)
    problem = pose_problem(walls, shared=False)
    return WholeModel(problem=problem, walls=walls, doubts=doubts_of(wall), alike_hz=38.0)


@pytest.fixture(scope="module")
def jacobian(model: WholeModel) -> Array:
    return model(POINT).jacobian


@pytest.mark.parametrize("which", range(POINT.size), ids=NAMES)
def test_derivatives_are_differences(model: WholeModel, jacobian: Array, which: int) -> None:
    step = STEPS[which] * np.eye(POINT.size)[which]
    # what is left falls as the model rises
    by_difference = (model(POINT - step).left - model(POINT + step).left) / (2 * STEPS[which])
    missed = np.linalg.norm(jacobian[which] - by_difference) / np.linalg.norm(by_difference)
    # tabulated motion joins cubics whose bend jumps: 3e-3. Where an impulse of the shaper arrives
    # the acceleration jumps, and with it a blurred wave. Of the axis along the face the model has a
    # numerical derivative, without what a change of acceleration does within the blur
    limits = {"shift": 0.04, "along": 0.09, "along's damping": 0.14}
    assert missed < limits.get(NAMES[which], 0.006)


def test_every_parameter_may_move_and_none_far(model: WholeModel) -> None:
    lowest, highest = model.bounds(POINT.size)
    assert ((lowest < POINT) & (highest > POINT)).all()
    # poles are searched within a range, all else is held by its doubt alone
    ranged = np.isfinite(lowest) & np.isfinite(highest)
    assert np.flatnonzero(ranged).tolist() == [9, 10, 13, 14]
    # a doubt is a standard deviation, and a step is no longer than it; strengths are free
    known = np.array([0.1, 0.003, 0.03, 0.2, 0.4, 0.5, 0.05, 0.5, 0.5])
    assert model.longest(POINT)[:9] == pytest.approx(known)
    assert model.precision(POINT.size) == pytest.approx(np.append(1 / known**2, np.zeros(8)))


def test_the_speed_s_derivative_is_a_difference(model: WholeModel) -> None:
    """Of the model whose walls were told another speed."""

    def left(by: float) -> Array:
        motion = model.walls.motion
        faster = replace(motion, speed_mm_s=motion.speed_mm_s * np.exp(by))
        return replace(model, walls=replace(model.walls, motion=faster))(POINT).left

    by_difference = (left(-2e-4) - left(2e-4)) / 4e-4
    missed = np.linalg.norm(model.speed_change(POINT) - by_difference)
    assert missed < 0.006 * np.linalg.norm(by_difference)


def test_numbers_bend_what_they_are_named_for() -> None:
    """The axis along the face is like the one across it and has a damping ratio of 0.06, each
    within a factor: logarithms."""
    assert bend(POINT[:7], 38.0) == Bent(
        shift_mm=0.1,
        stretch=0.004,
        skew_mm=0.05,
        height_mm=0.3,
        along_hz=pytest.approx(38 * np.exp(0.2)),
        along_damping=pytest.approx(0.06 * np.exp(0.3)),
        blur_mm2=2e-3,
    )
    # no axis that swings has more
    assert bend(np.array([0, 0, 0, 0, 0, 5.0, 0]), 38.0).along_damping == 0.5


def test_places_that_are_off_are_put_right() -> None:
    """A wall whose places were handed on too small by what it is then bent by."""
    true = Wall(family="ZVD")
    off = replace(true, stretch=0.02, shift_mm=-0.3, height_mm=0.8)
    bent = Bent(
        shift_mm=-0.3,
        stretch=0.02,
        skew_mm=0.0,
        height_mm=0.8,
        along_hz=47.0,
        along_damping=0.06,
        blur_mm2=0.0,
    )
    right, wrong = simulate_walls(true, 0), simulate_walls(off, 0)
    motion = replace(right.motion, ringing=complex(pole(47.0, 0.06)))
    expected = draw(right.s_mm, motion, right.impulses, wrong.along)
    got = redraw(wrong, bent, doubts_of(off))
    lam = trial_pole(38.0, 0.08)
    # closed forms of the same places and times: rounding
    assert got.passing_s == pytest.approx(expected.passing_s, abs=1e-9)
    assert got.left(lam) == pytest.approx(expected.left(lam), abs=1e-9)


CRUISE = CornerMotion(
    speed_mm_s=100.0, acceleration_mm_s2=1e5, corner_speed_mm_s=99.0, length_mm=60.0
)
"""As good as constant speed all along: a position s is passed at s / 100 s."""


def test_a_leaning_face_and_its_blur() -> None:
    off = Impulses(amplitudes=np.ones((3, 1)), times_s=np.zeros((3, 1)))
    s_mm = np.arange(5.0, 50.0, 0.5)
    walls = Walls(
        s_mm=s_mm,
        intensity=np.ones((3, s_mm.size)),
        valid=np.ones((3, s_mm.size), bool),
        impulses=off,
        along=off,
        commanded_hz=np.full(3, np.nan),
        group=np.zeros(3, np.intp),
        up=np.array([-0.5, 0.0, 0.5]),
        motion=CRUISE,
        blur_mm=0.3,
    )
    bent = Bent(
        shift_mm=0.0,
        stretch=0.0,
        skew_mm=0.4,
        height_mm=1.0,
        along_hz=150.0,
        along_damping=0.45,
        blur_mm2=0.02,
    )
    doubts = Doubts(
        shift_mm=0.1, stretch=0.01, skew_mm=0.1, height_mm=0.1, blur_mm2=0.01, hz_per_mm=0.5
    )
    got = redraw(walls, bent, doubts)
    # the top's places lie further along, the base's less far; the jump of 99 mm/s makes an axis of
    # 150 Hz ring, which is over after 20 mm to 1e-4 mm
    late = s_mm > 25
    for row, mm in zip(got.passing_s, (-0.2, 0.0, 0.2), strict=True):
        assert row[late] == pytest.approx((s_mm[late] + mm) / 100, abs=1e-5)
    # a sample is the mean over a step of 0.5 mm, which has a variance of 0.5² / 12
    assert got.blur_mm2 == pytest.approx(0.3**2 + 0.5**2 / 12 + 0.02, rel=1e-12)
    # a shaper that is off stays off at any height
    assert (got.impulses.times_s == 0).all()
    # narrower than nothing is nothing
    assert redraw(walls, replace(bent, blur_mm2=-1.0), doubts).blur_mm2 == 0


def test_shading_is_a_polynomial_with_its_slope() -> None:
    ripple = np.linspace(-0.95, 0.95, 39)
    # numpy's polynomials: r + 0.3 r² - 0.2 r³
    curve = np.polynomial.Polynomial([0, 1, 0.3, -0.2])
    light, gain = shade(ripple, np.array([0.3, -0.2]))
    assert light == pytest.approx(curve(ripple), abs=1e-12)
    assert gain == pytest.approx(curve.deriv()(ripple), abs=1e-12)
    # in full shadow and full light the powers add no more than at the limit of 1
    light, _ = shade(np.array([-5.0, 5.0]), np.array([0.3, -0.2]))
    assert light == pytest.approx([-5 + 0.3 + 0.2, 5 + 0.3 - 0.2], abs=1e-12)
