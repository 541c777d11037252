"""The door: arguments in, exit statuses out. Nothing is computed here.

Exit status 0: a result, also when it is "no call"; 2: wrong command line; others: the class of
the error, see ringscan/errors.py.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Sequence

import typer

from ringscan.cli import many, measure, prepare
from ringscan.cli.complain import complain
from ringscan.errors import OutputError, RingscanError

app = typer.Typer(
    name="ringscan",
    help="Read an axis's natural frequency and damping ratio off a photo of a printed tower.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)
prepare.register(app)
measure.register(app)
many.register(app)

LACKS_SYSTEM_LIBRARY = re.compile(r"\blib\S+\.so")
"""What the loader says on a bare server, where opencv's system libraries are not there."""


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line; the only place where errors become exit statuses."""
    for stream in (sys.stdout, sys.stderr):
        # a µ must not crash a pipe with another encoding
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
    try:
        app(args=list(arguments) if arguments is not None else None)
    except RingscanError as exc:
        complain(exc)
        raise SystemExit(exc.exit_status) from exc
    except ImportError as exc:
        if not LACKS_SYSTEM_LIBRARY.search(str(exc)):
            raise
        complain(f"a system library is missing ({exc}); README.md says how to install it")
        raise SystemExit(1) from exc
    except OSError as exc:
        # files raise OutputError; what is left is the terminal or pipe that results go to
        complain(f"the result cannot be written out: {exc.strerror or exc}")
        raise SystemExit(OutputError.exit_status) from exc
