"""Least squares: against SciPy's, which is another program, and against certified results."""

import numpy as np
import pytest
from scipy.optimize import least_squares

from ringscan.image.descent import descend

MISRA1A = np.array(
    [
        [10.07, 77.6],
        [14.73, 114.9],
        [17.94, 141.1],
        [23.93, 190.8],
        [29.61, 239.9],
        [35.18, 289.0],
        [40.02, 332.8],
        [44.82, 378.4],
        [50.76, 434.8],
        [55.05, 477.3],
        [61.01, 536.8],
        [66.40, 593.1],
        [75.47, 689.1],
        [81.78, 760.0],
    ]
)
"""y and x of data set Misra1a of NIST's Statistical Reference Datasets (from memory)."""
CERTIFIED = np.array([2.3894212918e02, 5.5015643181e-04])


def misra(values: np.ndarray) -> np.ndarray:
    y, x = MISRA1A.T
    return values[0] * (1 - np.exp(-values[1] * x)) - y


def misra_slopes(values: np.ndarray) -> np.ndarray:
    x = MISRA1A[:, 1]
    fading = np.exp(-values[1] * x)
    return np.column_stack([1 - fading, values[0] * x * fading])


@pytest.mark.parametrize("start", [(500.0, 1e-4), (250.0, 5e-4)])
def test_certified_results_are_found_from_both_starts(start: tuple[float, float]) -> None:
    found, slopes = descend(misra, misra_slopes, np.array(start), tolerance=1e-14)
    # six digits: what NIST asks of a good program
    assert found == pytest.approx(CERTIFIED, rel=1e-6)
    assert slopes == pytest.approx(misra_slopes(found), rel=1e-4)


def test_outliers_are_pulled_in_as_by_scipy() -> None:
    random = np.random.default_rng(5)
    x = np.linspace(0, 1, 60)
    y = 3 * np.exp(-2 * x) + random.normal(0, 0.01, 60)
    y[::6] += 0.5

    def off(values: np.ndarray) -> np.ndarray:
        return (values[0] * np.exp(values[1] * x) - y) / 0.01

    def slopes(values: np.ndarray) -> np.ndarray:
        wave = np.exp(values[1] * x) / 0.01
        return np.column_stack([wave, values[0] * x * wave])

    start = np.array([1.0, 0.0])
    found, _ = descend(off, slopes, start, soft=2.0, tolerance=1e-12, max_steps=200)
    other = least_squares(off, start, slopes, loss="soft_l1", f_scale=2.0, xtol=1e-12, ftol=1e-12)
    assert found == pytest.approx(other.x, rel=1e-5)
    # the plain sum follows the outliers: a seventh of the points off by half
    plain, _ = descend(off, slopes, start)
    assert abs(plain[0] - 3) > 3 * abs(found[0] - 3)


def test_a_parameter_without_effect_stays() -> None:
    def off(values: np.ndarray) -> np.ndarray:
        return np.array([values[0] - 2, 0.5 * (values[0] - 2)])

    def slopes(values: np.ndarray) -> np.ndarray:
        return np.array([[1.0, 0.0], [0.5, 0.0]])

    found, _ = descend(off, slopes, np.array([0.0, 7.0]))
    assert found == pytest.approx([2, 7], abs=1e-6)
