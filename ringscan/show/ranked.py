"""A batch as tables: towers and machines ranked by how sure their frequency is, and CSV, JSON."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator
from dataclasses import asdict
from typing import Any

from rich.console import Console
from rich.markup import escape
from rich.text import Text

from ringscan.machines import Answer, Batch, machine_of, ranked_photos
from ringscan.model.budget import Interval
from ringscan.readings import Failed, Reading
from ringscan.show.plain import one_line
from ringscan.show.record import each_to_json, to_json
from ringscan.show.terminal import COLOUR, new_table, print_note, print_table

BATCH_VERSION = 1
PARTED = " | "
"""Between notes in one line: they hold semicolons of their own."""


def print_batch(batch: Batch, console: Console) -> None:
    """Print the towers, the machines, and what could not be measured."""
    if batch.towers:
        _print_answers("Towers", batch.towers, "photos", console)
        for photo in batch.photos:
            if photo.flags:
                _print_note(f"{photo.photo}: {PARTED.join(photo.flags)}", console)
        console.print()
        _print_answers("Machines", batch.machines, "towers", console)
        console.print()
    if batch.failures:
        console.print(Text(f"Not measured: {len(batch.failures)}", style="bold"))
        for failed in batch.failures:
            _print_note(summary_line(failed), console)


def summary_line(photo: Reading | Failed) -> str:
    """One photo in one line, for the progress of a batch."""
    if isinstance(photo, Failed):
        return one_line(f"{photo.photo}: {photo.reason}")
    said = photo.outcome.value
    if photo.frequency_hz is not None:
        said = f"{photo.frequency_hz.value:.2f} ±{photo.frequency_hz.half_width:.2f} Hz"
    return one_line(f"{photo.photo}: {photo.tower}, axis {photo.axis.upper()}: {said}")


def _print_answers(title: str, answers: tuple[Answer, ...], parts: str, console: Console) -> None:
    console.print(Text(f"{title}, the surest frequency first", style="bold"))
    table = new_table()
    for name in ("rank", "tower" if parts == "photos" else "machine", "axis"):
        table.add_column(name, justify="right" if name == "rank" else "left", no_wrap=True)
    for name in ("Hz", "95 %", "damping", parts, "scatter"):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("verdict", no_wrap=True)
    for rank, answer in enumerate(answers, start=1):
        table.add_row(
            str(rank),
            escape(answer.tower or answer.machine),
            answer.axis.upper(),
            *_numbers(answer),
            Text(answer.outcome.value, style=COLOUR[answer.outcome]),
        )
    print_table(table, console)
    for answer in answers:
        for note in _notes(answer):
            whose = f"{answer.tower or answer.machine}, axis {answer.axis.upper()}"
            _print_note(f"{whose}: {note}", console)


def _numbers(answer: Answer) -> Iterator[str]:
    f, zeta = answer.frequency_hz, answer.damping_ratio
    yield "–" if f is None else f"{f.value:.2f}"
    yield "–" if f is None else f"±{f.half_width:.2f}"
    yield "–" if zeta is None else f"{zeta.value:.3f}"
    used, left = len(answer.pooled), len(answer.aside)
    yield f"{used} of {used + left}" if left else str(used)
    yield "–" if answer.scatter_hz is None else f"{answer.scatter_hz:.2f}"


def _notes(answer: Answer) -> Iterator[str]:
    yield from answer.reasons
    for aside in answer.aside:
        yield f"without {aside.name}: {aside.reason}"


def _print_note(text: str, console: Console) -> None:
    print_note(one_line(text), console, indent=2)


COLUMNS = (
    *("level", "rank", "machine", "axis", "tower", "photo", "verdict"),
    *("natural_frequency_hz", "natural_frequency_low_hz", "natural_frequency_high_hz"),
    *("damping_ratio", "damping_ratio_low", "damping_ratio_high"),
    *("pooled", "left_out", "scatter_hz", "reasons", "flags"),
)

FORMULA_SIGNS = ("=", "+", "-", "@")
"""With these a text begins that spreadsheets take for a formula."""


def to_rows(batch: Batch) -> list[dict[str, Any]]:
    """Machines, towers, photos and failures as flat rows with the keys of `COLUMNS`."""
    return [
        *(_answer_row("machine", rank, a) for rank, a in enumerate(batch.machines, start=1)),
        *(_answer_row("tower", rank, a) for rank, a in enumerate(batch.towers, start=1)),
        *(_photo_row(rank, r) for rank, r in enumerate(ranked_photos(batch), start=1)),
        *(_failure_row(failed) for failed in batch.failures),
    ]


def to_csv(rows: list[dict[str, Any]]) -> str:
    """CSV with a header line and one line for each row; what is not known is empty.

    A photo's name that a spreadsheet would work out as a formula gets "./" before it, with which
    it names the same file.
    """
    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS, lineterminator="\n")
    writer.writeheader()
    for row in rows:
        cells = {key: one_line(v) if isinstance(v, str) else v for key, v in row.items()}
        if str(row["photo"]).startswith(FORMULA_SIGNS):
            cells["photo"] = f"./{cells['photo']}"
        writer.writerow(cells)
    return out.getvalue()


def _answer_row(level: str, rank: int, answer: Answer) -> dict[str, Any]:
    return _row(
        level=level,
        rank=rank,
        machine=answer.machine,
        axis=answer.axis,
        tower=answer.tower or None,
        verdict=answer.outcome.value,
        pooled=len(answer.pooled),
        left_out=len(answer.aside),
        scatter_hz=answer.scatter_hz,
        reasons=PARTED.join(_notes(answer)),
        **_values(answer.frequency_hz, answer.damping_ratio),
    )


def _photo_row(rank: int, reading: Reading) -> dict[str, Any]:
    return _row(
        level="photo",
        rank=rank,
        machine=machine_of(reading.tower),
        axis=reading.axis,
        tower=reading.tower,
        photo=reading.photo,
        verdict=reading.outcome.value,
        reasons=PARTED.join(reading.reasons),
        flags=PARTED.join(reading.flags),
        **_values(reading.frequency_hz, reading.damping_ratio),
    )


def _failure_row(failed: Failed) -> dict[str, Any]:
    return _row(level="failure", photo=failed.photo, verdict=failed.kind, reasons=failed.reason)


def _values(frequency: Interval | None, damping: Interval | None) -> dict[str, float]:
    values = {}
    if frequency is not None:
        values["natural_frequency_hz"] = frequency.value
        values["natural_frequency_low_hz"] = frequency.low
        values["natural_frequency_high_hz"] = frequency.high
    if damping is not None:
        values["damping_ratio"] = damping.value
        values["damping_ratio_low"] = damping.low
        values["damping_ratio_high"] = damping.high
    return values


def _row(**known: Any) -> dict[str, Any]:
    return dict.fromkeys(COLUMNS) | known


def to_dict(batch: Batch) -> dict[str, Any]:
    """Plain values of a batch, as `--json` has them but for the photos' own records."""
    return {
        "batch_version": BATCH_VERSION,
        "machines": [_plain(answer) for answer in batch.machines],
        "towers": [_plain(answer) for answer in batch.towers],
        "failures": [asdict(failed) for failed in batch.failures],
    }


def _plain(answer: Answer) -> dict[str, Any]:
    f, zeta = answer.frequency_hz, answer.damping_ratio
    return {
        "machine": answer.machine,
        "axis": answer.axis,
        "tower": answer.tower or None,
        "verdict": answer.outcome.value,
        "reasons": list(answer.reasons),
        "natural_frequency_hz": f and f.value,
        "natural_frequency_interval_hz": f and [f.low, f.high],
        "damping_ratio": zeta and zeta.value,
        "damping_ratio_interval": zeta and [zeta.low, zeta.high],
        "scatter_hz": answer.scatter_hz,
        "pooled": list(answer.pooled),
        "left_out": [asdict(aside) for aside in answer.aside],
    }


def batch_json(batch: Batch, records: Iterable[dict[str, Any]]) -> Iterator[str]:
    """JSON of a batch in pieces: the photos' records come and go one by one."""
    yield '{\n"photos": ['
    yield from each_to_json(records)
    yield "\n]"
    for name, content in to_dict(batch).items():
        yield f',\n"{name}": {to_json(content).rstrip()}'
    yield "\n}\n"
