"""The door: arguments in, exit statuses out. Nothing is computed here.

Exit status 0: a result, also when it is "no call"; 2: wrong command line, or a text or limit given
with it; 130: interrupted; others: the class of the error, see ringscan/errors.py.
"""

from __future__ import annotations

import os
import re
import signal
import sys
from collections.abc import Sequence
from contextlib import suppress
from importlib import metadata
from typing import Annotated

import typer

from ringscan.cli import many, measure, prepare, propose
from ringscan.cli.complain import INTERRUPTED, complain
from ringscan.errors import OutputError, RingscanError, why

app = typer.Typer(
    name="ringscan",
    invoke_without_command=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


@app.callback()
def every_command(
    context: typer.Context,
    *,
    version: Annotated[
        bool,
        typer.Option("--version", help="Show the version and exit.", is_eager=True),
    ] = False,
) -> None:
    """Read an axis's natural frequency and damping ratio off a photo of a printed tower."""
    if version:
        print(f"ringscan {metadata.version('ringscan')}")
        raise typer.Exit
    if context.invoked_subcommand is None:
        print(context.get_help())
        raise typer.Exit(WRONG_COMMAND_LINE)


propose.register(app)
prepare.register(app)
measure.register(app)
many.register(app)

LACKS_SYSTEM_LIBRARY = re.compile(r"\blib\S+\.so")
"""What the loader says on a bare server, where opencv's system libraries are not there."""


WRONG_COMMAND_LINE = 2


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line; the only place where errors become exit statuses. Raises SystemExit."""
    with suppress(ValueError):  # in a thread that is not the main one
        if signal.getsignal(signal.SIGTERM) is signal.SIG_DFL:
            # told to end, a command ends as when interrupted: no half-written files are left
            signal.signal(signal.SIGTERM, signal.default_int_handler)
    _keep_standard_error()
    if sys.stdout is None:
        complain("there is no standard output to write the result to")
        raise SystemExit(OutputError.exit_status)
    for stream in (sys.stdout, sys.stderr):
        # a µ must not crash a pipe with another encoding
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
    try:
        try:
            status = app(
                args=list(arguments) if arguments is not None else None,
                prog_name="ringscan",
                standalone_mode=False,
            )
        finally:
            sys.stdout.flush()  # here, where it is told that there is no room for it
    except typer.TyperException as exc:
        complain(_said_of_usage(exc))
        raise SystemExit(WRONG_COMMAND_LINE) from exc
    except typer.Abort as exc:
        complain("stopped before all questions were answered; nothing was written")
        raise SystemExit(1) from exc
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
        sys.stdout = None  # the end of the process would try it once more, and say so in its way
        complain(f"the result cannot be written out: {why(exc)}")
        raise SystemExit(OutputError.exit_status) from exc
    if status == INTERRUPTED:
        complain("interrupted; nothing more was written")
    raise SystemExit(status or 0)


def _keep_standard_error() -> None:
    """Where it is closed, put the null device there.

    The next file to be opened would take its number, and what a C library says would go into it.
    """
    try:
        os.fstat(2)
    except OSError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 2)


def _said_of_usage(exc: typer.TyperException) -> str:
    """What is wrong with a command line, and where to read how it goes."""
    said = exc.format_message().removeprefix("Invalid value: ").rstrip(".")
    said = said.replace("Value error, ", "").replace("Input should", "it should")
    said = said.replace(", unable to parse string as a number", " with a decimal point, like 0.4")
    context = getattr(exc, "ctx", None)
    command = "ringscan" if context is None else context.command_path
    return f"{said[:1].lower()}{said[1:]}; '{command} --help' shows how it goes"
