"""How far a file may depart from the plan: a readable one, of which single values are changed."""

from dataclasses import replace
from typing import Any

import pytest
from sliced import sliced
from test_ramp import texts

from ringscan.make.cautions import OTHER_AXIS_OFF
from ringscan.make.check import FileReport, read_file
from ringscan.make.ramp import add_ramp
from ringscan.make.verdict import Judgement, Verdict, judge

ALL = range(40)


@pytest.fixture(scope="module")
def report(tmp_path_factory, plan) -> FileReport:
    folder = tmp_path_factory.mktemp("verdict")
    source, out = folder / "s.gcode", folder / "r.gcode"
    source.write_text(sliced(plan))
    add_ramp(source, out, plan, texts())
    return read_file(out, plan)


def changed(report: FileReport, layers: Any, **values: Any) -> FileReport:
    """With other values on some layers; functions are given the value that was there."""
    rows = list(report.rows)
    for n in layers:
        new = {k: v(getattr(rows[n], k)) if callable(v) else v for k, v in values.items()}
        rows[n] = replace(rows[n], **new)
    return replace(report, rows=tuple(rows))


def is_spoilt(judged: Judgement, text: str) -> bool:
    """Whether it is, and for this alone; else it must be as planned."""
    if judged.verdict is Verdict.READABLE:
        return False
    assert judged.verdict is Verdict.NOT_READABLE
    assert judged.corrected is None
    (said,) = judged.spoilt
    assert text in said
    assert judged.line == f"NOT READABLE: {said}"
    return True


def test_as_it_was_read_it_is_readable(report, plan):
    judged = judge(report, plan)
    assert judged.line == "READABLE: this file prints the plan's tower"
    assert judged.corrected == plan


# heights are 0.3 + 0.2 n mm; a fourth of 0.2 mm is 0.05 mm
@pytest.mark.parametrize(("off_mm", "is_off"), [(0.045, False), (0.055, True), (-0.055, True)])
def test_layers_lie_evenly(report, plan, off_mm, is_off):
    judged = judge(changed(report, [20], height_mm=lambda z: z + off_mm), plan)
    thin, thick = sorted([(0.2 + off_mm, 20), (0.2 - off_mm, 21)])
    text = (
        f"the layers have different heights, from {thin[0]:.3g} mm (layer {thin[1]}) to "
        f"{thick[0]:.3g} mm (layer {thick[1]})"
    )
    assert is_spoilt(judged, text) == is_off


@pytest.mark.parametrize(("off_mm", "differs"), [(0.04, False), (0.06, True), (-0.06, True)])
def test_a_tower_may_begin_a_fourth_of_a_layer_off(report, plan, off_mm, differs):
    judged = judge(changed(report, ALL, height_mm=lambda z: z + off_mm), plan)
    assert judged.verdict is (Verdict.CORRECT_PLAN if differs else Verdict.READABLE)
    assert judged.corrected.size.first_layer_mm == (0.3 + off_mm if differs else 0.3)
    assert judged.corrected.size.layer_height_mm == 0.2


@pytest.mark.parametrize(
    ("first_mm", "step_mm", "differs"),
    [
        # the top, 39 steps higher, is off by 0.039 and 0.0585 mm
        (0.3, 0.201, False),
        (0.3, 0.2015, True),
        # only the first layer is
        (0.3585, 0.1985, True),
    ],
)
def test_first_layer_and_top_are_the_plans(report, plan, first_mm, step_mm, differs):
    rows = (replace(r, height_mm=first_mm + step_mm * r.layer) for r in report.rows)
    judged = judge(replace(report, rows=tuple(rows)), plan)
    assert judged.verdict is (Verdict.CORRECT_PLAN if differs else Verdict.READABLE)
    if differs:
        assert judged.corrected.size.first_layer_mm == pytest.approx(first_mm, abs=1e-3)
        assert judged.corrected.size.layer_height_mm == pytest.approx(step_mm, abs=5e-5)


@pytest.mark.parametrize(
    ("layers", "ended", "cut_off"),
    [
        # slicing programs round the number of layers, by up to two
        (38, False, False),
        (37, False, True),
        # above the ramp, which ends with layer 34, a file that goes on is one of a lower tower
        (37, True, False),
        # within the ramp none is, whatever follows
        (30, True, True),
        (30, False, True),
    ],
)
def test_a_file_that_was_cut_off(report, plan, layers, ended, cut_off):
    judged = judge(replace(report, rows=report.rows[:layers], ended=ended), plan)
    said = f"the file ends with layer {layers - 1}, the plan with layer 39: it was cut off"
    assert any(text.startswith(said) for text in judged.spoilt) == cut_off
    if not cut_off:
        assert judged.verdict is Verdict.CORRECT_PLAN
        assert judged.corrected.size.layers == layers


def test_a_file_with_fewer_but_thicker_layers_was_not_cut_off(report, plan):
    rows = [replace(r, height_mm=0.3 + 0.24 * r.layer) for r in report.rows[:30]]
    judged = judge(replace(report, rows=tuple(rows), ended=False), plan)
    assert not any("cut off" in text for text in judged.spoilt)


@pytest.mark.parametrize("ended", [False, True])
def test_that_nothing_follows_the_print_is_told(report, plan, ended):
    """Whatever switches the heaters off stands behind the last line of filament."""
    notes = judge(replace(report, ended=ended), plan).notes
    assert any("Nothing would switch the heaters off" in note for note in notes) != ended


def test_a_ramp_of_one_axis_asks_for_the_other_s_shaper_to_be_off(report, plan, make_plan):
    """The scan takes it to be off: docs/making-the-tower.md."""
    one = make_plan(ramp={"y": None})
    silent = changed(report, ALL, commanded=lambda told: {"x": told["x"]} if "x" in told else {})
    assert OTHER_AXIS_OFF not in judge(report, plan).notes
    assert OTHER_AXIS_OFF in judge(silent, one).notes


@pytest.mark.parametrize(("off_mm", "is_off"), [(0.45, False), (0.55, True), (-0.55, True)])
@pytest.mark.parametrize("way", [0, 1])
def test_the_outline_is_the_same_on_all_layers(report, plan, off_mm, is_off, way):
    def wider(width_mm):
        return tuple(mm + off_mm * (n == way) for n, mm in enumerate(width_mm))

    judged = judge(changed(report, [20], width_mm=wider), plan)
    assert is_spoilt(judged, "the outline is not one square: layer 20 covers") == is_off
    # but not on those that show nothing
    assert judge(changed(report, [37], width_mm=wider), plan).verdict is Verdict.READABLE


@pytest.mark.parametrize(("off_mm", "is_off"), [(0.45, False), (0.55, True), (-0.55, True)])
def test_the_outline_is_square(report, plan, off_mm, is_off):
    judged = judge(changed(report, ALL, width_mm=(59.55, 59.55 + off_mm)), plan)
    assert judged.verdict is not Verdict.CORRECT_PLAN
    assert is_spoilt(judged, "the outline is not one square") == is_off


@pytest.mark.parametrize(("off_mm", "differs"), [(0.4, False), (0.6, True), (-0.6, True)])
def test_a_width_half_a_millimetre_off_is_the_plans(report, plan, off_mm, differs):
    judged = judge(changed(report, ALL, width_mm=(59.55 + off_mm,) * 2), plan)
    assert judged.verdict is (Verdict.CORRECT_PLAN if differs else Verdict.READABLE)
    assert judged.corrected.size.width_mm == pytest.approx(60 + off_mm if differs else 60)


@pytest.mark.parametrize(("walls", "is_off"), [(1.05, False), (1.07, True), (0.93, True)])
def test_one_wall_may_be_a_little_longer_or_shorter(report, plan, walls, is_off):
    judged = judge(changed(report, [20, 21], walls=walls), plan)
    assert is_spoilt(judged, f"{walls:.1f} walls on layers 20 to 21") == is_off
    assert judge(changed(report, [37], walls=2.0), plan).verdict is Verdict.READABLE


# two per cent of 50 mm/s to either side
@pytest.mark.parametrize(("slow", "fast", "uneven"), [(49.1, 50.9, False), (48.9, 51.1, True)])
def test_the_speed_is_even(report, plan, slow, fast, uneven):
    judged = judge(changed(report, [20], speed_mm_s={"x": (slow, fast), "y": (50, 50)}), plan)
    text = f"varies from {slow} to {fast} mm/s, as on layer 20:"
    assert is_spoilt(judged, text) == uneven


@pytest.mark.parametrize(("speed", "differs"), [(50.9, False), (51.1, True), (48.9, True)])
def test_a_speed_two_per_cent_off_is_the_plans(report, plan, speed, differs):
    judged = judge(changed(report, ALL, speed_mm_s=dict.fromkeys("xy", (speed, speed))), plan)
    assert judged.verdict is (Verdict.CORRECT_PLAN if differs else Verdict.READABLE)
    assert judged.corrected.motion.speed_mm_s == (speed if differs else 50)


@pytest.mark.parametrize("faces", [{}, {"x": (50.0, 50.0)}])
def test_each_layer_has_straight_faces(report, plan, faces):
    judged = judge(changed(report, [20, 23], speed_mm_s=faces), plan)
    assert is_spoilt(judged, "no face along X or Y is printed on layer 20")


def test_travel_is_the_same_on_all_layers(report, plan):
    for direction in (None, "clockwise"):
        judged = judge(changed(report, [20], direction=direction), plan)
        assert is_spoilt(judged, "the direction of travel is not the same on all faces and layers")


def test_the_line_tells_how_many_reasons_there_are(report, plan):
    both = changed(report, [20], walls=2.0, direction=None)
    assert judge(both, plan).line.endswith("on all faces and layers (and 1 more)")
    three = changed(both, [20], height_mm=9.0)
    assert judge(three, plan).line.endswith("in one height (and 2 more)")
