"""The plan: what was printed and what was commanded at each height.

One small TOML file says it all; this module loads, checks and writes it, and is the only
place that turns a layer into a height and a commanded value.

Layers are counted from 0. Layer ``k`` ends at ``first_layer_mm + k * layer_height_mm`` above
the base; the command changes between layers, never inside one.
"""

from __future__ import annotations

import hashlib
import re
import tomllib
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Literal, Self

import numpy as np
import tomli_w
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from ringscan.errors import PlanError, why
from ringscan.explain import explain

Axis = Literal["x", "y"]
AXES: tuple[Axis, Axis] = ("x", "y")


def require_axis(axis: str | None) -> None:
    """Refuse what is neither an axis nor None. Raises ValueError."""
    if axis is not None and axis not in AXES:
        raise ValueError(f"axis must be 'x' or 'y', not {axis!r}")


END_SLACK = 1e-9
"""start + step * (steps - 1) may miss its decimal value by rounding, in Hz or 1."""

LABEL_PATTERN = r"^[A-Z0-9]([A-Z0-9-]{0,10}[A-Z0-9])?$"


class Direction(StrEnum):
    """Travel along the outer wall, seen from above."""

    COUNTER_CLOCKWISE = "counter-clockwise"
    CLOCKWISE = "clockwise"


class Family(StrEnum):
    """Input shaper families of the literature, and an explicit impulse list."""

    ZV = "ZV"
    ZVD = "ZVD"
    ZVDD = "ZVDD"
    EI = "EI"
    EI2 = "EI2"
    EI3 = "EI3"
    LIST = "LIST"


class Quantity(StrEnum):
    """What a ramp raises with height."""

    FREQUENCY = "frequency_hz"
    DAMPING = "damping_ratio"


class State(StrEnum):
    """What the shaper did while a layer was printed."""

    RAMP = "ramp"
    REFERENCE = "reference"
    OUTSIDE = "outside"


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


def _number(low: float, high: float, hint: str) -> Any:
    return Field(ge=low, le=high, description=hint)


_Impulse = Annotated[float, Field(ge=-10, le=10)]


class Size(_Part):
    """The tower as sliced: a hollow square tube, one wall thick."""

    width_mm: float = _number(20, 150, "outer side of the square tube")
    line_width_mm: float = _number(0.1, 3, "width of the printed line")
    first_layer_mm: float = _number(0.03, 2, "height of the first layer")
    layer_height_mm: float = _number(0.03, 2, "height of every other layer")
    layers: int = _number(10, 5000, "number of layers of the whole tower")


LEAST_ACCELERATION_MM_S2 = 50.0
MOST_DAMPING_SETTING = 0.5


class Motion(_Part):
    """How the outer wall was printed."""

    direction: Direction = Field(
        description="'counter-clockwise' or 'clockwise', seen from above", strict=False
    )
    speed_mm_s: float = _number(5, 2000, "speed on the faces")
    acceleration_mm_s2: float = _number(
        LEAST_ACCELERATION_MM_S2, 200_000, "acceleration out of and into the corners"
    )
    corner_speed_mm_s: float = _number(0, 200, "speed at which a 90° corner is taken")

    @property
    def entry_left(self) -> bool:
        """Whether a face's entry edge is its left one, seen from outside with the base down."""
        return self.direction is Direction.COUNTER_CLOCKWISE

    @model_validator(mode="after")
    def _corner_is_slower(self) -> Self:
        if self.corner_speed_mm_s >= self.speed_mm_s:
            raise ValueError(
                f"corner_speed_mm_s = {self.corner_speed_mm_s:g} must be below "
                f"speed_mm_s = {self.speed_mm_s:g}; without braking there is no ripple"
            )
        return self


class Shaper(_Part):
    """The input shaper that was on while the ramp was printed."""

    family: Family = Field(description=f"one of {', '.join(Family)}", strict=False)
    damping_ratio: float = _number(0, MOST_DAMPING_SETTING, "the shaper's own damping setting")
    tolerance: float = Field(
        default=0.05, ge=0.005, le=0.25, description="vibration tolerance of EI, EI2 and EI3"
    )
    amplitudes: tuple[_Impulse, ...] = Field(
        default=(), strict=False, description="LIST only: impulses with sum 1, each -10 to 10"
    )
    times_in_periods: tuple[_Impulse, ...] = Field(
        default=(),
        strict=False,
        description="LIST only: impulse times in periods of the commanded frequency, 0 to 10",
    )

    @model_validator(mode="after")
    def _list_is_whole(self) -> Self:
        given = len(self.amplitudes)
        if self.family is not Family.LIST:
            if given or self.times_in_periods:
                raise ValueError("amplitudes and times_in_periods belong to family 'LIST' only")
            return self
        if not 1 <= given <= 10 or given != len(self.times_in_periods):
            raise ValueError(
                f"family 'LIST' needs 1 to 10 amplitudes and as many times_in_periods, "
                f"not {given} and {len(self.times_in_periods)}"
            )
        if abs(sum(self.amplitudes) - 1) > 1e-3:
            raise ValueError(f"amplitudes must have the sum 1, not {sum(self.amplitudes):g}")
        times = self.times_in_periods
        if times[0] != 0 or any(b <= a for a, b in pairwise(times)):
            raise ValueError("times_in_periods must start at 0 and rise")
        return self


class Ramp(_Part):
    """The commanded value of one axis: constant within a step, rising from step to step."""

    quantity: Quantity = Field(
        description="'frequency_hz' or 'damping_ratio'", strict=False, default=Quantity.FREQUENCY
    )
    first_layer: int = _number(0, 5000, "first layer of the ramp, counted from 0")
    last_layer: int = _number(0, 5000, "last layer of the ramp, itself included")
    start: float = Field(ge=0, le=500, description="value at the first layer")
    step: float = Field(ge=-100, le=100, description="change from one step to the next")
    layers_per_step: int = Field(default=1, ge=1, le=1000, description="layers that share a value")
    frequency_hz: float | None = Field(
        default=None, ge=1, le=500, description="damping ramps only: the fixed frequency"
    )

    @property
    def steps(self) -> int:
        """Number of different commanded values."""
        return (self.last_layer - self.first_layer) // self.layers_per_step + 1

    @property
    def end(self) -> float:
        """Value commanded at the last layer."""
        return self.start + self.step * (self.steps - 1)

    @model_validator(mode="after")
    def _is_a_ramp(self) -> Self:
        if self.last_layer <= self.first_layer:
            raise ValueError(
                f"last_layer = {self.last_layer} must be above first_layer = {self.first_layer}"
            )
        if self.step == 0 or self.steps < 2:
            raise ValueError("the ramp never changes; give a step and at least two steps")
        if self.quantity is Quantity.FREQUENCY:
            if self.frequency_hz is not None:
                raise ValueError("frequency_hz belongs to ramps of damping_ratio only")
            low, high = 1.0, 500.0
        else:
            if self.frequency_hz is None:
                raise ValueError("a ramp of damping_ratio needs the fixed frequency_hz")
            low, high = 0.0, MOST_DAMPING_SETTING
        for name, value in (("start", self.start), ("the ramp's end", self.end)):
            if not low - END_SLACK <= value <= high + END_SLACK:
                raise ValueError(
                    f"{name} = {value:g} must be {low:g} to {high:g} for a ramp of {self.quantity}"
                )
        return self


class Ramps(_Part):
    """One ramp per axis; an axis without one was not tested."""

    x: Ramp | None = None
    y: Ramp | None = None


class Reference(_Part):
    """The stretch of layers printed with the shaper off."""

    first_layer: int = _number(0, 5000, "first layer with the shaper off")
    last_layer: int = _number(0, 5000, "last layer with the shaper off, itself included")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Commands:
    """What the axis's shaper was told at each layer.

    state : State per layer, (layers,)
    frequency_hz, damping_ratio : commanded shaper settings, (layers,), NaN outside the ramp
    """

    state: NDArray[np.str_]
    frequency_hz: NDArray[np.float64]
    damping_ratio: NDArray[np.float64]


class Plan(_Part):
    """A calibration tower: size, motion, shaper, ramps and reference band."""

    version: Literal[1] = Field(default=1, description="version of the plan's form; 1")
    tower: str = Field(
        pattern=LABEL_PATTERN,
        description="label of the tower: 1 to 12 of A-Z, 0-9 and '-', e.g. 'HERON-3'",
    )
    size: Size
    motion: Motion
    shaper: Shaper
    ramp: Ramps
    reference: Reference | None = None

    @model_validator(mode="after")
    def _layers_fit(self) -> Self:
        top = self.size.layers - 1
        ramps = [(f"ramp.{axis}", r) for axis in AXES if (r := getattr(self.ramp, axis))]
        if not ramps:
            raise ValueError("ramp: give [ramp.x], [ramp.y] or both")
        for name, part in ramps:
            if part.last_layer > top:
                raise ValueError(
                    f"{name}.last_layer = {part.last_layer} must be at most {top}, the top layer"
                )
        ref = self.reference
        if ref is not None:
            if not ref.first_layer <= ref.last_layer <= top:
                raise ValueError(
                    f"reference: layers {ref.first_layer} to {ref.last_layer} must rise and be "
                    f"at most {top}, the top layer"
                )
            for name, part in ramps:
                if ref.first_layer <= part.last_layer and part.first_layer <= ref.last_layer:
                    raise ValueError(f"reference: its layers overlap those of {name}")
        return self

    @property
    def height_mm(self) -> float:
        """Height of the whole tower."""
        return self.layer_top_mm(self.size.layers - 1)

    @property
    def axes(self) -> tuple[Axis, ...]:
        """Axes that have a ramp."""
        return tuple(axis for axis in AXES if getattr(self.ramp, axis) is not None)

    @property
    def measured(self) -> tuple[range, ...]:
        """Layers of every ramp, and those of the reference band."""
        parts = [*(self.ramp_of(axis) for axis in self.axes), self.reference]
        return tuple(range(p.first_layer, p.last_layer + 1) for p in parts if p is not None)

    def ramp_of(self, axis: Axis) -> Ramp:
        """Return the axis's ramp.

        Raises
        ------
        PlanError
            If the plan has none for this axis.
        """
        ramp: Ramp | None = getattr(self.ramp, axis)
        if ramp is None:
            raise PlanError(f"plan '{self.tower}' has no ramp for axis {axis.upper()}")
        return ramp

    def layer_top_mm(self, layer: int) -> float:
        """Height of the layer's upper face above the tower's base."""
        return self.size.first_layer_mm + layer * self.size.layer_height_mm

    def layer_bottom_mm(self, layer: int) -> float:
        """Height of the layer's lower face above the tower's base."""
        return self.layer_top_mm(layer - 1) if layer > 0 else 0.0

    def commands(self, axis: Axis) -> Commands:
        """Return what the axis's shaper was told at each layer."""
        ramp = self.ramp_of(axis)
        n = self.size.layers
        state = np.full(n, State.OUTSIDE.value, dtype="U9")
        value = np.full(n, np.nan)
        layers = np.arange(ramp.first_layer, ramp.last_layer + 1)
        state[layers] = State.RAMP.value
        value[layers] = ramp.start + ramp.step * (
            (layers - ramp.first_layer) // ramp.layers_per_step
        )
        fixed = np.where(np.isnan(value), np.nan, 1.0)
        if ramp.quantity is Quantity.FREQUENCY:
            frequency_hz, damping_ratio = value, fixed * self.shaper.damping_ratio
        else:
            assert ramp.frequency_hz is not None  # the validator saw to it
            frequency_hz, damping_ratio = fixed * ramp.frequency_hz, value
        if self.reference is not None:
            state[self.reference.first_layer : self.reference.last_layer + 1] = (
                State.REFERENCE.value
            )
        return Commands(state=state, frequency_hz=frequency_hz, damping_ratio=damping_ratio)

    def to_toml(self) -> str:
        """Write the plan as TOML; ``parse_plan`` of it gives the same plan."""
        return tomli_w.dumps(
            self.model_dump(mode="json", exclude_none=True, exclude_defaults=True)
            | {"version": self.version}
        )

    @property
    def digest(self) -> str:
        """SHA-256 of the plan, to name in results which plan they were read with."""
        return hashlib.sha256(self.model_dump_json().encode()).hexdigest()


DECIMAL_COMMA = re.compile(r"^[ \t]*[\w.]+[ \t]*=[ \t]*[-+]?\d+,\d", re.MULTILINE)


def load_plan(path: Path) -> Plan:
    """Read and check a plan file.

    Raises
    ------
    PlanError
        If it cannot be read, is not TOML, or holds a wrong value: every wrong value is named
        with its key, what was given, and what is allowed.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError as exc:
        raise PlanError(f"{path}: there is no such plan file") from exc
    except (OSError, ValueError) as exc:
        raise PlanError(f"{path}: cannot be read: {why(exc)}") from exc
    return parse_plan(text, source=str(path))


def parse_plan(text: str, *, source: str = "plan") -> Plan:
    """Check the text of a plan; `source` is named in errors. Raises PlanError."""
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError) as exc:  # tomllib lets both through
        hint = "; decimals take a point, not a comma" if DECIMAL_COMMA.search(text) else ""
        raise PlanError(f"{source}: is not TOML: {exc}{hint}") from exc
    return build_plan(data, source=source)


def build_plan(data: dict[str, Any], *, source: str = "plan") -> Plan:
    """Check a plan given as nested dicts; `source` is named in errors. Raises PlanError."""
    try:
        return Plan.model_validate(data)
    except ValidationError as exc:
        wrong = "; ".join(explain(error, Plan) for error in exc.errors())
        raise PlanError(f"{source}: {wrong}") from exc
