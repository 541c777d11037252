"""Reads an axis's natural frequency and damping ratio off a photo of a calibration tower.

    import ringscan

    scan = ringscan.scan_photo("heron-1-x.jpg")
    print(scan.verdict.outcome, scan.frequency_hz, scan.damping_ratio)

docs/library.md tells the rest. The names below are loaded when they are first used: importing
this package costs next to nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from ringscan.batch import Entry
    from ringscan.errors import RingscanError
    from ringscan.image.beside import PictureSide
    from ringscan.image.inplane import CARD_MM, Flush
    from ringscan.image.quality import Finding, Grade
    from ringscan.library import (
        as_dict,
        as_rows,
        as_text,
        load_plan,
        look_at_photo,
        pool,
        scan_each,
        scan_photo,
    )
    from ringscan.look import Look
    from ringscan.machines import Answer, Batch
    from ringscan.model.budget import Interval
    from ringscan.model.verdict import Outcome
    from ringscan.plan import Plan
    from ringscan.readings import Failed, Reading
    from ringscan.scan import Scan

    __version__: str

__all__ = [
    "CARD_MM",
    "Answer",
    "Batch",
    "Entry",
    "Failed",
    "Finding",
    "Flush",
    "Grade",
    "Interval",
    "Look",
    "Outcome",
    "PictureSide",
    "Plan",
    "Reading",
    "RingscanError",
    "Scan",
    "as_dict",
    "as_rows",
    "as_text",
    "load_plan",
    "look_at_photo",
    "pool",
    "scan_each",
    "scan_photo",
]

_HOMES = {
    "Answer": "machines",
    "PictureSide": "image.beside",
    "Batch": "machines",
    "CARD_MM": "image.inplane",
    "Entry": "batch",
    "Failed": "readings",
    "Finding": "image.quality",
    "Flush": "image.inplane",
    "Grade": "image.quality",
    "Interval": "model.budget",
    "Look": "look",
    "Outcome": "model.verdict",
    "Plan": "plan",
    "Reading": "readings",
    "RingscanError": "errors",
    "Scan": "scan",
    "as_dict": "library",
    "as_rows": "library",
    "as_text": "library",
    "load_plan": "library",
    "look_at_photo": "library",
    "pool": "library",
    "scan_each": "library",
    "scan_photo": "library",
}
"""Module in which each name is defined."""


if not TYPE_CHECKING:  # to a type checker a name that is not above is a misspelt one

    def __getattr__(name: str) -> Any:
        if name == "__version__":
            return import_module("importlib.metadata").version("ringscan")
        if name not in _HOMES:
            raise AttributeError(f"module 'ringscan' has no attribute {name!r}")
        return getattr(import_module(f"ringscan.{_HOMES[name]}"), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
