"""The ripple's closed form against the wall that a simulation in time leaves."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from walls import RAMP, Wall, simulate_walls, wall_height_mm

from ringscan.model.ripple import EDGE_MM, Wave, draw
from ringscan.model.vibration import corner_strength, pole

Array = NDArray[np.float64]

WALLS = [
    Wall(),
    Wall(family="ZVD", frequency_hz=50, damping_ratio=0.03),
    Wall(family="ZVDD", acceleration_mm_s2=8000, speed_mm_s=200),
    Wall(family="EI", frequency_hz=22, damping_ratio=0.05, corner_speed_mm_s=0),
    Wall(family="ZVD", along_commanded_hz=RAMP[:5:-1] + RAMP[:6]),
    Wall(length_mm=30, speed_mm_s=400, acceleration_mm_s2=5000),  # never at full speed
]


def simulated_slope(wall: Wall, s_mm: Array) -> Array:
    """By central differences over 40 µm."""
    high, low = (wall_height_mm(wall, s_mm + step) for step in (0.02, -0.02))
    return (high - low) / 0.04


@pytest.mark.parametrize("along_hz", [0.0, 47.0])
@pytest.mark.parametrize("wall", WALLS, ids=range(len(WALLS)))
def test_slope_against_simulation_in_time(wall: Wall, along_hz: float) -> None:
    wall = replace(wall, along_hz=along_hz)
    given = simulate_walls(wall, seed=0)
    # the other axis moves the nozzle along the wall by tens of µm
    ringing = complex(pole(along_hz, wall.along_damping)) if along_hz else None
    motion = replace(given.motion, ringing=ringing)
    drawing = draw(given.s_mm, motion, given.impulses, given.along)
    simulated = simulated_slope(wall, given.s_mm)[drawing.free]
    lam = complex(pole(wall.frequency_hz, wall.damping_ratio))
    wave = drawing.slope(lam)[drawing.free]
    parts = np.stack([wave.real, -wave.imag], axis=1)
    c = np.linalg.lstsq(parts, simulated)[0]
    missed = np.linalg.norm(simulated - parts @ c) / np.linalg.norm(simulated)
    # the differences' 40 µm against a wave of 1.5 mm at the edge, (pi .04 / 1.5)² / 6 there; for
    # EI also the published curve fit against the exact solution, .001 in V
    assert missed < (0.006 if wall.family == "EI" else 0.001)
    # e = Im(B exp(lam t)) / Im(lam); what the speeding up after the corner before left still
    # rings a little, with the same pole
    speed = given.motion.top_speed_mm_s
    B = complex(corner_strength(lam, speed, wall.acceleration_mm_s2, wall.corner_speed_mm_s))
    memory = np.exp(lam.real * (given.motion.duration_s - given.motion.ramp_s))
    closed = -1j * B / lam.imag
    allowed = 1.5 * memory + 0.02
    assert abs(complex(c[0], c[1]) / closed - 1) < allowed


def test_wave_is_the_slope_without_the_shapers_effect() -> None:
    given = simulate_walls(Wall(), seed=0)
    drawing = draw(given.s_mm, given.motion, given.impulses, given.along)
    lam = complex(pole(38, 0.08))
    off = np.isnan(given.commanded_hz)
    assert np.allclose(drawing.slope(lam)[off], drawing.wave(lam)[off])
    # ZV at its own pole leaves nothing: the ramp has a band within 0.4 Hz of it, at zeta .1
    ratio = np.abs(drawing.slope(lam)[:, 300] / drawing.wave(lam)[:, 300])
    at = int(np.nanargmin(np.abs(given.commanded_hz - 38)))
    assert ratio[at] < 0.05
    assert abs(int(ratio[10:].argmin()) + 10 - at) <= 1


def test_blurred_ripples_are_the_mean_of_sharp_ones() -> None:
    """Against scipy's Gaussian filter; crowded ripples lose more than those behind them."""
    given = simulate_walls(Wall(), seed=0)
    s_mm, lam, blur_mm = np.arange(0.005, 60, 0.01), complex(pole(50, 0.06)), 0.12
    sharp, blurred = (
        draw(s_mm, given.motion, given.impulses, given.along, sd_mm**2).wave(lam)[0]
        for sd_mm in (0.0, blur_mm)
    )
    by_filter = gaussian_filter1d(sharp, blur_mm / 0.01)
    free = (s_mm > EDGE_MM) & (s_mm < 57)
    off = np.abs(blurred / by_filter - 1)
    # where the nozzle stops speeding up, and next to the edge the third power of the way counts
    assert off[free].max() < 0.01
    assert off[free & (s_mm > 3)].max() < 0.005
    kept = np.abs(by_filter / sharp)
    assert kept[free][0] < 0.93
    assert kept[free & (s_mm > 10)].min() > 0.95


def test_derivatives_of_a_blurred_wave() -> None:
    """Against differences."""
    given = simulate_walls(Wall(), seed=0)
    lam, step, free = complex(pole(50, 0.06)), 1e-3, slice(15, 500)

    def wave(lam: complex, moved_mm: float = 0.0) -> NDArray[np.complex128]:
        drawing = draw(given.s_mm + moved_mm, given.motion, given.impulses, given.along, 0.12**2)
        return drawing.wave(lam)[:, free]

    drawing = draw(given.s_mm, given.motion, given.impulses, given.along, 0.12**2)
    turn = (wave(lam + 0.01) - wave(lam - 0.01)) / 0.02 / wave(lam)
    found = Wave.of(lam, drawing)
    assert np.allclose(found.slope, drawing.wave(lam))
    assert np.allclose(found.turn()[:, free], turn, rtol=1e-3, atol=1e-5)
    rise = (wave(lam, step) - wave(lam, -step)) / (2 * step) / wave(lam)
    # an impulse of the shaper changes the acceleration at once, which a difference may straddle
    smooth = np.abs(np.diff(drawing.acceleration_mm_s2, axis=1, append=0, prepend=0)) < 1e-6
    smooth = (smooth[:, 1:] & smooth[:, :-1])[:, free]
    assert smooth.mean() > 0.9
    assert np.allclose(found.rise()[:, free][smooth], rise[smooth], rtol=1e-3, atol=1e-4)


def test_free_part_leaves_out_what_does_not_decay_freely() -> None:
    given = simulate_walls(Wall(family="ZVD"), seed=0)
    drawing = draw(given.s_mm, given.motion, given.impulses, given.along)
    last = drawing.impulses.end_s
    assert (
        drawing.passing_s[drawing.free]
        > np.broadcast_to(last[:, None], drawing.free.shape)[drawing.free]
    ).all()
    assert not drawing.free[:, given.s_mm < EDGE_MM].any()
    # braking for the next corner begins (120² - 5²) / 6000 = 2.4 mm before it
    assert not drawing.free[:6, given.s_mm > 60 - 2.3].any()
    assert drawing.free[:6, (given.s_mm > 2) & (given.s_mm < 57)].all()
