"""Readings and records of photos that were never taken."""

from __future__ import annotations

import hashlib
from typing import Any

from ringscan.model.budget import Interval
from ringscan.model.verdict import Outcome
from ringscan.readings import Reading


def reading(
    photo: str,
    tower: str,
    hz: float | None,
    *,
    axis: str = "x",
    half_hz: float = 0.3,
    damping: float = 0.05,
    plan: str = "p",
    content: str | None = None,
    outcome: Outcome | None = None,
    flags: tuple[str, ...] = (),
) -> Reading:
    """A call with this frequency; without one, no call or what `outcome` says."""
    reasons = () if hz else ("no ripple stands out",)
    return Reading(
        photo=photo,
        sha256=hashlib.sha256((content or photo).encode()).hexdigest(),
        tower=tower,
        axis=axis,
        plan_sha256=plan,
        outcome=outcome or (Outcome.CALL if hz else Outcome.NO_CALL),
        reasons=reasons,
        frequency_hz=Interval(value=hz, low=hz - half_hz, high=hz + half_hz) if hz else None,
        damping_ratio=Interval(value=damping, low=damping / 1.2, high=damping * 1.2)
        if hz
        else None,
        flags=flags,
    )


def record(photo: str, sha256: str, hz: float | None = 22.6) -> dict[str, Any]:
    """What of a scan's record a batch needs, and something more."""
    return {
        "photo": photo,
        "photo_sha256": sha256,
        "tower": "HERON-1",
        "axis": "x",
        "plan_sha256": "p",
        "verdict": "call" if hz else "no call",
        "reasons": [] if hz else ["no ripple stands out"],
        "natural_frequency_hz": hz,
        "natural_frequency_interval_hz": hz and [hz - 0.3, hz + 0.3],
        "damping_ratio": hz and 0.06,
        "damping_ratio_interval": hz and [0.05, 0.072],
        "flags": [],
        "bands": [{"band": n, "ripple": 0.1 * n} for n in range(20)],
    }
