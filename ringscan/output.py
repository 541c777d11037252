"""Results are written whole or not at all."""

from __future__ import annotations

import contextlib
import os
import secrets
import stat
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import BinaryIO

from ringscan.errors import OutputError, why

BINARY: int = getattr(os, "O_BINARY", 0)
"""Without it Windows would change the line ends."""


def keep_apart(outputs: Iterable[Path | None], inputs: Iterable[Path | None] = ()) -> None:
    """See to it that nothing is written over what is read, nor two things to one file.

    Raises
    ------
    OutputError
        If one of the outputs is an input, or another output.
    """
    taken = [path for path in inputs if path is not None]
    for path in outputs:
        if path is None or is_special(path):
            continue
        if any(_same(path, other) for other in taken):
            raise OutputError(
                f"{path}: is an input or another output of this command; name another file"
            )
        taken.append(path)


def is_special(path: Path) -> bool:
    """Whether it exists and is no file: a device, a pipe, a folder."""
    # os.path, unlike Path, says no where it may not look or the name is impossible
    return os.path.exists(path) and not os.path.isfile(path)


def _same(one: Path, other: Path) -> bool:
    if os.path.exists(one) and os.path.exists(other):
        return one.samefile(other)
    return os.path.realpath(one) == os.path.realpath(other)


def write_whole(path: Path, data: bytes) -> None:
    """Write a file's content as `writing_whole` does. Raises OutputError."""
    with writing_whole(path) as file:
        file.write(data)


@contextlib.contextmanager
def writing_whole(path: Path) -> Iterator[BinaryIO]:
    """Open a file that is either what it was before or the complete new one.

    Devices and pipes are written to directly; links are followed.

    Raises
    ------
    OutputError
        If it cannot be written; a file that was there before is untouched.
    """
    try:
        if is_special(path):
            with path.open("wb") as file:
                yield file
        else:
            with _replacing(Path(os.path.realpath(path))) as file:
                yield file
    except OSError as exc:
        folder = path.parent
        reason = why(exc)
        if isinstance(exc, FileNotFoundError) and not folder.exists():
            reason = f"there is no folder '{folder}'"
        raise OutputError(f"{path}: cannot be written: {reason}") from exc


@contextlib.contextmanager
def _replacing(path: Path) -> Iterator[BinaryIO]:
    kept = stat.S_IMODE(path.stat().st_mode) if path.exists() else None
    name = path.parent / f".ringscan-{secrets.token_hex(8)}"
    # the system's mask decides for a new file; nobody reads more of it than of the old one
    mode = 0o666 if kept is None else kept
    handle = os.open(name, os.O_WRONLY | os.O_CREAT | os.O_EXCL | BINARY, mode)
    try:
        with os.fdopen(handle, "wb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        if kept is not None:
            os.chmod(name, kept)
        os.replace(name, path)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(name)
        raise
