"""Coverage factors and intervals, against the distribution itself."""

import numpy as np
import pytest
from scipy.stats import t

from ringscan.model.budget import PHOTO, WITHOUT_SHEET, coverage_factor, intervals
from ringscan.model.estimate import PoleEstimate


@pytest.mark.parametrize(("freedom", "off"), [(2.0, 0.008), (3.0, 2e-3), (5.0, 2e-4), (40.0, 1e-6)])
def test_coverage_factor_is_students_t(freedom: float, off: float) -> None:
    """scipy.stats.t; the series is an asymptotic one, hence worst where freedom is least."""
    assert coverage_factor(freedom) == pytest.approx(t.ppf(0.975, freedom), rel=off)


def test_what_the_model_leaves_out_is_added_in_quadrature() -> None:
    """JCGM 100:2008, 5.1.2, for independent inputs."""
    exact = PoleEstimate(
        frequency_hz=40.0, damping_ratio=0.08, covariance=np.zeros((2, 2)), freedom=1e6
    )
    rough = PoleEstimate(
        frequency_hz=40.0,
        damping_ratio=0.08,
        covariance=np.diag([0.3**2, 0.004**2]),
        freedom=1e6,
    )
    for beyond in (PHOTO, WITHOUT_SHEET):
        f, zeta = intervals(exact, beyond)
        assert f.half_width == pytest.approx(1.96 * beyond.frequency * 40, rel=1e-4)
        assert zeta.high / 0.08 == pytest.approx(np.exp(1.96 * beyond.damping_ratio), rel=1e-5)
        # symmetric in the logarithm
        assert 0.08 / zeta.low == pytest.approx(zeta.high / 0.08, rel=1e-9)
        assert (f.high + f.low) / 2 == pytest.approx(f.value)
        wide, _ = intervals(rough, beyond)
        assert wide.half_width == pytest.approx(np.hypot(1.96 * 0.3, f.half_width), rel=1e-4)


def test_a_damping_ratio_that_is_not_known_stays_above_0_and_at_most_1() -> None:
    """An error a hundred times the value: the logarithm's interval would overflow."""
    nothing = PoleEstimate(
        frequency_hz=40.0, damping_ratio=0.08, covariance=np.diag([1.0, 8.0**2]), freedom=2.0
    )
    _, zeta = intervals(nothing)
    assert 0 < zeta.low < 0.001
    assert zeta.high == 1.0
