import math

import pytest
from oracle import steps_of

from ringscan.errors import OptionError, PlanError
from ringscan.make.bead import bead_section_mm2
from ringscan.make.cautions import CAUTIONS
from ringscan.make.job import BEGIN_END, BEGIN_START, BEGIN_TOWER, Bed, BrimSide, Job, Style
from ringscan.make.toolpath import write_toolpath

START = "G28\nUSER-START hot\nG1 Z5 F600"
END = "USER-END\nG0 Z40 F600"
SIDE = 59.55  # 60 less the line's width


HOT = "M109 S200\nG28\nM83\nM106"
COLD = "M104 S0\nM140 S0"
"""Start and end that nothing is missed in."""


def job(style=Style.SPIRAL, start=START, end=END, brim=3, side=BrimSide.INSIDE, **bed):
    values = {"size_mm": (200.0, 180.0), "max_height_mm": 150.0, "flow_limit_mm3_s": 12.0}
    return Job(
        bed=Bed(**(values | bed)),
        start_text=start,
        end_text=end,
        style=style,
        brim_loops=brim,
        brim_side=side,
    )


def written(tmp_path, plan, the_job):
    path = tmp_path / "t.gcode"
    warnings = write_toolpath(plan, the_job, path)
    return path.read_text(), warnings


def tower_steps(text):
    """Moves of the tower itself, read by the test's own reader."""
    lines = [x if not x.startswith("USER") else "" for x in text.splitlines()]
    first, last = lines.index(BEGIN_TOWER), lines.index(BEGIN_END)
    return [s for s in steps_of("\n".join(lines)) if first < s.line <= last]


def wall_steps(text):
    """Moves that lay the wall above the first layer, which is 0.3 mm."""
    return [s for s in tower_steps(text) if s.e > 0 and s.end[2] > 0.3]


@pytest.mark.parametrize("style", Style)
@pytest.mark.parametrize("direction", ["counter-clockwise", "clockwise"])
def test_the_wall_is_one_square_at_the_plans_speed(tmp_path, make_plan, style, direction):
    plan = make_plan(motion={"direction": direction})
    text, _ = written(tmp_path, plan, job(style))
    wall = wall_steps(text)
    turns = 39 if style is Style.LAYERS else 40  # the spiral runs out on the level
    assert len(wall) == 4 * turns
    area = 0.0
    for step in wall[:4]:
        (x0, y0, _), (x1, y1, _) = step.start, step.end
        area += (x0 * y1 - x1 * y0) / 2
        assert abs(x1 - x0) + abs(y1 - y0) == pytest.approx(SIDE, abs=2e-3)  # 3 decimals
    assert area == pytest.approx(
        SIDE**2 * (1 if direction == "counter-clockwise" else -1), rel=1e-4
    )
    centre = (100, 90)
    for step in wall:
        assert max(abs(step.end[0] - centre[0]), abs(step.end[1] - centre[1])) == pytest.approx(
            SIDE / 2, abs=1e-3
        )


@pytest.mark.parametrize("style", Style)
def test_extrusion_is_the_beads_section(tmp_path, plan, style):
    text, _ = written(tmp_path, plan, job(style))
    wall = wall_steps(text)
    full = wall if style is Style.LAYERS else wall[4:-4]
    for step in full:
        length = math.dist(step.start[:2], step.end[:2])
        assert step.e / length == pytest.approx(0.0338488, rel=1e-4)  # derived, .45 × .2 mm
    if style is Style.SPIRAL:
        # the first turn rises from nothing, the last runs out: each side as thick as its middle
        rising = [share * SIDE * 0.0338488 for share in (0.125, 0.375, 0.625, 0.875)]
        assert [s.e for s in wall[:4]] == pytest.approx(rising, rel=1e-4)
        assert [s.e for s in wall[-4:]] == pytest.approx(rising[::-1], rel=1e-4)


@pytest.mark.parametrize("style", Style)
def test_the_nozzle_is_lifted_before_it_crosses_the_bed(tmp_path, plan, style):
    """Clips and what the start text primed lie in the way, and the start may end at any height."""
    text, _ = written(tmp_path, plan, job(style, start="G28\nG1 X3 Y3 Z0.2 F900"))
    first, across, *rest = tower_steps(text)
    assert (first.start, first.end) == ((3, 3, 0.2), (3, 3, 5))
    assert (across.start[2], across.end[2]) == (5, 5)
    assert math.dist(across.start, across.end) > 50
    # after it none crosses the tower without filament: loops of the brim lie a line apart
    for step in [s for s in rest if not s.e and s.start[:2] != s.end[:2]]:
        assert math.dist(step.start[:2], step.end[:2]) < 0.45 * 1.5
    # the plan's speed along the bed, and 5 mm/s up and down, as lead screws can: common practice
    for step in tower_steps(text):
        if not step.e:
            level = step.start[:2] != step.end[:2]
            assert step.feed_per_minute == (60 * plan.motion.speed_mm_s if level else 300)


def test_millimetres_and_absolute_places_are_set_before_the_users_text(tmp_path, plan):
    text, _ = written(tmp_path, plan, job(start="; nothing"))
    commands = [x for x in text.splitlines() if x == BEGIN_START or not x.startswith(";")]
    assert commands[:3] == ["G21", "G90", BEGIN_START]


@pytest.mark.parametrize(
    "bed",
    [
        {"size_mm": (math.nan, 180.0)},
        {"size_mm": (200.0, math.inf)},
        {"max_height_mm": math.nan},
        {"flow_limit_mm3_s": math.nan},
        {"flow_limit_mm3_s": 0.0},
        {"filament_mm": 17.5},
        {"filament_mm": math.nan},
        {"origin_mm": (math.nan, 0.0)},
    ],
)
def test_numbers_that_would_switch_a_limit_off_are_refused(tmp_path, plan, bed):
    """Every comparison with what is no number is false."""
    with pytest.raises(OptionError):
        written(tmp_path, plan, job(**bed))
    assert list(tmp_path.iterdir()) == []


def test_heights_of_layers(tmp_path, plan):
    text, _ = written(tmp_path, plan, job(Style.LAYERS))
    heights = sorted({round(s.end[2], 3) for s in tower_steps(text) if s.e > 0})
    assert heights == pytest.approx([0.3 + 0.2 * k for k in range(40)], abs=1e-9)


def test_the_spiral_climbs_evenly_to_the_top(tmp_path, plan):
    text, _ = written(tmp_path, plan, job(Style.SPIRAL))
    wall = wall_steps(text)
    rises = [s.end[2] - s.start[2] for s in wall[:-4]]
    assert rises == pytest.approx([0.05] * len(rises), abs=1.01e-3)  # 3 decimals
    assert [s.end[2] for s in wall[-4:]] == pytest.approx([8.1] * 4, abs=1e-9)


@pytest.mark.parametrize("direction", ["counter-clockwise", "clockwise"])
@pytest.mark.parametrize("style", Style)
def test_front_and_right_are_entered_at_full_speed(tmp_path, make_plan, style, direction):
    """The seam's corner is the entry edge of neither analysed face."""
    text, _ = written(tmp_path, make_plan(motion={"direction": direction}), job(style))
    x, y, _ = wall_steps(text)[0].start
    assert (x, y) == pytest.approx((100 - SIDE / 2, 90 + SIDE / 2), abs=1e-3)  # rear left
    entered = {"counter-clockwise": "left", "clockwise": "back"}[direction]
    first = wall_steps(text)[0]
    along_y = abs(first.end[1] - first.start[1]) > 1
    assert ("left" if along_y else "back") == entered


@pytest.mark.parametrize("style", Style)
@pytest.mark.parametrize("measured_from", [1, 2, 10])
def test_only_the_foot_is_slow_and_only_where_nothing_is_measured(
    tmp_path, make_plan, style, measured_from
):
    """The plan's first measured layer is that of the reference band; its ramps start at 10."""
    reference = {"first_layer": measured_from, "last_layer": 9} if measured_from < 10 else None
    text, _ = written(tmp_path, make_plan(reference=reference), job(style))
    speeds = [s.feed_per_minute / 60 for s in wall_steps(text)[:40]]
    rising = [26.0, 32.0, 38.0, 44.0]  # from 20 to 50 mm/s in five layers
    slow = rising[: max(0, measured_from - 1)]
    turns = [*slow, *[50.0] * (10 - len(slow))]
    assert speeds == pytest.approx([speed for speed in turns for _ in range(4)])


def test_a_slow_plan_is_never_exceeded(tmp_path, make_plan):
    plan = make_plan(motion={"speed_mm_s": 12.0, "corner_speed_mm_s": 5.0}, reference=None)
    text, _ = written(tmp_path, plan, job())
    assert {s.feed_per_minute for s in tower_steps(text) if s.e > 0} == {12 * 60}


@pytest.mark.parametrize("side", BrimSide)
def test_the_brim_joins_the_wall(tmp_path, plan, side):
    text, _ = written(tmp_path, plan, job(side=side))
    base = [s for s in tower_steps(text) if s.e > 0 and s.feed_per_minute == 1200]
    halves = [max(abs(s.start[0] - 100), abs(s.start[1] - 90)) for s in base[::4]]
    sign = -1 if side is BrimSide.INSIDE else 1
    expected = [SIDE / 2 + sign * 0.45 * n for n in (3, 2, 1, 0)]
    assert halves == pytest.approx(expected, abs=1e-3)
    assert {round(s.end[2], 3) for s in base} == {0.3}
    section = (0.45 - 0.3) * 0.3 + math.pi * 0.15**2
    for s in base:
        per_mm = s.e / math.dist(s.start[:2], s.end[:2])
        assert per_mm == pytest.approx(section / (math.pi * 0.875**2), rel=1e-4)


def test_the_users_text_stands_around_it_untouched(tmp_path, plan):
    text, warnings = written(tmp_path, plan, job())
    lines = text.splitlines()
    assert warnings == ()
    assert "\n".join(lines[lines.index("G28") : lines.index(BEGIN_TOWER)]) == START
    assert text.endswith(END + "\n")
    for caution in CAUTIONS:
        assert f"; {caution}" in lines[:10]


def test_only_plain_words_outside_the_users_text(tmp_path, plan):
    text, _ = written(tmp_path, plan, job(start="", end=""))
    for line in text.splitlines():
        if not line.startswith(";"):
            assert line.split()[0] in {"G0", "G1", "G21", "G90"}


@pytest.mark.parametrize(
    ("changes", "what"),
    [
        ({"size_mm": (55.0, 180.0)}, "leaves the bed"),
        # the nozzle's path is 59.55 mm wide, its line 60 mm
        ({"size_mm": (59.9, 180.0)}, "leaves the bed"),
        ({"size_mm": (200.0, 59.9)}, "leaves the bed"),
        ({"max_height_mm": 8.0}, "goes to Z 8"),
        ({"flow_limit_mm3_s": 4.0}, r"needs 4\.1 mm³/s"),
        ({"brim": 66}, "66 brim loops do not fit inside the tower; at most 65 do"),
        ({"start": "G28\nG91"}, "relative coordinates"),
        ({"start": "G20"}, "inches"),
        ({"start": "G28\nG92 X5"}, "shifted"),
    ],
)
def test_moves_beyond_the_limits_are_refused(tmp_path, plan, changes, what):
    with pytest.raises((OptionError, PlanError), match=what) as caught:
        written(tmp_path, plan, job(**changes))
    assert "\n" not in str(caught.value)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("end", "warned"),
    [
        ("G1 Z0 F6000\n", True),
        ("G1 Z150 F6000\nG1 X0 Y0\nG1 Z0\n", False),
        ("G91\nG1 Z10\nG90\nG0 X0 Y170\n", False),
        ("G0 X5 Y5\nG1 Z0\n", False),
        ("G0 X5 Y5\nG1 Z0\nG0 X190 Y170\n", True),
        ("G0 X5 Y5\nG1 Z0\nG0 X190 Y170 Z30\n", True),  # it begins low
        # from the tower's corner aside and down at once
        *((f"G1 {aside} Z0\n", True) for aside in ("X5", "X195", "Y5", "Y175")),
    ],
)
def test_an_end_text_that_runs_into_the_tower_is_warned_about(tmp_path, plan, end, warned):
    warnings = write_toolpath(plan, job(end="USER-END\n" + end), tmp_path / "t.gcode")
    assert ["where the tower stands" in warning for warning in warnings] == [True] * warned


@pytest.mark.parametrize(
    ("end", "warned"),
    [
        ("M104 S0\nG28\n", True),
        ("G28 Z\nG1 X0 Y0\n", True),
        ("g28 x0 y0 z0\n", True),
        ("G30\n", True),
        ("N7 G28 X Y ; park\n", False),
        ("G28 X0 Y0\n", False),
        ("G4 P28\n", False),
    ],
)
def test_an_end_text_that_homes_z_is_warned_about(tmp_path, plan, end, warned):
    warnings = write_toolpath(plan, job(end="USER-END\n" + end), tmp_path / "t.gcode")
    assert any("homes Z after the print" in warning for warning in warnings) is warned
    assert warned or not warnings


@pytest.mark.parametrize(
    ("start", "said"),
    [
        ("G28\nM83\nM109 S210\nM106 S255\n", []),
        ("G21\nG90\nG28 X Y Z\nM82\nM83\nM109 R210\nM106\n", []),
        ("M109 S210\nG28\nM106\nM83\nM82\n", ["makes E absolute (M82)"]),
        ("M104 T0 S210\nM109 S210\nM106\nG28\nM83\nG90\n", ["has G90 after M83"]),
        ("G28\nM109 S210\nM106\n", ["does not make E relative"]),
        ("M109 S210\nM106\n", ["does not make E relative", "homes no axis"]),
        ("G28\nM83\nM106\n", ["heats no nozzle"]),
        ("G28\nM83\nM106\nM140 S60\nM104 S0\n", ["heats no nozzle"]),
        ("G28\nM83\nM106\nM109 S210\nM104 S0\n", ["heats no nozzle"]),
        ("G28\nM83\nM104 S210\nM106\n", ["does not wait until the nozzle is hot"]),
        ("G28\nM83\nM104 S210\nM116\nM106\n", []),
        (
            "G28\nM83\nM106\nM104 S210\nG1 X50 E2 F600\nM109 S210\n",
            ["before it has waited for the nozzle"],
        ),
        ("G28\nM83\nM106\nM104 S210\nM109 S210\nG1 X50 E2 F600\n", []),
        # 4 faces of 59.55 mm at 50 mm/s are 4.8 s, and a little more for the corners
        (
            "G28\nM83\nM109 S210\n",
            ["starts no fan (M106 on most machines): a layer takes only 5 s"],
        ),
        ("G28\nM83\nM106 S255\nM106 S0\nM109 S210\n", ["starts no fan"]),
        ("USER-START\n", ["holds no plain G-code"]),
        ("USER-START\nM104 S210\n", []),  # the user's own words may do all of it
    ],
)
def test_what_a_start_text_lacks_is_warned_about(tmp_path, plan, start, said):
    warnings = write_toolpath(plan, job(start=start), tmp_path / "t.gcode")
    assert len(warnings) == len(said)
    for warning, part in zip(warnings, said, strict=True):
        assert part in warning


@pytest.mark.parametrize(
    ("end", "warned"),
    [
        ("G0 Z150\n", True),
        ("M140 S0\nG0 Z150\n", True),  # the bed alone
        ("M104 S180\n", True),
        ("M104 S0\nM140 S0\n", False),
        ("m109 s180\nM104 S0 ; off\n", False),
        ("USER-END\nG0 Z150\n", False),  # the user's own words may do it
    ],
)
def test_an_end_text_that_leaves_the_nozzle_hot_is_warned_about(tmp_path, plan, end, warned):
    warnings = write_toolpath(plan, job(end=end), tmp_path / "t.gcode")
    assert ["does not switch the heaters off" in x for x in warnings] == [True] * warned


def test_the_same_text_twice_is_warned_about(tmp_path, plan):
    text = "USER-TEXT\nG28 X\nM83\n"
    warnings = write_toolpath(plan, job(start=text, end=text), tmp_path / "t.gcode")
    assert warnings == ("start and end text are the same: is one of them the wrong file?",)


def test_where_the_start_text_ends_is_not_the_plans_fault(tmp_path, plan):
    """The first move of the tower only rises, wherever that is."""
    assert not write_toolpath(plan, job(origin_mm=(10.0, 10.0)), tmp_path / "t.gcode")
    warnings = write_toolpath(plan, job(start=f"{START}\nG1 X-40 Y10\n"), tmp_path / "u.gcode")
    assert len(warnings) == 1
    assert "leaves the bed at X -40" in warnings[0]


def test_the_worst_move_is_told(tmp_path, make_plan):
    plan = make_plan()
    with pytest.raises(PlanError, match=f"goes to Z {plan.height_mm:g} mm"):
        written(tmp_path, plan, job(max_height_mm=plan.height_mm / 2))
    with pytest.raises(PlanError) as refused:
        written(tmp_path, plan, job(flow_limit_mm3_s=0.1))
    section = bead_section_mm2(plan.size.line_width_mm, plan.size.layer_height_mm)
    assert f"needs {section * plan.motion.speed_mm_s:.1f} mm³/s" in str(refused.value)


@pytest.mark.parametrize("text", ["", "\n\n", "; nothing\n(at all)\n", "hello, printer\n"])
def test_texts_without_a_command_are_warned_about(tmp_path, plan, text):
    warnings = write_toolpath(plan, job(start=text, end=text), tmp_path / "t.gcode")
    assert [warning.split(";")[0] for warning in warnings] == [
        "the start text holds no plain G-code",
        "the end text holds no plain G-code",
    ]


def test_the_users_own_moves_are_warned_about(tmp_path, plan):
    _, warnings = written(tmp_path, plan, job(end=f"{END}\nG0 X-5 Y0 F600"))
    assert len(warnings) == 1
    assert "user's own text" in warnings[0]


def test_a_tower_may_fill_the_bed(tmp_path, plan):
    assert not written(tmp_path, plan, job(start=HOT, size_mm=(60.0, 60.0), end=COLD))[1]


def test_the_users_way_into_the_bed_is_warned_about(tmp_path, plan):
    _, warnings = written(tmp_path, plan, job(start=f"{HOT}\nG1 Z-1 F600"))
    assert len(warnings) == 1
    assert "goes to Z -1 mm" in warnings[0]


def test_filament_drawn_back_on_the_way_is_warned_about(tmp_path, plan):
    _, warnings = written(tmp_path, plan, job(start=f"{HOT}\nG1 X50 Y40 E-2 F600\nG1 E2"))
    assert len(warnings) == 1
    assert "draws filament back while it moves to X 50 Y 40" in warnings[0]


def test_a_users_move_whose_feed_is_not_known_is_not_judged_by_its_flow(tmp_path, plan):
    assert written(tmp_path, plan, job(start=f"{HOT}\nG1 X50 Y40 E2"))[1] == ()
    _, warnings = written(tmp_path, plan, job(start=f"{HOT}\nG1 X30 Y40 E20 F6000"))
    # 20 mm of 1.75 mm filament over 50 mm at 100 mm/s: 20 pi 0.875² / 0.5
    assert len(warnings) == 1
    assert f"needs {40 * math.pi * 0.875**2:.1f} mm³/s" in warnings[0]


def test_of_many_such_warnings_the_first_five_are_told(tmp_path, plan):
    end = "\n".join([*(f"G0 X-{n} Y0 F600" for n in range(1, 9)), COLD])
    _, warnings = written(tmp_path, plan, job(end=end))
    told = [f"at X -{n} Y 0" for n in range(1, 6)]
    assert len(warnings) == 5
    assert all(part in warning for part, warning in zip(told, warnings, strict=True))


def test_a_bed_with_its_origin_in_the_middle(tmp_path, plan):
    text, _ = written(tmp_path, plan, job(start="G28", end="", origin_mm=(-100.0, -90.0)))
    xs = [s.end[0] for s in wall_steps(text)]
    assert (min(xs), max(xs)) == pytest.approx((-SIDE / 2, SIDE / 2), abs=1e-3)


def test_the_flow_limit_is_kept_to_a_few_parts_in_ten_thousand(tmp_path, plan):
    """A bead of 0.45 by 0.2 mm with round sides, 50 mm/s: (0.25 x 0.2 + pi 0.01) x 50."""
    flow = (0.25 * 0.2 + math.pi * 0.1**2) * 50
    written(tmp_path, plan, job(flow_limit_mm3_s=flow * 1.0002))
    with pytest.raises(PlanError, match="hot end melts"):
        written(tmp_path, plan, job(flow_limit_mm3_s=flow * 0.9995))


def test_the_most_brim_that_fits_never_draws_back(tmp_path, plan):
    text, _ = written(tmp_path, plan, job(brim=65))
    assert min(s.e for s in tower_steps(text)) >= 0


def test_what_the_tower_cannot_show_is_not_made(tmp_path, make_plan):
    bottom = make_plan(reference={"first_layer": 0, "last_layer": 9})
    with pytest.raises(PlanError, match="layer 0 is printed slowly"):
        written(tmp_path, bottom, job())
    top = make_plan(size={"layers": 35}, reference=None)
    with pytest.raises(PlanError, match="a spiral runs out on the top layer"):
        written(tmp_path, top, job(Style.SPIRAL))
    written(tmp_path, top, job(Style.LAYERS))


@pytest.mark.parametrize("mark", ["\u2028", "\x85", "\x0c", "\x1e"])
def test_a_comment_of_the_user_never_becomes_a_command(tmp_path, plan, mark):
    """Characters at which Python ends a line, and no machine does."""
    text, _ = written(tmp_path, plan, job(start=f"; a{mark}G1 Z-5 F300"))
    assert f"; a{mark}G1 Z-5 F300" in text.split("\n")


def test_links_are_followed(tmp_path, plan):
    (tmp_path / "real.gcode").write_text("old")
    (tmp_path / "t.gcode").symlink_to(tmp_path / "real.gcode")
    written(tmp_path, plan, job())
    assert (tmp_path / "t.gcode").is_symlink()
    assert BEGIN_TOWER in (tmp_path / "real.gcode").read_text()


@pytest.mark.parametrize("line", ["G91 X Y", "G91 E", "G91 (rel", "G20 Z"])
def test_a_start_text_whose_mode_cannot_be_read_is_refused(tmp_path, plan, line):
    with pytest.raises(OptionError, match=r"^the start text, line 2: cannot read"):
        written(tmp_path, plan, job(start=f"G28\n{line}"))


def test_what_cannot_be_read_is_named_by_the_line_of_the_users_own_text(tmp_path, plan):
    """There is no toolpath to look it up in; another coordinate system would shift the tower."""
    with pytest.raises(OptionError, match=r"^the start text, line 3: G55 is not read"):
        written(tmp_path, plan, job(start="G28\n\nG55\nG1 Z5"))
    with pytest.raises(OptionError, match=r"^the end text, line 2: cannot read the move 'G0 Z5,5'"):
        written(tmp_path, plan, job(end="M5\nG0 Z5,5"))
    assert not (tmp_path / "t.gcode").exists()


def test_a_line_to_prime_the_nozzle_may_run_along_the_beds_edge(tmp_path, plan):
    start = f"{HOT}\nG1 Z0.3 F600\nG0 X0 Y0 F3000\nG1 X0 Y80 E2 F600\nG1 X0.1 Y20 E2 F600"
    assert written(tmp_path, plan, job(start=start))[1] == ()
    beyond = start.replace("G1 X0 Y80", "G1 X-0.1 Y80")
    assert "leaves the bed at X -0.1 Y 80" in written(tmp_path, plan, job(start=beyond))[1][0]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ("G1 E-3 F1800", "3 mm of filament drawn back"),
        ("G1 X50 Y40 E9 F600\nG1 E-3 F1800\nG1 E1", "2 mm of filament drawn back"),
        ("G1 E-3 F1800\nG1 E3", None),
        ("G1 E-0.1 F1800", None),
    ],
)
def test_filament_that_is_left_drawn_back_is_told(tmp_path, plan, words, told):
    start = f"{HOT}\nG0 X50 Y20 F6000\n{words}"
    warnings = written(tmp_path, plan, job(start=start))[1]
    assert [told in warning for warning in warnings] == ([] if told is None else [True])
