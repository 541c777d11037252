"""What `plan` proposes can be made: no later step refuses it for what the proposal knew."""

import math

import pytest
from oracle import steps_of
from test_planner import machine as machine_of
from test_planner import wishes as wishes_of

from ringscan.make.bead import bead_section_mm2
from ringscan.make.check import read_file
from ringscan.make.job import BEGIN_END, BEGIN_TOWER, Bed, Job, Style
from ringscan.make.planner import propose
from ringscan.make.ramp import add_ramp
from ringscan.make.template import parse_template
from ringscan.make.texts import Texts
from ringscan.make.toolpath import write_toolpath
from ringscan.make.verdict import Verdict, judge
from ringscan.show.prepare_text import plan_summary

WEAK = {"nozzle_mm": 0.4, "line_width_mm": 0.6, "layer_height_mm": 0.2, "flow_limit_mm3_s": 40.0}


WIDE = {
    "bed_mm": (180.0, 180.0),
    "nozzle_mm": 1.0,
    "line_width_mm": 2.0,
    "layer_height_mm": 0.75,
    "corner_speed_mm_s": 8.0,
}


def proposal(*, low_hz=15.0, high_hz=75.0, **changes):
    printer = machine_of(**(WIDE | changes))
    return printer, propose(printer, wishes_of(low_hz=low_hz, high_hz=high_hz))


@pytest.mark.parametrize(
    "printer",
    [
        {},
        {"nozzle_mm": 1.2, "line_width_mm": 1.8, "layer_height_mm": 0.6, "flow_limit_mm3_s": 15.0},
        {"nozzle_mm": 0.8, "line_width_mm": 0.9, "layer_height_mm": 0.4, "flow_limit_mm3_s": 4.0},
    ],
)
def test_a_thick_first_layer_is_laid_as_fast_as_the_hot_end_melts(tmp_path, printer):
    """Thinner layers leave the first one thick: at 20 mm/s it would need more than the limit."""
    machine, found = proposal(**printer)
    size = found.plan.size
    assert size.layer_height_mm < size.first_layer_mm
    limit = machine.flow_limit_mm3_s
    assert 20 * bead_section_mm2(size.line_width_mm, size.first_layer_mm) > limit
    job = Job(
        bed=Bed(size_mm=machine.bed_mm, max_height_mm=200.0, flow_limit_mm3_s=limit),
        start_text="G28",
        end_text="G0 Z150",
    )
    path = tmp_path / "t.gcode"
    write_toolpath(found.plan, job, path)
    text = path.read_text()
    lines = text.splitlines()
    first, last = lines.index(BEGIN_TOWER), lines.index(BEGIN_END)
    # volume over time, by the test's own reader: filament is 1.75 mm thick
    flows = {}
    for step in steps_of(text):
        if first < step.line <= last and step.e > 0:
            seconds = math.dist(step.start, step.end) / step.feed_per_minute * 60
            on_first = step.end[2] == size.first_layer_mm
            flows.setdefault(on_first, []).append(step.e * math.pi * 0.875**2 / seconds)
    # 1.0002: what the five decimals of E and the two of F round
    assert max(flows[True]) <= limit * 1.0002
    assert max(flows[False]) <= limit * 1.0002
    # as fast as it may, to the tenth of a mm/s that the speed is rounded down by
    assert max(flows[True]) > limit - 0.11 * bead_section_mm2(
        size.line_width_mm, size.first_layer_mm
    )


@pytest.mark.parametrize("style", Style)
@pytest.mark.parametrize("speed", [40.0, 150.0])
def test_no_move_is_faster_than_the_plan_allows(tmp_path, style, speed):
    """Travel, too: an intended speed is an upper limit. Lead screws get 5 mm/s at most."""
    machine, found = proposal(
        **WEAK, acceleration_mm_s2=8000.0, speed_mm_s=speed, low_hz=15.0, high_hz=30.0
    )
    job = Job(
        bed=Bed(size_mm=machine.bed_mm, max_height_mm=200.0, flow_limit_mm3_s=40.0),
        start_text="G28",
        end_text="G0 Z150",
        style=style,
    )
    write_toolpath(found.plan, job, tmp_path / "t.gcode")
    text = (tmp_path / "t.gcode").read_text()
    lines = text.splitlines()
    ours = range(lines.index(BEGIN_TOWER) + 1, lines.index(BEGIN_END) + 2)
    steps = [step for step in steps_of(text) if step.line in ours]
    assert max(step.feed_per_minute for step in steps) <= 60 * machine.speed_mm_s
    upright = [step for step in steps if step.start[:2] == step.end[:2]]
    assert {step.feed_per_minute for step in upright} == {300.0}


def made(tmp_path, machine, plan):
    """The plan's own toolpath with its ramp, and what `check` says of it."""
    job = Job(
        bed=Bed(
            size_mm=machine.bed_mm,
            max_height_mm=200.0,
            flow_limit_mm3_s=machine.flow_limit_mm3_s,
        ),
        start_text="G28",
        end_text="G0 Z150\nM5",
    )
    write_toolpath(plan, job, tmp_path / "t.gcode")
    texts = Texts(
        command=parse_template("SET {axis} {frequency_hz} {damping_ratio}", commands=True),
        off=parse_template("OFF {axis}", commands=False),
    )
    add_ramp(tmp_path / "t.gcode", tmp_path / "r.gcode", plan, texts)
    return judge(read_file(tmp_path / "r.gcode", plan), plan)


@pytest.mark.parametrize(
    ("acceleration", "verdict"), [(300.0, Verdict.NOT_READABLE), (8000.0, Verdict.READABLE)]
)
def test_a_plan_whose_file_would_not_be_readable_says_so_at_once(tmp_path, acceleration, verdict):
    """a / w² at 50 Hz, (2 pi 50)² = 98 696: 3 µm with 300 mm/s², 81 µm with 8000; 30 are needed."""
    machine, found = proposal(**WEAK, acceleration_mm_s2=acceleration, low_hz=50.0, high_hz=60.0)
    text = plan_summary(found)
    assert (f"{Verdict.NOT_READABLE}: no frequency" in text) is (verdict is Verdict.NOT_READABLE)
    assert "shows most of the range" not in text
    assert made(tmp_path, machine, found.plan).verdict is verdict


def test_the_speed_that_a_limit_allows_is_that_of_the_layers_that_were_meant():
    """A thinner layer lets more than that speed through, and more is proposed."""
    _, found = proposal(
        nozzle_mm=0.4,
        line_width_mm=0.45,
        layer_height_mm=0.2,
        flow_limit_mm3_s=2.0,
        speed_mm_s=60.0,
        acceleration_mm_s2=500.0,
    )
    # bead of 0.45 × 0.2 mm: a rectangle and two half circles, (.25 × .2 + pi .1²) = 0.0814 mm²
    assert found.plan.motion.speed_mm_s > 2.0 / 0.0814
    assert "allows only 24 mm/s in layers of 0.2 mm" in " ".join(plan_summary(found).split())
