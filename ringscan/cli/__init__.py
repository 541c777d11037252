"""The door: arguments in, exit statuses out. Nothing is computed here.

Exit status 0: a result, also when it is "no call"; 2: wrong command line; others: the class of
the error, see ringscan/errors.py.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence

import typer

from ringscan.cli import measure
from ringscan.errors import RingscanError

app = typer.Typer(
    name="ringscan",
    help="Read an axis's natural frequency and damping ratio off a photo of a printed tower.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)
measure.register(app)


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line; the only place where errors become exit statuses."""
    for stream in (sys.stdout, sys.stderr):
        # a µ must not crash a pipe with another encoding
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
    try:
        app(args=list(arguments) if arguments is not None else None)
    except RingscanError as exc:
        print(f"ringscan: {exc}", file=sys.stderr)
        raise SystemExit(exc.exit_status) from exc
    except ImportError as exc:
        if "lib" not in str(exc):
            raise
        # opencv needs system libraries that a bare server does not have
        print(
            f"ringscan: a system library is missing ({exc}); README.md says how to install it",
            file=sys.stderr,
        )
        raise SystemExit(1) from exc
