"""Input shapers of the control literature as impulse lists, in units of the shaper's own period.

A shaper replaces every command by impulses of amplitude ``A_i`` (sum 1) at times ``t_i``. For a
fixed damping setting the times scale with 1 / frequency, so each shaper is solved once, for a
natural frequency of 1 Hz, and stretched.

Sources: Singer & Seering, J. Dyn. Sys. Meas. Control 112(1):76-82 (1990) for ZV, ZVD, ZVDD;
Singhose, Seering & Singer, J. Mech. Design 116:654-659 (1994) for the extra-insensitive (EI) form;
Singhose, Porter, Tuttle & Singer, J. Dyn. Sys. Meas. Control 119(2):320-326 (1997) for its forms of
two and three humps (both from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import comb, exp, pi, sqrt

import numpy as np
from numpy.typing import NDArray

from ringscan.errors import PlanError
from ringscan.model.vibration import pole, residual, residual_vibration
from ringscan.plan import Family, Shaper

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Impulses:
    """An impulse sequence, or one per band.

    amplitudes : dimensionless, (..., n), sum 1 along the last axis
    times_s : from 0, (..., n)
    """

    amplitudes: Array
    times_s: Array

    @property
    def delay_s(self) -> Array:
        """Mean delay ``sum A_i t_i``, (...)."""
        return np.asarray((self.amplitudes * self.times_s).sum(axis=-1))

    @property
    def end_s(self) -> Array:
        """Time of the last impulse, (...)."""
        return np.asarray(self.times_s.max(axis=-1))

    def seen(self, lam: complex | NDArray[np.complex128]) -> NDArray[np.complex128]:
        """What they leave, as the wall shows it: ``R exp(lam t_bar)``, drawn later by the delay.

        `lam` is broadcast against (...).
        """
        return residual(self.amplitudes, self.times_s - self.delay_s[..., None], lam)

    def part(self, bands: slice | NDArray[np.bool_]) -> Impulses:
        """Those of some bands alone."""
        return Impulses(amplitudes=self.amplitudes[bands], times_s=self.times_s[bands])


def shaper_impulses(
    shaper: Shaper, frequency_hz: Array | float, damping_ratio: Array | float
) -> Impulses:
    """Impulses of a shaper at one or many commanded settings.

    Parameters
    ----------
    shaper : family, tolerance and (for LIST) the impulses; its own damping setting is not used
    frequency_hz, damping_ratio : commanded settings, (...); NaN means "shaper off": a single
        impulse of 1 at time 0

    Returns
    -------
    Impulses of shape (..., n)

    Raises
    ------
    PlanError
        If an EI shaper has no solution for these settings.
    """
    frequency, damping = np.broadcast_arrays(
        np.asarray(frequency_hz, float), np.asarray(damping_ratio, float)
    )
    off = np.isnan(frequency) | np.isnan(damping)
    settings, which = np.unique(np.where(off, 0.0, damping), return_inverse=True)
    solved = [_unit_impulses(shaper, float(value)) for value in settings]
    amplitudes = np.array([a for a, _ in solved])[which.reshape(frequency.shape)]
    times = np.array([t for _, t in solved])[which.reshape(frequency.shape)]
    identity = np.zeros(amplitudes.shape[-1])
    identity[0] = 1.0
    return Impulses(
        amplitudes=np.where(off[..., None], identity, amplitudes),
        times_s=np.where(off[..., None], 0.0, times / np.where(off, 1.0, frequency)[..., None]),
    )


@lru_cache(maxsize=4096)
def _unit_impulses(shaper: Shaper, damping_ratio: float) -> tuple[Array, Array]:
    """Amplitudes and times for a shaper frequency of 1 Hz."""
    match shaper.family:
        case Family.LIST:
            amplitudes = np.array(shaper.amplitudes)
            return amplitudes / amplitudes.sum(), np.array(shaper.times_in_periods)
        case Family.ZV | Family.ZVD | Family.ZVDD:
            return _zero_vibration(len(shaper.family.value) - 1, damping_ratio)
        case Family.EI | Family.EI2 | Family.EI3:
            humps = {Family.EI: 1, Family.EI2: 2, Family.EI3: 3}[shaper.family]
            return _extra_insensitive(humps, damping_ratio, shaper.tolerance)


def _zero_vibration(order: int, damping_ratio: float) -> tuple[Array, Array]:
    """ZV (order 1), ZVD (2), ZVDD (3): binomial weights of K, half a damped period apart."""
    root = sqrt(1 - damping_ratio**2)
    K = exp(-damping_ratio * pi / root)
    amplitudes = np.array([comb(order, i) * K**i for i in range(order + 1)]) / (1 + K) ** order
    return amplitudes, np.arange(order + 1) / (2 * root)


def _extra_insensitive(humps: int, damping_ratio: float, tol: float) -> tuple[Array, Array]:
    """EI shaper with `humps` humps of height `tol` between `humps + 1` frequencies of no residual.

    The conditions of the literature are solved as they stand: no residual at the zeros, residual
    `tol` with zero slope at the humps. They leave one freedom, the scale of all times, which the
    published curve fits settle: the last impulse of EI comes after one damped period, and the
    middle one of EI2's zeros, or of EI3's humps, is at 1 Hz.
    """
    steps = int(np.ceil(damping_ratio / EI_STEP)) - 1
    try:
        x = _undamped_start(humps, tol) if steps < 0 else _ei_path(humps, tol, steps)
        if damping_ratio:
            x = _solve_ei(humps, tol, damping_ratio, x)
    except _NoSolutionError as exc:
        raise PlanError(
            f"no {humps}-hump EI shaper exists for damping_ratio = {damping_ratio:g} and "
            f"tolerance = {tol:g}; give a smaller damping_ratio, or the impulses as family 'LIST'"
        ) from exc
    n = humps + 1
    return np.append(x[:n], 1 - x[:n].sum()), np.insert(x[n : 2 * n], 0, 0.0)


EI_STEP = 0.02
"""Step in damping ratio by which the damped EI solution is followed from the undamped one."""


@lru_cache(maxsize=256)
def _ei_path(humps: int, tol: float, steps: int) -> Array:
    """Solution at a damping ratio of `steps` EI_STEPs."""
    if steps == 0:
        return _undamped_start(humps, tol)
    return _solve_ei(humps, tol, steps * EI_STEP, _ei_path(humps, tol, steps - 1))


class _NoSolutionError(Exception):
    """The path of EI solutions ends before the damping ratio that was asked for."""


def _solve_ei(humps: int, tol: float, zeta: float, start: Array) -> Array:
    """Solve the EI conditions near `start`: amplitudes but the last, times but the first, zeros,
    hump tops, each `humps + 1` long but the tops. Raises _NoSolutionError.
    """
    from scipy.optimize import root

    n = humps + 1

    def conditions(x: Array) -> Array:
        a, t, zeros, tops = np.split(x, [n, 2 * n, 3 * n])
        scale = t[-1] * sqrt(1 - zeta**2) if humps == 1 else (zeros if humps == 2 else tops)[1]
        a, t = np.append(a, 1 - a.sum()), np.insert(t, 0, 0.0)

        def vibration(f: Array) -> Array:
            return residual_vibration(a, t, f, zeta)

        left = residual(a, t, pole(zeros, zeta))
        step = 1e-5
        slope = (vibration(tops + step) - vibration(tops - step)) / (2 * step)
        return np.concatenate([left.real, left.imag, vibration(tops) - tol, slope, [scale - 1]])

    x = root(conditions, start, tol=1e-12).x
    if not np.abs(conditions(x)).max() < 1e-6:
        raise _NoSolutionError
    return np.asarray(x)


def _undamped_start(humps: int, tol: float) -> Array:
    """Amplitudes, times, zeros and hump tops at zero damping, impulses half a period apart.

    The closed forms are quoted from memory of the source; the tests check their conditions.
    """
    if humps == 1:
        a = [(1 + tol) / 4, (1 - tol) / 2]
    elif humps == 2:
        X = (tol**2 * (sqrt(1 - tol**2) + 1)) ** (1 / 3)
        a1 = (3 * X**2 + 2 * X + 3 * tol**2) / (16 * X)
        a = [a1, 0.5 - a1, 0.5 - a1]
    else:
        a1 = (1 + 3 * tol + 2 * sqrt(2 * (tol**2 + tol))) / 16
        a2 = (1 - tol) / 4
        a = [a1, a2, 1 - 2 * (a1 + a2), a2]
    # with p = exp(-i pi f) the zeros are the roots of sum A_i p^i, and a hump's top lies between
    # neighbouring zeros
    full = np.append(a, 1 - sum(a))
    zeros = np.sort(np.mod(-np.angle(np.roots(full[::-1])), 2 * pi)) / pi
    grid = np.linspace(zeros[:-1], zeros[1:], 20001)
    height = np.abs(np.exp(-1j * pi * grid[..., None] * np.arange(full.size)) @ full)
    tops = grid[height.argmax(axis=0), np.arange(humps)]
    return np.concatenate([a, np.arange(1, humps + 2) / 2, zeros, tops])
