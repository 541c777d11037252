"""Puts the commanded value of every layer into a G-code file.

The file is read twice and never held in memory: once to find the layers, once to copy it with
the user's text before each. The original stays as it is.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np

from ringscan.errors import GcodeError, OptionError
from ringscan.make.gcodelines import read_lines
from ringscan.make.layers import Layer, find_layers
from ringscan.make.template import parse_template
from ringscan.make.texts import LayerCommands, Texts, layer_commands
from ringscan.make.words import parse_line
from ringscan.output import keep_apart, writing_whole
from ringscan.plan import Plan, State

MARK = "; ringscan ramp 1 "
COMMAND_MARK = "; ringscan command "
OFF_MARK = "; ringscan off "
"""Comments of a file with a ramp: digest of plan and texts, then the texts as JSON."""

HEIGHT_TOLERANCE = 0.25
"""Of a layer height: more, and the commanded values would sit a layer too high or low."""
WIDTH_TOLERANCE_MM = 1.0
USERS_OWN_LINES = 4
"""Lines that may equal one of the ramp's by chance, in the user's own start text."""
MISSING_TOP_LAYERS = 2
"""Slicing programs round the number of layers; the top carries no ramp."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Marks:
    """What the marks of a file with a ramp say.

    digest : of plan and texts, as `ramp_digest` gives it
    texts : those that the ramp was made with
    """

    digest: str
    texts: Texts


@dataclass(frozen=True, slots=True, kw_only=True)
class RampResult:
    """What was written.

    already : True if the source carried this very ramp, and was copied unchanged
    layers : found in the source
    commanded : layers that begin with the user's text
    warnings : one line each
    """

    already: bool
    layers: int
    commanded: int
    warnings: tuple[str, ...]


def add_ramp(source: Path, target: Path, plan: Plan, texts: Texts) -> RampResult:
    """Copy a G-code file with the ramp's commands put in before each layer.

    Raises
    ------
    PlanError
        If the texts do not suit the plan, or its shaper does not exist.
    GcodeError
        If the source cannot be read, is not the plan's tower, or carries another ramp.
    OutputError
        If the target is the source, or cannot be written; nothing is left half-written.
    """
    commands = layer_commands(plan, texts)
    keep_apart([target], [source])
    digest = ramp_digest(plan, texts)
    marks = read_marks(source)
    if marks is not None and marks.digest != digest:
        raise GcodeError(
            f"{source}: already carries a ramp of another plan or text; start from the file "
            f"without a ramp"
        )
    if marks is None:
        _refuse_unmarked_ramp(source, commands)
    lines, warnings = layer_lines(source, plan)
    with writing_whole(target) as copy:
        if marks is not None:
            for _, line in read_lines(source):
                copy.write(line)
        else:
            inserted = {lines[c.layer]: c for c in commands if c.lines}
            _copy(source, copy, _head(digest, texts), inserted)
    return RampResult(
        already=marks is not None,
        layers=len(lines),
        commanded=sum(1 for c in commands if c.lines),
        warnings=warnings,
    )


def ramp_digest(plan: Plan, texts: Texts) -> str:
    """Name of a ramp: 16 hex digits of SHA-256 over plan and texts."""
    off = "" if texts.off is None else texts.off.text
    whole = json.dumps([plan.digest, texts.command.text, off])
    return hashlib.sha256(whole.encode()).hexdigest()[:16]


def read_marks(path: Path) -> Marks | None:
    """Return the marks of an earlier run, wherever they stand in the file; None without any.

    Raises
    ------
    GcodeError
        If the file cannot be read, or its marks were altered.
    """
    digest, found = None, {}
    altered = "a mark of ringscan was altered"
    for number, line in read_lines(path):
        if not line.startswith(b"; ringscan "):
            continue
        text = line.decode("utf-8", "replace").strip()
        if text.startswith(MARK):
            digest = text.removeprefix(MARK)
        for mark in (COMMAND_MARK, OFF_MARK):
            if text.startswith(mark):
                try:
                    found[mark] = str(json.loads(text.removeprefix(mark)))
                except ValueError as exc:
                    raise GcodeError(f"{path}, line {number}: {altered}") from exc
    if digest is None or COMMAND_MARK not in found:
        return None
    off = found.get(OFF_MARK)
    try:
        texts = Texts(
            command=parse_template(found[COMMAND_MARK], commands=True),
            off=None if off is None else parse_template(off, commands=False),
        )
    except OptionError as exc:
        raise GcodeError(f"{path}: {altered}: {exc}") from exc
    return Marks(digest=digest, texts=texts)


def _head(digest: str, texts: Texts) -> list[str]:
    head = [MARK + digest, COMMAND_MARK + json.dumps(texts.command.text)]
    if texts.off is not None:
        head.append(OFF_MARK + json.dumps(texts.off.text))
    return head


def _refuse_unmarked_ramp(source: Path, commands: list[LayerCommands]) -> None:
    """A ramp whose marks were taken out must not be put in twice."""
    ours = {
        line.strip().encode()
        for c in commands
        if State.RAMP in c.state.values()
        for line in c.lines
        if line.strip()
    }
    found: set[bytes] = set()
    for number, line in read_lines(source):
        if (text := line.strip()) in ours:
            found.add(text)
            if len(found) > USERS_OWN_LINES:
                raise GcodeError(
                    f"{source}, line {number}: already holds commands of this ramp; start "
                    f"from the file without a ramp"
                )


def layer_lines(source: Path, plan: Plan) -> tuple[list[int], tuple[str, ...]]:
    """First line of each layer of a file that is the plan's tower."""
    commanded = {
        layer
        for axis in plan.axes
        for layer in np.flatnonzero(plan.commands(axis).state != State.OUTSIDE.value).tolist()
    }
    lines = []
    last = 0
    for layer in find_layers(source):
        last = layer.moves[-1].line
        if layer.index < plan.size.layers:
            _compare_height(source, plan, layer)
        if layer.index in commanded:
            _compare_width(source, plan, layer)
        lines.append(layer.first_line)
    found, planned = len(lines), plan.size.layers
    if found <= max(commanded) or abs(found - planned) > MISSING_TOP_LAYERS:
        cut_off = found < planned and not has_end(source, last, None)
        raise GcodeError(
            f"{source}: has {found} layers, plan '{plan.tower}' has {planned}; "
            + ("it ends early and without an end: was it cut off? Else " if cut_off else "")
            + f"slice the plan's own mesh, by 'ringscan tower', at 100 % {_sliced_so(plan)}"
        )
    if found != planned:
        return lines, (f"the file has {found} layers, the plan {planned}; the ramp is complete",)
    return lines, ()


def has_end(path: Path, last: int, texts: Texts | None) -> bool:
    """Whether there is more than moves and the ramp behind a line.

    That is an M word, or what is no plain G-code.
    """
    patterns = [] if texts is None else texts.line_patterns()
    for number, line in read_lines(path):
        if number <= last:
            continue
        text = line.decode("latin-1")
        if any(pattern.fullmatch(text.strip()) for pattern in patterns):
            continue
        words = parse_line(text)
        if words is None or any(letter == "M" for letter, _ in words):
            return True
    return False


def _compare_height(source: Path, plan: Plan, layer: Layer) -> None:
    expected = plan.layer_top_mm(layer.index)
    if abs(layer.height_mm - expected) > HEIGHT_TOLERANCE * plan.size.layer_height_mm:
        lies, planned = (f"{round(z_mm, 3):g} mm" for z_mm in (layer.height_mm, expected))
        raise GcodeError(
            f"{source}, line {layer.first_line}: layer {layer.index} lies at Z {lies}, plan "
            f"'{plan.tower}' says {planned}; slice {_sliced_so(plan)}, or let "
            f"size.first_layer_mm and size.layer_height_mm in the plan "
            f"say what can be sliced, and make mesh and sheet anew from it"
        )


def _sliced_so(plan: Plan) -> str:
    size = plan.size
    return (
        f"with the plan's layer heights, {size.first_layer_mm:g} mm for the first and "
        f"{size.layer_height_mm:g} mm for the others"
    )


def _compare_width(source: Path, plan: Plan, layer: Layer) -> None:
    x0, y0, x1, y1 = layer.box_mm
    width = plan.size.width_mm - plan.size.line_width_mm
    if max(abs(x1 - x0 - width), abs(y1 - y0 - width)) > WIDTH_TOLERANCE_MM:
        raise GcodeError(
            f"{source}, line {layer.first_line}: layer {layer.index} covers {x1 - x0:.1f} × "
            f"{y1 - y0:.1f} mm, the wall of plan '{plan.tower}' {width:.1f} × {width:.1f} mm: "
            f"several objects, another size, or a tower turned on the bed; slice the plan's tower "
            f"alone, upright and square to the axes, at 100 %"
        )


def _copy(
    source: Path, copy: BinaryIO, head: list[str], inserted: dict[int, LayerCommands]
) -> None:
    ending = b"\n"
    for number, line in read_lines(source):
        if number == 1:
            ending = b"\r\n" if line.endswith(b"\r\n") else b"\n"
            first = line.strip() == b"%"  # the standard wants it first of all
            copy.write((line if first else b"") + _encode(head, ending))
            if first:
                continue
        if (commands := inserted.get(number)) is not None:
            copy.write(_encode(commands.lines, ending))
        copy.write(line)


def _encode(lines: list[str] | tuple[str, ...], ending: bytes) -> bytes:
    return b"".join(line.encode() + ending for line in lines)
