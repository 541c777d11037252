"""The photo's two independent answers, and the ripple of every single band.

Spacing: the ripples' own spacing and decay give the pole with every band's strength left free,
so that the ramp plays no part. Null: with the ripples' shape and place given, the height at which
their sign turns gives the frequency (or the damping, where that is ramped) through the ramp alone.
The joint fit uses both at once; these two are its cross-check.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from ringscan.model.estimate import (
    DAMPING_RANGE,
    FREQUENCY_RANGE_HZ,
    PoleEstimate,
    descend,
    sandwich,
)
from ringscan.model.fit import JointFit
from ringscan.model.newton import Tangent
from ringscan.model.problem import Problem
from ringscan.model.ripple import Wave
from ringscan.model.search import best_spacing
from ringscan.model.vibration import pole, pole_turn, trial_pole
from ringscan.plan import Quantity

Array = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

NULL_TRIALS = 241
"""Values at which the ramp's answer is looked for: frequencies 1.4 % apart, narrower than a quiet
band, and damping ratios 2 % apart."""

NULL_FINE = 21
NULL_ZOOMS = 3
"""Then between the best one's neighbours, so many and so many times: to 1e-5."""


TILT_SD = 0.05
"""Standard deviation, beforehand, of how much stronger a lamp shows ripples at the tower's top than
at its base, relative: one that is 10° off the layers and 0.4 m away does so by 5 %."""

NULL_FACTOR = 1.25
"""By how much the turn of sign is less sure than bands that err independently make it: bulges at
the corners swell and shrink with height. On 97 rendered pictures it was then 1.0 of its standard
errors off (root mean square), 1.2 without this."""

SAME_SPACING = 0.03
"""Relative distance in frequency below which two starts have found the same answer."""


GLANCE_ROUNDS = 3
"""Rounds that show whether another start is the better one."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NullEstimate:
    """What the ramp alone says: the frequency, or the damping ratio if that is what it ramps.

    quantity : which of the two
    value, standard_error : Hz or 1
    freedom : degrees of freedom
    """

    quantity: Quantity
    value: float
    standard_error: float
    freedom: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BandRipple:
    """Ripple of each band relative to an unshaped one of the same photo, (b,) each.

    signed : along the fitted ripple, negative where crests and troughs have changed places
    standard_error : of it
    fitted : its size |R exp(lam t_bar)| by the joint fit
    turned : whether crests and troughs have changed places, by the joint fit
    """

    signed: Array
    standard_error: Array
    fitted: Array
    turned: NDArray[np.bool_]


def fit_spacing(fit: JointFit) -> PoleEstimate:
    """Fit the pole with a free complex strength for every band."""
    problem = fit.problem

    def look(at: Array) -> Tangent:
        lam = trial_pole(*at)
        about = Wave.of(lam, problem.drawing)
        wave = _even(problem, about.slope)
        free = _FreeWaves(problem, wave)
        c = free.strengths(problem.data)
        pulled = (c[0] + 1j * c[1])[:, None] * wave * about.turn()
        slopes = [problem.whitener((pulled * over).real) for over in pole_turn(*at)]
        # what the free strengths can mimic is no information on the pole
        slopes = [row - free.combined(free.strengths(row)) for row in slopes]
        left = problem.data - free.combined(c)
        return Tangent(at=at, jacobian=np.stack(slopes), left=left)

    start = np.array([fit.estimate.frequency_hz, fit.estimate.damping_ratio])
    best = descend(look, start)
    other = np.array(best_spacing(problem, fit.found))
    if abs(other[0] / best.at[0] - 1) > SAME_SPACING:
        rough = descend(look, other, rounds=GLANCE_ROUNDS)
        if (rough.left**2).sum() < (best.left**2).sum():
            best = descend(look, rough.at)
    covariance, freedom, _ = sandwich(best.jacobian, best.left)
    return PoleEstimate(
        frequency_hz=float(best.at[0]),
        damping_ratio=float(best.at[1]),
        covariance=covariance,
        freedom=freedom,
    )


def fit_null(fit: JointFit, spacing: PoleEstimate, quantity: Quantity) -> NullEstimate:
    """Fit what is ramped in the shaper's effect R alone, by every band's signed size of ripple.

    Where the crests lie is left to the spacing: read from them, the frequency would be the
    spacing's once more, be it right or wrong. The light may show ripples a little better at one end
    of the tower than at the other.
    """
    problem = fit.problem
    # heights as measured: the fit may have bent them to please the spacing
    impulses = fit.posed.drawing.impulses
    wave = problem.drawing.wave(spacing.pole) * np.exp(-spacing.pole * impulses.delay_s)[:, None]
    expected = impulses.seen(spacing.pole)
    phase = np.angle(complex(*problem.strength(problem.filtered(wave * expected[:, None]))))
    shared = problem.whitener.shared
    turns = (
        expected
        if shared is None
        else expected - np.average(expected, weights=(shared**2).sum(axis=1))
    )
    axis = np.exp(0.5j * np.angle((turns**2).sum()))
    free = _FreeWaves(problem, wave * np.exp(1j * phase) * axis)
    b = expected.size
    right = free.products(problem.data).ravel()
    # each band has what it likes of the wave a quarter turn away
    across = np.linalg.pinv(free.gram[b:, b:], hermitian=True)
    clear = np.concatenate([np.eye(b), -across @ free.gram[b:, :b]])
    gram, along = clear.T @ free.gram @ clear, clear.T @ right
    by_damping = quantity is Quantity.DAMPING

    def sizes(values: Array) -> Array:
        """Signed size of each band's ripple, (t, b)."""
        pair = (spacing.frequency_hz, values) if by_damping else (values, spacing.damping_ratio)
        return np.asarray((impulses.seen(pole(*pair)[:, None]) / axis).real)

    def strengths(values: Array) -> tuple[Array, Array]:
        """Strengths for each value, (t, 2), and how far they lower the sum of squares, (t,).

        They are those of waves as large as `sizes` says, and of waves larger the higher up.
        """
        waves = sizes(values)[:, None] * np.stack([np.ones(b), problem.up])
        told = waves @ along
        products = waves @ gram @ waves.transpose(0, 2, 1)
        products[:, 0, 0] = np.maximum(products[:, 0, 0], 1e-300)
        alone = told[:, 0] / products[:, 0, 0]
        products[:, 1, 1] += 1 / np.maximum((TILT_SD * alone) ** 2, 1e-300)
        c = np.linalg.solve(products, told[..., None])[..., 0]
        return c, (c * told).sum(axis=1)

    trials = np.geomspace(*(DAMPING_RANGE if by_damping else FREQUENCY_RANGE_HZ), NULL_TRIALS)
    for _ in range(NULL_ZOOMS):
        i = int(strengths(trials)[1].argmax())
        trials = np.linspace(trials[max(i - 1, 0)], trials[min(i + 1, trials.size - 1)], NULL_FINE)
    c, gain = strengths(trials)
    i = int(gain.argmax())
    value, step = float(trials[i]), 1e-4 * float(trials[i])
    before, V, after = sizes(np.array([value - step, value, value + step]))
    grown = c[i, 0] + c[i, 1] * problem.up
    rows = [grown * (after - before) / (2 * step), V, problem.up * V]
    J = np.stack([free.combined((clear @ row).reshape(2, -1)) for row in rows])
    beside = free.combined(np.stack([np.zeros(b), across @ right[b:]]))
    left = problem.data - beside - np.tensordot(c[i], J[1:], 1)
    known = np.array([0.0, 0.0, 1 / max((TILT_SD * c[i, 0]) ** 2, 1e-300)])
    covariance, freedom, _ = sandwich(J, left, known)
    return NullEstimate(
        quantity=quantity,
        value=value,
        standard_error=NULL_FACTOR * float(np.sqrt(covariance[0, 0])),
        freedom=freedom,
    )


def measure_ripple(fit: JointFit) -> BandRipple:
    """Measure each band's ripple on its own, given the shape of the joint fit."""
    problem, lam = fit.problem, fit.estimate.pole
    impulses = problem.drawing.impulses
    seen = impulses.seen(lam)
    wave = fit.strength * problem.drawing.wave(lam) * np.exp(-lam * impulses.delay_s)[:, None]
    turn = np.exp(1j * np.angle(seen))
    real = problem.whitener.alone(np.real(wave * turn[:, None]))
    data = problem.whitener.alone(problem.flat)
    power = np.maximum((real**2).sum(axis=1), 1e-300)
    along = (real * data).sum(axis=1) / power
    left = data - along[:, None] * real
    samples = np.maximum(problem.whitener.use.sum(axis=1), 2)
    error = np.sqrt(np.maximum((left**2).sum(axis=1) / samples, 1e-300) / power)
    # texture is correlated beyond the filter's reach; the bands' scatter shows by how much
    error *= max(1.0, float(np.sqrt((((along - np.abs(seen)) / error) ** 2).mean())))
    turned = seen.real < 0
    return BandRipple(
        signed=np.where(turned, -along, along),
        standard_error=error,
        fitted=np.abs(seen),
        turned=turned,
    )


class _FreeWaves:
    """Every band's wave with a complex strength of its own.

    gram : inner products of the filtered waves, real parts before imaginary ones, (2b, 2b)
    """

    def __init__(self, problem: Problem, wave: ComplexArray) -> None:
        whitener = problem.whitener
        self._whitener = whitener
        self._waves = np.stack([whitener.alone(wave.real), whitener.alone(-wave.imag)])
        k, b, n = self._waves.shape
        gram = np.zeros((k, b, k, b))
        own = np.einsum("ibn,jbn->ijb", self._waves, self._waves)
        gram[:, np.arange(b), :, np.arange(b)] = own.transpose(2, 0, 1)
        if whitener.shared is not None:
            scaled = (self._waves * whitener.shared).reshape(k * b, n)
            gram -= (scaled @ scaled.T).reshape(k, b, k, b)
        self.gram = gram.reshape(k * b, k * b)

    @cached_property
    def _inverse(self) -> Array:
        # strengths that all bands share are not seen once the shared profile is out: a small ridge
        size = len(self.gram)
        ridge = 1e-6 * np.trace(self.gram) / size
        return np.asarray(np.linalg.inv(self.gram + ridge * np.eye(size)))

    def products(self, rows: Array) -> Array:
        """Inner products of filtered rows (b, n) with the waves, (2, b)."""
        return np.asarray(np.einsum("ibn,bn->ib", self._waves, rows))

    def strengths(self, rows: Array) -> Array:
        """Least-squares strengths for filtered rows (b, n), (2, b)."""
        right = self.products(rows)
        return (self._inverse @ right.ravel()).reshape(right.shape)

    def combined(self, strengths: Array) -> Array:
        """Filtered rows (b, n) that strengths (2, b) make."""
        rows = np.einsum("ib,ibn->bn", strengths, self._waves)
        return self._whitener.common_out(rows)


def _even(problem: Problem, wave: ComplexArray) -> ComplexArray:
    """Each band's wave scaled to one, for the sake of rounding: the strengths are free anyway."""
    largest = np.abs(wave * problem.valid).max(axis=1, keepdims=True)
    return np.asarray(wave / np.maximum(largest, 1e-300))
