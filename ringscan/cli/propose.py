"""The command that proposes a plan."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

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
    refuse_picture,
    require_suffix,
)
from ringscan.errors import OutputError

if TYPE_CHECKING:
    from ringscan.make.planner import Proposal
    from ringscan.make.wishes import Machine, Wishes
    from ringscan.plan import Plan


def register(app: typer.Typer) -> None:
    """Add this module's command."""
    app.command("plan")(plan_command)


def plan_command(
    context: typer.Context,
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
    from ringscan.make.planner import propose
    from ringscan.output import write_whole
    from ringscan.plan import load_plan
    from ringscan.show.prepare_text import plan_summary

    if out.is_dir():
        raise OutputError(f"{out}: is a folder; name the plan file to write")
    if expect is not None and preview is None:
        raise typer.BadParameter("goes with --preview", param_hint="--expect")
    require_suffix(preview, ".png", flag="--preview")
    refuse_picture(out)
    claim([out, preview], [like], force=force)
    # what goes on to the questions has the names of the options above
    said = {field.name: context.params[field.name] for field in fields(_Given)}
    given = _Given(**said | {"like": None})
    if like is not None:
        given = given.kept_from(load_plan(like))
    machine, wishes = _ask_all(given)
    low, high = wishes.low_hz, wishes.high_hz
    if expect is not None and not low <= expect <= high:
        raise typer.BadParameter(
            f"{expect:g} Hz lies outside of the range, {low:g} to {high:g} Hz",
            param_hint="--expect",
        )
    proposal = propose(machine, wishes)
    if preview is not None:
        _draw(proposal, preview, (low * high) ** 0.5 if expect is None else expect)
    write_whole(out, proposal.plan.to_toml().encode())
    print(plan_summary(proposal))
    say(f"wrote {out}" + (f" and {preview}" if preview else ""))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Given:
    """What the command line says, by the names of its options; None where it says nothing."""

    tower: str | None
    bed: str | None
    max_height: float
    nozzle: float | None
    line_width: float | None
    layer_height: float | None
    flow_limit: float | None
    speed: float | None
    acceleration: float | None
    corner_speed: float | None
    max_speed: float | None
    max_acceleration: float | None
    axes: str | None
    families: str | None
    frequencies: str | None
    damping_setting: float | None
    direction: str | None
    filament: float
    reference: bool
    like: Plan | None = None

    def kept_from(self, first: Plan) -> _Given:
        """The same with what an earlier plan says. Raises typer.BadParameter if both say it."""
        from ringscan.make.limits import THICKEST_OF_NOZZLE

        size, motion = first.size, first.motion
        kept: dict[str, Any] = {
            "line_width": size.line_width_mm,
            "layer_height": size.layer_height_mm,
            "speed": motion.speed_mm_s,
            "acceleration": motion.acceleration_mm_s2,
            "corner_speed": motion.corner_speed_mm_s,
            "max_speed": motion.speed_mm_s,
            "max_acceleration": motion.acceleration_mm_s2,
            "families": first.shaper.family.value,
            "direction": motion.direction.value,
        }
        for name in kept:
            if getattr(self, name) is not None:
                flag = "--" + name.replace("_", "-")
                raise typer.BadParameter(f"--like keeps what {flag} says; give one of the two")
        usual: dict[str, Any] = {
            "nozzle": max(
                round(size.line_width_mm / LINE_OF_NOZZLE, 2),
                size.layer_height_mm / THICKEST_OF_NOZZLE,
            ),
            "axes": "".join(first.axes),
            "damping_setting": first.shaper.damping_ratio,
            "frequencies": _range_of(first),
        }
        unsaid = {name: value for name, value in usual.items() if getattr(self, name) is None}
        reference = self.reference and first.reference is not None
        return replace(self, **kept, **unsaid, reference=reference, like=first)


def _range_of(first: Plan) -> str | None:
    """Range of its ramps of the frequency, to be narrowed; None if it has none."""
    from ringscan.plan import Quantity

    ramps = [first.ramp_of(axis) for axis in first.axes]
    ends = [end for r in ramps if r.quantity is Quantity.FREQUENCY for end in (r.start, r.end)]
    return f"{min(ends):g}-{max(ends):g}" if ends else None


def _ask_all(given: _Given) -> tuple[Machine, Wishes]:
    """Ask for what was not given."""
    from ringscan.make.limits import require_bead, require_limits, require_nozzle
    from ringscan.make.wishes import Machine, Wishes
    from ringscan.plan import Direction

    ask = Questions()

    def above_zero(name: str, unit: str) -> Callable[[float], object]:
        return lambda value: require_limits(**{name: (value, unit)})

    label = ask.text("--tower", given.tower, "Label of the tower, like HERON-1", check=check_label)
    bed_mm = ask.pair("--bed", given.bed, "Bed, width x depth in mm, like 220x220", "x")
    bore = ask.number("--nozzle", given.nozzle, "Nozzle bore in mm", 0.4, check=require_nozzle)
    width = ask.number(
        "--line-width",
        given.line_width,
        "Line width in mm",
        round(LINE_OF_NOZZLE * bore, 2),
        check=lambda mm: require_bead(bore, line_width_mm=mm),
    )
    height = ask.number(
        "--layer-height",
        given.layer_height,
        "Layer height in mm",
        round(bore / 2, 2),
        check=lambda mm: require_bead(bore, layer_height_mm=mm),
    )
    flow = ask.number(
        "--flow-limit",
        given.flow_limit,
        "Most the hot end melts, in mm³/s",
        check=above_zero("flow_limit", "mm³/s"),
    )
    v = ask.number(
        "--speed", given.speed, "Intended speed in mm/s", check=above_zero("speed", "mm/s")
    )
    a = ask.number(
        "--acceleration",
        given.acceleration,
        "Intended acceleration in mm/s²",
        check=above_zero("acceleration", "mm/s²"),
    )
    corner = ask.number("--corner-speed", given.corner_speed, "Speed at a 90° corner in mm/s")
    axes = ask.text("--axes", given.axes, "Axes: x, y or xy", "xy", check=read_axes)
    families = ask.text(
        "--families",
        given.families,
        "Shapers your firmware offers, like ZV,ZVD,EI",
        check=read_families,
    )
    low, high = ask.pair("--frequencies", given.frequencies, "Rough range in Hz", "-", "15-75")
    ask.done()
    machine = Machine(
        bed_mm=bed_mm,
        max_height_mm=given.max_height,
        nozzle_mm=bore,
        line_width_mm=width,
        layer_height_mm=height,
        flow_limit_mm3_s=flow,
        speed_mm_s=v,
        acceleration_mm_s2=a,
        corner_speed_mm_s=corner,
        max_speed_mm_s=v if given.max_speed is None else given.max_speed,
        max_acceleration_mm_s2=(a if given.max_acceleration is None else given.max_acceleration),
        filament_mm=given.filament,
    )
    wishes = Wishes(
        tower=label,
        axes=read_axes(axes),
        families=read_families(families),
        low_hz=low,
        high_hz=high,
        damping_setting=0.1 if given.damping_setting is None else given.damping_setting,
        reference=given.reference,
        direction=choice(Direction, given.direction or "counter-clockwise", "--direction"),
        like=given.like,
    )
    return machine, wishes


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
