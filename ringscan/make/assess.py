"""Says what a plan will show, before it is printed: each requirement, in words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ringscan.make.bead import bead_section_mm2, filament_per_mm
from ringscan.make.false_quiet import FalseQuiet, find_false_quiet
from ringscan.make.visible import (
    BLIND_RATIO,
    GRID_HZ,
    MIN_RIPPLE_UM,
    MIN_RIPPLES,
    Visibility,
    least_acceleration_mm_s2,
    likely_frequencies,
    needed_ripple_mm,
    ripples_on_face,
    visibility,
)
from ringscan.model.motion import CornerMotion, face_motion
from ringscan.plan import Plan, Quantity

Array = NDArray[np.float64]

MIN_LAYERS_PER_HZ = 4.0
"""Enough layers near the quiet height to average bead texture over 1 Hz."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Requirement:
    """One thing a readable tower needs.

    name, wanted, got : for people
    met : whether the plan has it
    why : what it costs when it is not met, and what would change it; empty when met
    """

    name: str
    wanted: str
    got: str
    met: bool
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Assessment:
    """What a plan will show for natural frequencies of a range.

    requirements : in order of weight
    visibility : over the likely natural frequencies
    false_quiet : None if no band but the true one falls quiet
    time_s : of the tower's wall alone
    layer_s : time of one layer at the plan's speed
    filament_mm3 : volume of plastic
    filament_length_mm : length of filament
    """

    requirements: tuple[Requirement, ...]
    visibility: Visibility
    false_quiet: FalseQuiet | None
    time_s: float
    layer_s: float
    filament_mm3: float
    filament_length_mm: float


def assess(
    plan: Plan, low_hz: float, high_hz: float, *, flow_limit_mm3_s: float, filament_mm: float
) -> Assessment:
    """Judge a plan for natural frequencies from `low_hz` to `high_hz`.

    Raises
    ------
    PlanError
        If the printed line is impossible.
    """
    motion, size = face_motion(plan), plan.size
    section = bead_section_mm2(size.line_width_mm, size.layer_height_mm)
    seen = visibility(likely_frequencies(low_hz, high_hz), motion, size.line_width_mm)
    false_quiet = find_false_quiet(plan, seen.frequency_hz)
    wall_mm = 4 * motion.length_mm
    first = bead_section_mm2(size.line_width_mm, size.first_layer_mm)
    volume = wall_mm * (first + section * (size.layers - 1))
    return Assessment(
        requirements=(
            _ripple(seen, plan),
            _blind(seen),
            _strongest(seen, size.line_width_mm),
            _reached(motion),
            _room(motion, low_hz),
            _length(seen, needed_ripple_mm(size.line_width_mm)),
            _layers(plan),
            _flow(section * motion.speed_mm_s, flow_limit_mm3_s),
            _false(false_quiet),
            _reference(plan),
        ),
        visibility=seen,
        false_quiet=false_quiet,
        time_s=4 * motion.duration_s * size.layers,
        layer_s=4 * motion.duration_s,
        filament_mm3=volume,
        filament_length_mm=volume * filament_per_mm(1.0, filament_mm),
    )


def _ripple(seen: Visibility, plan: Plan) -> Requirement:
    frequency, ripple = seen.frequency_hz, seen.ripple_um
    worst = int(ripple.argmin())
    weak = frequency[ripple < MIN_RIPPLE_UM]
    why = ""
    if weak.size:
        least = _round_up(least_acceleration_mm_s2(weak[-1], plan.motion.corner_speed_mm_s), 100)
        change = "more acceleration or a narrower range would do"
        if plan.motion.acceleration_mm_s2 < least:
            change = (
                f"it takes at least {least:g} mm/s², if the machine's manual allows that, and a "
                f"speed that suits, or a narrower range"
            )
        why = f"it is too weak at {_spans(weak)}; {change}"
    return Requirement(
        name="ripple in the whole range",
        wanted=f"{MIN_RIPPLE_UM:g} µm",
        got=f"{ripple[worst]:.0f} µm at {frequency[worst]:g} Hz",
        met=not weak.size,
        why=why,
    )


def _blind(seen: Visibility) -> Requirement:
    frequency, blindness = seen.frequency_hz, seen.blindness
    worst = int(blindness.argmin())
    blind = frequency[blindness < BLIND_RATIO]
    return Requirement(
        name="no blind combination",
        wanted=f"{BLIND_RATIO:.2f} a/w²",
        got=f"{blindness[worst]:.2f} at {frequency[worst]:g} Hz",
        met=not blind.size,
        why=f"braking cancels its own ripple at {_spans(blind)}" if blind.size else "",
    )


def _strongest(seen: Visibility, line_width_mm: float) -> Requirement:
    frequency, ripple = seen.frequency_hz, seen.strongest_um
    limit_um = 1000 * line_width_mm / 2
    worst = int(ripple.argmax())
    strong = frequency[ripple > limit_um]
    return Requirement(
        name="strongest ripple",
        wanted=f"at most {limit_um:.0f} µm",
        got=f"{ripple[worst]:.0f} µm at {frequency[worst]:g} Hz",
        met=not strong.size,
        why=f"at {_spans(strong)} layers would hang over by more than half a line where the shaper "
        "goes on or off, and the ripples would throw shadows; if the axis turns out to be that "
        "slow, plan a tower with less acceleration for it"
        if strong.size
        else "",
    )


def _reached(motion: CornerMotion) -> Requirement:
    met = motion.top_speed_mm_s >= motion.speed_mm_s - 1e-9
    return Requirement(
        name="speed reached on the face",
        wanted=f"{motion.speed_mm_s:g} mm/s",
        got=f"{motion.top_speed_mm_s:.0f} mm/s",
        met=met,
        why="" if met else "the face is too short for this speed and acceleration",
    )


def _room(motion: CornerMotion, low_hz: float) -> Requirement:
    count = ripples_on_face(motion, low_hz)
    return Requirement(
        name="ripples on the face",
        wanted=f"{MIN_RIPPLES:g}",
        got=f"{count:.1f} at {low_hz:g} Hz",
        met=count >= MIN_RIPPLES,
        why="" if count >= MIN_RIPPLES else "a lower speed or a wider tower would show more",
    )


def _length(seen: Visibility, needed_mm: float) -> Requirement:
    worst = int(seen.length_mm.argmin())
    short = seen.frequency_hz[seen.length_mm < needed_mm]
    return Requirement(
        name="length of the shortest ripple",
        wanted=f"{needed_mm:.2f} mm",
        got=f"{seen.length_mm[worst]:.2f} mm at {seen.frequency_hz[worst]:g} Hz",
        met=not short.size,
        why=f"under one line width or four pixels at {_spans(short)}; more acceleration "
        f"stretches it"
        if short.size
        else "",
    )


def _layers(plan: Plan) -> Requirement:
    ramps = [plan.ramp_of(axis) for axis in plan.axes]
    rates = [r.layers_per_step / abs(r.step) for r in ramps if r.quantity is Quantity.FREQUENCY]
    least = min(rates, default=np.inf)
    return Requirement(
        name="layers for each Hz",
        wanted=f"{MIN_LAYERS_PER_HZ:g}",
        got=f"{least:.1f}" if np.isfinite(least) else "no frequency ramp",
        met=least >= MIN_LAYERS_PER_HZ,
        why="" if least >= MIN_LAYERS_PER_HZ else "thinner layers or a narrower range give more",
    )


def _flow(flow: float, limit: float) -> Requirement:
    return Requirement(
        name="flow of the hot end",
        wanted=f"at most {limit:g} mm³/s",
        got=f"{flow:.1f} mm³/s",
        met=flow <= limit,
        why="" if flow <= limit else "the hot end cannot melt that much: the wall would starve",
    )


def _false(found: FalseQuiet | None) -> Requirement:
    if found is None:
        return Requirement(name="no false quiet band", wanted="none", got="none", met=True)
    (a, b), (c, d) = found.natural_hz, found.commanded_hz
    return Requirement(
        name="no false quiet band",
        wanted="none",
        got=f"at {_span(c, d)}",
        met=False,
        why=f"an axis of {_span(a, b)} falls quiet there too; the spacing of the ripples "
        f"tells, or start the range above {d:.0f} Hz",
    )


def _reference(plan: Plan) -> Requirement:
    ref = plan.reference
    if ref is None:
        return Requirement(
            name="reference band",
            wanted="shaper off",
            got="none",
            met=False,
            why="ripple cannot be given relative to no shaper, and a ramp that never reached "
            "the machine is harder to notice",
        )
    low, high = plan.layer_bottom_mm(ref.first_layer), plan.layer_top_mm(ref.last_layer)
    return Requirement(
        name="reference band", wanted="shaper off", got=f"{low:.1f} to {high:.1f} mm", met=True
    )


def _spans(values: Array) -> str:
    """Grid frequencies as ranges: '15 to 22 Hz and 60 to 75 Hz'."""
    breaks = np.flatnonzero(np.diff(values) > 1.5 * GRID_HZ) + 1
    parts = [_span(p[0], p[-1]) for p in np.split(values, breaks)]
    return " and ".join(parts)


def _span(low: float, high: float) -> str:
    return f"{low:.0f} Hz" if high - low < 1 else f"{low:.0f} to {high:.0f} Hz"


def _round_up(value: float, to: float) -> float:
    return float(np.ceil(value / to) * to)
