"""Where results are printed."""

from __future__ import annotations

import re
from typing import Any

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from ringscan.model.verdict import Outcome

COLOUR = {Outcome.CALL: "green", Outcome.DISAGREEMENT: "yellow", Outcome.NO_CALL: "red"}
LEAST_COLUMNS = 70
"""On a narrower terminal lines run over; a number that is cut short is worse."""
WIDEST = 1000
"""More columns than any table here has."""


class ResultConsole(Console):
    """A console whose lines end without blanks, and that is wide enough for its tables."""

    def __init__(self, **given: Any) -> None:
        super().__init__(**given)
        if "width" not in given:
            self.width = max(self.width, LEAST_COLUMNS)

    def print(self, *objects: Any, **how: Any) -> None:
        """Print as `Console.print` does."""
        with self.capture() as captured:
            super().print(*objects, **how)
        self.file.write(re.sub(" +(?=\n)", "", captured.get()))
        self.file.flush()


def new_table() -> Table:
    """A table without lines, whose columns are to be added."""
    return Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")


def print_table(table: Table, console: Console, *, least: int | None = None) -> None:
    """Print a table: where the console is narrower than `least`, or else than all of the table,
    its lines run over.
    """
    usual = console.width
    if least is None:
        least = console.measure(table, options=console.options.update(width=WIDEST)).maximum
    console.width = max(usual, least)
    try:
        console.print(table)
    finally:
        console.width = usual


def print_note(text: str, console: Console, *, indent: int) -> None:
    """Print one item of a list; where it is wrapped its lines stand below each other."""
    note = Table.grid()
    note.add_row("- ", Text(text))
    console.print(Padding(note, (0, 0, 0, indent), expand=False))
