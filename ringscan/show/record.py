"""A scan as a plain dict, for JSON. docs/json.md describes every key."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Iterator
from importlib.metadata import version
from typing import Any

from ringscan.model.budget import Interval
from ringscan.model.ranking import RankedBand
from ringscan.model.setting import SettingLeft
from ringscan.model.verdict import Outcome
from ringscan.plan import Quantity
from ringscan.scan import Scan

RECORD_VERSION = 1


def to_record(scan: Scan) -> dict[str, Any]:
    """Return the scan as a dict of plain values; numbers that are not known are None.

    When there is no call, the answer's own keys and the bands' ripple are None: a number that the
    picture cannot vouch for is not handed on. What the fit came to stands under `fit`, for the
    curious.
    """
    called = scan.verdict.outcome is Outcome.CALL
    known = scan.verdict.outcome is not Outcome.NO_CALL
    frequency, damping = scan.frequency_hz, scan.damping_ratio
    spacing_hz = scan.spacing.frequency_hz
    record = {
        "record_version": RECORD_VERSION,
        "ringscan_version": version("ringscan"),
        "photo": scan.photo,
        "photo_sha256": scan.sha256,
        "plan_sha256": scan.plan.digest,
        "tower": scan.plan.tower,
        "axis": scan.axis,
        "verdict": scan.verdict.outcome.value,
        "reasons": list(scan.verdict.reasons),
        "natural_frequency_hz": frequency.value if called else None,
        "natural_frequency_interval_hz": _ends(frequency) if called else None,
        "damping_ratio": damping.value if called else None,
        "damping_ratio_interval": _ends(damping) if called else None,
        **_null(scan, known=known),
        "spacing_frequency_hz": spacing_hz if known else None,
        "spacing_frequency_interval_hz": _around(spacing_hz, scan.verdict.spacing_half_hz)
        if known
        else None,
        "spacing_damping_ratio": scan.spacing.damping_ratio if known else None,
        "largest_difference": scan.verdict.limit if known else None,
        **_speed(scan, known=known),
        "quiet_height_mm": scan.quiet_height_mm if called else None,
        "damping_setting": _damping_setting(scan) if called else None,
        "second_mode": _second_mode(scan) if called else None,
        "setting_left": _setting_left(scan.setting_left) if called else None,
        "reference": scan.reference.value,
        "scale_mm_per_px": 1 / scan.view.px_per_mm,
        "face_corners_px": scan.view.corners_px.tolist(),
        "sheet_size_mm": list(scan.view.sheet_size_mm),
        "flags": list(scan.flags),
        "fit": {
            "frequency_hz": frequency.value,
            "damping_ratio": damping.value,
            "evidence": scan.verdict.evidence,
            "evidence_needed": scan.verdict.chance_threshold,
        },
        "bands": _bands(scan.ranking, known=known),
    }
    cleaned: dict[str, Any] = _finite(record)
    return cleaned


def _bands(ranking: tuple[RankedBand, ...], *, known: bool) -> list[dict[str, Any]]:
    """Bands of the ramp, the quietest first; without a rank, from the base up."""
    rows = ranking if known else sorted(ranking, key=lambda row: row.band)
    return [
        {
            "rank": row.rank if known else None,
            "band": row.band,
            "commanded_frequency_hz": row.frequency_hz,
            "commanded_damping_ratio": row.damping_ratio,
            "height_mm": row.height_mm,
            "ripple": row.ripple if known else None,
            "ripple_interval": [row.low, row.high] if known else None,
            "fitted_ripple": row.fitted if known else None,
            "remark": row.remark if known else "",
        }
        for row in rows
    ]


def _null(scan: Scan, *, known: bool) -> dict[str, Any]:
    """The ramp's own answer, under the name of what it ramps."""
    null = scan.null
    ends = _around(null.value, scan.verdict.null_half)
    by_damping = null.quantity is Quantity.DAMPING
    return {
        "null_frequency_hz": null.value if known and not by_damping else None,
        "null_frequency_interval_hz": ends if known and not by_damping else None,
        "null_damping_ratio": null.value if known and by_damping else None,
        "null_damping_ratio_interval": ends if known and by_damping else None,
    }


def _speed(scan: Scan, *, known: bool) -> dict[str, Any]:
    ratio = scan.fit.speed.ratio if known else None
    return {
        "speed_ratio": None if ratio is None else ratio.value,
        "speed_ratio_interval": None if ratio is None else _ends(ratio),
    }


def _damping_setting(scan: Scan) -> dict[str, Any] | None:
    best = scan.damping_setting
    if best is None:
        return None
    return {
        "value": best.value,
        "interval": [best.low, best.high],
        "least_left": best.least,
        "most_left": best.most,
        "flat": best.flat,
        "at_ramp_end": best.at_end,
    }


def _setting_left(left: SettingLeft | None) -> dict[str, Any] | None:
    if left is None:
        return None
    return {
        "frequency_hz": left.frequency_hz,
        "left": left.left,
        "interval": [left.low, left.high],
        "bands": left.bands,
        "helps": left.helps,
        "in_part": left.in_part,
    }


def _second_mode(scan: Scan) -> dict[str, Any] | None:
    second = scan.second_mode
    if second is None:
        return None
    return {
        "natural_frequency_hz": second.frequency_hz.value,
        "natural_frequency_interval_hz": _ends(second.frequency_hz),
        "damping_ratio": second.damping_ratio.value,
        "damping_ratio_interval": _ends(second.damping_ratio),
        "ripple": second.ripple,
        "left_of_first": second.left_of_first,
        "left_of_second": second.left_of_second,
    }


def to_json(content: dict[str, Any] | list[dict[str, Any]]) -> str:
    """JSON of one record, or of a list of them; plain ASCII, for terminals of any encoding."""
    return json.dumps(content, indent=2, allow_nan=False) + "\n"


def each_to_json(records: Iterable[dict[str, Any]]) -> Iterator[str]:
    """What stands between the brackets of a list, in pieces: the records come and go one by one."""
    for number, record in enumerate(records):
        yield (",\n" if number else "\n") + to_json(record).rstrip()


def _ends(interval: Interval) -> list[float]:
    return [interval.low, interval.high]


def _around(value: float, half: float) -> list[float]:
    return [value - half, value + half]


def _finite(value: Any) -> Any:
    """Replace what JSON cannot hold: NaN and infinity are "not known"."""
    if isinstance(value, dict):
        return {key: _finite(part) for key, part in value.items()}
    if isinstance(value, list):
        return [_finite(part) for part in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
