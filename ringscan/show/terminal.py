"""Where results are printed."""

from __future__ import annotations

import re
from typing import Any

from rich.console import Console

LEAST_COLUMNS = 70
"""On a narrower terminal lines run over; a number that is cut short is worse."""


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
