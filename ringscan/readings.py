"""What is kept of each photo of a batch: a few numbers or the failure, not the pixels."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from ringscan.model.budget import Interval
from ringscan.model.verdict import Outcome


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What one measured photo says, as far as pooling and tables need it.

    photo : its file, as it was given
    sha256 : of the file
    tower, axis, plan_sha256 : what it shows
    outcome, reasons : its verdict
    frequency_hz, damping_ratio : with 95 % intervals; None unless it is a call
    flags : what to know about the picture, one line each
    """

    photo: str
    sha256: str
    tower: str
    axis: str
    plan_sha256: str
    outcome: Outcome
    reasons: tuple[str, ...]
    frequency_hz: Interval | None
    damping_ratio: Interval | None
    flags: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Failed:
    """A photo that could not be measured.

    photo : its file, as it was given
    kind : class of the error
    exit_status : that a single scan of it would end in
    reason : one line, without the file's name
    """

    photo: str
    kind: str
    exit_status: int
    reason: str


def reading_of(photo: str, record: Mapping[str, Any]) -> Reading:
    """Reading of a scan's record, see docs/json.md. Raises KeyError, TypeError or ValueError."""
    return Reading(
        photo=photo,
        sha256=record["photo_sha256"],
        tower=record["tower"],
        axis=record["axis"],
        plan_sha256=record["plan_sha256"],
        outcome=Outcome(record["verdict"]),
        reasons=tuple(record["reasons"]),
        frequency_hz=_interval(record, "natural_frequency_hz", "natural_frequency_interval_hz"),
        damping_ratio=_interval(record, "damping_ratio", "damping_ratio_interval"),
        flags=tuple(record["flags"]),
    )


def _interval(record: Mapping[str, Any], value: str, ends: str) -> Interval | None:
    if record[value] is None:
        return None
    low, high = (float(end) for end in record[ends])
    if not 0 < low < record[value] < high:
        raise ValueError(f"{ends} = {record[ends]} does not hold {record[value]}")
    return Interval(value=float(record[value]), low=low, high=high)
