"""Photos one after the other: what is good is printed as it comes, what is bad is told of."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any, TypeVar

import typer

from ringscan.cli.complain import complain
from ringscan.errors import OutputError, PhotoError, RingscanError, own_fault
from ringscan.pictures import find_pictures

Result = TypeVar("Result")


def pictures_of(given: list[Path]) -> tuple[list[Path], list[tuple[Path, PhotoError]]]:
    """As `find_pictures`, for a command that is to measure them.

    Raises PhotoError if there is no picture at all: the last error, the others are told of.
    """
    pictures, missing = find_pictures(given)
    if not pictures:
        for _, error in missing[:-1]:
            complain(error)
        raise missing[-1][1]
    return pictures, missing


def do_each(
    pictures: list[Path],
    measure: Callable[[Path], Result],
    *,
    show: Callable[[Result], None],
    to_record: Callable[[Result], dict[str, Any]] | None,
    one_alone: bool,
    missing: list[tuple[Path, PhotoError]],
) -> None:
    """Do one photo after the other and print what it says; a bad one does not stop the rest.

    Parameters
    ----------
    pictures : the photos' files
    measure : what is done with each
    show : prints its result
    to_record : of a result, for JSON, which is then written instead
    one_alone : whether one file was given by its name: its record then is no list
    missing : what gave no picture, and its error

    Raises
    ------
    SystemExit
        If one was bad: with the status of the last one.
    """
    from ringscan.show.record import to_json

    statuses = []
    for _, error in missing:
        complain(error)
        statuses.append(error.exit_status)
    if to_record is None:
        for result in _good(pictures, measure, statuses):
            show(result)
            if len(pictures) > 1:
                print()
    else:
        records = _good(pictures, lambda photo: to_record(measure(photo)), statuses)
        if one_alone and len(pictures) == 1:
            for record in records:
                sys.stdout.write(to_json(record))
        else:
            _write_list(records)
    if statuses:
        raise SystemExit(statuses[-1])


def _good(
    pictures: list[Path], measure: Callable[[Path], Result], statuses: list[int]
) -> Iterator[Result]:
    """Results of those that can be measured; the others are told of, their statuses added."""
    for photo in pictures:
        try:
            result = measure(photo)
        except OutputError as exc:
            complain(exc)
            statuses.append(exc.exit_status)
        except RingscanError as exc:
            complain(_named(photo, exc))
            statuses.append(exc.exit_status)
        except typer.BadParameter as exc:
            if len(pictures) == 1:
                raise
            complain(exc.message)
            statuses.append(exc.exit_code)
        except ImportError:
            raise  # not this photo's fault: no other would fare better
        except Exception as exc:
            complain(f"{photo}: {own_fault(exc)}")
            statuses.append(RingscanError.exit_status)
        else:
            yield result


def _named(photo: Path, error: RingscanError) -> str:
    """What is wrong with a photo, with its name as it was given: folders may hold the same ones."""
    said = str(error).removeprefix(f"{photo}: ").removeprefix(f"{photo.name}: ")
    return f"{photo}: {said}"


def _write_list(records: Iterable[dict[str, Any]]) -> None:
    """Write each record as it comes; the list is a whole one also where it is cut short."""
    from ringscan.show.record import each_to_json

    sys.stdout.write("[")
    try:
        for piece in each_to_json(records):
            sys.stdout.write(piece)
            sys.stdout.flush()
    finally:
        sys.stdout.write("\n]\n")
