"""One vibrating axis: its pole, what a shaper leaves of it, and its free decay.

With natural frequency ``f_n`` and damping ratio ``zeta`` the pole is
``lam = -zeta w + i w sqrt(1 - zeta²)``, ``w = 2 pi f_n``; a free decay is ``exp(lam t)``.
"""

from __future__ import annotations

from math import pi, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]


def pole(frequency_hz: ArrayLike, damping_ratio: ArrayLike) -> ComplexArray:
    """Pole ``lam`` in rad/s of an axis with natural frequency (Hz) and damping ratio, (...)."""
    w = 2 * pi * np.asarray(frequency_hz, float)
    zeta = np.asarray(damping_ratio, float)
    return np.asarray(w * (-zeta + 1j * np.sqrt(1 - zeta**2)))


def pole_turn(frequency_hz: float, damping_ratio: float) -> tuple[complex, complex]:
    """Derivatives of ``lam`` over frequency (Hz) and damping ratio."""
    w, zeta = 2 * pi * frequency_hz, damping_ratio
    root = sqrt(1 - zeta**2)
    return 2 * pi * complex(-zeta, root), -w * complex(1, zeta / root)


def trial_pole(frequency_hz: float, damping_ratio: float) -> complex:
    """`pole` of one pair of numbers."""
    return complex(pole(frequency_hz, damping_ratio))


def free_decay(
    lam: complex | ComplexArray, time_s: Array, more: ComplexArray | None = None
) -> ComplexArray:
    """``exp(lam t + more)`` to 1e-6 of its size, five times as fast: sines in single precision.

    `lam` is broadcast against the times.
    """
    real, imag = lam.real * time_s, lam.imag * time_s
    if more is not None:
        real, imag = real + more.real, imag + more.imag
    turns = imag / (2 * pi)
    phase = (2 * pi * (turns - np.rint(turns))).astype(np.float32)
    size = np.exp(real)
    out = np.empty(turns.shape, complex)
    np.multiply(size, np.cos(phase), out=out.real)
    np.multiply(size, np.sin(phase), out=out.imag)
    return out


def residual(amplitudes: Array, times_s: Array, lam: complex | ComplexArray) -> ComplexArray:
    """Complex ``R = sum A_i exp(-lam t_i)``: what impulses leave of the free decay.

    Parameters
    ----------
    amplitudes, times_s : (..., n)
    lam : pole, broadcast against (...)
    """
    lam = np.asarray(lam, complex)
    return np.asarray((amplitudes * np.exp(-lam[..., None] * times_s)).sum(axis=-1))


def residual_vibration(
    amplitudes: Array, times_s: Array, frequency_hz: ArrayLike, damping_ratio: ArrayLike
) -> Array:
    """Residual vibration relative to no shaper, ``exp(-zeta w t_n) |R|``.

    Source: Singer & Seering, J. Dyn. Sys. Meas. Control 112(1):76-82 (1990).

    Parameters
    ----------
    amplitudes, times_s : one impulse sequence, (n,)
    frequency_hz, damping_ratio : of the axis, broadcast to (...)
    """
    lam = pole(frequency_hz, damping_ratio)
    return np.asarray(np.exp(lam.real * times_s.max()) * np.abs(residual(amplitudes, times_s, lam)))


def corner_strength(
    lam: ComplexArray, speed_mm_s: float, acceleration_mm_s2: float, corner_speed_mm_s: float
) -> ComplexArray:
    """Complex ``B`` in mm/s: after a corner the free decay is ``Im(B exp(lam t)) / Im(lam)`` mm.

    The axis brakes from the speed to the corner speed in ``T = (v - v_c) / a``, then stops.
    ``|B|`` nearly vanishes where ``T f_n`` is a whole number: the plan is blind there.
    """
    T = (speed_mm_s - corner_speed_mm_s) / acceleration_mm_s2
    lam = np.asarray(lam, complex)
    return np.asarray(corner_speed_mm_s + acceleration_mm_s2 * np.expm1(lam * T) / lam)


def ripple_height_mm(
    frequency_hz: ArrayLike,
    damping_ratio: ArrayLike,
    *,
    speed_mm_s: float,
    acceleration_mm_s2: float,
    corner_speed_mm_s: float,
) -> Array:
    """Amplitude in mm of the ripple a corner leaves without a shaper, at the corner itself."""
    lam = pole(frequency_hz, damping_ratio)
    B = corner_strength(lam, speed_mm_s, acceleration_mm_s2, corner_speed_mm_s)
    return np.asarray(np.abs(B) / lam.imag)
