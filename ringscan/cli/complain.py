"""How an error is said: one line on standard error, whatever a file's name holds."""

from __future__ import annotations

import sys


def complain(text: object) -> None:
    """Print one line; characters that would break it or steer a terminal are escaped."""
    line = "".join(c if c.isprintable() else ascii(c)[1:-1] for c in str(text))
    print(f"ringscan: {line}", file=sys.stderr)
