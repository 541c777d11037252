"""One thing that is found where a file is compared with its plan."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum, auto
from typing import Any


class Kind(Enum):
    """What follows from a finding: no plan describes the file; another plan does; nothing."""

    SPOILT = auto()
    DIFFERS = auto()
    NOTE = auto()


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One sentence for people, and what it means for the plan.

    kind : what follows from it
    text : without a full stop
    change : what the plan would have to say instead, as nested dicts; None takes a table out
    """

    kind: Kind
    text: str
    change: Mapping[str, Any] = field(default_factory=dict)


def spoilt(text: str) -> Finding:
    """Why no plan can describe the file."""
    return Finding(kind=Kind.SPOILT, text=text)


def note(text: str) -> Finding:
    """What to mind."""
    return Finding(kind=Kind.NOTE, text=text)


def differs(text: str, **change: Any) -> Finding:
    """Where the file departs from the plan, by the plan's tables."""
    return Finding(kind=Kind.DIFFERS, text=text, change=change)


def merged(data: Mapping[str, Any], change: Mapping[str, Any]) -> dict[str, Any]:
    """Nested dicts with others put into them; neither is altered."""
    new = {
        key: merged(data.get(key) or {}, value) if isinstance(value, Mapping) else value
        for key, value in change.items()
    }
    return {**data, **new}
