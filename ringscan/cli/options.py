"""Options that several commands share."""

from __future__ import annotations

import os
from collections.abc import Iterable
from enum import StrEnum
from functools import partial
from pathlib import Path
from typing import Annotated

import typer

from ringscan.errors import OutputError
from ringscan.output import is_special, keep_apart
from ringscan.pictures import PICTURE_SUFFIXES

path_argument = partial(typer.Argument, readable=False)
path_option = partial(typer.Option, readable=False)
"""Without a check of their own: those who open the file say better what is wrong with it."""


class AxisName(StrEnum):
    """Axes as the command line takes them."""

    X = "x"
    Y = "y"


PlanFile = Annotated[Path, path_argument(metavar="PLAN", help="Plan file (TOML).")]
bed_option = typer.Option(metavar="WxD", help="Bed size in mm, like 220x220.")
flow_option = typer.Option(help="Most the hot end melts, mm³/s.")
height_option = typer.Option(help="Greatest height of a print, mm.")
Filament = Annotated[float, typer.Option(help="Diameter of the filament, mm.")]
Photos = Annotated[
    list[Path],
    path_argument(
        metavar="PHOTO...", help="Picture files, folders, or patterns like 'towers/**/*.jpg'."
    ),
]
GivenPlan = Annotated[
    Path | None,
    path_option("--plan", help="Plan file (TOML), where the sheet's code does not hold it."),
]
GivenAxis = Annotated[
    AxisName | None, typer.Option("--axis", help="Axis the face shows; else by the sheet's code.")
]
CheckLine = Annotated[
    float,
    typer.Option(
        "--check-line", min=90, max=110, help="Measured length of the sheet's 100 mm line, mm."
    ),
]
MaxMegapixels = Annotated[
    float, typer.Option("--max-megapixels", min=1, max=400, help="Refuse larger pictures.")
]
Json = Annotated[bool, typer.Option("--json", help="Print all of it as JSON instead.")]
Force = Annotated[bool, typer.Option("--force", help="Replace files that exist.")]


def claim(outputs: Iterable[Path | None], inputs: Iterable[Path | None], *, force: bool) -> None:
    """See to it that outputs may be written, before anything is worked out.

    Raises
    ------
    OutputError
        If one is an input or another output, or exists and `force` does not say to replace it.
    """
    claimed = [path for path in outputs if path is not None]
    keep_apart(claimed, inputs)
    for path in claimed:
        if not os.path.exists(path.parent):
            raise OutputError(f"{path}: cannot be written: there is no folder '{path.parent}'")
        if os.path.isfile(path) and not force:
            raise OutputError(f"{path}: exists; name another file, or replace it with --force")


def refuse_picture(*paths: Path | None) -> None:
    """Refuse a picture's name for what is text: with `--force` a photo would be lost.

    Raises typer.BadParameter.
    """
    for path in paths:
        if path is not None and path.suffix.lower() in PICTURE_SUFFIXES:
            raise typer.BadParameter(f"'{path}' is a picture's name, but what is written is text")


def require_suffix(path: Path | None, *suffixes: str, flag: str) -> None:
    """Refuse a name that says another kind of file than what is written; devices may be called
    anything. Raises typer.BadParameter.
    """
    if path is None or path.suffix.lower() in suffixes or is_special(path):
        return
    raise typer.BadParameter(f"'{path}' should end in {' or '.join(suffixes)}", param_hint=flag)
