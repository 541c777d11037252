"""What a look at a picture found: as text for a terminal, and as a plain dict for JSON."""

from __future__ import annotations

from typing import Any

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from ringscan.image.quality import Grade
from ringscan.look import Look
from ringscan.show.plain import one_line
from ringscan.show.terminal import print_note

RECORD_VERSION = 1
COLOURS = {Grade.GOOD: "green", Grade.POOR: "yellow", Grade.UNFIT: "red"}


def print_look(look: Look, console: Console) -> None:
    """Print every finding with its figure, and whether the picture is fit to be scanned."""
    console.print(
        Text.assemble(
            (f"{look.plan.tower}, axis {look.axis.upper()}", "bold"),
            f"  {one_line(look.photo.source)}",
        )
    )
    table = Table(box=None, show_header=False, pad_edge=False, padding=(0, 2, 0, 0))
    for finding in look.findings:
        table.add_row(Text(finding.grade.value, COLOURS[finding.grade]), Text(finding.line))
    console.print(Padding(table, (0, 0, 0, 2)))
    for flag in look.remarks:
        print_note(flag, console, indent=4)
    if look.is_fit:
        console.print(Text.assemble("  ", ("fit to be scanned", "bold green")))
    else:
        again = ": photograph again" if look.picture_unfit else ""
        console.print(Text.assemble("  ", ("not fit to be scanned", "bold red"), again))


def look_record(look: Look) -> dict[str, Any]:
    """Return the look as a dict of plain values. docs/photo-quality.md describes the keys."""
    return {
        "record_version": RECORD_VERSION,
        "photo": look.photo.source,
        "photo_sha256": look.photo.sha256,
        "tower": look.plan.tower,
        "axis": look.axis,
        "reference": look.reference.value,
        "fit": look.is_fit,
        "findings": [
            {
                "name": finding.name,
                "grade": finding.grade.value,
                "value": finding.value,
                "limit": finding.limit,
                "unit": finding.unit,
                "text": finding.line,
            }
            for finding in look.findings
        ],
        "flags": list(look.remarks),
    }
