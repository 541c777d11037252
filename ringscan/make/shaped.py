"""Whether the shaper of a plan exists: nothing is made for one that does not."""

from __future__ import annotations

from ringscan.errors import PlanError
from ringscan.model.shapers import shaper_impulses
from ringscan.plan import Plan


def require_shaper(plan: Plan) -> None:
    """Refuse a plan that commands its shaper what it has no impulses for. Raises PlanError."""
    for axis in plan.axes:
        commands = plan.commands(axis)
        try:
            shaper_impulses(plan.shaper, commands.frequency_hz, commands.damping_ratio)
        except PlanError as exc:
            raise PlanError(f"plan '{plan.tower}': {exc}") from exc
