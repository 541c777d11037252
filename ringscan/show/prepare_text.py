"""What the commands before the photo print: plain text, at most 80 columns wide."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from ringscan.make.cautions import CAUTIONS, OTHER_AXIS_OFF, SPOILERS
from ringscan.make.check import Commanded, LayerRow
from ringscan.make.planner import Proposal
from ringscan.make.texts import LayerCommands
from ringscan.make.verdict import Judgement, Verdict
from ringscan.plan import AXES, Axis, Direction, Plan, State

COLUMNS = 80
GRAMS_PER_MM3 = 1.24e-3
"""Of common filament; no source, a guide only."""


def plan_summary(proposal: Proposal) -> str:
    """One screen: the tower, what it will show, what gives, and what to mind."""
    plan, seen = proposal.plan, proposal.assessment
    size, motion = plan.size, plan.motion
    lines = [
        f"Tower {plan.tower}: {size.width_mm:g} × {size.width_mm:g} × {plan.height_mm:.1f} mm, "
        f"{size.layers} layers of {size.layer_height_mm:g} mm, line {size.line_width_mm:g} mm",
        f"Print at {motion.speed_mm_s:g} mm/s, {motion.acceleration_mm_s2:g} mm/s², corner speed "
        f"{motion.corner_speed_mm_s:g} mm/s, {motion.direction}",
        *(_ramp_line(plan, axis) for axis in plan.axes),
        f"Wall alone: {_duration(seen.time_s)}, {seen.filament_length_mm / 1000:.1f} m of filament "
        f"(about {seen.filament_mm3 * GRAMS_PER_MM3:.0f} g); a layer takes {seen.layer_s:.1f} s",
        "",
    ]
    for r in seen.requirements:
        if r.met:
            lines.append(f"ok    {r.name}: {r.got} (wanted {r.wanted})")
        else:
            lines.append(f"GIVES {r.name}: {r.got}, wanted {r.wanted}")
        if r.why:
            lines += _wrapped(r.why, indent=6)
    if seen.visibility.lost.all():
        lines += _wrapped(f"{Verdict.NOT_READABLE}: {NOTHING_SHOWS}", indent=0)
    if len(plan.axes) == 1:
        lines += _wrapped(f"note: {OTHER_AXIS_OFF}", indent=0)
    if proposal.changes:
        lines += ["", "Departs from what you intended:"]
        for change in proposal.changes:
            lines += _wrapped(change, indent=2)
    lines += ["", "What silently spoils a tower:"]
    lines += _wrapped("; ".join(f"{name} ({advice})" for name, advice in SPOILERS), indent=2)
    lines += _wrapped("CAUTION: " + " ".join(CAUTIONS), indent=0)
    return "\n".join(lines)


NOTHING_SHOWS = (
    "no frequency of the range leaves a readable ripple, and 'ringscan check' will say so of the "
    "file: do not print this plan; it takes more acceleration, as far as the machine's manual "
    "allows, a thinner line, or a range that begins lower"
)


def _ramp_line(plan: Plan, axis: Axis) -> str:
    ramp = plan.ramp_of(axis)
    return (
        f"{axis.upper()}: shaper {plan.shaper.family}, {ramp.start:g} to {ramp.end:g} Hz by "
        f"{ramp.step:g} Hz, from {plan.layer_bottom_mm(ramp.first_layer):.1f} to "
        f"{plan.layer_top_mm(ramp.last_layer):.1f} mm"
    )


def _duration(seconds: float) -> str:
    minutes = round(seconds / 60)
    return f"{minutes // 60} h {minutes % 60:02d} min" if minutes >= 60 else f"{minutes} min"


def _wrapped(text: str, *, indent: int) -> list[str]:
    pad = " " * indent
    return textwrap.wrap(
        text, COLUMNS, initial_indent=pad, subsequent_indent=pad, break_long_words=False
    )


def ramp_table(commands: Sequence[LayerCommands], first_lines: Sequence[int]) -> Iterator[str]:
    """Layer by layer: height, line of the file, values, and the text to be put in.

    `first_lines` may be empty when no file was read.
    """
    axes = [axis for axis in AXES if axis in commands[0].state]
    yield (
        f"{'layer':>5} {'mm':>7} {'line':>8}" + "".join(f" {a.upper():>8}" for a in axes) + "  text"
    )
    for c in commands:
        line = f"{first_lines[c.layer]}" if c.layer < len(first_lines) else "-"
        values = "".join(f" {_planned(c.state[a], c.value[a]):>8}" for a in axes)
        head = f"{c.layer:>5} {c.height_mm:>7.2f} {line:>8}{values}  "
        yield (head + " | ".join(c.lines)).rstrip()


def _planned(state: State, value: float) -> str:
    if state is State.RAMP:
        return f"{value:g}"
    return "off" if state is State.REFERENCE else "-"


def check_table(rows: Sequence[LayerRow], axes: Sequence[Axis], *, brief: bool) -> Iterator[str]:
    """Layer by layer as the file has it; brief joins neighbours that are alike."""
    yield (
        f"{'layers':>7} {'top mm':>7} {'walls':>5} {'entry':>5} {'seam':>5}"
        + "".join(f" {a.upper() + ' mm/s':>10}" for a in axes)
        + "".join(f" {a.upper() + ' told':>11}" for a in axes)
    )
    groups: list[list[LayerRow]] = []
    for row in rows:
        if brief and groups and _alike(groups[-1][-1], axes) == _alike(row, axes):
            groups[-1].append(row)
        else:
            groups.append([row])
    for group in groups:
        first, last = group[0], group[-1]
        name = f"{first.layer}" if first is last else f"{first.layer}-{last.layer}"
        yield (
            f"{name:>7} {last.height_mm:>7.2f} {last.walls:>5.2f} {_entry(last):>5} "
            f"{last.seam or '-':>5}"
            + "".join(f" {_speed(last, a):>10}" for a in axes)
            + "".join(f" {_values(group, a):>11}" for a in axes)
        )


def check_findings(judgement: Judgement) -> Iterator[str]:
    """What a finished file was found to be, and what cannot be found."""
    for kind, found in (
        ("spoilt", judgement.spoilt),
        ("differs", judgement.differs),
        ("note", judgement.notes),
        ("note", (UNREAD,)),
    ):
        for text in found:
            yield from _wrapped(f"{kind}: {text}", indent=0)


UNREAD = "acceleration, corner speed and feed overrides cannot be read from the moves"


def _alike(row: LayerRow, axes: Sequence[Axis]) -> tuple[object, ...]:
    kinds = tuple(_kind(row.commanded.get(a)) for a in axes)
    return (round(row.walls, 1), row.direction, row.seam, kinds, *(_speed(row, a) for a in axes))


def _kind(told: Commanded | None) -> str:
    if told is None:
        return "-"
    return ("off" if told.value is None else "value") + ("!" if told.inside else "")


def _entry(row: LayerRow) -> str:
    """Entry edge of every face, seen from outside."""
    if row.direction is None:
        return "mixed"
    return "left" if row.direction is Direction.COUNTER_CLOCKWISE else "right"


def _speed(row: LayerRow, axis: Axis) -> str:
    if axis not in row.speed_mm_s:
        return "-"
    low, high = row.speed_mm_s[axis]
    return f"{low:.4g}" if high - low < 0.01 * high else f"{low:.4g}-{high:.4g}"


def _values(group: Sequence[LayerRow], axis: Axis) -> str:
    told = [row.commanded.get(axis) for row in group]
    if _kind(told[0]).startswith("value"):
        a, b = (
            f"{round(t.value, 3):g}"
            for t in (told[0], told[-1])
            if t is not None and t.value is not None
        )
        return (a if a == b else f"{a}-{b}") + ("!" if "!" in _kind(told[0]) else "")
    return _kind(told[0])
