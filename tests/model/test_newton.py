"""Least squares by Gauss-Newton, on problems whose minimum is known."""

import numpy as np
import pytest
from scipy.optimize import lsq_linear

from ringscan.model.newton import Tangent, gauss_newton

BANDS, SAMPLES = 4, 25


class Model:
    """``a u + n³ v`` with unit vectors u and v at right angles."""

    def __init__(self, a: float, n: float) -> None:
        basis = np.linalg.qr(np.random.default_rng(1).normal(size=(BANDS * SAMPLES, 2)))[0]
        self.u, self.v = (column.reshape(BANDS, SAMPLES) for column in basis.T)
        self.data = a * self.u + n**3 * self.v

    def __call__(self, at: np.ndarray) -> Tangent:
        a, n = at
        jacobian = np.stack([self.u, 3 * n**2 * self.v])
        return Tangent(at=at, jacobian=jacobian, left=self.data - a * self.u - n**3 * self.v)

    def solved(self, start: list[float], **limits) -> np.ndarray:
        wide = np.full(2, 100.0)
        bounds = {"longest": wide, "lowest": -wide, "highest": wide} | limits
        return gauss_newton(self, self(np.array(start)), **bounds).at


def test_finds_the_minimum_of_what_is_not_linear() -> None:
    assert Model(a=30.0, n=4.0).solved([1.0, 2.5]) == pytest.approx([30.0, 4.0], abs=0.02)


def test_stays_within_its_bounds() -> None:
    found = Model(a=30.0, n=4.0).solved([1.0, 2.5], highest=np.array([20.0, 100.0]))
    assert found == pytest.approx([20.0, 4.0], abs=0.02)


def test_a_parameter_at_its_bound_leaves_the_others_their_best() -> None:
    """Against scipy: where parameters pass for each other, one must not be cut off alone."""
    rng = np.random.default_rng(4)
    J = rng.standard_normal((3, BANDS * SAMPLES))
    J[1] += 2 * J[0]
    data = 3 * J[0] + J[1] - 2 * J[2] + 0.1 * rng.standard_normal(BANDS * SAMPLES)
    lowest, highest = np.array([-9.0, -9.0, -1.5]), np.array([2.0, 9.0, 9.0])
    rows = (BANDS, SAMPLES)

    def look(at: np.ndarray) -> Tangent:
        return Tangent(at=at, jacobian=J.reshape(3, *rows), left=(data - at @ J).reshape(rows))

    wide = np.full(3, 100.0)
    found = gauss_newton(
        look, look(np.zeros(3)), longest=wide, lowest=lowest, highest=highest, noise=1e-9
    )
    best = lsq_linear(J.T, data, (lowest, highest), tol=1e-12).x
    assert best[0] == pytest.approx(2.0)
    assert best[2] == pytest.approx(-1.5)
    assert found.at == pytest.approx(best, abs=1e-6)


def test_what_is_known_beforehand_counts_as_an_observation() -> None:
    """a is 0 with variance 1 by one, 30 with variance 1 by the other: between them lies 15."""
    found = Model(a=30.0, n=4.0).solved([1.0, 2.5], precision=np.array([1.0, 0.0]))
    assert found == pytest.approx([15.0, 4.0], abs=0.02)
