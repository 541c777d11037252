"""Commands before the photo: plan, tower, toolpath, ramp, check."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ringscan.cli.asking import (
    Questions,
    check_label,
    choice,
    read_axes,
    read_families,
    read_text,
    text_or_file,
    two_numbers,
)
from ringscan.cli.complain import NOT_FIT
from ringscan.errors import OutputError

if TYPE_CHECKING:
    from ringscan.make.planner import Proposal
    from ringscan.make.template import Texts

PlanFile = Annotated[Path, typer.Argument(metavar="PLAN", help="Plan file (TOML).")]
Flow = Annotated[float | None, typer.Option(help="Most the hot end melts, mm³/s.")]
Bed = Annotated[str | None, typer.Option(metavar="WxD", help="Bed size in mm, like 220x220.")]
Filament = Annotated[float, typer.Option(help="Diameter of the filament, mm.")]
Command = Annotated[
    str | None,
    typer.Option(help="Your firmware's text that sets a value, with {axis}, {frequency_hz} ..."),
]
CommandFile = Annotated[Path | None, typer.Option(help="The same text from a file.")]
Off = Annotated[str | None, typer.Option(help="Your firmware's text that switches the shaper off.")]
OffFile = Annotated[Path | None, typer.Option(help="The same text from a file.")]


def register(app: typer.Typer) -> None:
    """Add the commands to the application."""
    app.command("plan")(plan_command)
    app.command("tower")(tower_command)
    app.command("toolpath")(toolpath_command)
    app.command("ramp")(ramp_command)
    app.command("check")(check_command)


def plan_command(
    out: Annotated[Path, typer.Argument(metavar="OUT", help="Plan file to write (TOML).")],
    tower: Annotated[str | None, typer.Option(help="Label, like HERON-1.")] = None,
    bed: Bed = None,
    max_height: Annotated[float, typer.Option(help="Greatest height of a print, mm.")] = 200.0,
    nozzle: Annotated[float | None, typer.Option(help="Bore of the nozzle, mm.")] = None,
    line_width: Annotated[float | None, typer.Option(help="Width of the printed line, mm.")] = None,
    layer_height: Annotated[float | None, typer.Option(help="Layer height, mm.")] = None,
    flow_limit: Flow = None,
    speed: Annotated[float | None, typer.Option(help="Intended speed, mm/s.")] = None,
    acceleration: Annotated[
        float | None, typer.Option(help="Intended acceleration, mm/s².")
    ] = None,
    corner_speed: Annotated[
        float | None, typer.Option(help="Speed at which a 90° corner is taken, mm/s.")
    ] = None,
    max_speed: Annotated[
        float | None, typer.Option(help="Highest speed to propose; else the intended one.")
    ] = None,
    max_acceleration: Annotated[
        float | None, typer.Option(help="Highest acceleration to propose; else the intended one.")
    ] = None,
    axes: Annotated[str | None, typer.Option(help="Axes: x, y or xy.")] = None,
    families: Annotated[
        str | None, typer.Option(help="Shapers your firmware offers, like ZV,ZVD,EI.")
    ] = None,
    frequencies: Annotated[
        str | None, typer.Option(metavar="LOW-HIGH", help="Rough range in Hz; 15-75 if not given.")
    ] = None,
    damping_setting: Annotated[float, typer.Option(help="Damping ratio set in the shaper.")] = 0.1,
    direction: Annotated[
        str, typer.Option(help="counter-clockwise or clockwise, seen from above.")
    ] = "counter-clockwise",
    filament: Filament = 1.75,
    reference: Annotated[
        bool, typer.Option(help="A band with the shaper off; needs a text that switches it off.")
    ] = True,
    preview: Annotated[Path | None, typer.Option(metavar="PNG", help="Expected wall.")] = None,
    expect: Annotated[
        float | None, typer.Option(help="Natural frequency to draw in the preview, Hz.")
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace an existing plan file.")] = False,
) -> None:
    """Propose a tower that a photo can be read from; asks for what is not given."""
    from ringscan.make.planner import Machine, Wishes, propose
    from ringscan.output import keep_apart, write_whole
    from ringscan.plan import Direction
    from ringscan.show.prepare_text import plan_summary

    keep_apart([out, preview])
    if out.is_dir():
        raise OutputError(f"{out}: is a folder; name the plan file to write")
    if expect is not None and preview is None:
        raise typer.BadParameter("goes with --preview", param_hint="--expect")
    if preview is not None and preview.suffix.lower() != ".png":
        raise typer.BadParameter("writes PNG: name it so", param_hint="--preview")
    if out.exists() and not force:
        raise OutputError(f"{out}: exists; a tower may have been printed with it; give --force")
    ask = Questions()
    label = ask.text("--tower", tower, "Label of the tower, like HERON-1", check=check_label)
    bed_mm = ask.pair("--bed", bed, "Bed, width x depth in mm, like 220x220", "x")
    bore = ask.number("--nozzle", nozzle, "Nozzle bore in mm", 0.4)
    width = ask.number("--line-width", line_width, "Line width in mm", round(1.125 * bore, 2))
    height = ask.number("--layer-height", layer_height, "Layer height in mm", round(bore / 2, 2))
    flow = ask.number("--flow-limit", flow_limit, "Most the hot end melts, in mm³/s")
    v = ask.number("--speed", speed, "Intended speed in mm/s")
    a = ask.number("--acceleration", acceleration, "Intended acceleration in mm/s²")
    corner = ask.number("--corner-speed", corner_speed, "Speed at a 90° corner in mm/s")
    names = ask.text("--axes", axes, "Axes: x, y or xy", "xy", check=read_axes)
    offered = ask.text(
        "--families",
        families,
        "Shapers your firmware offers, like ZV,ZVD,EI",
        check=read_families,
    )
    low, high = ask.pair("--frequencies", frequencies, "Rough range in Hz", "-", "15-75")
    ask.done()
    if expect is not None and not low <= expect <= high:
        raise typer.BadParameter(
            f"{expect:g} Hz lies outside of the range, {low:g} to {high:g} Hz",
            param_hint="--expect",
        )
    machine = Machine(
        bed_mm=bed_mm,
        max_height_mm=max_height,
        nozzle_mm=bore,
        line_width_mm=width,
        layer_height_mm=height,
        flow_limit_mm3_s=flow,
        speed_mm_s=v,
        acceleration_mm_s2=a,
        corner_speed_mm_s=corner,
        max_speed_mm_s=max_speed or v,
        max_acceleration_mm_s2=max_acceleration or a,
        filament_mm=filament,
    )
    wishes = Wishes(
        tower=label,
        axes=read_axes(names),
        families=read_families(offered),
        low_hz=low,
        high_hz=high,
        damping_setting=damping_setting,
        reference=reference,
        direction=choice(Direction, direction, "--direction"),
    )
    proposal = propose(machine, wishes)
    if preview is not None:
        _draw(proposal, preview, (low * high) ** 0.5 if expect is None else expect)
    write_whole(out, proposal.plan.to_toml().encode())
    print(plan_summary(proposal))
    _say(f"wrote {out}" + (f" and {preview}" if preview else ""))


def _draw(proposal: Proposal, path: Path, natural_hz: float) -> None:
    from ringscan.make.expected import expected_wall
    from ringscan.show.preview import write_preview

    axis = proposal.plan.axes[0]
    wall = expected_wall(proposal.plan, axis, round(natural_hz, 1), PREVIEW_DAMPING)
    write_preview(proposal.plan, axis, wall, proposal.assessment, path)


PREVIEW_DAMPING = 0.06
"""Middle of the design range of such axes."""


def tower_command(
    plan: PlanFile,
    out: Annotated[Path, typer.Argument(metavar="OUT", help="Mesh to write: .stl or .3mf.")],
    form: Annotated[
        str, typer.Option(help="block (sliced as one wall) or tube (as it will stand).")
    ] = "block",
) -> None:
    """Write the tower as a mesh for your slicing program."""
    from ringscan.make.tower import Form, write_tower
    from ringscan.output import keep_apart
    from ringscan.plan import load_plan

    keep_apart([out], [plan])
    the_plan = load_plan(plan)
    write_tower(the_plan, out, choice(Form, form, "--form"))
    _say(f"wrote {out}; slice it at 100 % as one wall, no infill, no top, no bottom")


def toolpath_command(
    plan: PlanFile,
    out: Annotated[Path, typer.Argument(metavar="OUT", help="G-code to write.")],
    start: Annotated[Path, typer.Option(help="Your own start text: heating, homing, limits.")],
    end: Annotated[Path, typer.Option(help="Your own end text.")],
    bed: Annotated[str, typer.Option(metavar="WxD", help="Bed size in mm, like 220x220.")],
    flow_limit: Annotated[float, typer.Option(help="Most the hot end melts, mm³/s.")],
    max_height: Annotated[float, typer.Option(help="Greatest height of a print, mm.")],
    origin: Annotated[
        str, typer.Option(metavar="X,Y", help="Coordinates of the bed's front left corner.")
    ] = "0,0",
    style: Annotated[str, typer.Option(help="spiral or layers.")] = "spiral",
    brim: Annotated[int, typer.Option(min=0, max=40, help="Lines of brim.")] = 8,
    brim_side: Annotated[str, typer.Option(help="inside or outside.")] = "inside",
    filament: Filament = 1.75,
) -> None:
    """Write the tower as plain G-code between your own start and end text."""
    from ringscan.make import toolpath as tp
    from ringscan.output import keep_apart
    from ringscan.plan import load_plan

    keep_apart([out], [plan, start, end])
    the_plan = load_plan(plan)
    job = tp.Job(
        bed=tp.Bed(
            size_mm=two_numbers(bed, "x", "--bed"),
            origin_mm=two_numbers(origin, ",", "--origin"),
            max_height_mm=max_height,
            flow_limit_mm3_s=flow_limit,
            filament_mm=filament,
        ),
        start_text=read_text(start),
        end_text=read_text(end),
        style=choice(tp.Style, style, "--style"),
        brim_loops=brim,
        brim_side=choice(tp.BrimSide, brim_side, "--brim-side"),
    )
    for warning in tp.write_toolpath(the_plan, job, out):
        _say(f"warning: {warning}")
    _say(f"wrote {out}; now put the ramp in: ringscan ramp {plan} {out} ...")


def ramp_command(
    plan: PlanFile,
    source: Annotated[Path, typer.Argument(metavar="GCODE", help="File to put the ramp into.")],
    out: Annotated[
        Path | None, typer.Argument(metavar="OUT", help="File to write; not with --dry-run.")
    ] = None,
    command: Command = None,
    command_file: CommandFile = None,
    off: Off = None,
    off_file: OffFile = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Only show the table, layer by layer.")
    ] = False,
    write_plan: Annotated[
        Path | None,
        typer.Option(
            metavar="PLAN2",
            help="Without an off text: write and use a plan that has no reference band.",
        ),
    ] = None,
) -> None:
    """Put your firmware's command into a G-code file, before every layer."""
    from ringscan.make.ramp import add_ramp, layer_lines
    from ringscan.make.template import layer_commands
    from ringscan.output import keep_apart, write_whole
    from ringscan.plan import load_plan
    from ringscan.show.prepare_text import ramp_table

    if (out is None) != dry_run:
        raise typer.BadParameter("give OUT, or --dry-run without OUT")
    keep_apart([out, write_plan], [plan, source, command_file, off_file])
    the_plan = load_plan(plan)
    texts = _texts(command, command_file, off, off_file)
    if texts is None:
        raise typer.BadParameter("give the text that sets a value: --command or --command-file")
    dropped = texts.off is None and the_plan.reference is not None and write_plan is not None
    if write_plan is not None and not dropped:
        raise typer.BadParameter(
            "--write-plan is for a plan with a reference band, and no text that switches off"
        )
    if dropped:
        the_plan = the_plan.model_copy(update={"reference": None})
        _say(f"no reference band: {LOST_WITHOUT_REFERENCE}")
    if dry_run:
        commands = layer_commands(the_plan, texts)
        lines, warnings = layer_lines(source, the_plan)
        for row in ramp_table(commands, lines):
            print(row)
        for warning in warnings:
            _say(f"warning: {warning}")
        return
    assert out is not None
    result = add_ramp(source, out, the_plan, texts)
    for warning in result.warnings:
        _say(f"warning: {warning}")
    if dropped and write_plan is not None:
        write_whole(write_plan, the_plan.to_toml().encode())
        _say(f"wrote {write_plan}: use it for the sheet and the scan")
    if result.already:
        _say(f"{source} carries this very ramp already; {out} is the same, unchanged")
    else:
        _say(
            f"wrote {out}: {result.layers} layers found, commands before {result.commanded} of "
            f"them; {source} is untouched"
        )


LOST_WITHOUT_REFERENCE = (
    "ripple cannot be given relative to no shaper, and a ramp that never reached the machine is "
    "harder to notice"
)


def check_command(
    plan: PlanFile,
    source: Annotated[Path, typer.Argument(metavar="GCODE", help="Finished file.")],
    command: Command = None,
    command_file: CommandFile = None,
    off: Off = None,
    off_file: OffFile = None,
    corrected: Annotated[
        Path | None, typer.Option(metavar="PLAN2", help="Write the plan as the file has it.")
    ] = None,
    brief: Annotated[bool, typer.Option("--brief", help="Join layers that are alike.")] = False,
) -> None:
    """Read a finished G-code file back and say whether it will give a readable tower.

    The exit status is 9 if it will not.
    """
    from ringscan.make.check import read_file
    from ringscan.make.verdict import Verdict, judge
    from ringscan.output import keep_apart, write_whole
    from ringscan.plan import load_plan
    from ringscan.show.prepare_text import check_table

    keep_apart([corrected], [plan, source, command_file, off_file])
    the_plan = load_plan(plan)
    report = read_file(source, the_plan, _texts(command, command_file, off, off_file))
    judgement = judge(report, the_plan)
    for row in check_table(report.rows, the_plan.axes, brief=brief):
        print(row)
    for kind, found in (
        ("spoilt", judgement.spoilt),
        ("differs", judgement.differs),
        ("note", judgement.notes),
    ):
        for text in found:
            print(f"{kind}: {text}")
    print("note: acceleration, corner speed and feed overrides cannot be read from the moves")
    print(judgement.line)
    if corrected is not None and judgement.corrected is None:
        _say(f"{corrected} was not written: no plan can describe {source}")
    if judgement.verdict is Verdict.NOT_READABLE:
        raise SystemExit(NOT_FIT)
    if corrected is not None and judgement.corrected is not None:
        write_whole(corrected, judgement.corrected.to_toml().encode())
        _say(f"wrote {corrected}; print the scan sheet anew from it")


def _texts(
    command: str | None, command_file: Path | None, off: str | None, off_file: Path | None
) -> Texts | None:
    from ringscan.make.template import Texts, parse_template

    command = text_or_file(command, command_file, "--command")
    off = text_or_file(off, off_file, "--off")
    if command is None:
        return None
    return Texts(
        command=parse_template(command, commands=True),
        off=None if off is None else parse_template(off, commands=False),
    )


def _say(text: str) -> None:
    print(text, file=sys.stderr)
