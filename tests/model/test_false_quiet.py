"""A shaper at a third of the natural frequency cancels too, and is not taken for the answer."""

import numpy as np
import pytest
from walls import Wall, doubts_of, impulse_list, simulate_walls

from ringscan.model.answers import fit_null, fit_spacing
from ringscan.model.budget import intervals
from ringscan.model.fit import fit_jointly
from ringscan.model.verdict import Outcome, judge
from ringscan.plan import Quantity

TOLD = (*[float("nan")] * 3, *np.linspace(15, 60, 34).tolist())


@pytest.mark.parametrize(
    ("frequency_hz", "damping_ratio", "gain"),
    [(45.5, 0.06, 2.5), (51.0, 0.04, -2.0), (58.0, 0.03, -3.0)],
)
def test_is_not_called(frequency_hz: float, damping_ratio: float, gain: float) -> None:
    """Rough walls, on which the quiet bands are lost in the texture."""
    wall = Wall(
        frequency_hz=frequency_hz,
        damping_ratio=damping_ratio,
        family="ZV",
        gain=gain,
        commanded_hz=TOLD,
        pixel_mm=0.2,
        texture_um=3.0,
        acceleration_mm_s2=4000,
    )
    # the trap is there: by Singer & Seering's formula little is left of the ripple at a third
    amplitudes, times_s = impulse_list("ZV", frequency_hz / 3, wall.shaper_damping)
    w = 2 * np.pi * frequency_hz
    lam = -damping_ratio * w + 1j * w * np.sqrt(1 - damping_ratio**2)
    early = times_s - amplitudes @ times_s
    assert abs(amplitudes @ np.exp(-lam * early)) < 0.3

    walls = simulate_walls(wall, 21)
    fit = fit_jointly(walls, doubts_of(wall))
    frequency, _ = intervals(fit.estimate)
    spacing = fit_spacing(fit)
    null = fit_null(fit, spacing, Quantity.FREQUENCY)
    verdict = judge(fit=fit, frequency=frequency, spacing=spacing, null=null)
    assert verdict.outcome is Outcome.CALL, verdict.reasons
    # the false band is 67 % off
    assert frequency.value == pytest.approx(frequency_hz, rel=0.04)
    assert null.value == pytest.approx(frequency_hz, rel=0.04)
