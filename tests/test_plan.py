import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from plans import EXAMPLE, IMPULSES, changed, plan_with, plans

from ringscan.errors import PlanError
from ringscan.plan import Family, Plan, State, build_plan, load_plan, parse_plan

RANGES = {
    "size.width_mm": (20, 150, "outer side of the square tube"),
    "size.line_width_mm": (0.1, 3, "width of the printed line"),
    "size.first_layer_mm": (0.03, 2, "height of the first layer"),
    "size.layer_height_mm": (0.03, 2, "height of every other layer"),
    "size.layers": (10, 5000, "number of layers"),
    "motion.speed_mm_s": (5, 2000, "speed on the faces"),
    "motion.acceleration_mm_s2": (50, 200000, "acceleration out of and into the corners"),
    "motion.corner_speed_mm_s": (0, 200, "speed at which a 90° corner is taken"),
    "shaper.damping_ratio": (0, 0.5, "the shaper's own damping setting"),
    "shaper.tolerance": (0.005, 0.25, "tolerance of EI"),
    "ramp.x.first_layer": (0, 5000, "first layer of the ramp"),
    "ramp.x.last_layer": (0, 5000, "last layer of the ramp"),
    "ramp.x.start": (0, 500, "value at the first layer"),
    "ramp.x.step": (-100, 100, "change from one step to the next"),
    "ramp.x.layers_per_step": (1, 1000, "layers that share a value"),
    "ramp.y.frequency_hz": (1, 500, "the fixed frequency"),
    "reference.first_layer": (0, 5000, "first layer with the shaper off"),
    "reference.last_layer": (0, 5000, "last layer with the shaper off"),
}
"""Key, allowed range and hint of every number in a plan, written down apart from the schema."""


def refusal(changes: dict[str, Any]) -> str:
    with pytest.raises(PlanError) as caught:
        build_plan(changed(changes), source="heron.toml")
    message = str(caught.value)
    assert message.startswith("heron.toml: ")
    assert "\n" not in message
    return message


def test_every_number_of_a_plan_is_listed_here() -> None:
    def numbers(model: Any, path: str) -> set[str]:
        found: set[str] = set()
        for name, field in model.model_fields.items():
            kinds = (field.annotation, *getattr(field.annotation, "__args__", ()))
            part = next((k for k in kinds if hasattr(k, "model_fields")), None)
            if part is not None:
                found |= numbers(part, f"{path}{name}.")
            elif int in kinds[:2] or float in kinds[:2]:
                found.add(f"{path}{name}".removeprefix("ramp.x.").removeprefix("ramp.y."))
        return found

    listed = {key.removeprefix("ramp.x.").removeprefix("ramp.y.") for key in RANGES}
    assert numbers(Plan, "") == listed


@pytest.mark.parametrize("key", RANGES)
@pytest.mark.parametrize("side", [0, 1])
def test_value_out_of_range_names_key_value_range_and_hint(key: str, side: int) -> None:
    low, high, hint = RANGES[key]
    whole = "layer" in key and not key.endswith("_mm")
    off = 1 if whole else 0.001
    value = (low - off, high + off)[side]
    message = refusal({key: value})
    assert f"{key} = {value!r}" in message
    assert f"{low:g} to {high:g}" in message
    assert hint in message


@pytest.mark.parametrize("key", RANGES)
@pytest.mark.parametrize("value", ["60", True, math.nan, math.inf, [1], {}, 10**400])
def test_no_number_is_refused_by_key_with_its_range(key: str, value: object) -> None:
    low, high, hint = RANGES[key]
    message = refusal({key: value})
    assert f"{key} = {value!r}"[: len(key) + 20] in message
    assert f"{low:g} to {high:g}" in message
    assert hint in message
    assert len(message) < 400


@pytest.mark.parametrize(
    ("changes", "parts"),
    [
        ({"tower": "heron"}, ["tower = 'heron'", "1 to 12 of A-Z, 0-9 and '-'"]),
        ({"tower": "HERON-0123456"}, ["tower = 'HERON-0123456'", "1 to 12"]),
        ({"tower": "-HERON"}, ["tower = '-HERON'"]),
        ({"tower": "HERON\n"}, [r"tower = 'HERON\n'"]),
        ({"tower": ...}, ["tower is missing", "1 to 12"]),
        ({"version": 2}, ["version = 2", "1"]),
        ({"size.width_mm": ...}, ["size.width_mm is missing", "20 to 150"]),
        ({"size": ...}, ["size is missing", "width_mm, line_width_mm"]),
        ({"size": 3}, ["size = 3", "table", "width_mm"]),
        ({"size.widht_mm": 3}, ["size.widht_mm is not a key of a plan", "spelling"]),
        ({"size.a\nb": 3}, [r"size.'a\nb' is not a key of a plan"]),
        ({"motion.direction": "left"}, ["motion.direction = 'left'", "'clockwise'", "from above"]),
        (
            {"motion.corner_speed_mm_s": 130},
            ["corner_speed_mm_s = 130", "below speed_mm_s = 120", "no ripple"],
        ),
        ({"shaper.family": "FOO"}, ["shaper.family = 'FOO'", *Family]),
        ({"shaper.amplitudes": [1]}, ["shaper: ", "amplitudes", "'LIST' only"]),
        ({"shaper": {**IMPULSES, "amplitudes": []}}, ["1 to 10 amplitudes", "0 and 3"]),
        ({"shaper": {**IMPULSES, "amplitudes": [0.5, 0.5]}}, ["2 and 3"]),
        ({"shaper": {**IMPULSES, "amplitudes": [0.3, 0.4, 0.4]}}, ["sum 1", "not 1.1"]),
        ({"shaper": {**IMPULSES, "amplitudes": ["a", 0.4, 0.4]}}, ["shaper.amplitudes.0 = 'a'"]),
        ({"shaper": {**IMPULSES, "amplitudes": 1}}, ["shaper.amplitudes = 1", "a list", "sum 1"]),
        ({"shaper": {**IMPULSES, "times_in_periods": [0.1, 0.5, 1]}}, ["start at 0 and rise"]),
        ({"shaper": {**IMPULSES, "times_in_periods": [0, 1, 1]}}, ["start at 0 and rise"]),
        ({"shaper": {**IMPULSES, "times_in_periods": [0, 1, 11]}}, ["periods.2 = 11", "0 to 10"]),
        ({"ramp": {}}, ["give [ramp.x], [ramp.y] or both"]),
        ({"ramp.z": {}}, ["ramp.z is not a key"]),
        ({"ramp.x.quantity": "speed"}, ["ramp.x.quantity = 'speed'", "'damping_ratio'"]),
        ({"ramp.x.quantity": "damping_ratio"}, ["ramp.x: ", "needs the fixed frequency_hz"]),
        ({"ramp.x.frequency_hz": 40}, ["ramp.x: frequency_hz belongs to ramps of damping_ratio"]),
        ({"ramp.x.last_layer": 50}, ["ramp.x: last_layer = 50 must be above first_layer = 50"]),
        ({"ramp.x.last_layer": 500}, ["ramp.x.last_layer = 500 must be at most 499"]),
        ({"ramp.x.step": 0}, ["ramp.x: the ramp never changes"]),
        ({"ramp.x.layers_per_step": 400}, ["ramp.x: the ramp never changes"]),
        ({"ramp.x.start": 0.5}, ["ramp.x: start = 0.5 must be 1 to 500"]),
        ({"ramp.x.step": 2}, ["ramp.x: the ramp's end = 818 must be 1 to 500"]),
        ({"ramp.x.step": -0.1}, ["the ramp's end = -19.9 must be 1 to 500"]),
        ({"reference.last_layer": 50}, ["reference: its layers overlap those of ramp.x"]),
        ({"reference.first_layer": 60}, ["reference: layers 60 to 49 must rise"]),
        ({"reference": {"first_layer": 490, "last_layer": 500}}, ["at most 499, the top layer"]),
    ],
)
def test_contradictions_are_named(changes: dict[str, Any], parts: list[str]) -> None:
    message = refusal(changes)
    for part in parts:
        assert part in message


def test_all_wrong_values_are_named_at_once() -> None:
    message = refusal({"size.width_mm": 5, "motion.speed_mm_s": -1, "shaper.family": "?"})
    assert all(key in message for key in ("size.width_mm", "motion.speed_mm_s", "shaper.family"))


@pytest.mark.parametrize("limit", [0, 1])
def test_limits_themselves_are_allowed(limit: int) -> None:
    for key in ("size.width_mm", "size.line_width_mm", "motion.acceleration_mm_s2"):
        *_, name = key.split(".")
        plan = plan_with({key: RANGES[key][limit]})
        assert plan.model_dump()[key.split(".")[0]][name] == RANGES[key][limit]


def test_ramp_may_end_on_the_limit_whatever_the_rounding() -> None:
    # 0.045 + 13 * 0.035 is 0.5, but a little more in binary arithmetic
    assert 0.045 + 0.035 * 13 > 0.5
    ramp = {
        "quantity": "damping_ratio",
        "frequency_hz": 40,
        "first_layer": 50,
        "last_layer": 63,
        "start": 0.045,
        "step": 0.035,
    }
    assert plan_with({"ramp": {"x": ramp}}).ramp_of("x").steps == 14


# Heights by hand: first layer 0.3, then 0.2 each, so layer k ends at 0.3 + 0.2 k.
@pytest.mark.parametrize(
    ("layer", "bottom", "top"), [(0, 0.0, 0.3), (1, 0.3, 0.5), (10, 2.1, 2.3), (499, 99.9, 100.1)]
)
def test_heights_of_layers(layer: int, bottom: float, top: float) -> None:
    plan = plan_with()
    # 1e-9 mm: rounding of one product and one sum
    assert plan.layer_bottom_mm(layer) == pytest.approx(bottom, abs=1e-9)
    assert plan.layer_top_mm(layer) == pytest.approx(top, abs=1e-9)


def test_height_of_the_tower() -> None:
    assert plan_with().height_mm == pytest.approx(100.1, abs=1e-9)


def test_commanded_frequency_by_layer() -> None:
    # X: 20 Hz at layer 50, 0.1 Hz more each layer; Y: 15 Hz, 0.2 Hz more every second layer
    plan = plan_with()
    x, y = plan.commands("x"), plan.commands("y")
    for layer, hz_x, hz_y in [(50, 20.0, 15.0), (51, 20.1, 15.0), (52, 20.2, 15.2)]:
        assert x.frequency_hz[layer] == pytest.approx(hz_x, abs=1e-9)
        assert y.frequency_hz[layer] == pytest.approx(hz_y, abs=1e-9)
    assert x.frequency_hz[449] == pytest.approx(59.9, abs=1e-9)
    assert y.frequency_hz[449] == pytest.approx(54.8, abs=1e-9)
    assert plan.ramp_of("x").end == pytest.approx(59.9, abs=1e-9)
    assert plan.ramp_of("y").end == pytest.approx(54.8, abs=1e-9)
    for layer, state in [(0, "reference"), (49, "reference"), (50, "ramp"), (450, "outside")]:
        assert x.state[layer] == State(state)
        assert np.isnan(x.frequency_hz[layer]) == (state != "ramp")
        assert np.isnan(x.damping_ratio[layer]) == (state != "ramp")
    assert np.all(x.damping_ratio[50:450] == 0.1)


def test_commanded_damping_by_layer() -> None:
    ramp = {
        "quantity": "damping_ratio",
        "frequency_hz": 41.5,
        "first_layer": 100,
        "last_layer": 299,
        "start": 0.2,
        "step": -0.01,
        "layers_per_step": 10,
    }
    plan = plan_with({"ramp": {"y": ramp}, "reference": {"first_layer": 300, "last_layer": 310}})
    commands = plan.commands("y")
    assert plan.axes == ("y",)
    assert np.all(commands.frequency_hz[100:300] == 41.5)
    for layer, zeta in [(100, 0.2), (109, 0.2), (110, 0.19), (299, 0.01)]:
        assert commands.damping_ratio[layer] == pytest.approx(zeta, abs=1e-9)
    assert commands.state[99] == State.OUTSIDE
    assert commands.state[310] == State.REFERENCE
    assert commands.state[311] == State.OUTSIDE


def test_ramp_of_an_axis_that_was_not_tested() -> None:
    plan = plan_with({"ramp": {"x": EXAMPLE["ramp"]["x"]}})
    with pytest.raises(PlanError, match="plan 'HERON-3' has no ramp for axis Y"):
        plan.ramp_of("y")


@settings(deadline=None, max_examples=100)
@given(plans())
def test_toml_round_trip(plan: Plan) -> None:
    again = parse_plan(plan.to_toml())
    assert again == plan
    assert again.digest == plan.digest


def test_digest_tells_plans_apart() -> None:
    assert len(plan_with().digest) == 64
    assert plan_with().digest != plan_with({"size.width_mm": 60.001}).digest


def test_load_plan_reads_what_was_written(tmp_path: Path) -> None:
    path = tmp_path / "heron.toml"
    path.write_text(plan_with().to_toml(), encoding="utf-8")
    assert load_plan(path) == plan_with()
    # editors on Windows put a byte order mark first and end lines with CR LF
    path.write_bytes(b"\xef\xbb\xbf" + plan_with().to_toml().replace("\n", "\r\n").encode())
    assert load_plan(path) == plan_with()


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"tower = ", "is not TOML"),
        (b"tower = 'A'\ntower = 'B'", "is not TOML"),
        (b"[motion]\nspeed_mm_s = 93,0", "; decimals take a point, not a comma"),
        (b"\xff\xfe\x00", "it is not UTF-8 text"),
        (b"", "tower is missing"),
        (b"a = " + b"[" * 20_000, "is not TOML"),
        (b"a = " + b"9" * 5_000, "is not TOML"),
        (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", "it is not UTF-8 text"),
    ],
)
def test_files_that_are_no_plans(tmp_path: Path, content: bytes, said: str) -> None:
    path = tmp_path / "heron.toml"
    path.write_bytes(content)
    with pytest.raises(PlanError) as caught:
        load_plan(path)
    message = str(caught.value)
    assert message.startswith(f"{path}: ")
    assert said in message
    assert "\n" not in message


def test_missing_plan_file_and_folder_in_its_place(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match="there is no such plan file"):
        load_plan(tmp_path / "no.toml")
    with pytest.raises(PlanError, match="cannot be read"):
        load_plan(tmp_path)
