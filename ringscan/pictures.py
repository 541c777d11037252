"""Which picture files are meant by files, folders and patterns."""

from __future__ import annotations

import glob
import os
from collections.abc import Iterable
from pathlib import Path

from ringscan.errors import PhotoError, why

PICTURE_SUFFIXES = frozenset(
    (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif", ".mpo")
)
"""Files of a folder that are taken for photos; files given by name may be called anything."""


def find_pictures(given: Iterable[Path]) -> tuple[list[Path], list[tuple[Path, PhotoError]]]:
    """Files as given, the pictures of folders and what patterns match, in order.

    What gives no picture (an empty or unreadable folder, a pattern without match) is among the
    errors, and does not keep the others back. A pattern may hold `**` for all folders below.
    """
    pictures = []
    errors = []
    for path in given:
        try:
            pictures += _pictures_of(path)
        except PhotoError as exc:
            errors.append((path, exc))
    return pictures, errors


def _pictures_of(path: Path) -> list[Path]:
    # os.path, unlike Path, says no where it may not look or the name is impossible
    if os.path.isdir(path):
        return _in_folder(path)
    if glob.has_magic(str(path)) and not os.path.lexists(path):
        return _matching(path)
    return [path]


def _matching(pattern: Path) -> list[Path]:
    names = sorted(glob.glob(str(pattern), recursive=True))
    found = [Path(name) for name in names if _is_picture(Path(name)) and os.path.isfile(name)]
    if not found:
        raise PhotoError(f"{pattern}: no picture matches")
    return found


def _in_folder(folder: Path) -> list[Path]:
    try:
        found = sorted(
            path
            for path in folder.iterdir()
            # hidden files are no photos, such as memory cards have beside some
            if _is_picture(path) and not path.name.startswith(".") and not os.path.isdir(path)
        )
    except OSError as exc:
        raise PhotoError(f"{folder}: the folder cannot be read: {why(exc)}") from exc
    if not found:
        raise PhotoError(f"{folder}: is a folder without pictures; give picture files")
    return found


def _is_picture(path: Path) -> bool:
    return path.suffix.lower() in PICTURE_SUFFIXES
