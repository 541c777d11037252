"""A scan as text for a terminal: the answer, the cross-check, and the ranked frequency table."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator

from rich.console import Console
from rich.markup import escape
from rich.table import Table
from rich.text import Text

from ringscan.model.setting import DampingSetting, SecondMode, SettingLeft
from ringscan.model.verdict import Outcome
from ringscan.plan import Quantity
from ringscan.scan import Scan
from ringscan.show.plain import one_line
from ringscan.show.terminal import COLOUR, LEAST_COLUMNS, new_table, print_note, print_table

ROWS = 10


def print_scan(scan: Scan, console: Console, *, rows: int = ROWS) -> None:
    """Print the answer and the best `rows` bands; 0 prints them all."""
    console.print(
        Text.assemble(
            (f"{scan.plan.tower}, axis {scan.axis.upper()}", "bold"), f"  {one_line(scan.photo)}"
        )
    )
    for line in _answer(scan):
        console.print(f"  {line}", highlight=False)
    console.print(_verdict(scan))
    _print_notes(scan.verdict.reasons, console)
    if scan.flags:
        console.print("  of the picture:")
        _print_notes(scan.flags, console)
    if scan.verdict.outcome is not Outcome.NO_CALL:
        # without a call there is nothing that ripples could be relative to
        print_table(_table(scan, rows), console, least=LEAST_COLUMNS)


def _print_notes(notes: Iterable[str], console: Console) -> None:
    for note in notes:
        print_note(note, console, indent=4)


def _answer(scan: Scan) -> Iterator[str]:
    if scan.verdict.outcome is Outcome.CALL:
        f, z = scan.frequency_hz, scan.damping_ratio
        yield f"natural frequency  {f.value:6.2f} Hz   95 %: {f.low:.2f} to {f.high:.2f} Hz"
        yield f"damping ratio      {z.value:6.3f}      95 %: {z.low:.3f} to {z.high:.3f}"
        if scan.second_mode is not None:
            yield from _second_mode(scan.second_mode)
        if scan.damping_setting is not None:
            yield from _damping_setting(scan.damping_setting)
        if scan.setting_left is not None:
            yield from _setting_left(scan.setting_left)
        if not math.isnan(scan.quiet_height_mm):
            yield f"quiet height       {scan.quiet_height_mm:6.1f} mm"
        else:
            yield "quiet height       none within the ramp"
    elif scan.setting_hz is not None:
        yield f"setting            {scan.setting_hz:6.2f} Hz   not known without a call"
    if scan.verdict.outcome is not Outcome.NO_CALL:
        yield from _two_answers(scan)


def _two_answers(scan: Scan) -> Iterator[str]:
    null, spacing, verdict = scan.null, scan.spacing, scan.verdict
    by_damping = null.quantity is Quantity.DAMPING
    own, _ = spacing.value_of(null.quantity)
    digits, unit, gap = (3, "", "   ") if by_damping else (2, " Hz", "")

    def line(name: str, value: float, rest: str) -> str:
        return f"{name:18} {value:6.{digits}f}{unit}{gap}   {rest}"

    def within(half: float) -> str:
        return f"±{half:.{digits}f}{unit}"

    yield line("by turn of sign", null.value, within(verdict.null_half))
    yield line("by decay" if by_damping else "by spacing", own, within(verdict.own_half))
    apart = abs(own - null.value)
    if verdict.agree:
        said = "they agree"
    elif apart > verdict.limit:
        said = "they disagree"
    else:
        said = "both together disagree"
    yield line("apart by", apart, f"{verdict.limit:.{digits}f}{unit} would pass: {said}")
    if (speed := scan.fit.speed.ratio) is not None:
        ends = f"95 %: {100 * speed.low:.1f} to {100 * speed.high:.1f} % of the planned one"
        yield f"speed              {100 * speed.value:6.1f} %    {ends}"


def _damping_setting(best: DampingSetting) -> Iterator[str]:
    least, most = f"{best.least:.0%}", f"{best.most:.0%}"
    if best.flat:
        yield f"damping setting    any: the curve is flat, the ramp leaves {least} to {most}"
        return
    yield f"damping setting    {best.value:6.3f}      95 %: {best.low:.3f} to {best.high:.3f}"
    end = ", at the ramp's end: try beyond it" if best.at_end else ""
    yield f"                   leaves {least} of the ripple, the ramp's worst {most}{end}"


def _setting_left(left: SettingLeft) -> Iterator[str]:
    said = {True: "it helps", False: "it does not help", None: "whether it helps is not clear"}
    helps = "it helps in part" if left.in_part else said[left.helps]
    yield f"setting            {left.frequency_hz:6.2f} Hz   {helps}"
    yield f"  leaves           {left.left:6.0%}      95 %: {left.low:.0%} to {left.high:.0%}"


def _second_mode(second: SecondMode) -> Iterator[str]:
    f, z = second.frequency_hz, second.damping_ratio
    yield f"second mode        {f.value:6.2f} Hz   95 %: {f.low:.2f} to {f.high:.2f} Hz"
    yield f"  damping ratio    {z.value:6.3f}      95 %: {z.low:.3f} to {z.high:.3f}"
    which = "it dominates" if second.ripple > 1 else "the first one dominates"
    yield f"  its ripple       {second.ripple:6.0%} of the first mode's: {which}"
    yield (
        f"  a shaper set for the first leaves {second.left_of_first:.0%} of it, and "
        f"{second.left_of_second:.0%} of the second"
    )


def _verdict(scan: Scan) -> Text:
    outcome = scan.verdict.outcome
    text = Text.assemble("  verdict: ", (outcome.value, f"bold {COLOUR[outcome]}"))
    if outcome is Outcome.CALL:
        text.append(
            f"; set {scan.frequency_hz.value:.1f} Hz and damping ratio "
            f"{scan.damping_ratio.value:.3f} for axis {scan.axis.upper()}"
        )
    return text


def _table(scan: Scan, rows: int) -> Table:
    by_damping = scan.plan.ramp_of(scan.axis).quantity is Quantity.DAMPING
    table = new_table()
    table.add_column("rank", justify="right")
    table.add_column("commanded" if by_damping else "Hz", justify="right")
    table.add_column("mm high", justify="right")
    table.add_column("ripple", justify="right")
    table.add_column("95 %", justify="right", no_wrap=True)
    table.add_column("remark")
    for row in scan.ranking[: rows or None]:
        table.add_row(
            str(row.rank),
            f"{row.damping_ratio:.3f}" if by_damping else f"{row.frequency_hz:.2f}",
            f"{row.height_mm:.1f}",
            f"{row.ripple:+.3f}",
            f"{row.low:+.2f} to {row.high:+.2f}",
            escape(row.remark),
        )
    return table
