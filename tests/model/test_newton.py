"""Least squares by Gauss-Newton, on problems whose minimum is known."""

import numpy as np
import pytest

from ringscan.model.newton import Tangent, gauss_newton

BANDS, SAMPLES = 4, 25


class Model:
    """``a u + n³ v`` with unit vectors u and v at right angles; counts how often it is asked."""

    def __init__(self, a: float, n: float) -> None:
        basis = np.linalg.qr(np.random.default_rng(1).normal(size=(BANDS * SAMPLES, 2)))[0]
        self.u, self.v = (column.reshape(BANDS, SAMPLES) for column in basis.T)
        self.data = a * self.u + n**3 * self.v
        self.looks = 0

    def __call__(self, at: np.ndarray) -> Tangent:
        self.looks += 1
        a, n = at
        jacobian = np.stack([self.u, 3 * n**2 * self.v])
        return Tangent(at=at, jacobian=jacobian, left=self.data - a * self.u - n**3 * self.v)

    def solved(self, start: list[float], asked: list[int] | None = None) -> np.ndarray:
        wide = np.full(2, 100.0)
        first = self(np.array(start))
        return gauss_newton(
            self, first, longest=wide, lowest=-wide, highest=wide, noise=1.0, asked=asked
        ).at


def test_finds_the_minimum_of_what_is_not_linear() -> None:
    assert Model(a=30.0, n=4.0).solved([1.0, 2.5]) == pytest.approx([30.0, 4.0], abs=0.02)


def test_does_not_follow_what_is_not_asked_for() -> None:
    """The fall that is left is 2.9 noise variances, all of it by n; a is where it should be."""
    start, n = [30.0, 4.0], (4.0**3 + 1.7) ** (1 / 3)
    both, only_a = Model(a=30.0, n=n), Model(a=30.0, n=n)
    assert both.solved(start) == pytest.approx([30.0, n], abs=1e-3)
    assert only_a.solved(start, asked=[0]) == pytest.approx(start)
    assert only_a.looks == 1 < both.looks


@pytest.mark.parametrize("off", [0.3, 3.0])
def test_what_is_asked_for_is_found_all_the_same(off: float) -> None:
    """a is off by more than a tenth of its standard error, which is 1, and so is not left there."""
    n = (4.0**3 + 1.7) ** (1 / 3)
    found = Model(a=30.0 + off, n=n).solved([30.0, 4.0], asked=[0])
    assert found[0] == pytest.approx(30.0 + off, abs=1e-6)


def test_a_long_way_is_gone_whatever_is_asked_for() -> None:
    """A fall of 8000 noise variances says that the model is not yet where it is straight."""
    assert Model(a=30.0, n=4.0).solved([30.0, 2.0], asked=[0])[1] == pytest.approx(4.0, abs=0.1)
