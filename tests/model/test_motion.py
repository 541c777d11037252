"""Where the nozzle is: kinematics against numerical integration, and the inversion of s(t)."""

from dataclasses import replace
from math import sqrt
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.signal import TransferFunction, lsim

from ringscan.model.motion import CornerMotion
from ringscan.model.shapers import Impulses, shaper_impulses
from ringscan.model.vibration import pole
from ringscan.plan import Family, Shaper

OFF = Impulses(amplitudes=np.ones((1, 1)), times_s=np.zeros((1, 1)))


@st.composite
def motions(draw: st.DrawFn) -> CornerMotion:
    vc = draw(st.floats(0, 20))
    return CornerMotion(
        speed_mm_s=vc + draw(st.floats(20, 400)),
        acceleration_mm_s2=draw(st.floats(500, 20000)),
        corner_speed_mm_s=vc,
        length_mm=draw(st.floats(20, 150)),
    )


def stepped(motion: CornerMotion) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Speed at every place by the work-energy rule alone: v² = v_c² + 2 a (distance to a corner).

    Returns times and places, integrated as dt = ds / v.
    """
    # crowded towards both corners, where the speed may be 0
    s = motion.length_mm * (1 - np.cos(np.linspace(0, np.pi, 16001))) / 2
    middle = (s[1:] + s[:-1]) / 2
    a, vc = motion.acceleration_mm_s2, motion.corner_speed_mm_s
    v = np.sqrt(vc**2 + 2 * a * np.minimum(middle, motion.length_mm - middle))
    return np.append(0, np.cumsum(np.diff(s) / np.minimum(v, motion.speed_mm_s))), s


@settings(max_examples=30, deadline=None)
@given(motions())
def test_position_against_numerical_integration(motion: CornerMotion) -> None:
    t, s = stepped(motion)
    # the midpoint rule errs by 5e-5 where the speed starts from 0
    assert motion.duration_s == pytest.approx(t[-1], rel=1e-4)
    assert np.abs(motion.position_mm(t) - s).max() < 2e-4 * motion.length_mm


@given(motions())
def test_speed_is_the_rise_of_position(motion: CornerMotion) -> None:
    t = np.linspace(-0.01, motion.duration_s + 0.01, 3001)
    v = motion.travel(t)[1]
    risen = np.diff(motion.position_mm(t))
    trapezoids = (v[1:] + v[:-1]) / 2 * np.diff(t)
    # all but the two steps in which the speed jumps to and from the corner speed
    jump = (t[1:] > 0) & (t[:-1] < 0) | (t[1:] > motion.duration_s) & (t[:-1] < motion.duration_s)
    bent = motion.acceleration_mm_s2 * (t[1] - t[0]) ** 2
    assert np.abs(risen - trapezoids)[~jump].max() < bent + 1e-9
    assert v.max() <= motion.speed_mm_s * (1 + 1e-12)


@given(motions())
def test_travel_begins_at_the_edge_and_ends_at_the_next(motion: CornerMotion) -> None:
    t = np.array([-1.0, 0.0, motion.duration_s, motion.duration_s + 1])
    assert motion.position_mm(t) == pytest.approx([0, 0, motion.length_mm, motion.length_mm])


def test_whole_trip_by_hand() -> None:
    # 120 mm/s, 3000 mm/s², from rest: 0.04 s and 2.4 mm each to start and to stop, and
    # (60 - 4.8) / 120 = 0.46 s between
    motion = CornerMotion(
        speed_mm_s=120, acceleration_mm_s2=3000, corner_speed_mm_s=0, length_mm=60
    )
    assert motion.ramp_s == pytest.approx(0.04)
    assert motion.duration_s == pytest.approx(0.54)
    at = motion.position_mm(np.array([0.02, 0.04, 0.27, 0.5, 0.52]))
    assert at == pytest.approx([0.6, 2.4, 30.0, 57.6, 59.4])


@pytest.mark.parametrize("vc", [0.0, 10.0])
def test_short_face_never_reaches_full_speed(vc: float) -> None:
    motion = CornerMotion(
        speed_mm_s=500, acceleration_mm_s2=2000, corner_speed_mm_s=vc, length_mm=20
    )
    top = sqrt(vc**2 + 2 * 2000 * 10)  # v² = v_c² + 2 a s at mid-face
    assert motion.top_speed_mm_s == pytest.approx(top)
    assert motion.duration_s == pytest.approx(2 * (top - vc) / 2000)
    assert motion.position_mm(np.array([motion.duration_s / 2])) == pytest.approx([10])


def test_passing_time_without_shaper_in_closed_form() -> None:
    motion = CornerMotion(
        speed_mm_s=120, acceleration_mm_s2=3000, corner_speed_mm_s=5, length_mm=60
    )
    s = np.array([0.2, 1.0, 2.0, 30.0])
    # s = v_c t + a t² / 2 up to (120² - 5²) / 6000 = 2.396 mm, then 120 mm/s
    up = (-5 + np.sqrt(25 + 2 * 3000 * s[:3])) / 3000
    expected = [*up, 115 / 3000 + (30 - (120**2 - 25) / 6000) / 120]
    assert motion.passing(s, OFF).time_s[0] == pytest.approx(expected, abs=1e-7)


@settings(max_examples=40, deadline=None)
@given(
    motions(),
    st.sampled_from(["ZV", "ZVD", "ZVDD", "EI", "EI2", "EI3"]),
    st.floats(15, 80),
)
def test_passing_time_inverts_the_shaped_motion(
    motion: CornerMotion, family: str, f: float
) -> None:
    shaper = Shaper(family=Family(family), damping_ratio=0.1)
    impulses = shaper_impulses(shaper, np.array([np.nan, f]), np.array([np.nan, 0.1]))
    s = np.linspace(0.5, motion.length_mm - 0.5, 301)
    t = motion.passing(s, impulses).time_s
    assert t.shape == (2, 301)
    assert (np.diff(t, axis=1) > 0).all()
    # a cubic between tabulated times: a jump of the speed inside errs by its size × 2 ms / 7, and
    # where the nozzle nearly stands still the last step is left out
    assert np.abs(shaped_mm(motion, t, impulses) - s).max() < 0.02


def test_places_beyond_the_face_are_passed_when_it_is_over() -> None:
    """A wall reaches half a line further than the nozzle's path does."""
    motion = CornerMotion(
        speed_mm_s=120, acceleration_mm_s2=3000, corner_speed_mm_s=5, length_mm=60
    )
    shaper = Shaper(family=Family.ZV, damping_ratio=0.0)
    impulses = shaper_impulses(shaper, np.array([np.nan, 20.0]), 0.0)
    t = motion.passing(np.array([59.9, 60.0, 60.5, 1e3]), impulses).time_s
    over = motion.duration_s + np.array([[0.0], [0.025]])  # half a period of 20 Hz later
    assert (t[:, :1] < over).all()
    assert (t[:, 1:] >= over).all()
    assert np.isfinite(t).all()


def shaped_mm(motion: CornerMotion, t: NDArray[np.float64], impulses: Impulses) -> Any:
    """``sum A_i s(t - t_i)``, by its definition."""
    pieces = zip(impulses.amplitudes.T, impulses.times_s.T, strict=True)
    return sum(a[:, None] * motion.position_mm(t - d[:, None]) for a, d in pieces)


def test_shaped_motion_is_the_delayed_sum() -> None:
    motion = CornerMotion(
        speed_mm_s=100, acceleration_mm_s2=4000, corner_speed_mm_s=8, length_mm=50
    )
    impulses = Impulses(
        amplitudes=np.array([[0.2, 0.5, 0.3]]), times_s=np.array([[0.0, 0.011, 0.025]])
    )
    s = np.linspace(1, 49, 777)
    passing = motion.passing(s, impulses)
    assert np.abs(shaped_mm(motion, passing.time_s, impulses) - s).max() < 2e-3
    # its speed and acceleration, by central differences wherever no piece begins or ends nearby
    h = 1e-5
    later, sooner = (shaped_mm(motion, passing.time_s + d, impulses) for d in (h, -h))
    assert np.median(np.abs((later - sooner) / (2 * h) - passing.speed_mm_s)) < 1e-3
    assert np.quantile(np.abs((later - sooner) / (2 * h) - passing.speed_mm_s), 0.95) < 0.5
    middle = shaped_mm(motion, passing.time_s, impulses)
    bend = (later - 2 * middle + sooner) / h**2
    assert np.median(np.abs(bend - passing.acceleration_mm_s2)) < 1.0


def test_at_full_speed_the_wall_is_drawn_later_by_the_mean_delay() -> None:
    motion = CornerMotion(
        speed_mm_s=100, acceleration_mm_s2=4000, corner_speed_mm_s=8, length_mm=60
    )
    shaper = Shaper(family=Family.ZVD, damping_ratio=0.1)
    impulses = shaper_impulses(shaper, np.array([np.nan, 30.0, 45.0]), np.full(3, 0.1))
    t = motion.passing(np.array([20.0, 40.0]), impulses).time_s
    assert t - t[0] == pytest.approx(impulses.delay_s[:, None] * np.ones(2), abs=1e-6)


def test_ringing_of_the_axis_along_the_face_against_integration() -> None:
    f, zeta = 24.0, 0.07
    motion = CornerMotion(
        speed_mm_s=120,
        acceleration_mm_s2=3000,
        corner_speed_mm_s=5,
        length_mm=60,
        ringing=complex(pole(f, zeta)),
    )
    # the axis as a low-pass of its command, stepped by scipy
    w = 2 * np.pi * f
    axis = TransferFunction([2 * zeta * w, w**2], [1, 2 * zeta * w, w**2])
    t = np.arange(0, 0.45, 1e-4)
    _, followed, _ = lsim(axis, replace(motion, ringing=None).position_mm(t), t)
    # commands are taken as straight between steps of 0.1 ms: 3000 / 8 × (1e-4)² and rounding
    assert np.abs(motion.position_mm(t) - followed).max() < 1e-4
    # it is no small thing: a / w² is 130 µm
    assert np.abs(followed - replace(motion, ringing=None).position_mm(t)).max() > 0.1
    rise = np.gradient(motion.position_mm(t), t)
    assert np.abs(rise - motion.travel(t)[1])[2:].max() < 0.5
