"""How an error is said: one line on standard error, whatever a file's name holds."""

from __future__ import annotations

import sys

from ringscan.show.plain import one_line


def complain(text: object) -> None:
    """Print one line."""
    print(f"ringscan: {one_line(text)}", file=sys.stderr)
