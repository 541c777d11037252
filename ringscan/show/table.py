"""A scan as text for a terminal: the answer, the cross-check, and the ranked frequency table."""

from __future__ import annotations

import math
from collections.abc import Iterator

from rich.console import Console
from rich.markup import escape
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from ringscan.model.budget import coverage_factor
from ringscan.model.verdict import Outcome
from ringscan.plan import Quantity
from ringscan.scan import Scan

ROWS = 10


def print_scan(scan: Scan, console: Console, *, rows: int = ROWS) -> None:
    """Print the answer and the best `rows` bands; 0 prints them all."""
    console.print(
        Text.assemble((f"{scan.plan.tower}, axis {scan.axis.upper()}", "bold"), f"  {scan.photo}")
    )
    for line in _answer(scan):
        console.print(f"  {line}", highlight=False)
    console.print(_verdict(scan))
    for reason in (*scan.verdict.reasons, *scan.flags):
        console.print(Padding(Text(f"- {reason}"), (0, 0, 0, 4)))
    if scan.verdict.outcome is not Outcome.NO_CALL:
        # without a call there is nothing that ripples could be relative to
        console.print(_table(scan, rows))


def _answer(scan: Scan) -> Iterator[str]:
    if scan.verdict.outcome is Outcome.CALL:
        f, z = scan.frequency_hz, scan.damping_ratio
        yield f"natural frequency  {f.value:6.2f} Hz   95 %: {f.low:.2f} to {f.high:.2f} Hz"
        yield f"damping ratio      {z.value:6.3f}      95 %: {z.low:.3f} to {z.high:.3f}"
        if not math.isnan(scan.quiet_height_mm):
            yield f"quiet height       {scan.quiet_height_mm:6.1f} mm"
        else:
            yield "quiet height       not on this tower: the ramp ends before it"
    if scan.verdict.outcome is not Outcome.NO_CALL:
        agree = "they agree" if scan.verdict.outcome is Outcome.CALL else "they disagree"
        null, spacing = _null_half_hz(scan), _spacing_half_hz(scan)
        yield f"by turn of sign    {scan.null.frequency_hz:6.2f} Hz   ±{null:.2f} Hz by noise"
        yield (
            f"by spacing         {scan.spacing.frequency_hz:6.2f} Hz   ±{spacing:.2f} Hz by noise: "
            f"{agree}"
        )


def _null_half_hz(scan: Scan) -> float:
    return coverage_factor(scan.null.freedom) * scan.null.standard_error_hz


def _spacing_half_hz(scan: Scan) -> float:
    return coverage_factor(scan.spacing.freedom) * math.sqrt(scan.spacing.covariance[0, 0])


def _verdict(scan: Scan) -> Text:
    colour = {Outcome.CALL: "green", Outcome.DISAGREEMENT: "yellow", Outcome.NO_CALL: "red"}
    outcome = scan.verdict.outcome
    text = Text.assemble("  verdict: ", (outcome.value, f"bold {colour[outcome]}"))
    if outcome is Outcome.CALL:
        text.append(
            f"; set {scan.frequency_hz.value:.1f} Hz and damping ratio "
            f"{scan.damping_ratio.value:.3f} for axis {scan.axis.upper()}"
        )
    return text


def _table(scan: Scan, rows: int) -> Table:
    by_damping = scan.plan.ramp_of(scan.axis).quantity is Quantity.DAMPING
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
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
