"""What the model is handed of a face: places, commands of both axes, and other ways of lying.

The truth is worked out by hand from the example plan: X rises from 20 Hz by 0.1 Hz a layer and Y
from 15 Hz by 0.2 Hz every second layer, both over layers 50 to 449 of 500; layers 0 to 49 are the
reference band.
"""

from collections.abc import Mapping
from math import sqrt
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from plans import plan_with

from ringscan.image.bands import Bands
from ringscan.model.shapers import Impulses
from ringscan.plan import Plan, State
from ringscan.walls import as_other_axis, upside_down, walls_of

OFF = float("nan")
S_MM = np.arange(0.1, 60, 0.2)
LAYERS = ((0, 4), (50, 54), (51, 53), (445, 449))
X_HZ = (OFF, 20.2, 20.2, 59.7)
Y_HZ = (OFF, 15.16, (15.0 + 15.2 + 15.2) / 3, 54.64)
"""Means over the layers: 15.0 15.0 15.2 15.2 15.4, and 15 + 0.2 × (197 198 198 199 199) at last."""


def bands_of(plan: Plan) -> Bands:
    first, last = np.transpose(LAYERS)
    shape = (len(LAYERS), S_MM.size)
    bottom = np.array([plan.layer_bottom_mm(k) for k in first.tolist()])
    top = np.array([plan.layer_top_mm(k) for k in last.tolist()])
    valid = np.ones(shape, bool)
    valid[1, :3] = False
    off = np.isnan(X_HZ)
    return Bands(
        s_mm=S_MM,
        first_layer=first,
        last_layer=last,
        bottom_mm=bottom,
        top_mm=top,
        height_mm=(bottom + top) / 2,
        state=np.where(off, State.REFERENCE.value, State.RAMP.value),
        frequency_hz=np.array(X_HZ),
        damping_ratio=np.where(off, OFF, 0.1),
        profile=np.where(valid, 0.25, np.nan),
        valid=valid,
    )


def second_impulse_s(hz: tuple[float, ...]) -> NDArray[np.float64]:
    """ZV's comes half a damped period after the first (Singer & Seering 1990); at once if off."""
    return np.nan_to_num(1 / (2 * np.array(hz) * sqrt(1 - 0.1**2)))


def times_s(impulses: Impulses) -> NDArray[np.float64]:
    assert (impulses.times_s[:, 0] == 0).all()
    return impulses.times_s[:, 1]


def test_the_nozzle_s_path_runs_half_a_line_inside_the_wall() -> None:
    plan = plan_with()
    walls = walls_of(bands_of(plan), plan, "x", 0.07)
    assert walls.s_mm == pytest.approx(S_MM - 0.225)
    motion = walls.motion
    assert motion.length_mm == pytest.approx(59.55)
    assert (motion.speed_mm_s, motion.acceleration_mm_s2, motion.corner_speed_mm_s) == (
        120,
        3000,
        5,
    )
    assert walls.blur_mm == 0.07
    # no NaN reaches the model
    assert (walls.intensity == np.where(walls.valid, 0.25, 0)).all()
    assert not walls.valid[1, :3].any()
    assert walls.valid.sum() == walls.valid.size - 3
    # reference and ramp are not compared with each other
    assert walls.group.tolist() == [0, 1, 1, 1]
    # layers end at 0.3 + 0.2 k mm: middles 0.55, 10.6, 10.6 and 89.6 mm of 100.1 mm
    middles = np.array([0.55, 10.6, 10.6, 89.6])
    assert walls.up == pytest.approx((middles - middles.mean()) / 100.1)


def test_each_axis_has_its_own_commands() -> None:
    plan = plan_with()
    walls = walls_of(bands_of(plan), plan, "x")
    assert walls.commanded_hz == pytest.approx(X_HZ, nan_ok=True)
    assert times_s(walls.impulses) == pytest.approx(second_impulse_s(X_HZ))
    assert times_s(walls.along) == pytest.approx(second_impulse_s(Y_HZ))


@pytest.mark.parametrize(
    ("changes", "along_hz"),
    [
        # beyond its ramp the last command stands: 15 + 0.2 × 124 at layer 299
        ({"ramp.y.last_layer": 299}, (*Y_HZ[:3], 39.8)),
        # and before it the first one
        ({"ramp.y.first_layer": 60, "ramp.y.last_layer": 399}, (OFF, 15.0, 15.0, 15 + 0.2 * 169)),
        # an axis without a ramp was printed with its shaper off
        ({"ramp.y": ...}, (OFF, OFF, OFF, OFF)),
    ],
    ids=["ends early", "begins late", "none"],
)
def test_the_other_axis_s_command_beyond_its_ramp(
    changes: dict[str, Any], along_hz: tuple[float, ...]
) -> None:
    plan = plan_with(changes)
    walls = walls_of(bands_of(plan), plan, "x")
    late = walls.along.end_s
    assert late == pytest.approx(second_impulse_s(along_hz))
    assert times_s(walls.impulses) == pytest.approx(second_impulse_s(X_HZ))


def test_the_other_axis_s_face_has_the_axes_exchanged() -> None:
    plan = plan_with()
    walls = as_other_axis(bands_of(plan), plan, "x", 0.07)
    assert walls is not None
    assert walls.commanded_hz == pytest.approx(Y_HZ, nan_ok=True)
    assert times_s(walls.impulses) == pytest.approx(second_impulse_s(Y_HZ))
    assert times_s(walls.along) == pytest.approx(second_impulse_s(X_HZ))
    assert walls.blur_mm == 0.07


@pytest.mark.parametrize("y", ["none", "same"])
def test_there_is_no_other_face_where_its_ramp_is_the_same_or_none(y: str) -> None:
    same: Mapping[str, Any] = {"first_layer": 50, "last_layer": 449, "start": 20, "step": 0.1}
    plan = plan_with({"ramp.y": ... if y == "none" else dict(same)})
    assert as_other_axis(bands_of(plan), plan, "x", 0.0) is None


def test_upside_down_the_top_is_read_as_the_base() -> None:
    """Layer k is taken for 499 - k: 0 to 4 for 495 to 499, which lie beyond the ramps."""
    plan = plan_with()
    walls = upside_down(bands_of(plan), plan, "x", 0.07)
    # 445 to 449, 446 to 448, 50 to 54
    x_hz = (OFF, 59.7, 59.7, 20.2)
    assert walls.commanded_hz == pytest.approx(x_hz, nan_ok=True)
    assert times_s(walls.impulses) == pytest.approx(second_impulse_s(x_hz))
    # 446 to 448: 15 + 0.2 × (198 198 199); beyond its ramp Y keeps its last command, 54.8 Hz
    y_hz = (54.8, 54.64, 15 + 0.2 * 595 / 3, 15.16)
    assert times_s(walls.along) == pytest.approx(second_impulse_s(y_hz))
    assert walls.group.tolist() == [0, 1, 1, 1]
    # where they are on the face does not change
    assert walls.up == pytest.approx(walls_of(bands_of(plan), plan, "x").up)
    assert walls.blur_mm == 0.07
