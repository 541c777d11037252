"""The benchmark's Cramér-Rao bound, against values worked out elsewhere."""

import numpy as np
import pytest
from bench.bound import cramer_rao, without_nuisance


def decay_derivatives(f: float, zeta: float, t: np.ndarray, phi: float) -> np.ndarray:
    """Of A exp(-zeta w t) cos(w_d t + phi) over f, zeta, A, phi, at A = 1, by differences."""

    def decay(p: np.ndarray) -> np.ndarray:
        f, zeta, A, phi = p
        w = 2 * np.pi * f
        return A * np.exp(-zeta * w * t) * np.cos(w * np.sqrt(1 - zeta**2) * t + phi)

    at = np.array([f, zeta, 1.0, phi])
    steps = np.diag([1e-4, 1e-7, 1e-6, 1e-6])
    return np.array([(decay(at + d) - decay(at - d)) / (2 * d.max()) for d in steps])


def test_bound_of_one_decay() -> None:
    # 45 Hz, .05, sigma / A = .01, 1 kHz, 400 samples: .010589 Hz and 2.382e-4, inverted
    # elsewhere; 400 Monte Carlo runs there gave .01019 and 2.28e-4. The phase was left unsaid:
    # .3 fits both figures
    J = decay_derivatives(45.0, 0.05, np.arange(400) / 1000, 0.3)
    sd = cramer_rao(J, 0.01)
    assert sd[0] == pytest.approx(0.010589, rel=5e-4)
    assert sd[1] == pytest.approx(2.382e-4, rel=5e-4)


def test_bound_against_the_long_record_formula() -> None:
    # derived: sd(f) / f = sd(zeta) = 4 zeta^1.5 (sigma / A) sqrt(2 pi f / fs) for small zeta
    f, zeta, fs = 30.0, 0.02, 4000.0
    J = decay_derivatives(f, zeta, np.arange(8000) / fs, 0.7)
    expected = 4 * zeta**1.5 * 0.01 * np.sqrt(2 * np.pi * f / fs)
    sd = cramer_rao(J, 0.01)
    assert sd[0] / f == pytest.approx(expected, rel=0.05)
    assert sd[1] == pytest.approx(expected, rel=0.05)


@pytest.mark.parametrize("shared", [False, True])
def test_taking_nuisance_out_is_inverting_the_whole(shared: bool) -> None:
    rng = np.random.default_rng(0)
    b, n, degree = 5, 40, 2
    use = rng.uniform(size=(b, n)) > 0.1
    s = np.arange(n) * 0.1
    J = rng.standard_normal((2, b, n)) * use
    columns = []
    for band in range(b):
        for power in range(degree + 1):
            column = np.zeros((b, n))
            column[band] = s**power
            columns.append(column)
    if shared:
        for i in range(n):
            column = np.zeros((b, n))
            column[:, i] = 1
            columns.append(column)
    nuisance = np.array(columns) * use
    everything = np.concatenate([J, nuisance]).reshape(-1, b * n)
    whole = np.linalg.pinv(everything @ everything.T)[:2, :2]
    left = without_nuisance(J, use, s, degree=degree, shared=shared).reshape(2, -1)
    assert np.linalg.inv(left @ left.T) == pytest.approx(whole, rel=1e-6)
