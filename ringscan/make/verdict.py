"""Compares a finished file with the plan: readable, readable with a corrected plan, or not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np

from ringscan.errors import PlanError
from ringscan.make.assess import face_motion, visibility
from ringscan.make.cautions import OTHER_AXIS_OFF, SERVES_BOTH, STAYS_IN_FORCE
from ringscan.make.check import FACES_OF, FileReport, LayerRow
from ringscan.make.commanded import amid_the_ramp, compare_ramps, name_layers
from ringscan.make.ramp import MISSING_TOP_LAYERS
from ringscan.make.shaped import require_shaper
from ringscan.plan import Plan, Quantity, build_plan

SAME_SPEED = 0.02
"""Relative: below this the fit does not notice."""
SAME_WIDTH_MM = 0.5
SAME_HEIGHT = 0.25
"""Of a layer height."""
SAME_STEP_MM = 0.002
"""Of layer heights: slicing programs know two or three decimals."""
ONE_WALL = 0.06
"""By which one wall may be longer or shorter than its outline, as where a seam is closed."""


class Verdict(StrEnum):
    """What the file will give."""

    READABLE = "READABLE"
    CORRECT_PLAN = "READABLE WITH A CORRECTED PLAN"
    NOT_READABLE = "NOT READABLE"


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """The verdict, and what it rests on.

    spoilt : why no plan can describe the file
    differs : where it departs from the plan that was given
    notes : what to mind; they do not change the verdict
    corrected : the plan as the file has it; None if the file is spoilt
    """

    verdict: Verdict
    spoilt: tuple[str, ...]
    differs: tuple[str, ...]
    notes: tuple[str, ...]
    corrected: Plan | None

    @property
    def line(self) -> str:
        """The verdict in one line."""
        reasons = self.spoilt or self.differs
        if not reasons:
            return f"{self.verdict}: this file prints the plan's tower"
        more = f" (and {len(reasons) - 1} more)" if len(reasons) > 1 else ""
        return f"{self.verdict}: {reasons[0]}{more}"


def judge(report: FileReport, plan: Plan) -> Judgement:
    """Compare a file with a plan."""
    spoilt: list[str] = []
    differs: list[str] = []
    notes: list[str] = []
    rows = report.rows
    if cut_off := _cut_off(report, plan):
        spoilt.append(cut_off)
    data = plan.model_dump(exclude_none=True)
    ramps = compare_ramps(report, plan, data, spoilt, differs)
    tested = [r for r in rows if any(r.layer in layers for layers in ramps)]
    _size(rows, tested, plan, data, spoilt, differs)
    if tested:
        _motion(tested, plan, data, spoilt, differs)
        _walls(tested, spoilt)
        _seams(tested, plan, spoilt, notes)
    corrected = None
    if not spoilt:
        try:
            corrected = build_plan(data, source="the plan as the file has it")
            require_shaper(corrected)
        except PlanError as exc:
            spoilt.append(str(exc))
    if corrected is not None:
        _sight(corrected, spoilt, notes)
    if not report.ended:
        notes.append(
            "no command follows the last line of filament: was the file cut off? Nothing would "
            "switch the heaters off"
        )
    if report.texts is not None and report.texts.serves_both(plan):
        notes.append(SERVES_BOTH)
    if len(plan.axes) == 1:
        notes.append(OTHER_AXIS_OFF)
    told = {axis for row in rows for axis in row.commanded}
    if told - report.set_after:
        notes.append(STAYS_IN_FORCE)
    if spoilt:
        return Judgement(
            verdict=Verdict.NOT_READABLE,
            spoilt=tuple(spoilt),
            differs=tuple(differs),
            notes=tuple(notes),
            corrected=None,
        )
    return Judgement(
        verdict=Verdict.CORRECT_PLAN if differs else Verdict.READABLE,
        spoilt=(),
        differs=tuple(differs),
        notes=tuple(notes),
        corrected=corrected if differs else plan,
    )


def _cut_off(report: FileReport, plan: Plan) -> str | None:
    """Whether a file with the plan's layers ends before its top, other than by another plan."""
    rows, size = report.rows, plan.size
    short = len(rows) < size.layers - MISSING_TOP_LAYERS
    if not short or abs(_step_mm(rows) - size.layer_height_mm) >= SAME_STEP_MM:
        return None
    if report.ended and not amid_the_ramp(report, plan):
        return None
    return (
        f"the file ends with layer {len(rows) - 1}, the plan with layer "
        f"{plan.size.layers - 1}: it was cut off; make or copy it again"
    )


def _step_mm(rows: Sequence[LayerRow]) -> float:
    heights = [r.height_mm for r in rows]
    return float(np.round(np.median(np.diff(heights)), 4)) if len(rows) > 1 else 0.0


def _size(
    rows: Sequence[LayerRow],
    tested: Sequence[LayerRow],
    plan: Plan,
    data: dict[str, Any],
    spoilt: list[str],
    differs: list[str],
) -> None:
    size = plan.size
    heights = np.array([r.height_mm for r in rows])
    step = _step_mm(rows)
    # the first layer by the grid of the others, since a slicing program may shift it a little
    first = float(np.round(np.median(heights - step * np.arange(len(rows))), 3))
    off = np.abs(heights - (first + step * np.arange(len(rows))))
    if step <= 0 or off.max() > SAME_HEIGHT * step:
        worst = int(off.argmax())
        spoilt.append(
            f"the layers have different heights, as layer {worst} at Z {heights[worst]:.3g} mm"
        )
        return
    planned = (size.first_layer_mm, size.layer_height_mm, size.layers)
    top = plan.layer_top_mm(len(rows) - 1)
    same = (
        abs(first - planned[0]) <= SAME_HEIGHT * step
        and abs(heights[-1] - top) <= SAME_HEIGHT * step
        and len(rows) == planned[2]
    )
    if not same:
        differs.append(
            f"{len(rows)} layers of {step:g} mm on {first:g} mm, the plan says {planned[2]} of "
            f"{planned[1]:g} mm on {planned[0]:g} mm"
        )
        data["size"] |= {"first_layer_mm": first, "layer_height_mm": step, "layers": len(rows)}
    widths = np.array([r.width_mm for r in tested or rows[1:]])
    middle = np.median(widths, axis=0)
    if np.abs(widths - middle).max() > SAME_WIDTH_MM or abs(middle[0] - middle[1]) > SAME_WIDTH_MM:
        worst = int(np.abs(widths - middle.mean()).max(axis=1).argmax())
        x, y = widths[worst]
        spoilt.append(
            f"the outline is not one square: layer {(tested or rows[1:])[worst].layer} covers "
            f"{x:.1f} × {y:.1f} mm"
        )
        return
    width = float(np.round(middle.mean() + size.line_width_mm, 1))
    if abs(width - size.width_mm) > SAME_WIDTH_MM:
        differs.append(f"the tower is {width:g} mm wide, the plan says {size.width_mm:g} mm")
        data["size"]["width_mm"] = width


def _motion(
    tested: Sequence[LayerRow],
    plan: Plan,
    data: dict[str, Any],
    spoilt: list[str],
    differs: list[str],
) -> None:
    missing = [r.layer for r in tested if any(axis not in r.speed_mm_s for axis in plan.axes)]
    if missing:
        spoilt.append(f"no straight face is printed on layer {missing[0]}")
        return
    low = np.array([min(r.speed_mm_s[axis][0] for axis in plan.axes) for r in tested])
    high = np.array([max(r.speed_mm_s[axis][1] for axis in plan.axes) for r in tested])
    speed = float(np.median(low))
    if high.max() - low.min() > 2 * SAME_SPEED * speed:
        uneven = np.flatnonzero((np.abs(low - speed) + np.abs(high - speed)) > SAME_SPEED * speed)
        layers = sorted({tested[i].layer for i in uneven.tolist()})
        spoilt.append(
            f"the speed on the faces varies from {low.min():.4g} to {high.max():.4g} mm/s, as on "
            f"{name_layers(layers)}: look for a minimum layer time or a speed cap"
        )
    elif abs(speed - plan.motion.speed_mm_s) > SAME_SPEED * plan.motion.speed_mm_s:
        differs.append(
            f"the speed on the faces is {speed:.4g} mm/s, the plan says "
            f"{plan.motion.speed_mm_s:g} mm/s"
        )
        data["motion"]["speed_mm_s"] = round(speed, 2)
    directions = {r.direction for r in tested}
    if len(directions) > 1 or None in directions:
        spoilt.append("the direction of travel is not the same on all faces and layers")
    elif (only := directions.pop()) is not plan.motion.direction:
        differs.append(f"travel is {only}, the plan says {plan.motion.direction}")
        data["motion"]["direction"] = only


def _walls(tested: Sequence[LayerRow], spoilt: list[str]) -> None:
    other = [r for r in tested if abs(r.walls - 1) > ONE_WALL]
    if other:
        spoilt.append(
            f"{other[0].walls:.1f} walls on {name_layers([r.layer for r in other])}: slice with "
            f"one wall, no infill, no top or bottom"
        )


def _seams(tested: Sequence[LayerRow], plan: Plan, spoilt: list[str], notes: list[str]) -> None:
    for axis in plan.axes:
        marred = {f for f in FACES_OF[axis] if any(r.seam == f for r in tested)}
        if len(marred) == 2:
            spoilt.append(
                f"both {axis.upper()} faces have a seam in the middle: put it on a corner"
            )
        elif marred:
            clean = next(f for f in FACES_OF[axis] if f not in marred)
            notes.append(
                f"the {marred.pop()} face has the seam in its middle: for {axis.upper()} "
                f"photograph the {clean} face"
            )


def _sight(plan: Plan, spoilt: list[str], notes: list[str]) -> None:
    """Whether the ramps' own range can be seen with the speed that the file has."""
    a, v = plan.motion.acceleration_mm_s2, plan.motion.speed_mm_s
    shares = {}
    for axis in plan.axes:
        ramp = plan.ramp_of(axis)
        if ramp.quantity is Quantity.FREQUENCY:
            low, high = sorted((ramp.start, ramp.end))
        else:
            assert ramp.frequency_hz is not None  # the plan's own check saw to it
            low = high = ramp.frequency_hz
        seen = visibility(np.linspace(low, high, 61), face_motion(plan), plan.size.line_width_mm)
        shares[axis.upper()] = float(seen.lost.mean())
    for name, share in shares.items():
        if share == 1:
            spoilt.append(
                f"at {v:g} mm/s and {a:g} mm/s² no frequency of the {name} ramp leaves a readable "
                f"ripple"
            )
        elif share > 0:
            notes.append(
                f"{share:.0%} of the frequencies of the {name} ramp leave too little ripple, or "
                f"fall on a blind combination"
            )
