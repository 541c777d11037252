"""Results are written whole or not at all."""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path

from ringscan.errors import OutputError


def write_whole(path: Path, data: bytes) -> None:
    """Write a file so that it is either the old one or the complete new one.

    Raises
    ------
    OutputError
        If it cannot be written; what was there before is untouched.
    """
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=".ringscan-")
    except OSError as exc:
        raise _failure(path, exc) from exc
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(name, 0o666 & ~_umask())  # mkstemp makes it private
        os.replace(name, path)
    except BaseException as exc:
        with contextlib.suppress(OSError):
            os.unlink(name)
        if isinstance(exc, OSError):
            raise _failure(path, exc) from exc
        raise


def _umask() -> int:
    current = os.umask(0o022)  # the only portable way to read it is to set it
    os.umask(current)
    return current


def _failure(path: Path, exc: OSError) -> OutputError:
    return OutputError(f"{path}: cannot be written ({exc.strerror or exc})")
