"""What a plan is proposed from: said on the command line, by an earlier plan, or else asked."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import typer

from ringscan.cli.asking import Questions, check_label, choice, read_axes, read_families

if TYPE_CHECKING:
    from ringscan.make.wishes import Machine, Wishes
    from ringscan.plan import Plan

LINE_OF_NOZZLE = 1.125
"""Line width to propose, as a multiple of the bore; common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
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

    def kept_from(self, first: Plan) -> Given:
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


def _range_of(first: Plan) -> str:
    """Range of its ramps, to be narrowed."""
    ramps = [first.ramp_of(axis) for axis in first.axes]
    ends = [end for ramp in ramps for end in (ramp.start, ramp.end)]
    return f"{min(ends):g}-{max(ends):g}"


def ask_all(given: Given) -> tuple[Machine, Wishes]:
    """Ask for what was not given."""
    from ringscan.make import limits
    from ringscan.make.wishes import Machine, Wishes, require_families, require_label
    from ringscan.plan import Direction

    ask, like = Questions(), given.like
    direction = choice(Direction, given.direction or "counter-clockwise", "--direction")
    limits.require_filament(given.filament)
    limits.require_limits(greatest_height=(given.max_height, "mm"))
    if given.damping_setting is not None:
        limits.require_damping_setting(given.damping_setting)

    def own_label(text: str) -> None:
        check_label(text)
        if like is not None:
            require_label(text, like)

    def room(width: float, depth: float) -> None:
        tower = limits.LEAST_WIDTH_MM if like is None else like.size.width_mm
        limits.require_bed((width, depth), tower)

    def fast_enough(speed: float, corner: float = 0.0) -> None:
        if like is None:  # an earlier tower's speed is kept, whatever it is
            limits.require_speed(speed, highest_mm_s=given.max_speed, corner_speed_mm_s=corner)

    def offered(text: str) -> None:
        require_families(read_families(text), like)

    if (v := given.max_speed) is not None:
        limits.require_limits(highest_speed=(v, "mm/s"))
        fast_enough(v)
    if (a := given.max_acceleration) is not None:
        limits.require_limits(highest_acceleration=(a, "mm/s²"))
        limits.require_acceleration(a)
    label = ask.text("--tower", given.tower, "Label of the tower, like HERON-1", check=own_label)
    bed_mm = ask.pair("--bed", given.bed, "Bed, width x depth in mm, like 220x220", "x", check=room)
    bore = ask.number(
        "--nozzle", given.nozzle, "Nozzle bore in mm", 0.4, check=limits.require_nozzle
    )
    width = ask.number(
        "--line-width",
        given.line_width,
        "Line width in mm",
        round(LINE_OF_NOZZLE * bore, 2),
        check=lambda mm: limits.require_bead(bore, line_width_mm=mm),
    )
    height = ask.number(
        "--layer-height",
        given.layer_height,
        "Layer height in mm",
        round(bore / 2, 2),
        check=lambda mm: limits.require_bead(bore, layer_height_mm=mm),
    )
    flow = ask.number(
        "--flow-limit",
        given.flow_limit,
        "Most the hot end melts, in mm³/s",
        check=lambda flow: limits.require_limits(flow_limit=(flow, "mm³/s")),
    )
    v = ask.number("--speed", given.speed, "Intended speed in mm/s", check=fast_enough)
    a = ask.number(
        "--acceleration",
        given.acceleration,
        "Intended acceleration in mm/s²",
        check=lambda a: limits.require_acceleration(a, given.max_acceleration),
    )
    corner = ask.number(
        "--corner-speed",
        given.corner_speed,
        "Speed at a 90° corner in mm/s",
        check=lambda corner: fast_enough(v, corner),
    )
    axes = ask.text("--axes", given.axes, "Axes: x, y or xy", "xy", check=read_axes)
    families = ask.text(
        "--families",
        given.families,
        "Shapers your firmware offers, like ZV,ZVD,EI",
        check=offered,
    )
    low, high = ask.pair(
        "--frequencies",
        given.frequencies,
        "Rough range in Hz",
        "-",
        "15-75",
        check=limits.require_range,
    )
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
        direction=direction,
        like=like,
    )
    return machine, wishes
