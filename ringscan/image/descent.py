"""Nonlinear least squares by Levenberg and Marquardt, for problems of a few dozen parameters.

In the place of scipy.optimize, whose import takes several times as long as the fits of a picture.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

FIRST_DAMPING = 1e-6
"""Relative to the squared slopes."""
MAX_DAMPING = 1e12
"""No step, however small, leads down any more."""


def descend(
    residuals: Callable[[Array], Array],
    slopes: Callable[[Array], Array],
    start: Array,
    *,
    soft: float | None = None,
    tolerance: float = 1e-8,
    max_steps: int = 50,
) -> tuple[Array, Array]:
    """Minimise the sum of squared residuals, or the same pulled in beyond `soft`.

    Parameters
    ----------
    residuals, slopes : of the parameters, (n,) and (n, parameters)
    start : parameters, (parameters,)
    soft : residuals f count as 2 c² (sqrt(1 + (f / c)²) - 1) with c = `soft`; None for f²
    tolerance : relative change of the sum at which to stop
    max_steps : most slopes that are worked out

    Returns
    -------
    The best parameters, and the slopes where they were last worked out.

    Notes
    -----
    Steps after Nielsen, Damping parameter in Marquardt's method (IMM-REP-1999-05, from memory);
    the soft loss after Triggs et al., Bundle adjustment, 2000, section 4.3 (from memory).
    """
    at = start
    now = residuals(at)
    cost = _cost(now, soft)
    damping, growth = FIRST_DAMPING, 2.0
    scale = np.zeros(len(start))
    for _ in range(max_steps):
        slope = slopes(at)
        # pulled in so that the sum of squares has the soft loss's own slope and bend
        pull = np.ones_like(now) if soft is None else 1 + (now / soft) ** 2
        weighted = slope * (pull**-0.75)[:, None]
        scale = np.maximum(scale, np.linalg.norm(weighted, axis=0))
        unit = np.where(scale > 0, scale, 1.0)
        weighted /= unit
        normal, downhill = weighted.T @ weighted, -weighted.T @ (now * pull**0.25)
        while True:
            step = np.linalg.solve(normal + damping * np.eye(len(at)), downhill)
            there = at + step / unit
            then = residuals(there)
            gain = cost - _cost(then, soft)
            if gain >= 0:
                break
            damping, growth = damping * growth, growth * 2
            if not damping < MAX_DAMPING:
                return at, slope
        foreseen = 0.5 * float(step @ (damping * step + downhill))
        damping *= max(1 / 3, 1 - (2 * gain / max(foreseen, 1e-300) - 1) ** 3)
        growth = 2.0
        at, now, cost = there, then, cost - gain
        if gain <= tolerance * cost:
            break
    return at, slope


def _cost(residuals: Array, soft: float | None) -> float:
    """Half of the sum that is minimised."""
    if soft is None:
        return 0.5 * float(residuals @ residuals)
    pulled = np.sqrt(1 + (residuals / soft) ** 2) - 1
    return soft**2 * float(pulled.sum())
