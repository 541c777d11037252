"""The user's two texts against a plan: what they say at the start of each of its layers."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from ringscan.errors import PlanError
from ringscan.make.shaped import require_shaper
from ringscan.make.template import PERIODS, Template, Values
from ringscan.plan import AXES, Axis, Plan, Quantity, State


@dataclass(frozen=True, slots=True, kw_only=True)
class Texts:
    """The two texts of the user.

    command : sets a value
    off : switches the shaper off; None where the firmware cannot
    """

    command: Template
    off: Template | None

    def serves_both(self, plan: Plan) -> bool:
        """Whether one command has to set both axes of a plan at once."""
        return len(plan.axes) > 1 and not self.command.names_axis

    def switched_off(self, plan: Plan) -> tuple[Axis, ...]:
        """Axes without a ramp whose shapers the off text can switch off for the print: if it names
        its axis, and the command, which comes later, does not set both.
        """
        if self.off is None or not (self.off.names_axis and self.command.names_axis):
            return ()
        return tuple(axis for axis in AXES if axis not in plan.axes)

    def line_patterns(self) -> list[re.Pattern[str]]:
        """Patterns of every line that the two texts put into a file."""
        given = [text for text in (self.off, self.command) if text is not None]
        return [pattern for text in given for pattern in text.patterns(every=True)]

    def fit(self, plan: Plan) -> None:
        """Check them against a plan. Raises PlanError."""
        ramped = {plan.ramp_of(axis).quantity for axis in plan.axes}
        for quantity in Quantity:
            if quantity in ramped and not self.command.gives(quantity):
                raise PlanError(
                    f"plan '{plan.tower}' raises {quantity}, but the command text lacks "
                    f"{{{quantity}}}"
                )
        if self.serves_both(plan) and plan.ramp.x != plan.ramp.y:
            raise PlanError(
                f"plan '{plan.tower}' has different ramps for X and Y, but the command text lacks "
                f"{{axis}}"
            )
        if plan.reference is not None and self.off is None:
            raise PlanError(
                f"plan '{plan.tower}' has a reference band, but no text switches the shaper off; "
                f"give that text with --off, or name a plan without the band with --write-plan"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerCommands:
    """What a file is to hold at the start of one layer.

    layer : counted from 0
    height_mm : of its upper face
    state : per axis of the plan
    value : commanded value per axis, NaN outside the ramp
    lines : rendered text, empty where nothing is commanded
    """

    layer: int
    height_mm: float
    state: Mapping[Axis, State]
    value: Mapping[Axis, float]
    lines: tuple[str, ...]


def layer_commands(plan: Plan, texts: Texts) -> list[LayerCommands]:
    """Render the texts for every layer of a plan.

    Raises
    ------
    PlanError
        If the texts do not suit the plan, or round its steps away, or its shaper does not exist.
    """
    require_shaper(plan)
    texts.fit(plan)
    before: dict[Axis, tuple[float, list[str]]] = {}
    commands = {axis: plan.commands(axis) for axis in plan.axes}
    result = []
    begin = min(layers.start for layers in plan.measured)
    for layer in range(plan.size.layers):
        lines: list[str] = []
        if layer == begin and texts.off is not None:
            for axis in texts.switched_off(plan):
                lines += texts.off.render(_common(plan, axis, layer))
        states: dict[Axis, State] = {}
        numbers: dict[Axis, float] = {}
        for axis in [a for a in AXES if a in commands]:
            state = State(str(commands[axis].state[layer]))
            frequency = float(commands[axis].frequency_hz[layer])
            damping = float(commands[axis].damping_ratio[layer])
            is_frequency = plan.ramp_of(axis).quantity is Quantity.FREQUENCY
            states[axis] = state
            numbers[axis] = round(frequency if is_frequency else damping, 6)
            values: Values = {
                **_common(plan, axis, layer),
                "frequency_hz": round(frequency, 6),
                **{name: round(unit / frequency, 8) for name, unit in PERIODS.items()},
                "damping_ratio": round(damping, 6),
            }
            if state is State.RAMP:
                text = texts.command.render(values)
                number, same = before.get(axis, (numbers[axis], text))
                if number != numbers[axis] and same == text:
                    raise PlanError(
                        f"the text comes out the same for {number:g} and {numbers[axis]:g}, two "
                        "steps of the ramp: give the number more decimals, as {frequency_hz:.3f} "
                        "does"
                    )
                before[axis] = numbers[axis], text
            elif state is State.REFERENCE and texts.off is not None:
                text = texts.off.render(values)
            else:
                continue
            if lines[-len(text) :] != text:  # a text without {axis} serves both axes at once
                lines += text
        result.append(
            LayerCommands(
                layer=layer,
                height_mm=plan.layer_top_mm(layer),
                state=states,
                value=numbers,
                lines=tuple(lines),
            )
        )
    return result


def _common(plan: Plan, axis: Axis, layer: int) -> Values:
    """What both texts may say of a layer."""
    return {
        "axis": axis.upper(),
        "axis_lower": axis,
        "family": plan.shaper.family.value,
        "tower": plan.tower,
        "layer": layer,
        "height_mm": round(plan.layer_top_mm(layer), 3),
    }
