"""What a finished file tells the shapers, layer by layer, against the plan's ramps."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ringscan.make.check import FileReport, LayerRow
from ringscan.make.finding import Finding, differs, spoilt
from ringscan.make.template import Template
from ringscan.plan import Axis, Plan, Quantity

Array = NDArray[np.float64]

SAME_VALUE = 0.006
SAME_STEP = 0.25
"""Commanded values may be rounded to two decimals, but not by more than a part of the ramp's step;
or as the command's text rounds them."""

UNSEEN_OFF = "; no text that switches the shaper off was given (--off), so none is seen"


def compare_ramps(report: FileReport, plan: Plan) -> Iterator[Finding]:
    """Compare the commanded values with the plan."""
    if report.texts is None or not any(r.commanded for r in report.rows):
        yield spoilt(
            "no command of the ramp is in the file: put it in with 'ringscan ramp', or give the "
            "command text"
        )
        return
    planned = None if plan.reference is None else plan.reference.model_dump()
    bands: dict[Axis, dict[str, int] | None] = dict.fromkeys(plan.axes, planned)
    for axis in plan.axes:
        if wrong := _inside(report.rows, axis):
            yield spoilt(
                f"the {axis.upper()} value changes in the middle of {name_layers(wrong)}; it must "
                f"change between layers"
            )
        if _as_planned(report.rows, plan, axis, report.texts.command):
            continue
        told = [row.commanded[axis].value for row in report.rows if axis in row.commanded]
        if all(value is None for value in told):
            yield spoilt(f"nothing in the file gives the {axis.upper()} shaper a value")
            continue
        found = _fit(report.rows, plan, axis, report.texts.command)
        if found is None:
            yield spoilt(f"the commanded {axis.upper()} values are no regular ramp")
            continue
        ramp, bands[axis] = found
        yield differs(
            f"the {axis.upper()} ramp goes from {ramp['start']:g} by {ramp['step']:g} over layers "
            f"{ramp['first_layer']} to {ramp['last_layer']}"
            + ("" if bands[axis] else ", without a reference band")
            + (UNSEEN_OFF if planned and report.texts.off is None else ""),
            ramp={axis: ramp},
            reference=bands[axis],
        )
    if any(bands[axis] != bands[plan.axes[0]] for axis in plan.axes):
        yield spoilt("the X and Y shapers are not switched off on the same layers")


def amid_the_ramp(report: FileReport, plan: Plan) -> bool:
    """Whether the last layer is commanded what the plan says, with more to come."""
    if report.texts is None:
        return False
    last = report.rows[-1]
    for axis in plan.axes:
        ramp, told = plan.ramp_of(axis), last.commanded.get(axis)
        if last.layer >= ramp.last_layer or told is None or told.value is None:
            return False
        planned = _ramped(plan, axis)[last.layer]
        rounding = report.texts.command.rounding(ramp.quantity, np.array([planned]))
        if not abs(told.value - planned) <= _same_value(ramp.step, rounding):
            return False
    return True


def _ramped(plan: Plan, axis: Axis) -> Array:
    """What an axis's ramp commands at each layer, Hz or 1, (layers,); NaN outside of it."""
    commands = plan.commands(axis)
    by_frequency = plan.ramp_of(axis).quantity is Quantity.FREQUENCY
    return commands.frequency_hz if by_frequency else commands.damping_ratio


def _inside(rows: Sequence[LayerRow], axis: Axis) -> list[int]:
    return [r.layer for r in rows if axis in r.commanded and r.commanded[axis].inside]


def _as_planned(rows: Sequence[LayerRow], plan: Plan, axis: Axis, text: Template) -> bool:
    ramp, planned = plan.ramp_of(axis), _ramped(plan, axis)
    same = _same_value(ramp.step, text.rounding(ramp.quantity, planned))
    state = plan.commands(axis).state
    needed = np.flatnonzero(state != "outside")
    if needed.max() >= len(rows):
        return False
    for layer in needed.tolist():
        told = rows[layer].commanded.get(axis)
        if told is None or (told.value is None) != (state[layer] == "reference"):
            return False
        if told.value is not None and abs(told.value - planned[layer]) > same:
            return False
    return True


def _fit(
    rows: Sequence[LayerRow], plan: Plan, axis: Axis, text: Template
) -> tuple[dict[str, Any], dict[str, int] | None] | None:
    """Ramp and reference band that the commanded values follow; None if they follow none."""
    values = np.array(
        [
            np.nan if (c := r.commanded.get(axis)) is None or c.value is None else c.value
            for r in rows
        ]
    )
    off = [r.layer for r in rows if (c := r.commanded.get(axis)) is not None and c.value is None]
    given = np.flatnonzero(~np.isnan(values))
    if given.size < 2 or np.any(np.diff(given) != 1):
        return None
    changes = np.flatnonzero(np.diff(values[given]) != 0) + 1
    if changes.size < 2:
        return None
    per_step = int(np.min(np.diff(changes)))
    first = int(given[0] + changes[0] - per_step)
    last = int(given[0] + changes[-1] + per_step - 1)
    last = min(last, int(given[-1]))
    if first < given[0]:
        first = int(given[0])
    steps = np.asarray((np.arange(first, last + 1) - first) // per_step, float)
    step, start = np.polyfit(steps, values[first : last + 1], 1)
    even = start + step * steps
    same = _same_value(step, text.rounding(plan.ramp_of(axis).quantity, even))
    if np.abs(even - values[first : last + 1]).max() > same:
        return None
    start, step = _rounded(start, step, values[first : last + 1], steps, same)
    reference = None
    if off and off == list(range(off[0], off[-1] + 1)):
        reference = {"first_layer": off[0], "last_layer": off[-1]}
    return {
        "first_layer": first,
        "last_layer": last,
        "start": start,
        "step": step,
        "layers_per_step": per_step,
    }, reference


def _same_value(step: float, rounding: float) -> float:
    """How far a commanded value may be off: Hz or 1."""
    return min(SAME_VALUE, SAME_STEP * abs(step)) + rounding + 1e-9


def _rounded(
    start: float, step: float, values: Array, steps: Array, same: float
) -> tuple[float, float]:
    """The fewest decimals with which a ramp stays as near to what was commanded."""
    for digits in range(2, 9):
        short = round(float(start), digits), round(float(step), digits)
        if np.abs(short[0] + short[1] * steps - values).max() <= same:
            return short
    return float(start), float(step)


def name_layers(layers: Sequence[int]) -> str:
    """Layers in words."""
    if len(layers) == 1:
        return f"layer {layers[0]}"
    if layers[-1] - layers[0] == len(layers) - 1:
        return f"layers {layers[0]} to {layers[-1]}"
    return f"{len(layers)} layers from {layers[0]} on"
