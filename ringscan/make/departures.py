"""Why a proposed tower is not printed as it was intended, in words."""

from __future__ import annotations

from math import floor

from ringscan import layout
from ringscan.make.bead import bead_section_mm2
from ringscan.make.visible import (
    BLIND_RATIO,
    MIN_RIPPLES,
    Visibility,
    likely_frequencies,
    visibility,
)
from ringscan.make.wishes import Machine, Wishes
from ringscan.plan import Plan


def departures(
    machine: Machine, wishes: Wishes, plan: Plan, shown: Visibility, *, usual_width_mm: float
) -> list[str]:
    """Say where a proposal departs from the intentions, each with its reason.

    Parameters
    ----------
    plan, shown : the proposal, and what it shows
    usual_width_mm : a wider face needs a reason
    """
    said = []
    v, a = plan.motion.speed_mm_s, plan.motion.acceleration_mm_s2
    if v != machine.speed_mm_s:
        reason = _speed_reason(machine, wishes, shown)
        said.append(f"speed {v:g} instead of {machine.speed_mm_s:g} mm/s: {reason}")
    if a != machine.acceleration_mm_s2:
        said.append(
            f"acceleration {a:g} instead of {machine.acceleration_mm_s2:g} mm/s²: "
            f"the ripple is too weak or blind with less"
        )
    h = plan.size.layer_height_mm
    if h != machine.layer_height_mm:
        flow = v * bead_section_mm2(machine.line_width_mm, machine.layer_height_mm)
        aim = "flow limit" if flow > machine.flow_limit_mm3_s else "layers for each Hz"
        said.append(f"layers of {h:g} instead of {machine.layer_height_mm:g} mm: for the {aim}")
    if plan.size.width_mm > usual_width_mm and wishes.like is None:
        said.append(f"a face of {plan.size.width_mm:g} mm, to hold {MIN_RIPPLES:g} ripples")
    return said


def _speed_reason(machine: Machine, wishes: Wishes, shown: Visibility) -> str:
    """What is wrong with the intended speed at the intended acceleration."""
    v, a = machine.speed_mm_s, machine.acceleration_mm_s2
    flow = v * bead_section_mm2(machine.line_width_mm, machine.layer_height_mm)
    if flow > machine.flow_limit_mm3_s:
        most = v * machine.flow_limit_mm3_s / flow
        better = "gives up least" if shown.lost.all() else "shows most of the range"
        return (
            f"that needs {flow:.1f} mm³/s, but the limit of {machine.flow_limit_mm3_s:g} mm³/s "
            f"allows only {floor(most)} mm/s in layers of {machine.layer_height_mm:g} mm; of the "
            f"speeds it allows, this one {better}"
        )
    widest = machine.face_motion(v, a, layout.MAX_TOWER_WIDTH_MM)
    if widest.top_speed_mm_s < v:
        return "the faces are too short to reach it"
    frequency = likely_frequencies(wishes.low_hz, wishes.high_hz)
    seen = visibility(frequency, widest, machine.line_width_mm)
    if seen.blindness.min() < BLIND_RATIO:
        worst = seen.frequency_hz[seen.blindness.argmin()]
        return f"that is blind near {worst:g} Hz, where braking cancels itself"
    if shown.lost.mean() < seen.lost.mean():
        return "so more of the range can be seen"
    return "so fewer requirements have to be given up"
