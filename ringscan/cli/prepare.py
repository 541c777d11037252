"""Commands from the plan to a print: tower, toolpath, ramp, check."""

from __future__ import annotations

from contextlib import nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ringscan.cli.asking import choice, read_text, text_or_file, two_numbers
from ringscan.cli.complain import NOT_FIT, say
from ringscan.cli.options import (
    Filament,
    Force,
    PlanFile,
    bed_option,
    claim,
    flow_option,
    height_option,
    path_argument,
    path_option,
    refuse_picture,
    require_suffix,
)

if TYPE_CHECKING:
    from ringscan.make.texts import Texts

Command = Annotated[
    str | None,
    typer.Option(help="Your firmware's text that sets a value, with {axis}, {frequency_hz} ..."),
]
CommandFile = Annotated[Path | None, path_option(help="The same text from a file.")]
Off = Annotated[str | None, typer.Option(help="Your firmware's text that switches the shaper off.")]
OffFile = Annotated[Path | None, path_option(help="The same text from a file.")]


def register(app: typer.Typer) -> None:
    """Add the commands to the application."""
    app.command("tower")(tower_command)
    app.command("toolpath")(toolpath_command)
    app.command("ramp")(ramp_command)
    app.command("check")(check_command)


def tower_command(
    plan: PlanFile,
    out: Annotated[Path, path_argument(metavar="OUT", help="Mesh to write: .stl or .3mf.")],
    form: Annotated[
        str, typer.Option(help="block (sliced as one wall) or tube (as it will stand).")
    ] = "block",
    force: Force = False,
) -> None:
    """Write the tower as a mesh for your slicing program."""
    from ringscan.make.tower import Form, write_tower
    from ringscan.plan import load_plan

    the_form = choice(Form, form, "--form")
    require_suffix(out, ".stl", ".3mf", flag="OUT")
    claim([out], [plan], force=force)
    the_plan = load_plan(plan)
    write_tower(the_plan, out, the_form)
    how = {
        Form.BLOCK: "as one wall, no infill, no top, no bottom",
        Form.TUBE: "with thin walls printed as one line, as they are drawn",
    }
    say(f"wrote {out}; slice it at 100 % {how[the_form]}")


def toolpath_command(
    plan: PlanFile,
    out: Annotated[Path, path_argument(metavar="OUT", help="G-code to write.")],
    start: Annotated[Path, path_option(help="Your own start text: heating, homing, limits.")],
    end: Annotated[Path, path_option(help="Your own end text.")],
    bed: Annotated[str, bed_option],
    flow_limit: Annotated[float, flow_option],
    max_height: Annotated[float, height_option],
    origin: Annotated[
        str, typer.Option(metavar="X,Y", help="Coordinates of the bed's front left corner.")
    ] = "0,0",
    style: Annotated[str, typer.Option(help="spiral or layers.")] = "spiral",
    brim: Annotated[int, typer.Option(min=0, max=40, help="Lines of brim.")] = 8,
    brim_side: Annotated[str, typer.Option(help="inside or outside.")] = "inside",
    filament: Filament = 1.75,
    force: Force = False,
) -> None:
    """Write the tower as plain G-code between your own start and end text."""
    from ringscan.make.job import Bed, BrimSide, Job, Style
    from ringscan.make.toolpath import write_toolpath
    from ringscan.plan import load_plan

    the_style = choice(Style, style, "--style")
    the_side = choice(BrimSide, brim_side, "--brim-side")
    refuse_picture(out)
    claim([out], [plan, start, end], force=force)
    the_plan = load_plan(plan)
    job = Job(
        bed=Bed(
            size_mm=two_numbers(bed, "x", "--bed"),
            origin_mm=two_numbers(origin, ",", "--origin"),
            max_height_mm=max_height,
            flow_limit_mm3_s=flow_limit,
            filament_mm=filament,
        ),
        start_text=read_text(start),
        end_text=read_text(end),
        style=the_style,
        brim_loops=brim,
        brim_side=the_side,
    )
    for warning in write_toolpath(the_plan, job, out):
        say(f"warning: {warning}")
    say(f"wrote {out}; now put the ramp in: ringscan ramp {plan} {out} ...")


def ramp_command(
    plan: PlanFile,
    source: Annotated[Path, path_argument(metavar="GCODE", help="File to put the ramp into.")],
    out: Annotated[
        Path | None, path_argument(metavar="OUT", help="File to write; not with --dry-run.")
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
        path_option(
            metavar="PLAN2",
            help="Without an off text: write and use a plan that has no reference band.",
        ),
    ] = None,
    force: Force = False,
) -> None:
    """Put your firmware's command into a G-code file, before every layer."""
    from ringscan.make.cautions import OTHER_AXIS_OFF, SERVES_BOTH, STAYS_IN_FORCE
    from ringscan.make.ramp import add_ramp, layer_lines
    from ringscan.make.texts import layer_commands
    from ringscan.output import writing_whole
    from ringscan.plan import load_plan
    from ringscan.show.prepare_text import ramp_table

    if (out is None) != dry_run:
        raise typer.BadParameter("give OUT, or --dry-run without OUT")
    if dry_run and write_plan is not None:
        raise typer.BadParameter("--write-plan goes without --dry-run, which writes nothing")
    refuse_picture(out, write_plan)
    claim([out, write_plan], [plan, source, command_file, off_file], force=force)
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
        say(f"no reference band: {LOST_WITHOUT_REFERENCE}")
    if texts.serves_both(the_plan):
        say(f"note: {SERVES_BOTH}")
    if len(the_plan.axes) == 1 and not texts.switched_off(the_plan):
        say(f"note: {OTHER_AXIS_OFF}")
    for axis in texts.switched_off(the_plan):
        say(f"note: {axis.upper()} has no ramp: its shaper is switched off before the first band")
    if dry_run:
        commands = layer_commands(the_plan, texts)
        lines, warnings = layer_lines(source, the_plan)
        for row in ramp_table(commands, lines):
            print(row)
        for warning in warnings:
            say(f"warning: {warning}")
        return
    assert out is not None
    # neither of the two files appears if the other cannot be written
    with nullcontext() if write_plan is None else writing_whole(write_plan) as second:
        if second is not None:
            second.write(the_plan.to_toml().encode())
            second.flush()
        result = add_ramp(source, out, the_plan, texts)
    for warning in result.warnings:
        say(f"warning: {warning}")
    if write_plan is not None:
        say(f"wrote {write_plan}: use it for the sheet and the scan")
    if result.already:
        say(f"{source} carries this very ramp already; {out} is the same, unchanged")
    else:
        say(
            f"wrote {out}: {result.layers} layers found, commands before {result.commanded} of "
            f"them; {source} is untouched"
        )
    say(f"now read it back: ringscan check {write_plan or plan} {out}")
    say(f"caution: {STAYS_IN_FORCE}")


LOST_WITHOUT_REFERENCE = (
    "ripple cannot be given relative to no shaper, and a ramp that never reached the machine is "
    "harder to notice"
)


def check_command(
    plan: PlanFile,
    source: Annotated[Path, path_argument(metavar="GCODE", help="Finished file.")],
    command: Command = None,
    command_file: CommandFile = None,
    off: Off = None,
    off_file: OffFile = None,
    corrected: Annotated[
        Path | None, path_option(metavar="PLAN2", help="Write the plan as the file has it.")
    ] = None,
    brief: Annotated[bool, typer.Option("--brief", help="Join layers that are alike.")] = False,
    force: Force = False,
) -> None:
    """Read a finished G-code file back and say whether it will give a readable tower.

    The exit status is 9 if it will not.
    """
    from ringscan.make.check import read_file
    from ringscan.make.verdict import Verdict, judge
    from ringscan.output import write_whole
    from ringscan.plan import load_plan
    from ringscan.show.prepare_text import check_findings, check_table

    refuse_picture(corrected)
    claim([corrected], [plan, source, command_file, off_file], force=force)
    the_plan = load_plan(plan)
    report = read_file(source, the_plan, _texts(command, command_file, off, off_file))
    judgement = judge(report, the_plan)
    for row in check_table(report.rows, the_plan.axes, brief=brief):
        print(row)
    for row in check_findings(judgement):
        print(row)
    print(judgement.line)
    if corrected is not None and judgement.corrected is None:
        say(f"{corrected} was not written: no plan can describe {source}")
    if judgement.verdict is Verdict.NOT_READABLE:
        raise SystemExit(NOT_FIT)
    if judgement.verdict is Verdict.READABLE and corrected is not None:
        say(f"{corrected} was not written: {plan} describes the file as it is")
    elif corrected is not None and judgement.corrected is not None:
        write_whole(corrected, judgement.corrected.to_toml().encode())
        say(f"wrote {corrected}; print the scan sheet anew from it")


def _texts(
    command: str | None, command_file: Path | None, off: str | None, off_file: Path | None
) -> Texts | None:
    from ringscan.make.template import parse_template
    from ringscan.make.texts import Texts

    command = text_or_file(command, command_file, "--command")
    off = text_or_file(off, off_file, "--off")
    if command is None:
        return None
    return Texts(
        command=parse_template(command, commands=True),
        off=None if off is None else parse_template(off, commands=False),
    )
