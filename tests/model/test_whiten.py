"""Flattening, noise estimate and filter, on noise whose law is known."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import lfilter

from ringscan.model.whiten import SMOOTH_DEGREE, Whitener, build_whitener, flatten

Array = NDArray[np.float64]

BANDS, SAMPLES = 60, 600
S_MM = 0.05 + 0.1 * np.arange(SAMPLES)
VALID = np.ones((BANDS, SAMPLES), bool)
ONE_GROUP = np.zeros(BANDS, np.intp)
AR2 = np.array([1.0, -1.2, 0.5])
"""x_t = 1.2 x_{t-1} - 0.5 x_{t-2} + e: stationary, with a broad peak, like a bead's texture."""


def coloured(seed: int, rise: float = 0.0, spread: float = 0.0) -> Array:
    """AR(2) noise; its level falls along the face by 1 + rise, and differs from band to band."""
    rng = np.random.default_rng(seed)
    white = rng.standard_normal((BANDS, SAMPLES + 200))
    level = np.exp(spread * rng.standard_normal((BANDS, 1)))
    return level * (1 + rise * np.exp(-S_MM / 10)) * lfilter([1], AR2, white, axis=1)[:, 200:]


def ragged(seed: int) -> NDArray[np.bool_]:
    """A validity mask with both ends cut at random and holes inside."""
    rng = np.random.default_rng(seed)
    valid = (rng.uniform(12, 60, (BANDS, 1)) < np.arange(SAMPLES)) & (
        rng.uniform(540, 600, (BANDS, 1)) > np.arange(SAMPLES)
    )
    for band in range(0, BANDS, 3):
        hole = rng.integers(100, 400)
        valid[band, hole : hole + 25] = False
    return valid


def built(noise: Array, valid: NDArray[np.bool_] = VALID, *, shared: bool) -> Whitener:
    return build_whitener(S_MM, noise, valid, group=ONE_GROUP, shared=shared)


def test_flatten_finds_the_relative_ripple_on_a_smooth_base() -> None:
    ripple = 0.2 * np.exp(-S_MM / 12) * np.cos(2 * np.pi * S_MM / 2.7)
    base = 1 / (1 + 0.01 * (S_MM - 30)) ** 2 * np.linspace(0.3, 2, BANDS)[:, None]
    got = flatten(S_MM, base * (1 + ripple), VALID)
    # away from the ends, where a polynomial follows part of the first ripple
    inner = slice(60, -20)
    assert np.abs(got - ripple)[:, inner].max() < 0.01


def test_a_dark_end_of_the_face_is_followed_as_well_as_a_lit_one() -> None:
    """Light that falls to a fiftieth, as beside a lamp at the edge: relative errors count."""
    base = 1 / (1 + S_MM / 10) ** 2
    ripple = 0.05 * np.cos(2 * np.pi * S_MM / 2.7)[None]
    off = np.abs(flatten(S_MM, base * (1 + ripple), np.ones_like(ripple, bool)) - ripple)[0]
    # the polynomial itself leaves the base by 5 %; were all errors alike, by 30 % at the dark end
    assert off[450:-20].max() < 0.07


def test_a_ripple_in_full_shadow_does_not_turn_the_base_over() -> None:
    """A slope that is fitted as steeper than full shadow, over 1 of 60 mm."""
    ripple, known = np.zeros((2, 1, SAMPLES))
    ripple[0, 100:110], known[0, 100:110] = -0.98, -1.02
    base = 1 + 0.3 * S_MM / S_MM[-1]
    off = flatten(S_MM, base * (1 + ripple), np.ones_like(ripple, bool), known) - ripple
    # what is left of the light is taken for a fifth of the base's at least, 0.02 / 0.2 of it: a
    # sixtieth of the samples pulls by 0.1 near them; as brightness below 0 it would by 0.25
    assert np.abs(np.delete(off[0], np.arange(95, 115)))[20:-20].max() < 0.15


def test_flatten_does_not_see_the_exposure_nor_what_is_masked() -> None:
    rng = np.random.default_rng(0)
    intensity = 1 + 0.1 * rng.standard_normal((BANDS, SAMPLES))
    valid = ragged(1)
    got = flatten(S_MM, intensity, valid)
    spoilt = np.where(valid, 1e-3 * intensity, rng.uniform(-50, 50, intensity.shape))
    # rounding
    assert np.abs(flatten(S_MM, spoilt, valid) - got).max() < 1e-9
    assert not got[~valid].any()


def test_what_is_known_of_the_ripple_keeps_the_base_from_following_it() -> None:
    """A decay that starts with a crest lifts the polynomial there, and is divided by that."""
    base = (1 + 0.3 * S_MM / S_MM[-1])[None]
    ripple = 0.5 * np.exp(-S_MM / 12) * np.cos(2 * np.pi * S_MM / 4)[None]
    valid = np.ones_like(ripple, bool)

    def off(known: np.ndarray | float) -> float:
        """Largest misfit of the ripple's own shape: a scaled ripple and anything smooth is free."""
        got = flatten(S_MM, base * (1 + ripple), valid, known)[0]
        smooth = np.polynomial.legendre.legvander(np.linspace(-1, 1, S_MM.size), SMOOTH_DEGREE)
        columns = np.column_stack([ripple[0], smooth])
        return float(np.abs(got - columns @ np.linalg.lstsq(columns, got, rcond=None)[0]).max())

    assert off(0.0) > 0.01
    assert off(ripple) < 1e-3
    # known to a tenth: what is left is a tenth as well
    assert off(0.9 * ripple) < 0.15 * off(0.0)


@pytest.mark.parametrize("shared", [False, True])
def test_adjoint_is_the_filters_transpose(shared: bool) -> None:
    rng = np.random.default_rng(2)
    valid = ragged(3)
    whitener = built(np.where(valid, coloured(4, 2.0, 0.3), 0), valid, shared=shared)
    for _ in range(5):
        x, y = rng.standard_normal((2, BANDS, SAMPLES))
        left, right = (whitener(x) * y).sum(), (x * whitener.adjoint(y)).sum()
        size = np.linalg.norm(whitener(x)) * np.linalg.norm(y)
        assert abs(left - right) < 1e-10 * size


@pytest.mark.parametrize("shared", [False, True])
def test_filter_is_linear(shared: bool) -> None:
    rng = np.random.default_rng(5)
    whitener = built(coloured(6), shared=shared)
    x, y = rng.standard_normal((2, BANDS, SAMPLES))
    assert np.allclose(whitener(2 * x - 3 * y), 2 * whitener(x) - 3 * whitener(y), atol=1e-9)


def test_known_colour_is_recognised() -> None:
    whitener = built(coloured(7), shared=False)
    ar = whitener.predictor.steps[-1] / whitener.predictor.steps[-1, 0]
    # sd of an AR coefficient is about 1 / sqrt(samples), 0.007 here with half of the
    # differences' independence lost: four of them
    assert np.abs(ar[:3] - AR2).max() < 0.03
    assert np.abs(ar[3:]).max() < 0.03


def test_known_colour_is_recognised_between_holes() -> None:
    """Stretches of 12 samples with 8 masked ones between, from which nothing may be learnt."""
    valid = np.broadcast_to(np.arange(SAMPLES) % 20 < 12, VALID.shape).copy()
    whitener = built(np.where(valid, coloured(7), 0), valid, shared=False)
    ar = whitener.predictor.steps[-1] / whitener.predictor.steps[-1, 0]
    # half of the samples, and fewer pairs of them the farther apart: as above, times 1.7
    assert np.abs(ar[:3] - AR2).max() < 0.05
    assert np.abs(ar[3:]).max() < 0.05


def test_the_start_of_a_stretch_is_white_too() -> None:
    """Where a decay is strongest there are few samples to predict from."""
    valid = ragged(3)
    whitener = built(np.where(valid, coloured(4), 0), valid, shared=False)
    fresh = whitener(np.where(valid, coloured(24), 0))
    at = np.arange(SAMPLES)
    before = at - np.maximum.accumulate(np.where(valid, -1, at), axis=1) - 1
    head = valid & (before < 9)
    # 720 samples, of a wall whose smooth part takes 6 of about 500 in each band, most at its ends
    assert np.mean(fresh[head] ** 2) == pytest.approx(0.92, abs=0.15)
    assert np.mean(fresh[valid & (before == 0)] ** 2) == pytest.approx(0.85, abs=0.45)
    # AR2's neighbours have a correlation of 1.2 / 1.5; 640 products have one of 0.04 by chance
    product = (fresh[:, 1:] * fresh[:, :-1])[(head & (before > 0))[:, 1:]]
    assert abs(product.mean()) < 0.15


@pytest.mark.parametrize(("rise", "spread"), [(0.0, 0.0), (3.0, 0.3)])
def test_filtered_noise_is_white_and_of_unit_size(rise: float, spread: float) -> None:
    whitener = built(coloured(8, rise, spread), shared=False)
    # fresh noise of the same law, so that the filter is not judged by what it was fitted to
    fresh = whitener(coloured(8, rise, spread))
    size = fresh[whitener.use]
    # the smooth part takes 6 of 592 samples; levels are known to some per cent from two
    # neighbours each
    assert np.mean(size**2) == pytest.approx(1, abs=0.06)
    for lag in range(1, 13):
        both = whitener.use[:, lag:] & whitener.use[:, :-lag]
        product = (fresh[:, lag:] * fresh[:, :-lag])[both]
        # 5 standard errors of a correlation, and the pull of the polynomial
        assert abs(product.mean()) < 5 / np.sqrt(product.size) + 0.012


def test_noise_stronger_near_the_edge_gets_less_weight_there() -> None:
    whitener = built(coloured(9, rise=3.0), shared=False)
    got = whitener.scale[:, 5].mean() / whitener.scale[:, 500].mean()
    truth = (1 + 3 * np.exp(-S_MM[500] / 10)) / (1 + 3 * np.exp(-S_MM[5] / 10))
    # a window of 20 samples over 60 bands, correlated: 5 %
    assert got == pytest.approx(truth, rel=0.15)


def test_the_noise_level_follows_a_step_along_the_face() -> None:
    """Four times louder up to 10 mm: told from 1.2 mm on either side, and no louder or softer."""
    whitener = built(coloured(9) * np.where(S_MM < 10, 4, 1), shared=False)
    level = np.median(whitener.scale / np.median(whitener.scale[:, 300:], axis=1)[:, None], axis=0)
    # a window of 20 samples over 60 correlated bands: 3 %; sample by sample it would be 8 %
    assert level[300:].std() < 0.05
    assert np.abs(level[10:88] - 0.25).max() < 0.04
    assert np.abs(level[112:200] - 1).max() < 0.12


def test_a_loud_band_is_told_from_its_neighbours() -> None:
    """By differences: with a variance of 16 its two pairs have 17 / 2, its neighbours' means
    (17 / 2 + 1) / 2 each."""
    levels = []
    for seed in range(8):
        noise = coloured(seed)
        noise[30] *= 4
        scale = built(noise, shared=False).scale[:, 100:500].mean(axis=1)
        levels.append((scale[:25].mean() / scale[28:33]) ** 2)
    # eight times 400 correlated samples of one band against one: 8 %
    assert np.mean(levels, axis=0) == pytest.approx([1, 4.75, 8.5, 4.75, 1], rel=0.2)


def test_a_quiet_band_does_not_outweigh_all_others() -> None:
    noise = coloured(10)
    noise[20:23] *= 0.01
    noise[40:43] *= 0.5
    scale = built(noise, shared=False).scale[:, 300]
    # at most as if it had 0.3 of the usual noise
    assert scale[21] / np.median(scale) == pytest.approx(1 / 0.3, rel=1e-5)
    # less quiet ones have what they have: 200 independent samples or so
    assert scale[41] / np.median(scale) == pytest.approx(2, rel=0.15)


def test_band_with_more_noise_gets_less_weight() -> None:
    noise = coloured(10)
    noise[20:40] *= 4
    scale = built(noise, shared=False).scale[:, 300]
    assert scale[25:35].mean() / scale[:15].mean() == pytest.approx(1 / 4, rel=0.1)


@pytest.mark.parametrize("shared", [False, True])
def test_smooth_shading_leaves_no_trace(shared: bool) -> None:
    rng = np.random.default_rng(11)
    whitener = built(coloured(12, 1.0, 0.2), ragged(13), shared=shared)
    x = S_MM / 30 - 1
    smooth = rng.standard_normal((BANDS, SMOOTH_DEGREE + 1)) @ np.vander(x, SMOOTH_DEGREE + 1).T
    assert np.abs(whitener(smooth)).max() < 1e-8 * np.abs(whitener.scale * smooth).max()


def test_shared_profile_leaves_no_trace() -> None:
    """Belt teeth: one pattern at every height, in bands of different roughness."""
    noise = coloured(14, spread=0.3)
    whitener = built(noise, shared=True)
    belt = np.tile(np.sin(np.pi * S_MM), (BANDS, 1))
    left = np.linalg.norm(whitener(belt)) / np.linalg.norm(whitener.alone(belt))
    assert left < 1e-6
    third = whitener.every(3)
    left = np.linalg.norm(third(belt[::3])) / np.linalg.norm(third.alone(belt[::3]))
    assert left < 1e-6


def test_ripple_that_changes_sign_survives_taking_the_shared_profile_out() -> None:
    whitener = built(coloured(15), shared=True)
    wave = np.exp(-S_MM / 12) * np.cos(2 * np.pi * S_MM / 2.5)
    rows = np.linspace(-1, 1, BANDS)[:, None] * wave
    kept = np.linalg.norm(whitener(rows)) / np.linalg.norm(whitener.alone(rows))
    assert kept > 0.99


def test_no_sample_depends_on_masked_ones() -> None:
    valid = ragged(16)
    whitener = built(np.where(valid, coloured(17), 0), valid, shared=False)
    rng = np.random.default_rng(18)
    rows = rng.standard_normal((BANDS, SAMPLES))
    spoilt = np.where(valid, rows, 1e6)
    assert np.allclose(whitener(rows), whitener(spoilt))
    # the projection's rounding
    assert np.abs(whitener(rows)[~whitener.use]).max() < 1e-12


def test_groups_are_not_compared_with_each_other() -> None:
    """A jump between reference and ramp is no noise."""
    noise = coloured(19)
    noise[30:] += 1e3 * np.sin(S_MM)
    group = np.repeat([0, 1], 30).astype(np.intp)
    apart = build_whitener(S_MM, noise, VALID, group=group, shared=False)
    plain = built(coloured(19), shared=False)
    assert np.allclose(apart.scale, plain.scale, rtol=0.25)


def test_a_band_without_any_sample_is_flat() -> None:
    """Where a band's slopes are all too steep nothing of it is left."""
    s_mm = np.arange(100) * 0.2
    intensity = 1 + 0.1 * np.random.default_rng(3).standard_normal((3, 100))
    valid = np.ones((3, 100), bool)
    valid[1] = False
    flat = flatten(s_mm, intensity, valid)
    assert (flat[1] == 0).all()
    alone = flatten(s_mm, intensity[[0, 2]], valid[[0, 2]])
    # the neighbours do not notice: rounding
    assert flat[[0, 2]] == pytest.approx(alone, abs=1e-12)


def test_where_no_neighbours_show_the_wall_the_noise_is_as_elsewhere() -> None:
    """Loud near the edge, then nothing that two neighbouring bands both show."""
    noise = coloured(5) * np.where(S_MM < 15, 1e6, 1.0)
    valid = np.zeros_like(VALID)
    valid[:, 20:140] = True
    valid[::2, 300:] = True
    whitener = built(noise, valid, shared=False)
    scale = np.median(whitener.scale[0, 30:130])
    assert np.isfinite(whitener.scale).all()
    assert whitener.scale[0, 400:] == pytest.approx(scale, rel=0.3)
