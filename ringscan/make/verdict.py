"""Compares a finished file with the plan: readable, readable with a corrected plan, or not."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import reduce
from typing import Any

import numpy as np

from ringscan.errors import PlanError
from ringscan.make.cautions import OTHER_AXIS_OFF, SERVES_BOTH, STAYS_IN_FORCE
from ringscan.make.check import FACES_OF, FileReport, LayerRow
from ringscan.make.commanded import amid_the_ramp, compare_ramps, name_layers
from ringscan.make.finding import Finding, Kind, differs, merged, note, spoilt
from ringscan.make.ramp import MISSING_TOP_LAYERS
from ringscan.make.shaped import require_shaper
from ringscan.make.unread import Other
from ringscan.make.visible import visibility
from ringscan.model.motion import face_motion
from ringscan.plan import AXES, Plan, Quantity, build_plan

SAME_SPEED = 0.02
"""Relative: below this the fit does not notice."""
SAME_WIDTH_MM = 0.5
SAME_HEIGHT = 0.25
"""Of a layer height."""
SAME_STEP_MM = 0.002
"""Of layer heights: slicing programs know two or three decimals."""
MOST_OTHERS = 6
"""Kinds of other commands that are told."""
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

    verdict : what the file will give
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
    rows = report.rows
    found = [*_cut_off(report, plan), *compare_ramps(report, plan)]
    data = _as_found(plan, found)
    parts = [part for part in (*data["ramp"].values(), data.get("reference")) if part]
    layers = {n for part in parts for n in range(part["first_layer"], part["last_layer"] + 1)}
    tested = [r for r in rows if r.layer in layers]
    found += _size(rows, tested, plan)
    if tested:
        found += [*_motion(tested, plan), *_walls(tested), *_seams(tested, plan)]
    corrected = None
    if not any(f.kind is Kind.SPOILT for f in found):
        try:
            corrected = build_plan(_as_found(plan, found), source="the plan as the file has it")
            require_shaper(corrected)
            found += _sight(corrected)
        except PlanError as exc:
            found.append(spoilt(str(exc)))
    found += _minded(report, plan, tested)
    said = {kind: tuple(f.text for f in found if f.kind is kind) for kind in Kind}
    if said[Kind.SPOILT]:
        verdict, corrected = Verdict.NOT_READABLE, None
    elif said[Kind.DIFFERS]:
        verdict = Verdict.CORRECT_PLAN
    else:
        verdict, corrected = Verdict.READABLE, plan
    return Judgement(
        verdict=verdict,
        spoilt=said[Kind.SPOILT],
        differs=said[Kind.DIFFERS],
        notes=said[Kind.NOTE],
        corrected=corrected,
    )


def _as_found(plan: Plan, found: Sequence[Finding]) -> dict[str, Any]:
    """The plan as nested dicts, with what was found to differ."""
    return reduce(merged, (f.change for f in found), plan.model_dump(exclude_none=True))


def _minded(report: FileReport, plan: Plan, tested: Sequence[LayerRow]) -> Iterator[Finding]:
    """What no file can show, or what comes after the print."""
    if not report.ended:
        yield note(
            "no command follows the last line of filament: was the file cut off? Nothing would "
            "switch the heaters off"
        )
    if report.told_relative_e not in (None, report.relative_e):
        counts = {True: "relative (M83 on most machines)", False: "absolute (M82 on most machines)"}
        yield note(
            f"by its numbers E counts {counts[report.relative_e]}, but before the first layer the "
            f"file says {counts[not report.relative_e]}: make start text and slicing program agree"
        )
    if report.others:
        kinds = ", ".join(_named(other) for other in report.others[:MOST_OTHERS])
        more = f" and {n} more kinds" if (n := len(report.others) - MOST_OTHERS) > 0 else ""
        yield note(
            f"other commands stand among the layers of the ramp: {kinds}{more}; make sure that "
            f"none changes speed, acceleration or shaper, or stops the print"
        )
    if report.texts is not None and report.texts.serves_both(plan):
        yield note(SERVES_BOTH)
    without = [axis for axis in AXES if axis not in plan.axes]
    if not all(axis in row.commanded for axis in without for row in tested):
        yield note(OTHER_AXIS_OFF)
    if {axis for row in report.rows for axis in row.commanded} - report.set_after:
        yield note(STAYS_IN_FORCE)


def _named(other: Other) -> str:
    times = f"{other.count} times, first " if other.count > 1 else ""
    return f"'{other.text}' ({times}in line {other.line})"


def _cut_off(report: FileReport, plan: Plan) -> Iterator[Finding]:
    """Whether a file with the plan's layers ends before its top, other than by another plan."""
    rows, size = report.rows, plan.size
    short = len(rows) < size.layers - MISSING_TOP_LAYERS
    if not short or abs(_step_mm(rows) - size.layer_height_mm) >= SAME_STEP_MM:
        return
    if not report.ended or amid_the_ramp(report, plan):
        yield spoilt(
            f"the file ends with layer {len(rows) - 1}, the plan with layer {size.layers - 1}: it "
            f"was cut off; make or copy it again"
        )


def _step_mm(rows: Sequence[LayerRow]) -> float:
    heights = [r.height_mm for r in rows]
    return float(np.round(np.median(np.diff(heights)), 4)) if len(rows) > 1 else 0.0


def _size(rows: Sequence[LayerRow], tested: Sequence[LayerRow], plan: Plan) -> Iterator[Finding]:
    size = plan.size
    heights = np.array([r.height_mm for r in rows])
    step = _step_mm(rows)
    if len(rows) < 2:
        yield spoilt("the file has one layer only")
        return
    # the first layer by the grid of the others, since a slicing program may shift it a little
    first = float(np.round(np.median(heights - step * np.arange(len(rows))), 3))
    off = np.abs(heights - (first + step * np.arange(len(rows))))
    if step <= 0 or off.max() > SAME_HEIGHT * step:
        high = np.diff(heights)
        thin, thick = int(high.argmin()), int(high.argmax())
        yield spoilt(
            f"the layers have different heights, from {round(high[thin], 4):g} mm (layer "
            f"{thin + 1}) to {round(high[thick], 4):g} mm (layer {thick + 1}): slice all but the "
            f"first in one height"
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
        yield differs(
            f"{len(rows)} layers of {step:g} mm on {first:g} mm, the plan says {planned[2]} of "
            f"{planned[1]:g} mm on {planned[0]:g} mm",
            size={"first_layer_mm": first, "layer_height_mm": step, "layers": len(rows)},
        )
    widths = np.array([r.width_mm for r in tested or rows[1:]])
    middle = np.median(widths, axis=0)
    if np.abs(widths - middle).max() > SAME_WIDTH_MM or abs(middle[0] - middle[1]) > SAME_WIDTH_MM:
        worst = int(np.abs(widths - middle.mean()).max(axis=1).argmax())
        x, y = widths[worst]
        yield spoilt(
            f"the outline is not one square: layer {(tested or rows[1:])[worst].layer} covers "
            f"{x:.1f} × {y:.1f} mm"
        )
        return
    width = float(np.round(middle.mean() + size.line_width_mm, 1))
    if abs(width - size.width_mm) > SAME_WIDTH_MM:
        yield differs(
            f"the tower is {width:g} mm wide, the plan says {size.width_mm:g} mm",
            size={"width_mm": width},
        )


def _motion(tested: Sequence[LayerRow], plan: Plan) -> Iterator[Finding]:
    missing = [r.layer for r in tested if any(axis not in r.speed_mm_s for axis in plan.axes)]
    if missing:
        yield spoilt(
            f"no face along X or Y is printed on layer {missing[0]}: is the tower turned on the "
            f"bed, or not square?"
        )
        return
    low = np.array([min(r.speed_mm_s[axis][0] for axis in plan.axes) for r in tested])
    high = np.array([max(r.speed_mm_s[axis][1] for axis in plan.axes) for r in tested])
    speed = float(np.median(low))
    if high.max() - low.min() > 2 * SAME_SPEED * speed:
        uneven = np.flatnonzero((np.abs(low - speed) + np.abs(high - speed)) > SAME_SPEED * speed)
        layers = sorted({tested[i].layer for i in uneven.tolist()})
        yield spoilt(
            f"the speed on the faces varies from {low.min():.4g} to {high.max():.4g} mm/s, as on "
            f"{name_layers(layers)}: look for a minimum layer time or a speed cap"
        )
    elif abs(speed - plan.motion.speed_mm_s) > SAME_SPEED * plan.motion.speed_mm_s:
        yield differs(
            f"the speed on the faces is {speed:.4g} mm/s, the plan says "
            f"{plan.motion.speed_mm_s:g} mm/s",
            motion={"speed_mm_s": round(speed, 2)},
        )
    directions = {r.direction for r in tested}
    if len(directions) > 1 or None in directions:
        yield spoilt("the direction of travel is not the same on all faces and layers")
    elif (only := directions.pop()) is not plan.motion.direction:
        yield differs(
            f"travel is {only}, the plan says {plan.motion.direction}", motion={"direction": only}
        )


def _walls(tested: Sequence[LayerRow]) -> Iterator[Finding]:
    other = [r for r in tested if abs(r.walls - 1) > ONE_WALL]
    if other:
        yield spoilt(
            f"{other[0].walls:.1f} walls on {name_layers([r.layer for r in other])}: slice with "
            f"one wall, no infill, no top or bottom"
        )


def _seams(tested: Sequence[LayerRow], plan: Plan) -> Iterator[Finding]:
    for axis in plan.axes:
        marred = {f for f in FACES_OF[axis] if any(r.seam == f for r in tested)}
        if len(marred) == 2:
            yield spoilt(f"both {axis.upper()} faces have a seam in the middle: put it on a corner")
        elif marred:
            clean = next(f for f in FACES_OF[axis] if f not in marred)
            yield note(
                f"the {marred.pop()} face has the seam in its middle: for {axis.upper()} "
                f"photograph the {clean} face"
            )


def _sight(plan: Plan) -> Iterator[Finding]:
    """Whether the ramps' own range can be seen with the speed that the file has."""
    a, v = plan.motion.acceleration_mm_s2, plan.motion.speed_mm_s
    motion = face_motion(plan)
    if motion.top_speed_mm_s < v:
        yield note(
            f"{v:g} mm/s is not reached on a face of {plan.size.width_mm:g} mm with {a:g} mm/s²: "
            f"{motion.top_speed_mm_s:.0f} mm/s is; are these the machine's numbers, in mm/s?"
        )
    shares = {}
    for axis in plan.axes:
        ramp = plan.ramp_of(axis)
        if ramp.quantity is Quantity.FREQUENCY:
            first, last = ramp.start, ramp.end
        else:
            assert ramp.frequency_hz is not None  # the plan's own check saw to it
            first = last = ramp.frequency_hz
        seen = visibility(np.linspace(first, last, 61), motion, plan.size.line_width_mm)
        shares[axis.upper()] = float(seen.lost.mean())
    for name, share in shares.items():
        if share == 1:
            yield spoilt(
                f"at {v:g} mm/s and {a:g} mm/s² no frequency of the {name} ramp leaves a readable "
                f"ripple"
            )
        elif share > 0:
            yield note(
                f"{share:.0%} of the frequencies of the {name} ramp leave too little ripple, or "
                f"fall on a blind combination"
            )
