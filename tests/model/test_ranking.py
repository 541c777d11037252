"""Ranks, remarks and the quiet height, against the closed form of an undamped ZV shaper.

Two impulses of 1/2, half a commanded period apart, leave |R| = |cos(pi f_n / (2 f))| of the
ripple: nothing at f = f_n, f_n / 3, f_n / 5 ... (derived from R = sum A_i exp(-lam t_i)).
"""

import numpy as np
import pytest

from ringscan.model.answers import BandRipple
from ringscan.model.estimate import PoleEstimate
from ringscan.model.ranking import (
    AT_RAMP_END,
    BELOW_TEXTURE,
    FALSE_BELOW,
    FALSE_QUIET,
    quiet_height_mm,
    rank_bands,
)
from ringscan.model.shapers import shaper_impulses
from ringscan.model.vibration import pole
from ringscan.plan import Family, Plan, Shaper, build_plan


def zv_ripple(commanded_hz: np.ndarray, natural_hz: float, error: float = 1e-4) -> BandRipple:
    """Ripple without noise; bands with the shaper off have the whole of it."""
    left = np.cos(np.pi * natural_hz / (2 * commanded_hz))
    left = np.where(np.isnan(left), 1.0, left)
    return BandRipple(
        signed=left,
        standard_error=np.full(left.size, error),
        fitted=np.abs(left),
        turned=left < 0,
    )


def ranked(commanded_hz: np.ndarray, natural_hz: float, **how: float):
    heights = 1.0 + np.arange(commanded_hz.size)
    damping = np.where(np.isnan(commanded_hz), np.nan, 0.0)
    return rank_bands(
        zv_ripple(commanded_hz, natural_hz, **how), commanded_hz, damping, heights, natural_hz
    )


def zv_plan(
    start: float, step: float, layers: int = 300, layers_per_step: int = 1, family: str = "ZV"
) -> Plan:
    """Steps of one layer of 0.2 mm, or more, from layer 50 on."""
    ramp = {"first_layer": 50, "last_layer": layers - 1, "start": start, "step": step}
    return build_plan(
        {
            "tower": "PLOVER",
            "size": {
                "width_mm": 60,
                "line_width_mm": 0.45,
                "first_layer_mm": 0.2,
                "layer_height_mm": 0.2,
                "layers": layers,
            },
            "motion": {
                "direction": "counter-clockwise",
                "speed_mm_s": 120,
                "acceleration_mm_s2": 3000,
                "corner_speed_mm_s": 5,
            },
            "shaper": {"family": family, "damping_ratio": 0.0},
            "ramp": {"x": ramp | {"layers_per_step": layers_per_step}},
        }
    )


def pole_at(frequency_hz: float) -> PoleEstimate:
    return PoleEstimate(
        frequency_hz=frequency_hz,
        damping_ratio=1e-6,
        covariance=np.zeros((2, 2)),
        freedom=50.0,
    )


def test_the_quietest_band_comes_first_and_the_reference_band_is_left_out():
    commanded = np.concatenate([[np.nan, np.nan], np.linspace(30, 60, 31)])
    rows = ranked(commanded, 44.0)
    assert [row.rank for row in rows] == list(range(1, 32))
    assert {row.band for row in rows} == set(range(2, 33))
    best = rows[0]
    assert (best.frequency_hz, best.band, best.height_mm) == (44.0, 16, 17.0)
    sizes = [row.fitted for row in rows]
    assert sizes == sorted(sizes)


def test_each_row_carries_its_own_ripple_and_a_normal_interval():
    rows = ranked(np.linspace(30, 60, 31), 44.0, error=0.02)
    for row in rows:
        assert row.ripple == pytest.approx(np.cos(np.pi * 44 / (2 * row.frequency_hz)))
        # 97.5 % point of the normal distribution, any table: 1.960
        assert row.high - row.ripple == pytest.approx(1.960 * 0.02, rel=1e-3)
        assert row.ripple - row.low == pytest.approx(1.960 * 0.02, rel=1e-3)


def test_the_fit_decides_the_rank_not_a_band_s_own_noise():
    commanded = np.array([40.0, 44.0, 48.0])
    ripple = BandRipple(
        signed=np.array([0.3, 0.2, 0.01]),
        standard_error=np.full(3, 0.2),
        fitted=np.array([0.15, 0.0, 0.13]),
        turned=np.array([True, False, False]),
    )
    rows = rank_bands(ripple, commanded, np.zeros(3), np.arange(3.0), 44.0)
    assert [row.frequency_hz for row in rows] == [44.0, 48.0, 40.0]
    assert [row.fitted for row in rows] == [0.0, 0.13, 0.15]


def test_the_sign_turns_at_the_quiet_height():
    rows = sorted(ranked(np.linspace(30, 60, 31), 44.5), key=lambda row: row.band)
    signs = [row.ripple > 0 for row in rows]
    assert signs == [row.frequency_hz > 44.5 for row in rows]


def test_a_third_of_the_frequency_is_a_false_quiet_band():
    rows = ranked(np.arange(12, 60.5, 0.5), 48.0)
    false = [row.frequency_hz for row in rows if row.remark == FALSE_QUIET]
    # beside it |cos| is 0.15, which is neither quiet nor below its double and 0.05
    assert false == [16.0]
    # both are zero; the true one bears no such remark
    assert {rows[0].frequency_hz, rows[1].frequency_hz} == {16.0, 48.0}


@pytest.mark.parametrize(("step", "beside"), [(0.1, 1), (0.04, 3)])
def test_bands_as_quiet_as_a_false_one_beside_it_are_false_too(step: float, beside: int):
    """|cos| rises by 0.29 per Hz there: to 0.05 within 0.17 Hz; three bands off at most."""
    rows = ranked(16.0 + step * np.arange(-60, 900), 48.0)
    false = sorted(row.frequency_hz for row in rows if row.remark == FALSE_QUIET)
    assert false == pytest.approx([16.0 + step * k for k in range(-beside, beside + 1)])


def test_bands_up_to_twice_a_false_one_s_ripple_and_five_per_cent_are_false_too():
    """Of 0.06 at its least: up to 0.17."""
    commanded = np.array([14.0, 15.0, 16.0, 17.0, 18.0, 30.0, 40.0])
    left = np.array([0.19, 0.16, 0.06, 0.16, 0.18, 0.9, 0.7])
    ripple = BandRipple(
        signed=left, standard_error=np.full(7, 0.01), fitted=left, turned=np.zeros(7, bool)
    )
    rows = rank_bands(ripple, commanded, np.zeros(7), np.arange(7.0), 48.0)
    false = sorted(row.frequency_hz for row in rows if row.remark == FALSE_QUIET)
    assert false == [15.0, 16.0, 17.0]


def test_bands_that_cannot_be_told_from_none_are_marked():
    rows = ranked(np.arange(30, 60.5, 0.5), 44.0, error=0.05)
    for row in rows:
        hidden = abs(row.ripple) < 1.96 * 0.05
        assert (row.remark == BELOW_TEXTURE) == hidden


def test_a_ramp_that_ends_too_early_says_so():
    rows = ranked(np.arange(25, 40.5, 0.5), 44.0)
    (last,) = [row for row in rows if row.frequency_hz == 40.0]
    assert last.rank == 1
    assert last.remark == AT_RAMP_END


def test_a_ramp_that_begins_too_late_says_so_at_its_first_band():
    rows = ranked(np.arange(50, 60.5, 0.5), 44.0)
    assert [row.frequency_hz for row in rows if row.remark == AT_RAMP_END] == [50.0]


def test_at_the_end_of_a_ramp_that_lies_far_too_low_nothing_true_follows():
    """It grows quieter towards 20 Hz, the false band of an axis of 60 Hz."""
    rows = ranked(np.arange(21, 29.5, 0.5), 60.0)
    assert rows[0].frequency_hz == 21.0
    assert {row.remark for row in rows} == {""}


def test_of_two_quiet_heights_the_nearer_counts_not_the_quieter():
    """An undamped EI shaper leaves nothing of an axis at 0.8599513 and 1.1400487 times its own
    frequency (derived from its closed form)."""
    plan = zv_plan(start=20.0, step=0.2, family="EI")
    natural = 0.8599513 * 47.0  # 47 Hz is a step of the ramp; the other, 35.45 Hz, is none
    layer = 50 + round((natural / 1.1400487 - 20.0) / 0.2)
    assert quiet_height_mm(pole_at(natural), plan, "x") == pytest.approx(0.1 + 0.2 * layer)


@pytest.mark.parametrize("natural", [34.0, 44.0])
def test_of_three_quiet_heights_the_middle_one_is_the_nearest(natural: float):
    """The four impulses of an undamped two-hump EI shaper are the same from either end and half a
    period apart, so that they cancel in pairs at the commanded frequency. Its other two zeros are
    met at a lower and at a higher command (docs/method.md)."""
    plan = zv_plan(start=20.0, step=0.2, family="EI2")
    layer = 50 + round((natural - 20.0) / 0.2)
    assert quiet_height_mm(pole_at(natural), plan, "x") == pytest.approx(0.1 + 0.2 * layer)


def test_the_quiet_height_of_a_step_of_layers_is_its_middle():
    plan = zv_plan(start=20.0, step=1.0, layers_per_step=5)
    # 44 Hz: layers 170 to 174, from .2 + .2 × 169 mm to .2 + .2 × 174 mm
    assert quiet_height_mm(pole_at(44.0), plan, "x") == pytest.approx(34.5)


@pytest.mark.parametrize("natural", [30.0, 44.0, 55.4])
def test_the_quiet_height_is_where_the_commanded_frequency_is_the_axis_s_own(natural):
    plan = zv_plan(start=20.0, step=0.2)
    layer = 50 + round((natural - 20.0) / 0.2)
    # layers end at .2 + .2 k; the middle is .1 below
    assert quiet_height_mm(pole_at(natural), plan, "x") == pytest.approx(0.1 + 0.2 * layer)


def test_the_quiet_height_is_the_true_band_s_not_the_false_one_s():
    plan = zv_plan(start=12.0, step=0.2)
    assert quiet_height_mm(pole_at(48.0), plan, "x") == pytest.approx(0.1 + 0.2 * (50 + 180))


def test_no_quiet_height_on_a_ramp_that_ends_before_it():
    assert np.isnan(quiet_height_mm(pole_at(44.0), zv_plan(start=20.0, step=0.08), "x"))
    assert np.isnan(quiet_height_mm(pole_at(18.0), zv_plan(start=20.0, step=0.2), "x"))


def test_a_ramp_that_meets_only_the_false_quiet_band_has_no_quiet_height():
    # 12 to 40 Hz: 48 / 3 is on it, 48 is not
    plan = zv_plan(start=12.0, step=0.1, layers=330)
    assert np.isnan(quiet_height_mm(pole_at(48.0), plan, "x"))


def test_the_only_quiet_band_of_a_short_ramp_may_be_a_false_one():
    rows = ranked(np.arange(12, 40.5, 0.5), 48.0)
    assert rows[0].frequency_hz == 16.0
    assert rows[0].remark == FALSE_QUIET


def test_a_falling_ramp_is_ranked_like_a_rising_one():
    rising = ranked(np.arange(12, 60.5, 0.5), 48.0)
    falling = ranked(np.arange(60, 11.5, -0.5), 48.0)
    remarks = [{row.frequency_hz: row.remark for row in rows} for rows in (rising, falling)]
    assert remarks[0] == remarks[1]


@pytest.mark.parametrize(
    "shaper",
    [
        *(Shaper(family=f, damping_ratio=0.05) for f in (Family.ZV, Family.ZVD, Family.ZVDD)),
        *(
            Shaper(family=f, damping_ratio=0.05, tolerance=tolerance)
            for f in (Family.EI, Family.EI2, Family.EI3)
            for tolerance in (0.05, 0.25)
        ),
    ],
    ids=lambda shaper: f"{shaper.family}-{shaper.tolerance}",
)
def test_half_the_natural_frequency_parts_true_cancellations_from_false_ones(
    shaper: Shaper,
) -> None:
    """Zeros of what impulses leave of an axis with the shaper's own damping, by trying all."""
    ratio = np.linspace(0.15, 1.6, 2901)
    impulses = shaper_impulses(shaper, 30.0 * ratio, np.full(ratio.size, 0.05))
    left = np.abs(impulses.seen(complex(pole(30.0, 0.05))))
    inner = (left[1:-1] < left[:-2]) & (left[1:-1] < left[2:])
    quiet = ratio[1:-1][inner & (left[1:-1] < 0.05)]
    assert quiet[quiet > FALSE_BELOW].size
    assert quiet[quiet < FALSE_BELOW].max(initial=0) <= 0.41
    assert quiet[quiet > FALSE_BELOW].min() >= 0.58
