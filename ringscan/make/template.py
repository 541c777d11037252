"""The user's own command text, with placeholders: rendered into a file, and read back from it.

Which words a firmware understands is the user's business; there is no default text.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from string import Formatter

import numpy as np
from numpy.typing import NDArray

from ringscan.errors import OptionError, PlanError
from ringscan.make.shaped import require_shaper
from ringscan.make.words import disturbs, without_comment
from ringscan.plan import AXES, Axis, Plan, Quantity, State

PLACEHOLDERS: Mapping[str, str] = {
    "axis": "X or Y",
    "axis_lower": "x or y",
    "frequency_hz": "commanded frequency",
    "damping_ratio": "commanded damping ratio",
    "family": "shaper family of the plan",
    "tower": "label of the tower",
    "layer": "layer, counted from 0",
    "height_mm": "height of the layer's upper face",
}
WIDEST = 40
"""Of a rendered number; a typing error must not fill the memory."""
COMMANDED = frozenset({"frequency_hz", "damping_ratio"})
READ = COMMANDED | {"axis", "axis_lower"}
"""What of a text is read back from a file."""
Values = Mapping[str, str | float | int]
"""By placeholder, what is put in."""
SAMPLES: tuple[Values, ...] = (
    {
        "axis": "X",
        "axis_lower": "x",
        "frequency_hz": 1.5,
        "damping_ratio": 0.1,
        "family": "ZV",
        "tower": "A",
        "layer": 1,
        "height_mm": 0.2,
    },
    {
        "axis": "Y",
        "axis_lower": "y",
        "frequency_hz": 123.456789,
        "damping_ratio": 0.123456,
        "family": "ZVDD",
        "tower": "A-123456789Z",
        "layer": 1234,
        "height_mm": 119.875,
    },
)
"""Short and long values, with which a text is tried out."""
_FORM = Formatter()
HOW_TO_WRITE = "write a placeholder as {name} or {name:.2f}, and {{ and }} for real braces"
_NUMBER = r"\s*[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?"
"""As a placeholder's format may write it: padded, or with an exponent."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Template:
    """One text with placeholders; make it with `parse_template`.

    text : as the user wrote it
    fields : names of its placeholders
    """

    text: str
    fields: frozenset[str]

    @property
    def names_axis(self) -> bool:
        """Whether it says which axis it is for; else it is for all."""
        return not self.fields.isdisjoint({"axis", "axis_lower"})

    def render(self, values: Values) -> list[str]:
        """Return the lines with the values put in."""
        return lines_of(self.text.format(**{name: values[name] for name in self.fields}))

    def rounding(self, field: str, values: NDArray[np.float64]) -> float:
        """By how much the text rounds a placeholder's values at most; NaN is left out."""
        spec = next((spec for _, name, spec in _parts(self.text) if name == field), "")
        known = values[~np.isnan(values)].tolist()
        return max((abs(float(format(v, spec)) - v) for v in known), default=0.0)

    def patterns(self, *, every: bool = False) -> list[re.Pattern[str]]:
        """Pattern per line that carries a placeholder; per line if none does, or with `every`."""
        lines = lines_of(self.text)
        carrying = [line for line in lines if _fields(line) and not every]
        return [_pattern(line) for line in carrying or lines if line.strip()]


def lines_of(text: str) -> list[str]:
    """Lines of a user's text, cut where a machine cuts them.

    `str.splitlines` also cuts at rarer characters, and a comment's rest would become a command.
    """
    text = text.replace("\r\n", "\n").replace("\r", "\n").removesuffix("\n")
    return text.split("\n") if text else []


def parse_template(text: str, *, commands: bool) -> Template:
    """Check a user's text.

    Parameters
    ----------
    commands : True for the text that sets a value, False for the one that switches off

    Raises
    ------
    OptionError
        If it is empty, has an unknown or malformed placeholder, sets nothing, moves the machine, or
        writes values so that they cannot be read back.
    """
    name = "the command text" if commands else "the text that switches the shaper off"
    if not text.strip():
        raise OptionError(f"{name} is empty; see your firmware's manual for what to write")
    allowed = set(PLACEHOLDERS) - (set() if commands else COMMANDED)
    try:
        fields = _fields(text)
        unknown = sorted(fields - allowed)
        if unknown:
            raise OptionError(
                f"{name} has the placeholder {{{unknown[0]}}}; known are "
                f"{', '.join(f'{{{p}}}' for p in PLACEHOLDERS if p in allowed)}; write {{{{ and "
                f"}}}} for real braces"
            )
        lines = [without_comment(line) for line in lines_of(text)]
        bare_fields = set[str]().union(*map(_fields, lines))
        rendered = [line.format(**SAMPLES[0]) for line in lines]
    except ValueError as exc:
        raise OptionError(f"{name} has a malformed placeholder: {exc}") from exc
    if not any(lines):
        raise OptionError(f"{name} is a comment only; see your firmware's manual for what to write")
    if commands and not bare_fields & COMMANDED:
        raise OptionError(f"{name} sets nothing: it needs {{frequency_hz}} or {{damping_ratio}}")
    if disturbing := next(
        (line for line, full in zip(lines, rendered, strict=True) if disturbs(full)), None
    ):
        raise OptionError(
            f"{name} has '{disturbing}', which moves the machine or changes how its moves are "
            f"read; only what sets the shaper belongs there"
        )
    for line in lines_of(text):
        if not all(_reads_back(line, sample) for sample in SAMPLES):
            raise OptionError(
                f"{name} has '{line}', whose values cannot be read back from the file: put words "
                f"or blanks between placeholders, and write numbers without padding, as "
                f"{{frequency_hz:.2f}} does"
            )
    return Template(text=text, fields=frozenset(fields))


def _parts(text: str) -> list[tuple[str, str | None, str]]:
    """Literal, the placeholder behind it, if any, and that one's format.

    Raises
    ------
    ValueError
        If a placeholder is malformed.
    """
    try:
        parts = [(literal, f, spec or "", bang) for literal, f, spec, bang in _FORM.parse(text)]
    except ValueError as exc:
        raise ValueError(HOW_TO_WRITE) from exc
    for _, field, spec, conversion in parts:
        if conversion or "{" in spec:
            raise ValueError(HOW_TO_WRITE)
        if any(int(digits) > WIDEST for digits in re.findall(r"\d+", spec)):
            raise ValueError(f"a number may be {WIDEST} characters wide at most")
        for value in (sample.get(field or "", "") for sample in SAMPLES):
            try:
                format(value, spec)
            except ValueError as exc:
                raise ValueError(f"{value} cannot be written as {{{field}:{spec}}}") from exc
    return [(literal, field, spec) for literal, field, spec, _ in parts]


def _fields(text: str) -> set[str]:
    return {field for _, field, _ in _parts(text) if field is not None}


def _reads_back(line: str, sample: Values) -> bool:
    """Whether a line's own pattern finds what was written with it."""
    match = _pattern(line).fullmatch(line.format(**sample).strip())
    if match is None:
        return False
    # of a placeholder that stands there twice the first is read
    written = {f: format(sample[f], spec) for _, f, spec in reversed(_parts(line)) if f in READ}
    return all(match[field].strip() == text.strip() for field, text in written.items())


def _pattern(line: str) -> re.Pattern[str]:
    parts, seen = [], set()
    for literal, field, _ in _parts(line.strip()):
        parts.append(re.escape(literal))
        if field is None:
            continue
        what = "[XYxy]" if field.startswith("axis") else _NUMBER
        if field in {"family", "tower"}:
            what = "[A-Z0-9-]+"
        group = f"?P<{field}>" if field not in seen else "?:"
        parts.append(f"({group}{what})")
        seen.add(field)
    return re.compile("".join(parts))


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

    def fit(self, plan: Plan) -> None:
        """Check them against a plan. Raises PlanError."""
        quantities = {plan.ramp_of(axis).quantity for axis in plan.axes}
        for quantity, field in (
            (Quantity.FREQUENCY, "frequency_hz"),
            (Quantity.DAMPING, "damping_ratio"),
        ):
            if quantity in quantities and field not in self.command.fields:
                raise PlanError(
                    f"plan '{plan.tower}' raises {field}, but the command text lacks {{{field}}}"
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
    for layer in range(plan.size.layers):
        lines: list[str] = []
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
                "axis": axis.upper(),
                "axis_lower": axis,
                "frequency_hz": round(frequency, 6),
                "damping_ratio": round(damping, 6),
                "family": plan.shaper.family.value,
                "tower": plan.tower,
                "layer": layer,
                "height_mm": round(plan.layer_top_mm(layer), 3),
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
