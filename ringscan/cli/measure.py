"""Commands around the photo: the sheet it is taken on, and the scan itself."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ringscan.cli.complain import NOT_FIT
from ringscan.cli.each import do_each, pictures_of
from ringscan.cli.options import (
    AxisName,
    CheckLine,
    Force,
    GivenAxis,
    GivenPlan,
    Json,
    MaxMegapixels,
    Photos,
    PlanFile,
    claim,
    path_option,
    require_suffix,
)
from ringscan.cli.reference import BaseAt, CardAt, Corners, Reference, parse_flush

if TYPE_CHECKING:
    from ringscan.look import Flush, Look
    from ringscan.scan import Scan


class PaperName(StrEnum):
    """Papers as the command line takes them."""

    A4 = "a4"
    LETTER = "letter"


def register(app: typer.Typer) -> None:
    """Add this module's commands."""
    app.command()(sheet)
    app.command()(look)
    app.command()(scan)


def sheet(
    plan: PlanFile,
    out: Annotated[
        Path | None,
        path_option("--out", "-o", metavar="PDF", help="PDF to write; default: PLAN with .pdf."),
    ] = None,
    paper: Annotated[PaperName, typer.Option(help="Paper size.")] = PaperName.A4,
    force: Force = False,
) -> None:
    """Write the scan sheet, the page the tower is photographed on, as a PDF."""
    from ringscan.layout import Paper
    from ringscan.make.sheet import write_sheet
    from ringscan.plan import load_plan

    require_suffix(out, ".pdf", flag="--out")
    the_plan = load_plan(plan)
    target = out or plan.with_suffix(".pdf")
    claim([target], [plan], force=force)
    write_sheet(the_plan, target, Paper(paper.value))
    print(f"{target}: print it at 100 % (actual size), then measure its 100 mm line")


def look(
    photos: Photos,
    plan: GivenPlan = None,
    axis: GivenAxis = None,
    reference: Reference = "sheet",
    corners: Corners = None,
    base: BaseAt = None,
    card_side: CardAt = None,
    check_line: CheckLine = 100.0,
    json_out: Json = False,
    max_megapixels: MaxMegapixels = 60,
) -> None:
    """Say at once whether photos are fit to be scanned, and what to change.

    The exit status is 0 if all are, 9 if one is not.
    """
    from ringscan.look import look_at
    from ringscan.show.findings import look_record, print_look
    from ringscan.show.terminal import ResultConsole

    pictures, missing = pictures_of(photos)
    flush = parse_flush(reference, corners, base, card_side)
    given = said_of(pictures, plan, axis, flush, check_line, max_megapixels)
    console = ResultConsole()
    fit = []

    def one(photo: Path) -> Look:
        found = look_at(photo, **given)
        fit.append(found.is_fit)
        return found

    do_each(
        pictures,
        one,
        show=lambda found: print_look(found, console),
        to_record=look_record if json_out else None,
        one_alone=pictures == photos,
        missing=missing,
    )
    if not all(fit):
        raise SystemExit(NOT_FIT)


def scan(
    photos: Photos,
    plan: GivenPlan = None,
    axis: GivenAxis = None,
    reference: Reference = "sheet",
    corners: Corners = None,
    base: BaseAt = None,
    card_side: CardAt = None,
    check_line: CheckLine = 100.0,
    rows: Annotated[int, typer.Option(min=0, help="Table rows to print; 0: all.")] = 10,
    json_out: Json = False,
    marked: Annotated[
        Path | None,
        path_option(
            metavar="PICTURE",
            help="Write the photo with all that was found drawn on it (PNG or JPEG).",
        ),
    ] = None,
    setting: Annotated[
        float | None,
        typer.Option(
            min=1,
            max=500,
            metavar="HZ",
            help="Say how much ripple is left where this frequency was commanded: did it help?",
        ),
    ] = None,
    force: Force = False,
    max_megapixels: MaxMegapixels = 60,
) -> None:
    """Measure photos of a tower: natural frequency, damping, ranked table."""
    from ringscan.scan import scan_photo
    from ringscan.show.record import to_record
    from ringscan.show.table import print_scan
    from ringscan.show.terminal import ResultConsole

    pictures, missing = pictures_of(photos)
    if marked is not None and len(pictures) > 1:
        raise typer.BadParameter("--marked goes with a single photo")
    require_suffix(marked, ".png", ".jpg", ".jpeg", flag="--marked")
    claim([marked], [*pictures, plan], force=force)
    flush = parse_flush(reference, corners, base, card_side)
    given = said_of(pictures, plan, axis, flush, check_line, max_megapixels)
    console = ResultConsole()

    results = []

    def one(photo: Path) -> Scan:
        result = scan_photo(photo, **given)
        if marked is not None:
            results.append(result)
        if setting is None:
            return result
        try:
            return result.with_setting(setting)
        except ValueError as exc:
            raise typer.BadParameter(f"{photo}: {exc}") from exc

    try:
        do_each(
            pictures,
            one,
            show=lambda result: print_scan(result, console, rows=rows),
            to_record=to_record if json_out else None,
            one_alone=pictures == photos,
            missing=missing,
        )
    finally:
        # last of all: the result is out, whatever becomes of the picture; and it is drawn even
        # where nobody reads the result to its end, or something else that was given is wrong
        if marked is not None and results:
            from ringscan.show.marked import write_marked

            write_marked(pictures[0], results[0], marked, max_megapixels=max_megapixels)


def said_of(
    pictures: list[Path],
    plan: Path | None,
    axis: AxisName | None,
    flush: Flush | None,
    check_line_mm: float,
    max_megapixels: float,
) -> dict[str, Any]:
    """What was said of the photos, as `look_at`, `scan_photo` and `Job` take it."""
    from ringscan.plan import load_plan

    if flush is not None and flush.corners_px is not None and len(pictures) > 1:
        raise typer.BadParameter("--corners goes with a single photo")
    if flush is not None and check_line_mm != 100:
        raise typer.BadParameter(
            "--check-line goes with the scan sheet, not with another reference"
        )
    return {
        "plan": load_plan(plan) if plan is not None else None,
        "axis": axis.value if axis is not None else None,
        "flush": flush,
        "check_line_mm": check_line_mm,
        "max_megapixels": max_megapixels,
    }
