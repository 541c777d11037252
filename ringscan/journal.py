"""A result file that grows by whole lines: a run that is killed loses nothing that was done.

JSON Lines: a first line that names the form, then one line for each entry with a checksum of it.
A line is written at once and flushed to the disk, so a kill can only leave the last one unfinished;
it is cut off when the file is next opened. Lines that were damaged later are passed over. Of
several entries with the same key the last one counts. One writer at a time, by a lock that ends
with its process.
"""

from __future__ import annotations

import io
import json
import os
import zlib
from pathlib import Path
from typing import Any, BinaryIO, Self

from ringscan.errors import OutputError, why

HEADER = b'{"ringscan_journal":1}\n'
"""First line; its number rises when the lines' form changes."""


class Journal:
    """An open journal, to be closed or used as a context manager.

    Only the places of the entries are held in memory, not the entries.

    damaged : number of lines that were passed over
    """

    def __init__(self, path: Path) -> None:
        """Open or create it.

        Raises
        ------
        OutputError
            If it cannot be written, another run writes it, or the file is no journal: then it is
            left as it is.
        """
        self.path = path
        self.damaged = 0
        self._places: dict[str, tuple[int, int]] = {}
        try:
            self._file = _open(path)
            try:
                self._lock()
                self._read()
            except BaseException:
                self._file.close()
                raise
        except (OSError, ValueError) as exc:
            raise OutputError(f"{path}: cannot be written: {why(exc)}; name another file") from exc

    def close(self) -> None:
        """Close the file, and with it release the lock."""
        self._file.close()

    def __enter__(self) -> Self:
        """Return itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close the file."""
        self.close()

    def __len__(self) -> int:
        """Number of different keys."""
        return len(self._places)

    def find(self, key: str) -> dict[str, Any] | None:
        """Entry with this key, or None."""
        if key not in self._places:
            return None
        place, length = self._places[key]
        self._file.seek(place)
        found = _entry_of(self._file.read(length))
        return None if found is None else found[1]

    def add(self, key: str, entry: dict[str, Any]) -> None:
        """Append an entry of plain values; it is on the disk when this returns.

        Raises
        ------
        OutputError
            If it cannot be written. What was there before stays whole.
        """
        body = _dump([key, entry])
        line = b'{"check":"%08x","entry":%s}\n' % (zlib.crc32(body), body)
        place = self._file.seek(0, os.SEEK_END)
        try:
            try:
                self._write(line)
                os.fsync(self._file.fileno())
            except BaseException:
                self._file.truncate(place)
                raise
        except OSError as exc:
            raise OutputError(f"{self.path}: cannot be written: {why(exc)}") from exc
        self._places[key] = place, len(line)

    def _write(self, line: bytes) -> None:
        """Write all of it: where a disk is nearly full, one call may take a part only."""
        written = 0
        while written < len(line):
            written += self._file.write(line[written:])

    def _lock(self) -> None:
        import portalocker

        flags = portalocker.LockFlags.EXCLUSIVE | portalocker.LockFlags.NON_BLOCKING
        try:
            portalocker.lock(self._file, flags)
        except portalocker.AlreadyLocked as exc:
            raise OutputError(
                f"{self.path}: another run is writing it; wait for that, or name another journal"
            ) from exc
        except portalocker.LockException as exc:
            raise OutputError(f"{self.path}: cannot be locked: {exc}") from exc

    def _read(self) -> None:
        reader = io.BufferedReader(self._file)
        whole = self._read_lines(reader)
        reader.detach()
        self._file.truncate(whole)
        if not whole:
            self._file.seek(0)
            self._write(HEADER)

    def _read_lines(self, reader: BinaryIO) -> int:
        """Take note of all entries; return where the last whole line ends."""
        first = reader.readline(len(HEADER))
        if first != HEADER:
            if HEADER.startswith(first):
                return 0  # new, or its very first write was broken off
            other = first.startswith(HEADER.partition(b":")[0])
            form = "in this version's form" if other else "of ringscan"
            raise OutputError(f"{self.path}: is not a journal {form}; name another file")
        place = len(HEADER)
        for line in reader:
            if not line.endswith(b"\n"):
                break
            found = _entry_of(line)
            if found is None:
                self.damaged += 1
            else:
                self._places[found[0]] = place, len(line)
            place += len(line)
        return place


def _open(path: Path) -> io.FileIO:
    if path.exists() and not path.is_file():
        raise OSError("it is not a file")
    path.touch()
    return io.FileIO(path, "r+")


def _dump(value: Any) -> bytes:
    return json.dumps(value, allow_nan=False, separators=(",", ":")).encode("ascii")


def _entry_of(line: bytes) -> tuple[str, dict[str, Any]] | None:
    """Key and entry of a line; None if it is damaged."""
    try:
        content = json.loads(line)
        key, entry = content["entry"]
        whole = f"{zlib.crc32(_dump([key, entry])):08x}" == content["check"]
    except (ValueError, TypeError, KeyError, RecursionError):
        return None
    return (key, entry) if whole and isinstance(key, str) and isinstance(entry, dict) else None
