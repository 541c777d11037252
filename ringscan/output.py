"""Results are written whole or not at all."""

from __future__ import annotations

import contextlib
import os
import stat
import tempfile
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import BinaryIO

from ringscan.errors import OutputError, why


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
                f"{path}: is in use for something else here and stays untouched; name another file"
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
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=".ringscan-")
    try:
        with os.fdopen(handle, "wb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        kept = stat.S_IMODE(path.stat().st_mode) if path.exists() else 0o666 & ~_umask()
        os.chmod(name, kept)  # mkstemp makes it private
        os.replace(name, path)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(name)
        raise


def _umask() -> int:
    current = os.umask(0o022)  # the only portable way to read it is to set it
    os.umask(current)
    return current
