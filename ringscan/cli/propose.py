"""The command that proposes a plan."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ringscan.cli.asking import Questions, check_label, choice, read_axes, read_families
from ringscan.cli.complain import say
from ringscan.cli.options import (
    Filament,
    Force,
    bed_option,
    claim,
    flow_option,
    height_option,
    path_argument,
    path_option,
    require_suffix,
)
from ringscan.errors import OutputError

if TYPE_CHECKING:
    from ringscan.make.planner import Proposal


def register(app: typer.Typer) -> None:
    """Add this module's command."""
    app.command("plan")(plan_command)


def plan_command(
    out: Annotated[Path, path_argument(metavar="OUT", help="Plan file to write (TOML).")],
    tower: Annotated[str | None, typer.Option(help="Label, like HERON-1.")] = None,
    bed: Annotated[str | None, bed_option] = None,
    max_height: Annotated[float, height_option] = 200.0,
    nozzle: Annotated[float | None, typer.Option(help="Bore of the nozzle, mm.")] = None,
    line_width: Annotated[float | None, typer.Option(help="Width of the printed line, mm.")] = None,
    layer_height: Annotated[float | None, typer.Option(help="Layer height, mm.")] = None,
    flow_limit: Annotated[float | None, flow_option] = None,
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
    damping_setting: Annotated[
        float | None, typer.Option(help="Damping ratio set in the shaper; 0.1 if not given.")
    ] = None,
    direction: Annotated[
        str | None,
        typer.Option(help="counter-clockwise, if not given, or clockwise, seen from above."),
    ] = None,
    like: Annotated[
        Path | None,
        path_option(
            metavar="PLAN",
            help="Keep an earlier plan's size, motion and shaper, to see whether a setting helped.",
        ),
    ] = None,
    filament: Filament = 1.75,
    reference: Annotated[
        bool, typer.Option(help="A band with the shaper off; needs a text that switches it off.")
    ] = True,
    preview: Annotated[Path | None, path_option(metavar="PNG", help="Expected wall.")] = None,
    expect: Annotated[
        float | None, typer.Option(help="Natural frequency to draw in the preview, Hz.")
    ] = None,
    force: Force = False,
) -> None:
    """Propose a tower that a photo can be read from; asks for what is not given."""
    from ringscan.make.limits import require_bead, require_limits
    from ringscan.make.planner import Machine, Wishes, propose
    from ringscan.output import write_whole
    from ringscan.plan import Direction, load_plan
    from ringscan.show.prepare_text import plan_summary

    if out.is_dir():
        raise OutputError(f"{out}: is a folder; name the plan file to write")
    if expect is not None and preview is None:
        raise typer.BadParameter("goes with --preview", param_hint="--expect")
    require_suffix(preview, ".png", flag="--preview")
    claim([out, preview], [like], force=force)
    first = None
    if like is not None:
        kept = {
            "--line-width": line_width,
            "--layer-height": layer_height,
            "--speed": speed,
            "--acceleration": acceleration,
            "--corner-speed": corner_speed,
            "--max-speed": max_speed,
            "--max-acceleration": max_acceleration,
            "--families": families,
            "--direction": direction,
        }
        if given := [flag for flag, value in kept.items() if value is not None]:
            raise typer.BadParameter(f"--like keeps what {given[0]} says; give one of the two")
        first = load_plan(like)
        size, motion = first.size, first.motion
        line_width, layer_height = size.line_width_mm, size.layer_height_mm
        nozzle = round(line_width / LINE_OF_NOZZLE, 2) if nozzle is None else nozzle
        speed, acceleration = motion.speed_mm_s, motion.acceleration_mm_s2
        corner_speed, direction = motion.corner_speed_mm_s, motion.direction
        families, axes = first.shaper.family, axes or "".join(first.axes)
        reference = reference and first.reference is not None
        if damping_setting is None:
            damping_setting = first.shaper.damping_ratio
    ask = Questions()
    label = ask.text("--tower", tower, "Label of the tower, like HERON-1", check=check_label)
    bed_mm = ask.pair("--bed", bed, "Bed, width x depth in mm, like 220x220", "x")

    def above_zero(name: str, unit: str) -> Callable[[float], object]:
        return lambda value: require_limits(**{name: (value, unit)})

    bore = ask.number(
        "--nozzle", nozzle, "Nozzle bore in mm", 0.4, check=above_zero("nozzle", "mm")
    )
    width = ask.number(
        "--line-width",
        line_width,
        "Line width in mm",
        round(LINE_OF_NOZZLE * bore, 2),
        check=lambda mm: require_bead(bore, line_width_mm=mm),
    )
    height = ask.number(
        "--layer-height",
        layer_height,
        "Layer height in mm",
        round(bore / 2, 2),
        check=lambda mm: require_bead(bore, layer_height_mm=mm),
    )
    flow = ask.number(
        "--flow-limit",
        flow_limit,
        "Most the hot end melts, in mm³/s",
        check=above_zero("flow_limit", "mm³/s"),
    )
    v = ask.number("--speed", speed, "Intended speed in mm/s", check=above_zero("speed", "mm/s"))
    a = ask.number(
        "--acceleration",
        acceleration,
        "Intended acceleration in mm/s²",
        check=above_zero("acceleration", "mm/s²"),
    )
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
        damping_setting=0.1 if damping_setting is None else damping_setting,
        reference=reference,
        direction=choice(Direction, direction or "counter-clockwise", "--direction"),
        like=first,
    )
    proposal = propose(machine, wishes)
    if preview is not None:
        _draw(proposal, preview, (low * high) ** 0.5 if expect is None else expect)
    write_whole(out, proposal.plan.to_toml().encode())
    print(plan_summary(proposal))
    say(f"wrote {out}" + (f" and {preview}" if preview else ""))


LINE_OF_NOZZLE = 1.125
"""Line width to propose, as a multiple of the bore; common practice, no source."""


def _draw(proposal: Proposal, path: Path, natural_hz: float) -> None:
    from ringscan.make.expected import expected_wall
    from ringscan.show.preview import write_preview

    axis = proposal.plan.axes[0]
    wall = expected_wall(proposal.plan, axis, round(natural_hz, 1), PREVIEW_DAMPING)
    write_preview(proposal.plan, axis, wall, proposal.assessment, path)


PREVIEW_DAMPING = 0.06
"""Middle of the design range of such axes."""
