import pytest

from ringscan.plan import Plan, build_plan


def small_plan(**changes) -> Plan:
    """A low tower: 40 layers, reference band 5-9, ramp 10-34 of 20 to 44 Hz."""
    data = {
        "tower": "WREN-2",
        "size": {
            "width_mm": 60.0,
            "line_width_mm": 0.45,
            "first_layer_mm": 0.3,
            "layer_height_mm": 0.2,
            "layers": 40,
        },
        "motion": {
            "direction": "counter-clockwise",
            "speed_mm_s": 50.0,
            "acceleration_mm_s2": 3000.0,
            "corner_speed_mm_s": 5.0,
        },
        "shaper": {"family": "ZV", "damping_ratio": 0.1},
        "ramp": {
            "x": {"first_layer": 10, "last_layer": 34, "start": 20.0, "step": 1.0},
            "y": {"first_layer": 10, "last_layer": 34, "start": 20.0, "step": 1.0},
        },
        "reference": {"first_layer": 5, "last_layer": 9},
    }
    for key, value in changes.items():
        if isinstance(value, dict):
            data[key] = {**data[key], **value}
        elif value is None:
            del data[key]
        else:
            data[key] = value
    return build_plan(data)


@pytest.fixture(scope="session")
def plan() -> Plan:
    return small_plan()


@pytest.fixture
def make_plan():
    return small_plan
