"""Layer bands of faces whose light is known row by row."""

from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from plans import plan_with

from ringscan.errors import FaceError, PlanError
from ringscan.image.bands import layer_groups, measure_bands
from ringscan.image.rectify import Face

S_MM = np.arange(0.1, 60, 0.2)
Z_MM = np.arange(0.025, 100.1, 0.05)


def face_of(intensity: np.ndarray, **more: Any) -> Face:
    known: dict[str, Any] = {
        "usable": np.ones(intensity.shape, bool),
        "clipped_fraction": 0.0,
        "dark_fraction": 0.0,
    }
    return Face(
        s_mm=S_MM,
        z_mm=Z_MM,
        intensity=intensity.astype(np.float32),
        px_per_mm=20.0,
        falloff_per_mm=(0.0, 0.0),
        **(known | more),
    )


def slanted() -> np.ndarray:
    """Light that rises by 0.004 per mm of height, so that a mean tells where it was taken."""
    return np.repeat(0.1 + 0.004 * Z_MM[:, None], S_MM.size, axis=1)


def test_each_band_is_the_mean_of_its_own_rows() -> None:
    bands = measure_bands(face_of(slanted()), plan_with(), "x")
    # half a row of 0.05 mm at either end, where a row's middle lies on the border
    expected = 0.1 + 0.004 * bands.height_mm
    assert bands.profile == pytest.approx(np.repeat(expected[:, None], 300, 1), abs=0.004 * 0.03)
    assert bands.valid.all()
    assert bands.height_mm == pytest.approx((bands.bottom_mm + bands.top_mm) / 2)
    # 5 layers of 0.2 mm from layer 50 on, which begins at 0.3 + 49 × 0.2 mm
    at = bands.first_layer.tolist().index(50)
    assert (bands.last_layer[at], bands.height_mm[at]) == (54, pytest.approx(10.6))
    assert bands.frequency_hz[at] == pytest.approx(20.2)


def test_single_glints_are_pulled_in() -> None:
    rng = np.random.default_rng(1)
    calm = 0.2 + 0.01 * rng.standard_normal((Z_MM.size, S_MM.size))
    glints = calm.copy()
    glints[::20] = 0.9  # one row in each mm
    plain, got = (
        measure_bands(face_of(light), plan_with(), "x").profile for light in (calm, glints)
    )
    # one of 20 rows pulled in to 3 standard deviations of 0.01, in the mean of the columns: as a
    # plain mean it would be 0.035 too much
    lifted = float((got - plain).mean())
    assert lifted == pytest.approx(3 * 0.01 / 20, rel=0.2)
    # and calm rows are left as they are but for 0.3 % of them, whose pull cancels
    means = [calm[(a < Z_MM) & (b > Z_MM)].mean() for a, b in ((10.1, 11.1), (50.1, 51.1))]
    assert plain[[9, 49]].mean(axis=1) == pytest.approx(means, abs=2e-4)


@pytest.mark.parametrize(("share", "valid"), [(0.45, False), (0.55, True)])
def test_half_of_a_band_s_rows_must_be_usable(share: float, valid: bool) -> None:
    light = slanted()
    usable = np.ones(light.shape, bool)
    usable[:, 100] = share > Z_MM % 1
    light[~usable] = 1.0
    bands = measure_bands(face_of(light, usable=usable), plan_with(), "x")
    assert (bands.valid[:, 100] == valid).all()
    assert np.isnan(bands.profile[:, 100]).all() == (not valid)
    # what is not usable is in no mean: at most half a mm from the band's middle
    if valid:
        off = bands.profile[:, 100] - (0.1 + 0.004 * bands.height_mm)
        assert np.abs(off).max() < 0.004 * 0.5
    assert bands.valid[:, 101].all()


def test_a_band_of_which_little_is_seen_is_left_out() -> None:
    light = slanted()
    usable = np.ones(light.shape, bool)
    rows = (Z_MM > 20.1) & (Z_MM < 21.1)
    usable[rows] = S_MM < 0.25 * 60
    few = measure_bands(face_of(light, usable=usable), plan_with(), "x")
    whole = measure_bands(face_of(light), plan_with(), "x")
    left_out = set(whole.first_layer.tolist()) - set(few.first_layer.tolist())
    assert left_out == {100}  # layers 100 to 104 lie from 20.1 to 21.1 mm
    assert few.frequency_hz.size == few.valid.shape[0] == whole.frequency_hz.size - 1
    usable[rows] = S_MM < 0.35 * 60
    more = measure_bands(face_of(light, usable=usable), plan_with(), "x")
    assert more.first_layer.tolist() == whole.first_layer.tolist()


@pytest.mark.parametrize(("clipped", "said"), [(0.6, "too bright"), (0.1, "too dark")])
def test_a_face_without_signal_is_refused(clipped: float, said: str) -> None:
    usable = np.zeros((Z_MM.size, S_MM.size), bool)
    usable[:, :80] = True
    face = face_of(slanted(), usable=usable, clipped_fraction=clipped, dark_fraction=0.3)
    with pytest.raises(FaceError, match=f"{said} .* 73 % of it holds no signal"):
        measure_bands(face, plan_with(), "x")
    usable[:, :100] = True
    measure_bands(replace(face, usable=usable), plan_with(), "x")


@pytest.mark.parametrize(
    ("changes", "groups"),
    [
        # 1 mm is 5 layers; the first band above 1 mm begins at layer 5, the last but 1.5 mm from
        # the top ends with the ramp
        ({}, [(k, k + 4) for k in range(5, 450, 5)]),
        # steps of 3 layers are kept whole: 134 of them, of which the last is 1 layer, in 80 bands
        ({"ramp.x.layers_per_step": 3}, None),
        # a step as tall as 4 mm is cut into 4
        ({"ramp.x.layers_per_step": 20}, [(k, k + 4) for k in range(5, 450, 5)]),
        # up to the tower's top at 100.1 mm: 98.6 mm is the top of layer 491
        (
            {"ramp.x.last_layer": 499, "ramp.x.layers_per_step": 1},
            [(k, k + 4) for k in range(5, 490, 5)],
        ),
        # what is neither ramp nor reference is in none
        (
            {"reference.last_layer": 29, "ramp.x.last_layer": 99},
            [(k, k + 4) for k in [*range(5, 30, 5), *range(50, 100, 5)]],
        ),
    ],
    ids=["plain", "steps of 3", "tall steps", "to the top", "gap"],
)
def test_bands_hold_whole_steps(
    changes: dict[str, Any], groups: list[tuple[int, int]] | None
) -> None:
    got = layer_groups(plan_with(changes), "x")
    if groups is not None:
        assert got == groups
        return
    ramp = [(a, b) for a, b in got if a >= 50]
    assert len(ramp) == 80
    assert ramp[0][0] == 50
    assert ramp[-1][1] == 449
    assert all((a - 50) % 3 == 0 for a, _ in ramp)
    assert all(b + 1 == a for (_, b), (a, _) in pairwise(ramp))


def test_a_ramp_where_nothing_can_be_measured_is_told() -> None:
    plan = plan_with({"ramp.x.first_layer": 495, "ramp.x.last_layer": 499, "reference": ...})
    with pytest.raises(PlanError, match="no layer of the ramp lies between 1 mm above the base"):
        measure_bands(face_of(slanted()), plan, "x")
