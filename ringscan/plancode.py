"""The text in the scan sheet's QR code: the whole plan, the axis and the tower's label.

    RS1 HERON-3 X W60 L.45 B.3 H.2 N500 T+ V120 A3000 C5 SZV D.1 X50-449:F20+.1/2 R0-49 *01ABCDE

docs/scan-sheet.md explains each field. Only the 45 characters of the QR code's alphanumeric
mode occur, so that the code stays coarse enough for a phone (ISO/IEC 18004, table of modes).
"""

from __future__ import annotations

import re
import zlib
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from ringscan.errors import PlanError
from ringscan.plan import AXES, Axis, Direction, Family, Plan, Quantity, Ramp, build_plan

VERSION = 1
MAX_LENGTH = 130
"""Characters; at error correction level M this is a code of 41 modules or fewer."""

SOURCE = "the scan sheet's code"
CHECKSUM_DIGITS = 7
"""Base-36 digits that hold any CRC-32."""

_DIGITS = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_UNSIGNED = r"(?:[0-9]+(?:\.[0-9]+)?|\.[0-9]+)"
_NUMBER = rf"-?{_UNSIGNED}"
_WHOLE = r"[0-9]+"
_TURNS = {Direction.COUNTER_CLOCKWISE: "+", Direction.CLOCKWISE: "-"}
_DEFAULT_TOLERANCE = 0.05
"""Part of version 1 of the code: an absent E field means this, whatever the plan's default."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetCode:
    """What the code says.

    plan : of the tower
    axis : whose page it is printed on
    """

    plan: Plan
    axis: Axis


def encode_plan(plan: Plan, axis: Axis) -> str:
    """Return the text of the QR code on the axis's page.

    Raises
    ------
    PlanError
        If the axis has no ramp, or the plan is too long for the code.
    """
    plan.ramp_of(axis)
    body = _body(plan, axis)
    text = f"{body} *{_checksum(body)}"
    if len(text) > MAX_LENGTH:
        raise PlanError(
            f"plan '{plan.tower}' does not fit the scan sheet's code: {len(text)} characters, at "
            f"most {MAX_LENGTH}; use fewer decimals, a shorter list of impulses or a shorter "
            f"label, or make a sheet for a simpler plan of this label and give this file when you "
            f"scan"
        )
    return text


def decode_plan(text: str) -> SheetCode:
    """Read the text of a QR code.

    Raises
    ------
    PlanError
        If it is not a scan sheet's code, is of another version, was altered, or its plan is
        wrong.
    """
    start = re.match(r"RS([0-9]{1,3}) ", text)
    if start is None:
        seen = text[:24] + ("…" if len(text) > 24 else "")
        raise PlanError(f"the QR code {seen!r} is not a scan sheet's; photograph the scan sheet")
    if start[1] != str(VERSION):
        raise PlanError(
            f"{SOURCE} has version {start[1]}, this ringscan reads version {VERSION}; "
            f"print the sheet anew, or give the plan file"
        )
    body, _, checksum = text.rpartition(" *")
    if len(text) > MAX_LENGTH or not text.isascii() or checksum != _checksum(body):
        raise PlanError(
            f"{SOURCE} fails its checksum: it was altered or misread; give the plan file"
        )
    malformed = PlanError(f"{SOURCE} has a true checksum but is malformed; give the plan file")
    fields = _PATTERN.fullmatch(body)
    if fields is None:
        raise malformed
    axis: Axis = "x" if fields["axis"] == "X" else "y"
    plan = build_plan(_plan_data(fields), source=SOURCE)
    plan.ramp_of(axis)
    if _body(plan, axis) != body:  # one plan, one text
        raise malformed
    return SheetCode(plan=plan, axis=axis)


def _body(plan: Plan, axis: Axis) -> str:
    """Everything before the checksum."""
    size, motion, shaper, ref = plan.size, plan.motion, plan.shaper, plan.reference
    words = [
        f"RS{VERSION} {plan.tower} {axis.upper()}",
        f"W{_decimal(size.width_mm)} L{_decimal(size.line_width_mm)}",
        f"B{_decimal(size.first_layer_mm)} H{_decimal(size.layer_height_mm)} N{size.layers}",
        f"T{_TURNS[motion.direction]} V{_decimal(motion.speed_mm_s)}",
        f"A{_decimal(motion.acceleration_mm_s2)} C{_decimal(motion.corner_speed_mm_s)}",
        f"S{shaper.family} D{_decimal(shaper.damping_ratio)}",
    ]
    if shaper.tolerance != _DEFAULT_TOLERANCE:
        words.append(f"E{_decimal(shaper.tolerance)}")
    if shaper.amplitudes:
        impulses = zip(shaper.amplitudes, shaper.times_in_periods, strict=True)
        words.append("P" + "/".join(f"{_decimal(a)}:{_decimal(t)}" for a, t in impulses))
    for name in AXES:
        ramp: Ramp | None = getattr(plan.ramp, name)
        if ramp is not None:
            words.append(name.upper() + _ramp_text(ramp))
    if ref is not None:
        words.append(f"R{ref.first_layer}-{ref.last_layer}")
    return " ".join(words)


def _ramp_text(ramp: Ramp) -> str:
    step = _decimal(ramp.step)
    text = f"{ramp.first_layer}-{ramp.last_layer}:"
    text += "F" if ramp.quantity is Quantity.FREQUENCY else "D"
    text += _decimal(ramp.start) + (step if step.startswith("-") else f"+{step}")
    if ramp.layers_per_step != 1:
        text += f"/{ramp.layers_per_step}"
    if ramp.frequency_hz is not None:
        text += f":F{_decimal(ramp.frequency_hz)}"
    return text


def _ramp_pattern(name: str) -> str:
    return (
        rf"(?: {name}(?P<{name}0>{_WHOLE})-(?P<{name}1>{_WHOLE}):(?P<{name}q>[FD])"
        rf"(?P<{name}a>{_NUMBER})(?P<{name}s>[+-]{_UNSIGNED})"
        rf"(?:/(?P<{name}n>{_WHOLE}))?(?::F(?P<{name}f>{_NUMBER}))?)?"
    )


_PATTERN = re.compile(
    rf"RS{VERSION} (?P<tower>[A-Z0-9-]+) (?P<axis>[XY])"
    rf" W(?P<W>{_NUMBER}) L(?P<L>{_NUMBER}) B(?P<B>{_NUMBER}) H(?P<H>{_NUMBER}) N(?P<N>{_WHOLE})"
    rf" T(?P<T>[+-]) V(?P<V>{_NUMBER}) A(?P<A>{_NUMBER}) C(?P<C>{_NUMBER})"
    rf" S(?P<S>{'|'.join(Family)}) D(?P<D>{_NUMBER})(?: E(?P<E>{_NUMBER}))?"
    rf"(?: P(?P<P>{_NUMBER}:{_NUMBER}(?:/{_NUMBER}:{_NUMBER})*))?"
    + _ramp_pattern("X")
    + _ramp_pattern("Y")
    + rf"(?: R(?P<R0>{_WHOLE})-(?P<R1>{_WHOLE}))?"
)


def _plan_data(fields: re.Match[str]) -> dict[str, Any]:
    """The plan as nested dicts, of a text that has the right form."""
    impulses = [pair.split(":") for pair in (fields["P"] or "").split("/") if pair]
    data: dict[str, Any] = {
        "tower": fields["tower"],
        "size": {
            "width_mm": float(fields["W"]),
            "line_width_mm": float(fields["L"]),
            "first_layer_mm": float(fields["B"]),
            "layer_height_mm": float(fields["H"]),
            "layers": int(fields["N"]),
        },
        "motion": {
            "direction": next(d for d, sign in _TURNS.items() if sign == fields["T"]),
            "speed_mm_s": float(fields["V"]),
            "acceleration_mm_s2": float(fields["A"]),
            "corner_speed_mm_s": float(fields["C"]),
        },
        "shaper": {
            "family": fields["S"],
            "damping_ratio": float(fields["D"]),
            "tolerance": float(fields["E"] or _DEFAULT_TOLERANCE),
            "amplitudes": [float(a) for a, _ in impulses],
            "times_in_periods": [float(t) for _, t in impulses],
        },
        "ramp": {axis: _ramp_data(fields, axis.upper()) for axis in AXES},
    }
    if fields["R0"] is not None:
        data["reference"] = {
            "first_layer": int(fields["R0"]),
            "last_layer": int(fields["R1"]),
        }
    return data


def _ramp_data(fields: re.Match[str], name: str) -> dict[str, Any] | None:
    if fields[f"{name}0"] is None:
        return None
    fixed = fields[f"{name}f"]
    return {
        "quantity": Quantity.FREQUENCY if fields[f"{name}q"] == "F" else Quantity.DAMPING,
        "first_layer": int(fields[f"{name}0"]),
        "last_layer": int(fields[f"{name}1"]),
        "start": float(fields[f"{name}a"]),
        "step": float(fields[f"{name}s"]),
        "layers_per_step": int(fields[f"{name}n"] or 1),
        "frequency_hz": None if fixed is None else float(fixed),
    }


def _decimal(value: float) -> str:
    """The shortest decimal that reads back as the same number, without exponent: .45, 60."""
    text = format(Decimal(repr(value)), "f")
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return re.sub(r"^(-?)0\.", r"\1.", text)


def _checksum(body: str) -> str:
    """CRC-32 (ISO 3309) of the text in base 36, seven digits."""
    rest, digits = zlib.crc32(body.encode("utf-8", "replace")), ""
    for _ in range(CHECKSUM_DIGITS):
        rest, digit = divmod(rest, 36)
        digits = _DIGITS[digit] + digits
    return digits
