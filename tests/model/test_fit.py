"""The joint fit on walls simulated in time, and against an independent library."""

from dataclasses import replace

import control
import numpy as np
import pytest
from scipy.stats import chi2
from skimage import data
from skimage.transform import resize
from walls import RAMP, Wall, doubts_of, random_wall, simulate_walls, wall_height_mm

import ringscan.model.fit as fit_module
from ringscan.model.answers import fit_null, fit_spacing, measure_ripple
from ringscan.model.budget import Interval, intervals
from ringscan.model.fit import JointFit, fit_jointly
from ringscan.model.problem import Walls
from ringscan.model.verdict import Outcome, Verdict, judge
from ringscan.model.vibration import pole
from ringscan.plan import Quantity

NAN = float("nan")
UP = tuple(np.linspace(15, 60, 40).tolist())
COARSE = {"commanded_hz": (*RAMP[:4], *np.linspace(15, 60, 36).tolist()), "pixel_mm": 0.2}
"""Fewer bands and pixels than a photo has, so that the tests are fast."""


def fitted(wall: Wall, seed: int) -> tuple[Walls, JointFit]:
    walls = simulate_walls(wall, seed)
    return walls, fit_jointly(walls, doubts_of(wall))


def judged(walls: Walls, fit: JointFit) -> Verdict:
    frequency, _ = intervals(fit.estimate)
    spacing = fit_spacing(fit)
    null = fit_null(fit, spacing, Quantity.FREQUENCY)
    return judge(fit=fit, frequency=frequency, spacing=spacing, null=null)


def in_standard_errors(interval: Interval, truth: float) -> float:
    return (interval.value - truth) / (interval.half_width / 1.96)


def test_errors_are_what_the_intervals_say() -> None:
    """Two dozen random walls: neither larger nor far smaller than stated."""
    scores = []
    for seed in range(24):
        wall = random_wall(np.random.default_rng([seed, 7]), **COARSE)
        wall = replace(wall, along_commanded_hz=None)
        _, fit = fitted(wall, seed)
        f, zeta = intervals(fit.estimate)
        scores.append(
            (in_standard_errors(f, wall.frequency_hz), in_standard_errors(zeta, wall.damping_ratio))
        )
        # an interval of use: this range of walls has ripple from plain to weak
        assert f.half_width < 0.06 * wall.frequency_hz
    for name, score in zip(("frequency", "damping"), np.transpose(scores), strict=True):
        # the sum of 24 squared standard scores lies between these in 998 of 1000 runs
        low, high = chi2.ppf([0.001, 0.999], len(score))
        # intervals may be wider than needed by half, which halves the squares and more; so few
        # bands and pixels make them a tenth too narrow (1.2 on average over 48 other walls)
        assert low / 3 < (score**2).sum() < 1.2 * high, (name, score)


@pytest.mark.parametrize(
    "wall",
    [
        Wall(gain=3, **COARSE),
        Wall(gain=-3, **COARSE),
        Wall(family="ZVD", frequency_hz=27, damping_ratio=0.05, **COARSE),
        Wall(family="EI", frequency_hz=45, damping_ratio=0.11, **COARSE),
        Wall(family="ZVDD", frequency_hz=33, damping_ratio=0.06, **COARSE),
        Wall(frequency_hz=46, damping_ratio=0.11, along_hz=19, **COARSE),  # a soft other axis
        Wall(commanded_hz=UP, pixel_mm=0.2),  # no reference band
        Wall(family="ZVD", commanded_hz=UP, pixel_mm=0.2),
        Wall(family="EI", commanded_hz=UP, pixel_mm=0.2),
        Wall(commanded_hz=UP, along_commanded_hz=(NAN,) * len(UP), pixel_mm=0.2),
        Wall(commanded_hz=(NAN, NAN, *np.linspace(20, 60, 16).tolist())),
        Wall(length_mm=30, speed_mm_s=300),  # never at full speed
        Wall(frequency_hz=50, damping_ratio=0.03, commanded_hz=tuple(np.linspace(12, 42, 40))),
    ],
    ids=range(13),
)
def test_truth_is_found(wall: Wall) -> None:
    _, fit = fitted(wall, 11)
    f, zeta = intervals(fit.estimate)
    # 3.5 standard errors: one such test in two thousand fails by chance
    assert abs(in_standard_errors(f, wall.frequency_hz)) < 3.5
    assert abs(in_standard_errors(zeta, wall.damping_ratio)) < 3.5
    # ripple is plain on these: 3 % of the frequency, a quarter of the damping ratio; a short face
    # brakes from its middle on, and shows one or two waves at rising speed
    short = wall.length_mm < 40
    assert f.half_width < (0.06 if short else 0.03) * wall.frequency_hz
    assert zeta.high - zeta.low < (1.5 if short else 0.6) * wall.damping_ratio


def decay_of(frequency_hz: float, damping_ratio: float) -> tuple[Wall, Walls]:
    """Bands that differ by their shaper only, lit evenly, without any flaw."""
    wall = Wall(
        frequency_hz=frequency_hz,
        damping_ratio=damping_ratio,
        along_hz=0,
        texture_um=0,
        bulge_um=0,
        belt_um=0,
        sensor=1e-5,
        gain=1,
        ambient=0,
        acceleration_mm_s2=3500,
        speed_mm_s=100,
    )
    return wall, simulate_walls(wall, 0)


@pytest.mark.parametrize(("f", "zeta"), [(45.0, 0.05), (31.0, 0.1)])
def test_against_eigensystem_realisation(f: float, zeta: float) -> None:
    """The same clean wall read by python-control, which knows neither ramp nor shading."""
    wall, walls = decay_of(f, zeta)
    # from 2 mm on the nozzle runs at a constant speed, so that the profile is a decay in time
    s = np.arange(2.0, 42.0, 0.1)
    decay = np.gradient(wall_height_mm(replace(wall, commanded_hz=(NAN,)), s)[0], s)
    system, _ = control.eigensys_realization(decay, 2, m=180, n=180, dt=0.1 / 100)
    wn, damping, _ = control.damp(system, doprint=False)
    estimate = fit_jointly(walls, doubts_of(wall)).estimate
    # the library is exact to seven digits here; the fit allows for bent shading and misplaced edges
    assert estimate.frequency_hz == pytest.approx(wn[0] / (2 * np.pi), rel=3e-3)
    assert estimate.damping_ratio == pytest.approx(damping[0], rel=0.02)


@pytest.mark.parametrize("f", [47.0, 57.0])
def test_false_quiet_band_is_not_taken(f: float) -> None:
    """With ZV and little damping the ramp meets f_n / 3 as well, and no louder."""
    wall = Wall(frequency_hz=f, damping_ratio=0.03, commanded_hz=UP, pixel_mm=0.2)
    walls, fit = fitted(wall, 12)
    assert abs(fit.estimate.frequency_hz - f) < 0.02 * f
    ripple = measure_ripple(fit)
    false = int(np.argmin(np.abs(np.array(UP) - f / 3)))
    # the band really is quiet: less than a fifth of an unshaped one
    assert abs(ripple.signed[false]) < 0.2
    assert judged(walls, fit).outcome is Outcome.CALL


@pytest.mark.parametrize("belt_um", [15.0])
def test_belt_teeth_are_no_ringing(belt_um: float) -> None:
    """A 2 mm pattern at 120 mm/s would pass for 60 Hz."""
    walls, fit = fitted(Wall(frequency_hz=0, belt_um=belt_um, **COARSE), 13)
    assert judged(walls, fit).outcome is Outcome.NO_CALL


def test_belt_teeth_do_not_move_the_answer() -> None:
    plain, belted = (
        fitted(Wall(belt_um=belt_um, texture_um=2, **COARSE), 14)[1].estimate
        for belt_um in (0.0, 15.0)
    )
    # the same wall but for the teeth, whose slope is that of the ripple: a third of the interval
    error = np.sqrt(plain.covariance[0, 0])
    assert abs(belted.frequency_hz - plain.frequency_hz) < 0.7 * error + 0.05
    assert belted.damping_ratio == pytest.approx(plain.damping_ratio, rel=0.04)


@pytest.mark.parametrize("seed", range(4))
def test_blank_wall_gets_no_call(seed: int) -> None:
    blank = Wall(frequency_hz=0, texture_um=1 + seed, belt_um=seed, **COARSE)
    walls, fit = fitted(blank, seed)
    verdict = judged(walls, fit)
    assert verdict.outcome is Outcome.NO_CALL
    assert verdict.reasons


@pytest.mark.parametrize("name", ["brick", "gravel", "grass"])
@pytest.mark.parametrize("family", ["ZV", "EI"])
def test_pictures_of_rough_walls_get_no_call(name: str, family: str) -> None:
    """scikit-image's photographs of a brick wall, gravel and grass, read as if printed."""
    blank = Wall(frequency_hz=0, family=family, **COARSE)
    walls = simulate_walls(blank, 1)
    bands, samples = walls.intensity.shape
    light = (getattr(data, name)() / 255) ** 2.2
    for picture in (light, light.T):
        # sampled as evenly as the wall is, five rows to a band; dark joints leave whole bands out
        rows = resize(picture[:, :300], (5 * bands, samples), anti_aliasing=True)
        textured = replace(walls, intensity=rows.reshape(bands, 5, samples).mean(axis=1))
        verdict = judged(textured, fit_jointly(textured, doubts_of(blank)))
        assert verdict.outcome is Outcome.NO_CALL


@pytest.mark.parametrize(
    ("spaced", "vague", "outcome", "said"),
    [
        (1.0, 0.01, Outcome.CALL, None),
        (1.0, 0.3, Outcome.NO_CALL, "too vague to check their spacing"),
        (0.8, 0.01, Outcome.DISAGREEMENT, "their turn of sign gives"),
        # a turn of sign that is known this badly agrees with that spacing, the joint fit does not
        (0.8, 0.08, Outcome.DISAGREEMENT, "and both together"),
    ],
)
def test_answers_must_agree_and_say_something(
    spaced: float, vague: float, outcome: Outcome, said: str | None
) -> None:
    """A good wall whose spacing is taken for another one, or whose turn of sign for a vague one."""
    _, fit = fitted(Wall(texture_um=1, **COARSE), 21)
    spacing = fit_spacing(fit)
    spacing = replace(spacing, frequency_hz=spaced * spacing.frequency_hz)
    null = fit_null(fit, fit_spacing(fit), Quantity.FREQUENCY)
    null = replace(null, standard_error=vague * null.value)
    frequency, _ = intervals(fit.estimate)
    verdict = judge(fit=fit, frequency=frequency, spacing=spacing, null=null)
    assert verdict.outcome is outcome
    assert [said in reason for reason in verdict.reasons] == ([True] if said else [])


@pytest.mark.parametrize(
    ("times", "outcome", "said"),
    [
        (0.9, Outcome.NO_CALL, "no ripple that follows the ramp stands out"),
        (2.0, Outcome.NO_CALL, "the ripple is too faint"),
        (4.0, Outcome.CALL, None),
    ],
)
def test_answers_that_agree_are_called_if_chance_is_far(
    times: float, outcome: Outcome, said: str | None
) -> None:
    """A good wall as if it told only so many times as much as a blank one."""
    walls, fit = fitted(Wall(texture_um=1, **COARSE), 21)
    over = judged(walls, fit).over_chance
    assert over > 10
    fainter = replace(fit.found, gain=fit.found.gain * times / over)
    verdict = judged(walls, replace(fit, found=fainter))
    assert verdict.over_chance == pytest.approx(times)
    assert verdict.outcome is outcome
    assert verdict.agree
    assert [reason.startswith(said) for reason in verdict.reasons] == ([True] if said else [])


@pytest.mark.parametrize("share", [0.8, 0.9, 0.95])
@pytest.mark.parametrize("family", ["ZV", "ZVD", "EI"])
def test_a_print_slower_than_told_is_no_call(family: str, share: float) -> None:
    """The spacing follows the speed that was told; the turn of sign must not follow the spacing."""
    wall = Wall(family=family, texture_um=1, **COARSE)
    printed = simulate_walls(replace(wall, speed_mm_s=share * wall.speed_mm_s), 24)
    walls = replace(printed, motion=simulate_walls(wall, 24).motion)
    fit = fit_jointly(walls, doubts_of(wall))
    spacing = fit_spacing(fit)
    null = fit_null(fit, spacing, Quantity.FREQUENCY)
    # speed and acceleration both count on a short face: between the two
    assert spacing.frequency_hz > 38 * (1 + 0.6 * (1 / share - 1))
    assert null.value == pytest.approx(38, rel=0.05)
    assert judged(walls, fit).outcome is Outcome.DISAGREEMENT


def test_waves_up_the_tower_do_not_move_the_answer() -> None:
    """Brightness that changes from layer to layer, a fifth up and down, as it does where bands of
    layers shrink or shine differently."""
    wall = Wall(texture_um=2, **COARSE)
    walls, fit = fitted(wall, 19)
    bands = walls.intensity.shape[0]
    waves = 1 + 0.2 * np.sin(2 * np.pi * np.arange(bands) / 5.3)
    waved = replace(walls, intensity=walls.intensity * waves[:, None])
    moved = fit_jointly(waved, doubts_of(wall)).estimate
    # each band is compared with its own shading: what is left is rounding
    assert moved.frequency_hz == pytest.approx(fit.estimate.frequency_hz, rel=1e-4)
    assert moved.damping_ratio == pytest.approx(fit.estimate.damping_ratio, rel=1e-3)


def test_slanted_waves_are_no_ringing() -> None:
    """Waves up the tower that lean by half a wave over the face."""
    blank = Wall(frequency_hz=0, texture_um=2, **COARSE)
    walls = simulate_walls(blank, 20)
    bands, samples = walls.intensity.shape
    phase = np.arange(bands)[:, None] / 5.3 + 0.5 * np.arange(samples) / samples
    waved = replace(walls, intensity=walls.intensity * (1 + 0.2 * np.sin(2 * np.pi * phase)))
    assert judged(waved, fit_jointly(waved, doubts_of(blank))).outcome is Outcome.NO_CALL


def test_lamp_on_the_other_side_gives_the_same_answer() -> None:
    left, right = (fitted(Wall(gain=gain, **COARSE), 15)[1].estimate for gain in (2.0, -2.0))
    # the same wall, texture included; only shading beyond the first order tells them apart
    assert left.frequency_hz == pytest.approx(right.frequency_hz, rel=0.01)
    assert left.damping_ratio == pytest.approx(right.damping_ratio, rel=0.06)


@pytest.mark.parametrize("f", [36.0, 39.0])
def test_damping_ramp(f: float) -> None:
    """The frequency stays, the damping setting rises with height."""
    wall = Wall(
        frequency_hz=f,
        damping_ratio=0.09,
        commanded_hz=(*[NAN] * 4, *[38.0] * 36),
        commanded_damping=(*[NAN] * 4, *np.linspace(0, 0.3, 36).tolist()),
        pixel_mm=0.2,
    )
    _, fit = fitted(wall, 16)
    frequency, damping = intervals(fit.estimate)
    assert abs(in_standard_errors(frequency, f)) < 3.5
    assert abs(in_standard_errors(damping, 0.09)) < 3.5
    assert frequency.half_width < 0.04 * f


def test_places_that_are_a_little_wrong_cost_little() -> None:
    """Scale, edge and heights off by twice their standard uncertainty."""
    wall = Wall(stretch=0.008, shift_mm=-0.2, height_mm=0.4, **COARSE)
    _, fit = fitted(wall, 17)
    frequency, damping = intervals(fit.estimate)
    # twice in three inputs is a rare photo: the intervals' double
    assert abs(in_standard_errors(frequency, 38)) < 4
    assert abs(in_standard_errors(damping, 0.08)) < 4


@pytest.mark.parametrize("skew_mm", [0.3, -1.2])
def test_a_face_that_leans_is_straightened(skew_mm: float) -> None:
    """Its ripples lean too, which turns crests into troughs with height as a ramp does."""
    wall = Wall(skew_mm=skew_mm, **COARSE)
    walls = simulate_walls(wall, 19)
    told = fit_jointly(walls, replace(doubts_of(wall), skew_mm=0.6))
    assert told.bent.skew_mm == pytest.approx(skew_mm, abs=0.15)
    frequency, damping = intervals(told.estimate)
    assert abs(in_standard_errors(frequency, 38)) < 3.5
    assert abs(in_standard_errors(damping, 0.08)) < 3.5
    assert judged(walls, told).outcome is Outcome.CALL


@pytest.mark.parametrize("f", [30.6, 35.0])
def test_strong_ripples_do_not_bias_the_frequency(f: float) -> None:
    """Smooth shading that followed the ripple once moved such walls by half a per cent.

    Their lengths are believed to 0.3 %, and follow the light's curvature a little.
    """
    wall = Wall(frequency_hz=f, damping_ratio=0.05, shaper_damping=0.05, texture_um=1.0, belt_um=0)
    found = [fitted(wall, seed)[1].estimate.frequency_hz for seed in range(4)]
    assert np.mean(found) == pytest.approx(f, rel=0.003)


@pytest.mark.parametrize("blur_mm", [0.2, 0.3])
def test_light_that_goes_through_the_filament_is_no_slower_decay(blur_mm: float) -> None:
    """Unknown to the fit it made the damping ratio 4 and 9 % too small."""
    wall = Wall(frequency_hz=45, damping_ratio=0.06, texture_um=1.0, blur_mm=blur_mm)
    off = []
    for seed in range(3):
        _, fit = fitted(wall, seed)
        off.append(fit.estimate.damping_ratio / wall.damping_ratio - 1)
        # corner and shadows are blurred as well, which the model does not know
        assert fit.bent.blur_mm2 == pytest.approx(blur_mm**2, rel=0.5)
    # 2 % is what single ones of these walls are off by without any blur
    assert abs(float(np.mean(off))) < 0.02


def shadowed(walls: Walls, depth: float) -> Walls:
    """Darker next to the entry edge by a shadow that comes and goes with height, as corners do."""
    height = np.cos(2 * np.pi * np.arange(walls.up.size) / 25)[:, None]
    shadow = depth * np.exp(-((walls.s_mm / 0.8) ** 2) / 2) * height
    return replace(walls, intensity=walls.intensity * (1 - shadow))


def test_shadows_at_the_entry_edge_are_left_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """They reach over the first ripples where light enters the filament, and are none of them."""
    off: dict[float, list[float]] = {fit_module.EDGE_EXCESS: [], np.inf: []}
    for seed, f in enumerate((30.0, 38.0, 45.0, 52.0)):
        wall = Wall(frequency_hz=f, damping_ratio=0.06, texture_um=1.0, belt_um=0, length_mm=50)
        walls = simulate_walls(wall, seed)
        assert not fit_jointly(walls, doubts_of(wall)).shadowed
        for excess, errors in off.items():
            with monkeypatch.context() as patch:
                patch.setattr(fit_module, "EDGE_EXCESS", excess)
                fit = fit_jointly(shadowed(walls, 0.4), doubts_of(wall))
            assert fit.shadowed == (excess < np.inf)
            errors.append(fit.estimate.frequency_hz - f)
    without, within = (np.square(errors).mean() for errors in off.values())
    # what is left is what such walls are off by without any shadow
    assert without < within / 4


def test_ripple_of_each_band_is_signed() -> None:
    """Below and above the quiet height crests and troughs change places."""
    wall = Wall(texture_um=1.0, **COARSE)
    _, fit = fitted(wall, 18)
    ripple = measure_ripple(fit)
    ramp = ~np.isnan(np.array(wall.commanded_hz))
    below = ramp & (np.nan_to_num(np.array(wall.commanded_hz)) < 34)
    above = ramp & (np.nan_to_num(np.array(wall.commanded_hz)) > 42)
    near = below & (np.nan_to_num(np.array(wall.commanded_hz)) > 24)
    assert np.sign(ripple.signed[near].mean()) == -np.sign(ripple.signed[above].mean())
    # the reference bands are the unit; a few per cent of texture and shading
    assert np.abs(ripple.signed[~ramp] - 1).max() < 0.15
    # ZV's |cos| law for an undamped axis, good to a tenth at this damping: R = cos(pi f / 2 f_c)
    commanded = np.array(wall.commanded_hz)[above]
    expected = np.cos(np.pi * 38 / (2 * commanded))
    assert np.abs(np.abs(ripple.signed[above]) - expected).max() < 0.12


def test_intervals_of_the_bands_hold_the_closed_form() -> None:
    inside = []
    for seed in range(8):
        wall = random_wall(
            np.random.default_rng(7100 + seed), along_commanded_hz=None, height_mm=0.0, **COARSE
        )
        _, fit = fitted(wall, seed)
        ripple = measure_ripple(fit)
        pole_there = complex(pole(wall.frequency_hz, wall.damping_ratio))
        truth = np.abs(fit.posed.drawing.impulses.seen(pole_there))
        truth = np.where(ripple.turned, -truth, truth)
        ramp = ~np.isnan(np.array(wall.commanded_hz))
        off = np.abs(ripple.signed - truth) / ripple.standard_error
        inside.append((off < 1.96)[ramp].mean())
    # 8 × 36 bands, those of one wall correlated
    assert 0.93 < np.mean(inside) < 0.995


def test_walls_that_chance_says_nothing_of_get_no_call(monkeypatch: pytest.MonkeyPatch) -> None:
    """Light that is exactly even leaves no texture, and so no threshold."""
    walls, fit = fitted(random_wall(np.random.default_rng(5), pixel_mm=0.2), 5)
    assert judged(walls, fit).outcome is Outcome.CALL
    monkeypatch.setattr("ringscan.model.verdict.chance_threshold", lambda *_: float("nan"))
    assert judged(walls, fit).outcome is Outcome.NO_CALL
