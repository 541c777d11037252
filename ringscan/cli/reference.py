"""Options that say what tells the scale, where that is not the scan sheet."""

from __future__ import annotations

import re
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from ringscan.look import Flush


class SideName(StrEnum):
    """Sides of the picture, as the command line takes them."""

    DOWN = "down"
    LEFT = "left"
    UP = "up"
    RIGHT = "right"


Reference = Annotated[
    str,
    typer.Option(
        "--reference",
        metavar="sheet|card|face|WxH",
        help="What tells the scale: the scan sheet; a bank-size card, or a rectangle of WxH mm, "
        "level with the face; or the face's own outline.",
    ),
]
Corners = Annotated[
    str | None,
    typer.Option(
        "--corners",
        metavar="'X,Y X,Y X,Y X,Y'",
        help="Pixel positions of the face's corners instead: base at the entry edge, base at the "
        "far edge, top there, top at the entry edge.",
    ),
]
BaseAt = Annotated[
    SideName | None,
    typer.Option("--base", help="Where in the picture the tower's base lies; for card and face."),
]
CardAt = Annotated[
    SideName | None,
    typer.Option(
        "--card-side",
        help="Where in the picture the card lies, seen from the face; needed where both are of "
        "about one size.",
    ),
]


def parse_flush(
    reference: str, corners: str | None, base: SideName | None, card_side: SideName | None
) -> Flush | None:
    """What the options say; None for the scan sheet. Raises typer.BadParameter."""
    import numpy as np

    from ringscan.look import CARD_MM, Flush, PictureSide

    if card_side is not None and reference in ("sheet", "face"):
        raise typer.BadParameter("--card-side goes with --reference card or WxH")
    rectangle = None
    if corners is not None:
        if reference != "sheet" or base is not None:
            raise typer.BadParameter("--corners goes without --reference and --base")
    elif reference == "sheet":
        if base is not None:
            raise typer.BadParameter("--base goes with --reference card, face or WxH")
        return None
    else:
        if reference != "face":
            rectangle = CARD_MM if reference == "card" else _sides(reference)
        if base is None:
            raise typer.BadParameter(
                "say where in the picture the tower's base lies: --base down, left, up or right"
            )
    try:
        return Flush(
            corners_px=None if corners is None else np.array(_positions(corners)),
            rectangle_mm=rectangle,
            base=None if base is None else PictureSide(base.value),
            card_side=None if card_side is None else PictureSide(card_side.value),
        )
    except ValueError as exc:
        raise typer.BadParameter(str(exc)) from exc


def _positions(text: str) -> list[tuple[float, float]]:
    number = r"([+-]?\d+(?:\.\d+)?)"
    parts = text.split()
    found = [re.fullmatch(f"{number},{number}", part) for part in parts]
    if len(parts) != 4 or None in found:
        raise typer.BadParameter(
            f"--corners takes four positions X,Y with a space between them, not '{text}'"
        )
    return [(float(m[1]), float(m[2])) for m in found if m is not None]


def _sides(text: str) -> tuple[float, float]:
    found = re.fullmatch(r"(\d+(?:\.\d+)?)[x×](\d+(?:\.\d+)?)", text)
    if found is None:
        raise typer.BadParameter(
            f"--reference takes sheet, card, face, or the sides of a rectangle in mm as in "
            f"100x70, not '{text}'"
        )
    return float(found[1]), float(found[2])
