"""How the nozzle really moved: the two axes integrated in time, layer by layer.

Each axis is a mass on a spring and damper behind a shaped command `x`:

    y'' + 2 zeta w (y' - x') + w² (y - x) = 0

and is stepped with the classical Runge-Kutta method. Nothing here uses the closed form of the
decay, and nothing is shared with the code that reads the pictures.

Loop frame: `u` runs along the face, in the direction of travel, `n` out of it; the origin is
the tower's axis. The loop is drawn so that travel over the face is toward +u; a clockwise
tower is its mirror image.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.polynomial.polynomial import polyval
from numpy.typing import NDArray

from ringscan.plan import AXES, Axis, Family, Motion, Plan, Shaper, State

Floats = NDArray[np.float64]

STEP_S = 2e-4
TABLE_STEP_S = 1e-5
"""The command is tabulated this finely: at 20 m/s² linear interpolation errs by under 1 nm."""

DIRECTIONS = np.array([(-1, 0), (0, 1), (1, 0), (0, -1), (-1, 0)])
"""(u, n) of the walls in the order printed: back (lead-in), before the face, face, after, back."""
FACE = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Oscillator:
    """One axis: undamped natural frequency and damping ratio."""

    frequency_hz: float
    damping_ratio: float


FITTED_TOLERANCE = 0.05
FITS = {
    Family.EI2: (
        (
            (0.16054, 0.76699, 2.26560, -1.22750),
            (0.33911, 0.45081, -2.58080, 1.73650),
            (0.34089, -0.61533, -0.68765, 0.42261),
            (0.15997, -0.60246, 1.00280, -0.93145),
        ),
        (
            (0.49890, 0.16270, -0.54262, 6.16180),
            (0.99748, 0.18382, -1.58270, 8.17120),
            (1.49920, -0.09297, -0.28338, 1.85710),
        ),
    ),
    Family.EI3: (
        (
            (0.11275, 0.76632, 3.29160, -1.44380),
            (0.23698, 0.61164, -2.57850, 4.85220),
            (0.30008, -0.19062, -2.14560, 0.13744),
            (0.23775, -0.73297, 0.46885, -2.08650),
            (0.11244, -0.45439, 0.96382, -1.46000),
        ),
        (
            (0.49974, 0.23834, 0.44559, 12.4720),
            (0.99849, 0.29808, -2.36460, 23.3990),
            (1.49870, 0.10306, -2.01390, 17.0320),
            (1.99960, -0.28231, -0.61536, 5.40450),
        ),
    ),
}
"""Amplitudes, and times in undamped periods from the second impulse on, as cubic polynomials of the
damping ratio, for a tolerance of 5 % (Singhose, Porter, Tuttle & Singer 1997, from memory; the sign
of -0.61536 is the one that leaves no residual at EI3's zeros)."""


def impulses(shaper: Shaper, frequency_hz: float, damping_ratio: float) -> tuple[Floats, Floats]:
    """Return a shaper's amplitudes and times in s.

    ZV, ZVD, ZVDD: Singer & Seering, J. Dyn. Sys. Meas. Control 112(1):76-82 (1990). EI: the
    published curve fit for damped axes (Singhose, Seering & Singer 1997), from memory. EI2, EI3:
    see FITS. LIST: as given.
    """
    z, v = damping_ratio, shaper.tolerance
    period_s = 1 / (frequency_hz * np.sqrt(1 - z**2))
    match shaper.family:
        case Family.LIST:
            amplitudes = np.array(shaper.amplitudes)
            return amplitudes, np.array(shaper.times_in_periods) / frequency_hz
        case Family.EI:
            first = (0.24968 + 0.24962 * v) + (0.80008 + 1.23328 * v) * z
            first += (0.49599 + 3.17316 * v) * z**2
            last = (0.25149 + 0.21474 * v) + (-0.83249 + 1.41498 * v) * z
            last += (0.85181 - 4.90094 * v) * z**2
            middle = 0.49990 + (0.46159 * z + 4.26169 * z**2 + 1.75601 * z**3) * v
            middle += (8.57843 * z - 108.644 * z**2 + 336.989 * z**3) * v**2
            return np.array([first, 1 - first - last, last]), period_s * np.array([0, middle, 1])
        case Family.EI2 | Family.EI3:
            if v != FITTED_TOLERANCE:
                raise ValueError(f"tolerance = {v:g} must be {FITTED_TOLERANCE:g}")
            amplitudes, later = (polyval(z, np.transpose(fit)) for fit in FITS[shaper.family])
            return amplitudes / amplitudes.sum(), np.insert(later, 0, 0.0) / frequency_hz
    weights = {Family.ZV: [1, 1], Family.ZVD: [1, 2, 1], Family.ZVDD: [1, 3, 3, 1]}[shaper.family]
    order = np.arange(len(weights))
    amplitudes = np.array(weights) * np.exp(-np.pi * z / np.sqrt(1 - z**2)) ** order
    return amplitudes / amplitudes.sum(), period_s / 2 * order


def run_mm(motion: Motion, length_mm: float, times_s: Floats) -> tuple[Floats, float]:
    """Return the distance covered along one wall at each time, and the wall's duration in s.

    The wall is entered and left at the corner speed; where it is too short for the full
    speed, the speed's profile is a triangle.
    """
    a, slow = motion.acceleration_mm_s2, motion.corner_speed_mm_s
    fast = min(motion.speed_mm_s, np.sqrt(slow**2 + a * length_mm))
    ramp_s = (fast - slow) / a
    ramp_mm = (fast**2 - slow**2) / (2 * a)
    duration_s = 2 * ramp_s + (length_mm - 2 * ramp_mm) / fast
    t = np.clip(times_s, 0, duration_s)
    left = np.clip(t - (duration_s - ramp_s), 0, ramp_s)
    up = np.minimum(t, ramp_s)
    cruise = np.clip(t - ramp_s, 0, duration_s - 2 * ramp_s)
    covered = slow * up + a * up**2 / 2 + fast * cruise + fast * left - a * left**2 / 2
    return covered, duration_s


def follow(shaped_mm: Floats, step_s: float, axis: Oscillator | None) -> Floats:
    """Integrate the axis behind a shaped command.

    Parameters
    ----------
    shaped_mm : (2 steps + 1, layers)
        The command every half step; the axis starts at rest on its first value.
    axis
        None is a rigid axis, which follows the command exactly.

    Returns
    -------
    (steps + 1, layers)
        Position of the tool head in mm.
    """
    if axis is None:
        return shaped_mm[::2].copy()
    w = 2 * np.pi * axis.frequency_hz
    c, k = 2 * axis.damping_ratio * w, w**2
    position = np.empty_like(shaped_mm[::2])
    position[0] = y = shaped_mm[0]
    # z = y' - c x: its equation holds no derivative of x, whose slope jumps at each corner
    z = -c * shaped_mm[0]

    def slope(x: Floats, y: Floats, z: Floats) -> tuple[Floats, Floats]:
        velocity = z + c * x
        return velocity, -c * velocity - k * (y - x)

    for i in range(len(position) - 1):
        x0, x1, x2 = shaped_mm[2 * i], shaped_mm[2 * i + 1], shaped_mm[2 * i + 2]
        y1, z1 = slope(x0, y, z)
        y2, z2 = slope(x1, y + step_s / 2 * y1, z + step_s / 2 * z1)
        y3, z3 = slope(x1, y + step_s / 2 * y2, z + step_s / 2 * z2)
        y4, z4 = slope(x2, y + step_s * y3, z + step_s * z3)
        y = y + step_s / 6 * (y1 + 2 * y2 + 2 * y3 + y4)
        z = z + step_s / 6 * (z1 + 2 * z2 + 2 * z3 + z4)
        position[i + 1] = y
    return position


def shaper_settings(plan: Plan, axis: Axis) -> Floats:
    """Return (layers, 2): commanded frequency in Hz and damping ratio; NaN is shaper off.

    Below the ramp its first value is held, above it the last one.
    """
    if getattr(plan.ramp, axis) is None:
        return np.full((plan.size.layers, 2), np.nan)
    commands = plan.commands(axis)
    on = np.flatnonzero(commands.state == State.RAMP.value)
    nearest = np.clip(np.arange(plan.size.layers), on[0], on[-1])
    settings = np.stack([commands.frequency_hz, commands.damping_ratio], axis=1)[nearest]
    settings[commands.state == State.REFERENCE.value] = np.nan
    return settings


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Track:
    """Where the nozzle went on each different setting.

    u_mm, n_mm : position at each step, (steps, settings)
    setting : row of the above that each layer was printed with, (layers,)
    side_mm : side of the square that was commanded
    wall_s : time in which one side of it was commanded
    """

    u_mm: Floats
    n_mm: Floats
    setting: NDArray[np.intp]
    side_mm: float
    wall_s: float


def simulate(plan: Plan, axis: Axis, normal: Oscillator | None, along: Oscillator | None) -> Track:
    """Draw the loop of every layer of the tower, as the face of `axis` sees it.

    Parameters
    ----------
    normal, along
        The axis normal to the face, and the other one, which moves the point along the wall.
    """
    side_mm = plan.size.width_mm - plan.size.line_width_mm
    other = next(a for a in AXES if a != axis)
    both = np.hstack([shaper_settings(plan, other), shaper_settings(plan, axis)])
    unique, setting = np.unique(np.nan_to_num(both), axis=0, return_inverse=True)

    shapers = [
        [
            impulses(plan.shaper, frequency, damping)
            if frequency > 0
            else (np.ones(1), np.zeros(1))
            for frequency, damping in settings
        ]
        for settings in (unique[:, :2], unique[:, 2:])
    ]

    _, wall_s = run_mm(plan.motion, side_mm, np.zeros(1))
    longest_s = (
        max(float(delays.max()) for both_axes in shapers for _, delays in both_axes) + 2 * STEP_S
    )
    times_s = np.arange(0, len(DIRECTIONS) * wall_s + longest_s, STEP_S / 2)
    times_s = times_s[: len(times_s) // 2 * 2 - 1]
    table_s = np.arange(-longest_s, times_s[-1] + TABLE_STEP_S, TABLE_STEP_S)

    tracks = []
    for which, oscillator in ((0, along), (1, normal)):
        table_mm = np.full_like(table_s, (side_mm / 2, -side_mm / 2)[which])
        for wall, direction in enumerate(DIRECTIONS):
            covered, _ = run_mm(plan.motion, side_mm, table_s - wall * wall_s)
            table_mm += direction[which] * covered
        shaped = np.empty((len(times_s), len(unique)))
        for column, (amplitudes, delays_s) in enumerate(shapers[which]):
            shaped[:, column] = sum(
                a * np.interp(times_s - d, table_s, table_mm)
                for a, d in zip(amplitudes, delays_s, strict=True)
            )
        tracks.append(follow(shaped, STEP_S, oscillator))
    return Track(
        u_mm=tracks[0],
        n_mm=tracks[1],
        setting=setting.ravel(),
        side_mm=side_mm,
        wall_s=wall_s,
    )


def around_corner(track: Track, corner: int, grid_mm: Floats) -> tuple[Floats, Floats]:
    """Resample the track around one corner to fixed columns.

    Around the corner from wall `corner - 1` into wall `corner` the sum of the distances along
    the two walls rises all the way, so it can carry the columns round the rounded edge.

    Parameters
    ----------
    grid_mm : (columns,)
        That sum, from the commanded corner: negative before it, positive after.

    Returns
    -------
    u_mm, n_mm : (settings, columns)
    """
    before, after = DIRECTIONS[corner - 1], DIRECTIONS[corner]
    at = (before - after) * track.side_mm / 2
    u, n = track.u_mm - at[0], track.n_mm - at[1]
    distance = (before[0] + after[0]) * u + (before[1] + after[1]) * n
    wall = track.wall_s / STEP_S
    window = slice(int((corner - 0.75) * wall), int((corner + 1) * wall))
    # where the nozzle ran back over its own line, what was drawn farthest out stays
    rising = np.maximum.accumulate(distance[window], axis=0)
    rising += 1e-9 * np.arange(len(rising))[:, None]
    columns = range(rising.shape[1])
    us = [np.interp(grid_mm, rising[:, i], track.u_mm[window, i]) for i in columns]
    ns = [np.interp(grid_mm, rising[:, i], track.n_mm[window, i]) for i in columns]
    return np.array(us), np.array(ns)
