"""How an error is said: one line on standard error, whatever a file's name holds."""

from __future__ import annotations

import sys

from ringscan.show.plain import one_line

NOT_FIT = 9
"""Exit status of `look` where a picture is not fit to be scanned, and of `check` where a file is
not readable."""


def complain(text: object) -> None:
    """Print one line."""
    print(f"ringscan: {one_line(text)}", file=sys.stderr)
