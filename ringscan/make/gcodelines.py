"""Lines of a G-code file, one at a time: such files may be larger than the memory."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from ringscan.errors import GcodeError, why
from ringscan.output import is_special

MAX_LINE_BYTES = 65536
"""No line of G-code is this long (the standard allows 256 characters): the file is another."""


def read_lines(path: Path) -> Iterator[tuple[int, bytes]]:
    """Lines of a file with their numbers, from 1, and their ends.

    Raises
    ------
    GcodeError
        If it cannot be read, or as `numbered_lines` does.
    """
    with _opened(path) as file:
        yield from numbered_lines(file, str(path))


def numbered_lines(file: BinaryIO, source: str) -> Iterator[tuple[int, bytes]]:
    """Lines with their numbers, from 1, never holding more than one in memory.

    Raises
    ------
    GcodeError
        If it cannot be read, a line is too long to be G-code or holds zero bytes, or a carriage
        return stands inside of one: some machines would begin a new line there.
    """
    number = 0
    while line := _next_line(file, source):
        number += 1
        if len(line) == MAX_LINE_BYTES or b"\0" in line:
            raise GcodeError(f"{source}, line {number}: is not text; give a plain G-code file")
        if b"\r" in line.removesuffix(b"\n").removesuffix(b"\r"):
            raise GcodeError(
                f"{source}, line {number}: holds a carriage return without a line feed, which some "
                f"machines take for the line's end and others do not; save the file with the line "
                f"ends of Unix or Windows"
            )
        yield number, line


def _next_line(file: BinaryIO, source: str) -> bytes:
    try:
        return file.readline(MAX_LINE_BYTES)
    except OSError as exc:
        raise GcodeError(f"{source}: cannot be read: {why(exc)}") from exc


def _opened(path: Path) -> BinaryIO:
    if is_special(path) and not os.path.isdir(path):
        raise GcodeError(f"{path}: is a device or a pipe; give a file, it is read more than once")
    try:
        return path.open("rb")
    except OSError as exc:
        raise GcodeError(f"{path}: cannot be read: {why(exc)}") from exc
