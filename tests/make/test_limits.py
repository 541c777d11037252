"""Limits at their borders: what is just inside passes, what is just outside or no number does not.

Filament is sold with 1.75 and 2.85 mm, nozzles with 0.1 to 2 mm (common practice, no source); the
borders leave room around them.
"""

import math
from collections.abc import Callable
from typing import Any

import pytest

from ringscan.errors import OptionError
from ringscan.make.limits import (
    least_speed_mm_s,
    require_acceleration,
    require_bead,
    require_bed,
    require_filament,
    require_limits,
    require_machine,
    require_nozzle,
    require_range,
    require_speed,
)

MACHINE = {
    "bed_mm": (220.0, 200.0),
    "max_height_mm": 250.0,
    "flow_limit_mm3_s": 11.0,
    "filament_mm": 1.75,
}


def machine(**changes: Any) -> None:
    require_machine(**(MACHINE | changes))


def width(line_width_mm: float) -> None:
    require_bead(0.4, line_width_mm=line_width_mm)


def height(layer_height_mm: float) -> None:
    require_bead(0.4, layer_height_mm=layer_height_mm)


def length(mm: float) -> None:
    require_limits(bed_width=(mm, "mm"))


@pytest.mark.parametrize(
    ("require", "inside", "outside"),
    [
        (require_filament, (1.0, 1.75, 2.85, 4.0), (0.99, 4.01, 0.0, -1.75)),
        (require_nozzle, (0.1, 0.4, 3.0), (0.09, 3.1, 0.0, -0.4)),
        # 0.8 to 2.5 times the bore, and 0.8 times as high
        (width, (0.32, 0.45, 1.0), (0.31, 1.01, 0.0)),
        (height, (0.04, 0.32), (0.33, 0.0, -0.2)),
        (length, (1e-3, 220.0, 10_000.0), (0.0, -1.0, 10_001.0)),
        (require_acceleration, (50.0, 3000.0, 100_000.0), (49.0, 0.0, 100_001.0)),
        (require_speed, (15.0, 120.0, 2000.0), (14.9, 0.0, 2001.0)),
    ],
    ids=["filament", "nozzle", "line width", "layer height", "mm", "acceleration", "speed"],
)
def test_borders(
    require: Callable[[float], None], inside: tuple[float, ...], outside: tuple[float, ...]
) -> None:
    for value in inside:
        require(value)
    for value in (*outside, math.nan, math.inf):
        with pytest.raises(OptionError) as caught:
            require(value)
        assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("wrong", "named"),
    [
        ({"bed_mm": (0.0, 200.0)}, "bed width"),
        ({"bed_mm": (220.0, 0.0)}, "bed depth"),
        ({"max_height_mm": 0.0}, "greatest height"),
        ({"flow_limit_mm3_s": 1001.0}, "flow limit"),
        ({"filament_mm": 0.0}, "filament"),
    ],
)
def test_every_number_of_a_machine_is_looked_at(wrong: dict[str, Any], named: str) -> None:
    machine()
    with pytest.raises(OptionError, match=f"the {named} must be"):
        machine(**wrong)


def test_a_bed_must_hold_tower_and_brim() -> None:
    """10 mm on either side, in both directions."""
    require_bed((80.0, 80.0), 60.0)
    require_bed((50.0, 50.0))  # the smallest tower is 30 mm wide
    for bed in ((79.0, 200.0), (200.0, 79.0)):
        with pytest.raises(OptionError, match=r"a bed of 79 mm is too small: .* 60 mm .* 80 mm"):
            require_bed(bed, 60.0)


@pytest.mark.parametrize(
    ("low", "high", "good"),
    [
        (5.0, 300.0, True),
        (20.0, 20.1, True),
        (4.9, 60.0, False),
        (20.0, 301.0, False),
        (60.0, 20.0, False),
        (20.0, 20.0, False),
        (math.nan, 60.0, False),
        (20.0, math.nan, False),
    ],
)
def test_a_range_rises_between_its_borders(low: float, high: float, good: bool) -> None:
    if good:
        require_range(low, high)
        return
    with pytest.raises(OptionError, match="must rise and lie within 5 to 300 Hz"):
        require_range(low, high)


def test_speed_must_leave_something_to_brake_from() -> None:
    assert least_speed_mm_s(0.0) == 15
    assert least_speed_mm_s(10.9) == 15
    assert least_speed_mm_s(11.0) == 16
    require_speed(25.0, corner_speed_mm_s=20.9)
    with pytest.raises(OptionError, match=r"with a corner speed of 20\.9 mm/s; it takes 25 mm/s"):
        require_speed(24.0, corner_speed_mm_s=20.9)
    # a low intended speed may be raised
    require_speed(10.0, highest_mm_s=30.0)


def test_the_highest_is_not_below_the_intended() -> None:
    require_speed(100.0, highest_mm_s=100.0)
    require_acceleration(3000.0, 3000.0)
    with pytest.raises(OptionError, match="the highest speed 99 is below the intended 100"):
        require_speed(100.0, highest_mm_s=99.0)
    with pytest.raises(OptionError, match="the highest acceleration 2999 is below the intended"):
        require_acceleration(3000.0, 2999.0)


def test_a_speed_per_minute_is_recognised() -> None:
    with pytest.raises(OptionError, match=r"not 7200; in mm/min that is 120 mm/s$"):
        require_limits(speed=(7200.0, "mm/s"))
    for value, unit in ((120_001.0, "mm/s"), (20_000.0, "mm"), (0.0, "mm/s")):
        with pytest.raises(OptionError) as caught:
            require_limits(number=(value, unit))
        assert "mm/min" not in str(caught.value)
