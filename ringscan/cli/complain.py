"""What goes to standard error: one line for an error, whatever a file's name holds."""

from __future__ import annotations

import sys

from ringscan.show.plain import one_line

NOT_FIT = 9
"""Exit status of `look` where a picture is not fit to be scanned, and of `check` where a file is
not readable."""
INTERRUPTED = 130
"""Exit status of a command that was interrupted, by the shells' convention (128 + SIGINT)."""


def say(text: object, *, end: str = "\n") -> None:
    """Print what is not the result: what was written, what comes next."""
    if sys.stderr is None:  # print would take standard output instead
        return
    try:
        print(text, end=end, file=sys.stderr, flush=True)
    except OSError:
        sys.stderr = None  # full, or gone: there is nobody to tell, at the end neither


def complain(text: object) -> None:
    """Print one line."""
    say(f"ringscan: {one_line(text)}")
