"""The best damping setting of a damping ramp, and a second mode, on walls simulated in time."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from walls import BLUR_MM2, DOUBTS, Wall, doubts_of, random_wall, simulate_walls

from ringscan.model.answers import BandRipple, fit_null, fit_spacing, measure_ripple
from ringscan.model.budget import WITHOUT_SHEET, intervals
from ringscan.model.estimate import DAMPING_RANGE, PoleEstimate
from ringscan.model.fit import JointFit, fit_jointly
from ringscan.model.given import Doubts
from ringscan.model.second import stands_out
from ringscan.model.setting import DampingSetting, best_damping, left_at, second_mode
from ringscan.model.settle import Mode, Settled
from ringscan.model.verdict import Outcome, judge
from ringscan.model.vibration import pole, ripple_height_mm
from ringscan.plan import Family, Quantity, Shaper

NAN = float("nan")
SETTINGS = np.linspace(0, 0.2, 41)
ZV, ZVD = (Shaper(family=Family(name), damping_ratio=0.1) for name in ("ZV", "ZVD"))


def known(
    frequency_hz: float, damping_ratio: float, u_hz: float, u: float, freedom: float = 1e4
) -> PoleEstimate:
    return PoleEstimate(
        frequency_hz=frequency_hz,
        damping_ratio=damping_ratio,
        covariance=np.diag([u_hz**2, u**2]),
        freedom=freedom,
    )


def test_zv_at_the_axis_s_own_frequency_wants_its_own_damping() -> None:
    """ZV cancels exactly at the pole that it is set for (Singer & Seering 1990)."""
    best = best_damping(known(38, 0.083, 1e-3, 0.006), ZV, 38.0, SETTINGS)
    # the settings are 0.005 apart, the parabola between them errs far less
    assert best.value == pytest.approx(0.083, abs=5e-4)
    assert best.least < 0.005
    # u of 0.006 and the model's own 3 %, 0.0025: 0.0065 together
    assert best.high - best.low == pytest.approx(2 * 1.96 * 0.0065, rel=0.05)
    assert not best.flat
    assert not best.at_end


def test_between_coarse_settings_the_parabola_tells() -> None:
    """Settings 0.04 apart, as steps of many layers have them: each of them twice, from the top."""
    coarse = np.repeat(np.linspace(0, 0.2, 6), 2)[::-1]
    best = best_damping(known(38, 0.083, 1e-3, 0.006), ZV, 38.0, coarse)
    # the square of what is left is a parabola but for the damping's second order, 1 % of a step
    assert best.value == pytest.approx(0.083, abs=4e-4)


def test_without_a_sheet_the_best_setting_is_less_sure() -> None:
    best = best_damping(known(38, 0.083, 1e-3, 0.006), ZV, 38.0, SETTINGS, WITHOUT_SHEET)
    # u of 0.006 and 5 %, 0.0042: 0.0073 together
    assert best.high - best.low == pytest.approx(2 * 1.96 * 0.0073, rel=0.05)


def test_few_degrees_of_freedom_widen_the_best_setting_s_interval() -> None:
    """Student's t for 4 degrees of freedom: 2.776 (any table of it), against 1.960."""
    wide = best_damping(known(38, 0.1, 1e-3, 0.006, freedom=4.0), ZV, 38.0, SETTINGS)
    many = best_damping(known(38, 0.1, 1e-3, 0.006), ZV, 38.0, SETTINGS)
    ratio = (wide.high - wide.low) / (many.high - many.low)
    assert ratio == pytest.approx(2.776 / 1.960, rel=0.05)


def test_a_second_mode_whose_damping_stopped_at_the_search_s_end_is_none() -> None:
    """As a first mode it is refused, being no ringing; a glare spot once passed for a second."""
    both = settled([known(38, 0.08, 0.1, 0.01), known(60, DAMPING_RANGE[0], 0.1, 0.4)], misfit=1.0)
    one = settled([known(38, 0.08, 0.1, 0.01)], misfit=2.0)
    assert not stands_out(both, one)
    sound = settled([known(38, 0.08, 0.1, 0.01), known(60, 0.05, 0.1, 0.01)], misfit=1.0)
    assert stands_out(sound, one)


def settled(estimates: list[PoleEstimate], misfit: float) -> Settled:
    """A fit of which nothing but its modes and its misfit is looked at."""
    modes = tuple(Mode(estimate=estimate, strength=1 + 0j) for estimate in estimates)
    nothing: Any = None
    return Settled(
        at=np.zeros(0),
        modes=modes,
        problem=nothing,
        bent=nothing,
        misfit=misfit,
        edge_excess=1.0,
        speed=nothing,
    )


def test_a_second_mode_is_told_where_no_shaper_fits_the_first() -> None:
    """Three-hump EI shapers of a wide tolerance end at a damping ratio of about 0.12."""
    fit = fit_jointly(simulate_walls(TWO[0], 4), doubts_of(TWO[0]))
    damped = replace(fit, estimate=replace(fit.estimate, damping_ratio=0.14))
    shaper = Shaper(family=Family.EI3, damping_ratio=0.05, tolerance=0.25)
    second = second_mode(damped, shaper)
    assert second is not None
    assert 0 < second.left_of_second < 1.5


def test_flat_curves_are_said_to_be_flat() -> None:
    """ZVD leaves the square of what ZV leaves: hardly anything over the whole ramp."""
    sharp = best_damping(known(38, 0.1, 0.1, 0.005), ZV, 38.0, SETTINGS)
    flat = best_damping(known(38, 0.1, 0.1, 0.005), ZVD, 38.0, SETTINGS)
    assert flat.flat
    assert not sharp.flat
    # pi/2 times the difference of the damping ratios, for ZV, to first order
    assert sharp.most == pytest.approx(np.pi / 2 * 0.1, rel=0.1)
    assert flat.most == pytest.approx(sharp.most**2, rel=0.1)


@pytest.mark.parametrize(("reach", "flat"), [(0.02, True), (0.05, False)])
def test_settings_within_5_percent_of_the_ripple_are_as_good_as_each_other(reach, flat) -> None:
    """ZV leaves pi / 2 times what its damping setting is off: 3 % at either end, or 8 %."""
    settings = np.linspace(0.05 - reach, 0.05 + reach, 21)
    best = best_damping(known(38, 0.05, 1e-3, 0.005), ZV, 38.0, settings)
    assert best.most == pytest.approx(np.pi / 2 * reach, rel=0.1)
    assert best.flat is flat


def test_a_best_setting_beyond_the_ramp_is_said() -> None:
    best = best_damping(known(38, 0.12, 0.1, 0.003), ZV, 38.0, np.linspace(0, 0.08, 17))
    assert best.at_end
    assert best.value == 0.08


def read(wall: Wall, seed: int) -> tuple[JointFit, DampingSetting, Outcome]:
    doubts = Doubts(**DOUBTS, blur_mm2=BLUR_MM2, hz_per_mm=0.0)
    fit = fit_jointly(simulate_walls(wall, seed), doubts)
    frequency, _ = intervals(fit.estimate)
    spacing = fit_spacing(fit)
    null = fit_null(fit, spacing, Quantity.DAMPING)
    outcome = judge(fit=fit, frequency=frequency, spacing=spacing, null=null).outcome
    shaper = Shaper(family=Family(wall.family), damping_ratio=0.1)
    hz = float(np.nanmax(wall.commanded_hz))
    return fit, best_damping(fit.estimate, shaper, hz, SETTINGS), outcome


def truly_best(wall: Wall, hz: float) -> float:
    """Setting whose ZV impulses leave least of the true axis, by trying them all finely."""
    settings = np.linspace(0.001, 0.2, 2000)
    root = np.sqrt(1 - settings**2)
    K = np.exp(-np.pi * settings / root)
    w, zeta = 2 * np.pi * wall.frequency_hz, wall.damping_ratio
    lam = w * complex(-zeta, np.sqrt(1 - zeta**2))
    second = 1 / (2 * hz * root)
    left = np.abs((1 + K * np.exp(-lam * second)) / (1 + K) * np.exp(lam * K / (1 + K) * second))
    return float(settings[left.argmin()])


@pytest.mark.parametrize(
    ("f", "zeta", "hz"), [(38.0, 0.08, 38.0), (27.0, 0.05, 27.5), (33.0, 0.11, 32.0)]
)
def test_damping_ramps_give_the_best_setting(f: float, zeta: float, hz: float) -> None:
    wall = Wall(
        frequency_hz=f,
        damping_ratio=zeta,
        commanded_hz=(NAN,) * 4 + (hz,) * 36,
        commanded_damping=(0.1,) * 4 + tuple(np.linspace(0, 0.2, 36).tolist()),
        pixel_mm=0.2,
    )
    fit, best, outcome = read(wall, 3)
    assert outcome is Outcome.CALL
    frequency, damping = intervals(fit.estimate)
    assert frequency.low < f < frequency.high
    assert damping.low < zeta < damping.high
    truth = truly_best(wall, hz)
    # half an interval more: these are three draws, not a count of coverage
    more = (best.high - best.low) / 4
    assert best.low - more < truth < best.high + more
    # of use: a tenth of the ramp
    assert best.high - best.low < 0.05
    assert not best.flat


TWO = [
    Wall(frequency_hz=28, damping_ratio=0.06, second_hz=47, second_share=0.4, along_hz=36),
    Wall(frequency_hz=35, damping_ratio=0.04, second_hz=60, second_share=0.5, family="ZVD"),
    Wall(frequency_hz=24, damping_ratio=0.09, second_hz=38, second_share=0.5, family="EI"),
]


@pytest.mark.parametrize("wall", TWO, ids=range(3))
def test_two_modes_are_told_apart(wall: Wall) -> None:
    fit = fit_jointly(simulate_walls(wall, 4), doubts_of(wall))
    shaper = Shaper(family=Family(wall.family), damping_ratio=0.1)
    second = second_mode(fit, shaper)
    assert second is not None
    first, _ = intervals(fit.estimate)
    pairs = [(first.value, second.frequency_hz.value), (wall.frequency_hz, wall.second_hz)]
    # 2 %: the weaker mode stands out of the stronger one's flanks by less than that one does of
    # the texture
    assert sorted(pairs[0]) == pytest.approx(sorted(pairs[1]), rel=0.02)
    assert second.damping_ratio.value < 0.12
    wider = second_mode(fit, shaper, WITHOUT_SHEET)
    assert wider is not None
    assert wider.damping_ratio.half_width > second.damping_ratio.half_width
    # modes add up: each one's ripple at the corner is its share of what it would be alone
    alone = {
        hz: share
        * ripple_height_mm(
            hz,
            zeta,
            speed_mm_s=wall.speed_mm_s,
            acceleration_mm_s2=wall.acceleration_mm_s2,
            corner_speed_mm_s=wall.corner_speed_mm_s,
        )
        for hz, zeta, share in (
            (wall.frequency_hz, wall.damping_ratio, 1 - wall.second_share),
            (wall.second_hz, wall.second_damping, wall.second_share),
        )
    }
    ratio = alone[wall.second_hz] / alone[wall.frequency_hz]
    swapped = first.value > second.frequency_hz.value  # the stronger one on the wall comes first
    # a damping ratio that is known to a tenth or so
    assert second.ripple == pytest.approx(1 / ratio if swapped else ratio, rel=0.12)
    # set for the first mode, its shaper leaves next to nothing of it, but not of the second
    assert second.left_of_first < 0.1
    assert second.left_of_second > 2 * second.left_of_first


def test_one_mode_stays_one() -> None:
    found = 0
    for seed in range(8):
        wall = random_wall(np.random.default_rng([seed, 9]), pixel_mm=0.2)
        found += fit_jointly(simulate_walls(wall, seed), doubts_of(wall)).second is not None
    assert found == 0


def bands(*size: float, error: float = 0.01, turned_from: int = 99) -> BandRipple:
    turned = np.arange(len(size)) >= turned_from
    return BandRipple(
        signed=np.where(turned, -np.array(size), size),
        standard_error=np.full(len(size), error),
        fitted=np.array(size),
        turned=turned,
    )


def test_what_a_setting_leaves_is_the_mean_of_the_bands_beside_it() -> None:
    commanded = np.array([NAN, 20.0, 30.0, 30.3, 30.6, 31.0, 40.0])
    ripple = bands(1.0, 0.9, 0.06, 0.02, 0.04, 0.5, 0.6, turned_from=4)
    left = left_at(ripple, commanded, 30.2)
    assert (left.bands, left.left) == (3, pytest.approx(0.04))
    # 0.01 / sqrt(3) of the bands, and 5 % of 0.04 for the unit: 0.0061, times 1.96
    assert (left.low, left.high) == (pytest.approx(0.028, abs=5e-4), pytest.approx(0.052, abs=5e-4))
    assert left.helps is True
    assert left_at(ripple, commanded, 21.0).bands == 3  # the nearest, where none is near
    for hz in (19.0, 41.0):
        with pytest.raises(ValueError, match=r"the bands have 20\.0 to 40\.0 Hz"):
            left_at(ripple, commanded, hz)


def test_noise_about_nothing_is_not_taken_for_ripple() -> None:
    left = left_at(bands(0.03, -0.03, 0.0), np.array([29.0, 30.0, 31.0]), 30.0)
    assert left.left == pytest.approx(0)


@pytest.mark.parametrize(
    ("size", "error", "helps", "in_part"),
    [
        (0.1, 0.02, True, False),
        (0.1, 0.2, None, False),
        (0.3, 0.02, None, True),
        (0.22, 0.03, None, False),
        (0.48, 0.03, None, False),
        (0.35, 0.2, None, False),
        (0.7, 0.02, False, False),
        # above the limit, but not for sure: 0.55 less 1.96 × 0.04
        (0.55, 0.05, None, False),
        (-0.1, 0.02, True, False),
    ],
)
def test_a_setting_helps_where_little_is_left_for_sure(size, error, helps, in_part) -> None:
    left = left_at(bands(size, size, size, error=error), np.array([29.0, 30.0, 31.0]), 30.0)
    assert (left.helps, left.in_part) == (helps, in_part)
    assert 0 <= left.low <= left.left <= left.high


def test_what_settings_leave_on_simulated_walls() -> None:
    inside = []
    for seed in range(10):
        rng = np.random.default_rng(8400 + seed)
        wall = random_wall(rng)
        fit = fit_jointly(simulate_walls(wall, seed), doubts_of(wall))
        ripple, commanded = measure_ripple(fit), np.array(wall.commanded_hz)
        axis = complex(pole(wall.frequency_hz, wall.damping_ratio))
        truth = np.abs(fit.posed.drawing.impulses.seen(axis))
        for setting in (wall.frequency_hz, *rng.uniform(18, 58, 3)):
            left = left_at(ripple, commanded, setting)
            near = np.argsort(np.abs(commanded / setting - 1), kind="stable")[: left.bands]
            inside.append(left.low <= truth[near].mean() <= left.high)
    assert np.mean(inside) > 0.85  # of 40, those of one wall correlated
