"""A user's own text with placeholders: checked, rendered, and found again in a file.

Which words a firmware understands is the user's business; there is no default text.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from math import inf
from string import Formatter

import numpy as np
from numpy.typing import NDArray

from ringscan.errors import OptionError
from ringscan.make.words import disturbs, without_comment
from ringscan.plan import Quantity

PLACEHOLDERS: Mapping[str, str] = {
    "axis": "X or Y",
    "axis_lower": "x or y",
    "frequency_hz": "commanded frequency",
    "period_s": "its period in seconds",
    "period_ms": "its period in milliseconds",
    "damping_ratio": "commanded damping ratio",
    "family": "shaper family of the plan",
    "tower": "label of the tower",
    "layer": "layer, counted from 0",
    "height_mm": "height of the layer's upper face",
}
WIDEST = 40
"""Of a rendered number; a typing error must not fill the memory."""
PERIODS: Mapping[str, float] = {"period_s": 1.0, "period_ms": 1000.0}
"""Placeholders of the commanded frequency's period: how many of its unit are a second."""
COMMANDED = frozenset({"frequency_hz", "damping_ratio", *PERIODS})
READ = COMMANDED | {"axis", "axis_lower"}
"""What of a text is read back from a file."""
Values = Mapping[str, str | float | int]
"""By placeholder, what is put in."""
SAMPLES: tuple[Values, ...] = (
    {
        "axis": "X",
        "axis_lower": "x",
        "frequency_hz": 1.5,
        "period_s": 0.66666667,
        "period_ms": 666.66667,
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
        "period_s": 0.0081,
        "period_ms": 8.1,
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

    def gives(self, quantity: Quantity) -> bool:
        """Whether it says a quantity's value."""
        return not self.fields.isdisjoint(_fields_of(quantity))

    @property
    def names_axis(self) -> bool:
        """Whether it says which axis it is for; else it is for all."""
        return not self.fields.isdisjoint({"axis", "axis_lower"})

    def render(self, values: Values) -> list[str]:
        """Return the lines with the values put in."""
        return lines_of(self.text.format(**{name: values[name] for name in self.fields}))

    def rounding(self, quantity: Quantity, values: NDArray[np.float64]) -> float:
        """By how much the text rounds a quantity's values at most; NaN is left out."""
        specs = {name: spec for _, name, spec in reversed(_parts(self.text))}
        field = next((name for name in _fields_of(quantity) if name in specs), "")
        worst = 0.0
        for value in values[~np.isnan(values)].tolist():
            number = PERIODS[field] / value if field in PERIODS else value
            read = commanded_value(quantity, {field: format(number, specs.get(field, ""))})
            worst = max(worst, inf if read is None else abs(read - value))
        return worst

    def patterns(self, *, every: bool = False) -> list[re.Pattern[str]]:
        """Pattern per line that carries a placeholder; per line if none does, or with `every`."""
        lines = lines_of(self.text)
        carrying = [line for line in lines if _fields(line) and not every]
        return [_pattern(line) for line in carrying or lines if line.strip()]


def _fields_of(quantity: Quantity) -> tuple[str, ...]:
    """Placeholders that give a quantity, in the order in which they are read."""
    return (quantity.value, *(PERIODS if quantity is Quantity.FREQUENCY else ()))


def commanded_value(quantity: Quantity, found: Mapping[str, str | None]) -> float | None:
    """What is commanded where a text's placeholders were read back, in Hz or 1."""
    for field in _fields_of(quantity):
        if (text := found.get(field)) is not None:
            number = float(text)
            if field not in PERIODS:
                return number
            return PERIODS[field] / number if number > 0 else None
    return None


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
        raise OptionError(
            f"{name} sets nothing: it needs {{frequency_hz}}, {{period_ms}}, {{period_s}} or "
            f"{{damping_ratio}}"
        )
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
