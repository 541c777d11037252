"""The pole, the residual, the ripple a corner leaves, and the logarithmic decrement."""

from math import cos, exp, pi, sin, sqrt

import control
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import StateSpace, lsim

from ringscan.model.vibration import (
    corner_strength,
    pole,
    pole_turn,
    residual,
    residual_vibration,
    ripple_height_mm,
)

frequencies = st.floats(5, 150)
dampings = st.floats(0, 0.5)


@given(frequencies, dampings)
def test_pole_solves_the_equation_of_motion(f: float, zeta: float) -> None:
    lam, w = complex(pole(f, zeta)), 2 * pi * f
    # lam² + 2 zeta w lam + w² = 0 is the equation's own polynomial; 1e-9 is rounding
    assert abs(lam**2 + 2 * zeta * w * lam + w**2) < 1e-9 * w**2
    assert lam.imag > 0


def test_pole_agrees_with_a_control_library() -> None:
    # python-control's damp() of w² / (s² + 2 zeta w s + w²)
    w, zeta = 2 * pi * 45, 0.05
    wn, damping, _ = control.damp(control.tf([w**2], [1, 2 * zeta * w, w**2]), doprint=False)
    assert pole(wn[0] / (2 * pi), damping[0]).imag == pytest.approx(w * sqrt(1 - zeta**2), rel=1e-9)


@pytest.mark.parametrize(
    ("mass", "damper", "spring", "zeta"),
    [
        (8, 40, 5400, 0.096225),  # textbook exercise: c_c = 415.69, zeta = 40 / 415.69
        (100, 99.245, 1000 / 0.1001, 0.049647),  # its damper from .1001 -> .021 in 5 cycles
    ],
)
def test_pole_of_mass_damper_spring(mass: float, damper: float, spring: float, zeta: float) -> None:
    root = max(np.roots([mass, damper, spring]), key=lambda r: r.imag)
    f = sqrt(spring / mass) / (2 * pi)
    # the sources give five to six digits
    assert abs(complex(pole(f, zeta)) - root) < 2e-5 * abs(root)


@given(frequencies, dampings)
def test_the_pole_turns_as_its_equation_says(f: float, zeta: float) -> None:
    # lam² + 2 zeta w lam + w² = 0, derived on both sides:
    # (2 lam + 2 zeta w) dlam + (2 zeta lam + 2 w) dw + 2 w lam dzeta = 0
    w, lam = 2 * pi * f, complex(pole(f, zeta))
    bottom = 2 * lam + 2 * zeta * w
    by_hz, by_damping = pole_turn(f, zeta)
    assert by_hz == pytest.approx(-2 * pi * (2 * zeta * lam + 2 * w) / bottom, rel=1e-9)
    assert by_damping == pytest.approx(-2 * w * lam / bottom, rel=1e-9)


def test_pole_takes_arrays() -> None:
    lam = pole(np.array([20.0, 40.0]), np.array([[0.0], [0.1]]))
    assert lam.shape == (2, 2)
    assert lam[0].real == pytest.approx(0)
    assert lam[1] / lam[1, 0] == pytest.approx([1, 2])


@pytest.mark.parametrize(
    ("first", "later", "cycles", "zeta"),
    [
        (0.85, 0.45, 1, 0.100706),  # Ryerson AER 403, Example 8.4; it prints .101
        # the same source prints delta = .63 for this one: its slip, delta is .611888
        (0.85, 0.25, 2, 0.096926),
        # alexlib's metrology courseware; the truth behind its peaks is .2
        (0.52586962, 0.01110418, 3, 0.200503),
        (0.1001, 0.021, 5, 0.049647),  # Wolfram, rotating machinery with internal damping
        (2.0, 1.0, 4, 0.027569),  # Chopra, Dynamics of Structures; from memory
        (0.915, 0.076, 10, 0.039570),  # Chopra; from memory
        (1.0, 0.25, 0.5, 0.403713),  # Rao, Mechanical Vibrations; from memory
        (1.83569, 1.0, 1, 0.096225),  # ratio derived from m 8, k 5400, c 40
    ],
)
def test_the_pole_falls_by_the_decrement(
    first: float, later: float, cycles: float, zeta: float
) -> None:
    """Peaks `cycles` periods apart; six decimals are given."""
    lam = complex(pole(1.0, zeta))
    fall = exp(lam.real * 2 * pi / lam.imag * cycles)
    assert fall == pytest.approx(later / first, rel=2e-5 * cycles)


@given(frequencies, dampings)
def test_no_shaper_leaves_everything(f: float, zeta: float) -> None:
    assert residual_vibration(np.ones(1), np.zeros(1), f, zeta) == pytest.approx(1)


@given(
    st.lists(st.tuples(st.floats(0.05, 1), st.floats(0, 0.2)), min_size=1, max_size=5),
    frequencies,
    dampings,
)
def test_residual_vibration_is_singer_and_seerings(
    impulses: list[tuple[float, float]], f: float, zeta: float
) -> None:
    # V = exp(-zeta w t_n) sqrt(C² + S²), as read in Newman, Hong & Vaughan, J. Dyn. Sys. Meas.
    # Control 140(10):101005 (2018)
    w = 2 * pi * f
    wd = w * sqrt(1 - zeta**2)
    C = sum(a * exp(zeta * w * t) * cos(wd * t) for a, t in impulses)
    S = sum(a * exp(zeta * w * t) * sin(wd * t) for a, t in impulses)
    expected = exp(-zeta * w * max(t for _, t in impulses)) * sqrt(C**2 + S**2)
    a, t = np.transpose(impulses)
    assert residual_vibration(a, t, f, zeta) == pytest.approx(expected, rel=1e-9, abs=1e-12)


def test_residual_is_what_is_left_of_a_simulated_decay() -> None:
    """Three pushes on an oscillator, integrated in time, against R times one push."""
    f, zeta = 30.0, 0.08
    w = 2 * pi * f
    amplitudes, times = np.array([0.5, 0.3, 0.2]), np.array([0.0, 0.012, 0.021])
    system = StateSpace([[0, 1], [-(w**2), -2 * zeta * w]], [[0], [1]], [[1, 0]], [[0]])
    t = np.arange(0, 0.15, 1e-4)
    one, late = np.zeros_like(t), t > 0.03
    one[0] = 1
    many = np.zeros_like(t)
    many[np.round(times / 1e-4).astype(int)] = amplitudes
    _, seen, _ = lsim(system, many, t, interp=False)
    _, alone, _ = lsim(system, one, t, interp=False)
    lam = complex(pole(f, zeta))
    basis = np.stack([np.exp(lam * t).real, np.exp(lam * t).imag], axis=1)
    # complex amplitude of y = Re(c exp(lam t)) by linear least squares
    c = [
        complex(x[0], -x[1])
        for x in np.linalg.lstsq(basis[late], np.stack([seen, alone], 1)[late])[0].T
    ]
    # the pushes last one step of 0.1 ms, both alike; 1e-9 is rounding
    assert c[0] / c[1] == pytest.approx(complex(residual(amplitudes, times, lam)), rel=1e-9)


@pytest.mark.parametrize("f", [21.0, 38.0, 57.0])
@pytest.mark.parametrize("zeta", [0.03, 0.13])
def test_corner_strength_against_integration_in_time(f: float, zeta: float) -> None:
    v, a, vc = 120.0, 3000.0, 5.0
    w, T = 2 * pi * f, (120.0 - 5.0) / 3000.0
    system = StateSpace([[0, 1], [-(w**2), -2 * zeta * w]], [[0], [1]], [[1, 0]], [[0]])
    step = T / 2000
    t = np.arange(-T, 0.2, step)
    push = np.where(t < -step / 2, a, 0.0)
    corner = int(np.argmin(np.abs(t)))
    _, e, _ = lsim(system, push, t + T, interp=False)
    # the stop from the corner speed is a jump of the speed at t = 0
    jump = np.zeros_like(t)
    jump[corner:] = (
        vc
        * np.exp(-zeta * w * t[corner:])
        * np.sin(w * sqrt(1 - zeta**2) * t[corner:])
        / (w * sqrt(1 - zeta**2))
    )
    lam = pole(f, zeta)
    B = corner_strength(lam, v, a, vc)
    after = t >= 0
    closed = (B * np.exp(lam * t[after])).imag / lam.imag
    # steps are held over T / 2000 exactly, so only the corner's place on the grid is left
    assert np.abs((e + jump)[after] - closed).max() < 1e-3 * np.abs(closed).max()


@given(frequencies, st.floats(0.01, 0.2), st.floats(500, 20000))
def test_ripple_without_damping(f: float, T: float, a: float) -> None:
    # |exp(i w T) - 1| = 2 |sin(w T / 2)|: 0 where T f is a whole number, 2 a / w² at most
    w = 2 * pi * f
    height = ripple_height_mm(f, 0.0, speed_mm_s=a * T, acceleration_mm_s2=a, corner_speed_mm_s=0.0)
    assert height == pytest.approx(2 * a / w**2 * abs(sin(w * T / 2)), abs=1e-9 * a / w**2)


@pytest.mark.parametrize("cycles", [1, 2, 5])
def test_plan_is_blind_where_braking_lasts_whole_periods(cycles: int) -> None:
    v, a = 120.0, 3000.0
    plan = {"speed_mm_s": v, "acceleration_mm_s2": a, "corner_speed_mm_s": 0.0}
    blind = cycles * a / v
    assert ripple_height_mm(blind, 0.0, **plan) < 1e-9
    assert ripple_height_mm(blind + a / v / 2, 0.0, **plan) > 0.003


@given(frequencies, st.floats(0, 0.2), st.floats(1, 20))
def test_a_sudden_stop_is_all_corner_speed(f: float, zeta: float, vc: float) -> None:
    # no braking: the speed jumps by vc, and the free decay starts with that speed
    height = ripple_height_mm(
        f, zeta, speed_mm_s=vc * (1 + 1e-9), acceleration_mm_s2=1e6, corner_speed_mm_s=vc
    )
    assert height == pytest.approx(vc / (2 * pi * f * sqrt(1 - zeta**2)), rel=1e-6)
