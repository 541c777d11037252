"""Command for many photos at once: progress on stderr, the pooled tables on stdout."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ringscan.cli.complain import INTERRUPTED, complain, say
from ringscan.cli.each import pictures_of
from ringscan.cli.measure import said_of
from ringscan.cli.options import (
    CheckLine,
    GivenAxis,
    GivenPlan,
    Json,
    MaxMegapixels,
    Photos,
    path_option,
)
from ringscan.cli.reference import BaseAt, CardAt, Corners, Reference, parse_flush

if TYPE_CHECKING:
    from ringscan.readings import Failed, Reading

JOURNAL = Path("ringscan-batch.jsonl")
SPEED_PERIOD_S = 600
"""Time whose photos tell how long the others will take: some, on a small computer too."""


def register(app: typer.Typer) -> None:
    """Add this module's command."""
    app.command()(batch)


def batch(
    photos: Photos,
    plan: GivenPlan = None,
    axis: GivenAxis = None,
    reference: Reference = "sheet",
    corners: Corners = None,
    base: BaseAt = None,
    card_side: CardAt = None,
    check_line: CheckLine = 100.0,
    max_megapixels: MaxMegapixels = 60,
    jobs: Annotated[
        int | None, typer.Option("--jobs", "-j", min=1, help="Processes; default: all cores.")
    ] = None,
    journal: Annotated[
        Path, path_option(help="File that keeps the results as they come, to go on from.")
    ] = JOURNAL,
    again: Annotated[
        bool, typer.Option("--again", help="Measure anew what the journal knows already.")
    ] = False,
    json_out: Json = False,
    csv_out: Annotated[
        bool, typer.Option("--csv", help="Print the tables as CSV instead.")
    ] = False,
) -> None:
    """Measure many photos: towers and machines pooled, ranked by how sure their frequency is."""
    if json_out and csv_out:
        raise typer.BadParameter("give --json or --csv, not both")

    from ringscan.batch import Job, not_found, recorded, scan_batch
    from ringscan.journal import Journal
    from ringscan.machines import summarise
    from ringscan.show.ranked import batch_json, print_batch, to_csv, to_rows
    from ringscan.show.record import RECORD_VERSION, to_record

    pictures, missing = pictures_of(photos)
    pictures = list(dict.fromkeys(pictures))
    total = len(pictures)
    flush = parse_flush(reference, corners, base, card_side)
    given = said_of(pictures, plan, axis, flush, check_line, max_megapixels)
    job = Job(to_record=to_record, record_version=RECORD_VERSION, **given)
    found = [not_found(path, error).reading() for path, error in missing]
    with Journal(journal) as kept:
        if kept.damaged:
            complain(f"{journal}: damaged lines skipped: {kept.damaged}")
        try:
            with (
                _progress(total, failures=json_out or csv_out) as tell,
                closing(scan_batch(pictures, job, journal=kept, again=again, jobs=jobs)) as entries,
            ):
                for entry in entries:
                    found.append(entry.reading())
                    tell(found[-1], entry.known)
        except KeyboardInterrupt as exc:
            complain(
                f"stopped: {len(found) - len(missing)} of {total} photos are done and kept in "
                f"{journal}; give the same command {'without --again' if again else 'again'} to go "
                "on"
            )
            raise SystemExit(INTERRUPTED) from exc
        whole = summarise(found)
        if json_out:
            for piece in batch_json(whole, (recorded(kept, job, r) for r in whole.photos)):
                sys.stdout.write(piece)
    if csv_out:
        sys.stdout.write(to_csv(to_rows(whole)))
    elif not json_out:
        from ringscan.show.terminal import ResultConsole

        print_batch(whole, ResultConsole())
    if whole.failures:
        raise SystemExit(whole.failures[-1].exit_status)


@contextmanager
def _progress(total: int, *, failures: bool) -> Iterator[Callable[[Reading | Failed, bool], None]]:
    """Yield what is to be told of each photo: a bar on a terminal, else a line for each.

    `failures`: say them above the bar, where the result is not for the terminal.
    """
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeRemainingColumn,
    )
    from rich.text import Text

    from ringscan.readings import Failed
    from ringscan.show.ranked import summary_line

    console = Console(stderr=True)
    if not console.is_interactive:  # nor on a terminal that cannot draw a bar
        numbers = count(1)

        def print_line(photo: Reading | Failed, known: bool) -> None:
            line = f"{next(numbers)} of {total}: {summary_line(photo)}"
            say(line + (" (known)" if known else ""))

        yield print_line
        return
    columns = (BarColumn(), MofNCompleteColumn(), TimeRemainingColumn(), TextColumn("left"))
    bar = Progress(*columns, console=console, transient=True, speed_estimate_period=SPEED_PERIOD_S)
    with bar:
        task = bar.add_task("", total=total)
        known_before = count(1)
        bar.advance(task, 0)  # the time left is worked out from here on, not from the first photo

        def advance(photo: Reading | Failed, known: bool) -> None:
            if known:  # it took no time, which says nothing of those to come
                bar.reset(task, completed=next(known_before))
                bar.advance(task, 0)
            else:
                bar.advance(task)
            if failures and isinstance(photo, Failed):
                bar.console.print(Text(summary_line(photo)))

        yield advance
