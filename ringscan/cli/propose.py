"""The command that proposes a plan."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ringscan.cli.complain import say
from ringscan.cli.interview import Given, ask_all
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
    from ringscan.make.wishes import require_like
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
    said = {field.name: context.params[field.name] for field in fields(Given)}
    given = Given(**said | {"like": None})
    if like is not None:
        first = load_plan(like)
        require_like(first)
        given = given.kept_from(first)
    machine, wishes = ask_all(given)
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


def _draw(proposal: Proposal, path: Path, natural_hz: float) -> None:
    from ringscan.make.expected import expected_wall
    from ringscan.show.preview import write_preview

    axis = proposal.plan.axes[0]
    wall = expected_wall(proposal.plan, axis, round(natural_hz, 1), PREVIEW_DAMPING)
    write_preview(proposal.plan, axis, wall, proposal.assessment, path)


PREVIEW_DAMPING = 0.06
"""Middle of the design range of such axes."""
