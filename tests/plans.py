"""Plans for tests: a plain one, its changes, and a hypothesis strategy for all kinds."""

import copy
from typing import Any

from hypothesis import strategies as st

from ringscan.plan import Plan, build_plan

EXAMPLE: dict[str, Any] = {
    "tower": "HERON-3",
    "size": {
        "width_mm": 60,
        "line_width_mm": 0.45,
        "first_layer_mm": 0.3,
        "layer_height_mm": 0.2,
        "layers": 500,
    },
    "motion": {
        "direction": "counter-clockwise",
        "speed_mm_s": 120,
        "acceleration_mm_s2": 3000,
        "corner_speed_mm_s": 5,
    },
    "shaper": {"family": "ZV", "damping_ratio": 0.1},
    "ramp": {
        "x": {"first_layer": 50, "last_layer": 449, "start": 20, "step": 0.1},
        "y": {
            "first_layer": 50,
            "last_layer": 449,
            "start": 15,
            "step": 0.2,
            "layers_per_step": 2,
        },
    },
    "reference": {"first_layer": 0, "last_layer": 49},
}

IMPULSES = {
    "family": "LIST",
    "damping_ratio": 0.1,
    "amplitudes": [0.3, 0.4, 0.3],
    "times_in_periods": [0, 0.5, 1],
}


def changed(changes: dict[str, Any]) -> dict[str, Any]:
    """The example with some keys, given as dotted paths, set, or removed where the value is ..."""
    data = copy.deepcopy(EXAMPLE)
    for path, value in changes.items():
        *tables, key = path.split(".")
        table = data
        for name in tables:
            table = table.setdefault(name, {})
        if value is ...:
            del table[key]
        else:
            table[key] = value
    return data


def plan_with(changes: dict[str, Any] | None = None) -> Plan:
    return build_plan(changed(changes or {}))


def decimals(low: float, high: float, places: int) -> st.SearchStrategy[float]:
    scale = 10**places
    return st.integers(round(low * scale), round(high * scale)).map(lambda k: k / scale)


@st.composite
def ramps(draw: st.DrawFn, first: int, top: int) -> dict[str, Any]:
    last = draw(st.integers(first + 2, top))
    per_step = draw(st.integers(1, (last - first) // 2 or 1))
    steps = (last - first) // per_step
    ramp: dict[str, Any] = {"first_layer": first, "last_layer": last, "layers_per_step": per_step}
    if draw(st.booleans()):
        start, end = draw(decimals(5, 200, 2)), draw(decimals(5, 200, 2))
        ramp["quantity"] = "frequency_hz"
    else:
        start, end = draw(decimals(0, 0.5, 3)), draw(decimals(0, 0.5, 3))
        ramp |= {"quantity": "damping_ratio", "frequency_hz": draw(decimals(5, 200, 2))}
    step = draw(st.sampled_from([round((end - start) / steps, 3), (end - start) / steps]))
    limits = (1, 500) if ramp["quantity"] == "frequency_hz" else (0, 0.5)
    if step == 0 or not limits[0] <= start + step * steps <= limits[1]:
        step = (0.25 - start) / steps if start != 0.25 else -0.25 / steps
        if ramp["quantity"] == "frequency_hz":
            step = 100 / steps
    return ramp | {"start": start, "step": step}


@st.composite
def plans(draw: st.DrawFn) -> Plan:
    """All kinds of plans: families, quantities, one or two axes, with and without reference."""
    layers = draw(st.integers(20, 900))
    family = draw(st.sampled_from(["ZV", "ZVD", "ZVDD", "EI", "EI2", "EI3", "LIST"]))
    shaper: dict[str, Any] = {"family": family, "damping_ratio": draw(decimals(0, 0.5, 3))}
    if family == "LIST":
        k = draw(st.integers(1, 4))
        parts = draw(st.lists(st.integers(1, 30), min_size=k, max_size=k))
        shaper["amplitudes"] = [round(p / sum(parts), 4) for p in parts]
        shaper["times_in_periods"] = [0.5 * i for i in range(k)]
    elif draw(st.booleans()):
        shaper["tolerance"] = draw(decimals(0.005, 0.25, 3))
    first = draw(st.integers(5, layers - 4))
    axes = draw(st.sampled_from([("x",), ("y",), ("x", "y")]))
    data: dict[str, Any] = {
        "tower": draw(st.from_regex(r"[A-Z0-9]([A-Z0-9-]{0,10}[A-Z0-9])?", fullmatch=True)),
        "size": {
            "width_mm": draw(decimals(20, 150, 1)),
            "line_width_mm": draw(decimals(0.1, 3, 2)),
            "first_layer_mm": draw(decimals(0.03, 2, 2)),
            "layer_height_mm": draw(decimals(0.03, 2, 2)),
            "layers": layers,
        },
        "motion": {
            "direction": draw(st.sampled_from(["counter-clockwise", "clockwise"])),
            "speed_mm_s": draw(decimals(205, 2000, 0)),
            "acceleration_mm_s2": draw(decimals(50, 200_000, 0)),
            "corner_speed_mm_s": draw(decimals(0, 200, 1)),
        },
        "shaper": shaper,
        "ramp": {axis: draw(ramps(first, layers - 1)) for axis in axes},
    }
    if draw(st.booleans()):
        data["reference"] = {"first_layer": 0, "last_layer": draw(st.integers(0, first - 1))}
    return build_plan(data)
