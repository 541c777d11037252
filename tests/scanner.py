"""Stands for the scan where only the batch matters: takes no time, and files are texts."""

from __future__ import annotations

import hashlib
from pathlib import Path

from readings import record

from ringscan.errors import PhotoError, SheetError

CONTENTS = ("22.5", "22.6", "no sheet", "blank", "bug", "22.7", "no decoder")


class Scanner:
    """Stands for `scan_photo`: a file's text is its frequency or its fault; notes what it read."""

    def __init__(self) -> None:
        self.seen: list[str] = []
        self.settings: list[dict[str, object]] = []

    def __call__(self, path: Path, **settings: object) -> dict:
        self.seen.append(path.name)
        self.settings.append(settings)
        if not path.exists():
            raise PhotoError(f"{path}: there is no such file")
        text = path.read_text()
        if text == "no sheet":
            raise SheetError(f"{path.name}: no scan sheet\nwas found")
        if text == "no decoder":
            raise PhotoError(f"{path}: needs a decoder") from ImportError("no decoder")
        if text == "bug":
            raise ZeroDivisionError("division by zero")
        if text == "interrupt":
            raise KeyboardInterrupt
        if text == "no library":
            raise ImportError("libGL.so.1: cannot open shared object file")
        sha256 = hashlib.sha256(text.encode()).hexdigest()
        return record(path.name, sha256, float(text) if text != "blank" else None)
