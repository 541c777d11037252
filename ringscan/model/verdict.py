"""From fits to one plain verdict: call, disagreement, or no call with the reason.

A call needs a ripple that chance does not explain, two answers that agree, and an interval
narrow enough to be of use.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import StrEnum
from math import hypot

import numpy as np
from numpy.typing import NDArray

from ringscan.model.answers import NullEstimate
from ringscan.model.budget import APART, Interval, coverage_factor
from ringscan.model.causes import Suspect
from ringscan.model.chance import chance_threshold
from ringscan.model.estimate import PoleEstimate, is_ringing
from ringscan.model.fit import JointFit
from ringscan.plan import Quantity

Array = NDArray[np.float64]

SURE = 3.0
"""Multiple of a blank wall's evidence from which two answers mean something, whether they agree or
not: right calls had over 7 on 77 rendered pictures and over 12 on 60 simulated walls; a face that
was found in a wrong place once passed with 1.8."""

MORE_RIPPLE = (
    "plan a tower with a higher acceleration, within the limits in the machine's manual, and see "
    "by 'ringscan look' whether the lamp is low enough"
)

MORE_RANGE = "plan a wider frequency range or a higher acceleration"

WIDEST_INTERVAL = 0.2
"""Widest half interval of the frequency, relative, that still helps to set a shaper: beyond it
ZV leaves more than a quarter of the ripple anyway."""

LEAST_ERROR = {Quantity.FREQUENCY: 0.0025, Quantity.DAMPING: 0.1}
LEAST_NULL_ERROR = {Quantity.FREQUENCY: 0.004, Quantity.DAMPING: 0.1}
"""Standard uncertainties, relative, of spacing or decay and of the turn of sign, beyond noise and
doubts of scale and heights. On 97 rendered pictures 97 % of the spacings and 94 % of the turns of
sign were then inside their 95 % intervals."""

RUNNER_UP_SHARE = 0.75
"""A second pole that explains more than this share of the first one's gain is not excluded."""


class Outcome(StrEnum):
    """What the picture can say."""

    CALL = "call"
    DISAGREEMENT = "disagreement"
    NO_CALL = "no call"


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """The outcome, why, and what to do.

    outcome : see Outcome
    reasons : one line each; what was seen, and what to change
    agree : whether spacing and turn of sign tell the same, within their errors
    limit : largest difference of the two that passes for that, Hz or 1
    own_half, null_half : half widths of the 95 % intervals of the two, Hz or 1
    spacing_half_hz : that of the frequency by spacing, whatever is ramped
    evidence : best gain of the coarse search over the wall
    chance_threshold : gain that a wall of this texture reaches with probability CHANCE_LEVEL
    suspect : the likely cause, where one explains the wall better than the plan does
    """

    outcome: Outcome
    reasons: tuple[str, ...]
    agree: bool
    limit: float
    own_half: float
    null_half: float
    spacing_half_hz: float
    evidence: float
    chance_threshold: float
    suspect: Suspect | None = None

    @property
    def over_chance(self) -> float:
        """Evidence as a multiple of what chance reaches."""
        return self.evidence / self.chance_threshold

    def against(self, *reasons: str) -> Verdict:
        """The same with reasons, told first, that leave no call standing."""
        called = self.outcome is Outcome.CALL
        return replace(
            self,
            outcome=Outcome.DISAGREEMENT if called else self.outcome,
            reasons=(*reasons, *self.reasons),
        )

    def blamed_on(self, suspect: Suspect, said: str) -> Verdict:
        """The same with the likely cause, where more ripple would not help."""
        reasons = tuple(reason.removesuffix(f": {MORE_RIPPLE}") for reason in self.reasons)
        return replace(self, reasons=reasons, suspect=suspect).against(said)


def judge(
    *,
    fit: JointFit,
    frequency: Interval,
    spacing: PoleEstimate,
    null: NullEstimate,
) -> Verdict:
    """Decide whether the fit may be called, and say why not."""
    evidence = float(fit.found.gain.max())
    threshold = chance_threshold(fit.posed, fit.found)
    own_error = _own_error(fit, spacing, null.quantity)
    limit, apart = _compare(fit, spacing, null, own_error)
    null_error = hypot(
        null.standard_error,
        LEAST_NULL_ERROR[null.quantity] * null.value,
        _height_error(fit, null),
    )
    k = coverage_factor(spacing.freedom)

    def verdict(outcome: Outcome, *reasons: str) -> Verdict:
        return Verdict(
            outcome=outcome,
            reasons=reasons,
            agree=apart is None,
            limit=limit,
            own_half=k * own_error,
            null_half=coverage_factor(null.freedom) * null_error,
            spacing_half_hz=k * _own_error(fit, spacing, Quantity.FREQUENCY),
            evidence=evidence,
            chance_threshold=threshold,
        )

    if not evidence >= threshold:  # nor if there is none
        return verdict(
            Outcome.NO_CALL,
            f"no ripple that follows the ramp stands out from the wall's texture (evidence "
            f"{evidence:.0f}; a blank wall reaches {threshold:.0f} by chance): {MORE_RIPPLE}",
        )
    if useless := tuple(_useless(fit, frequency, null)):
        return verdict(Outcome.NO_CALL, *useless)
    if not evidence >= SURE * threshold:
        split = ", and its spacing and its turn of sign give different values" if apart else ""
        return verdict(
            Outcome.NO_CALL,
            f"the ripple is too faint for an answer (evidence {evidence:.0f}; a blank wall "
            f"reaches {threshold:.0f} by chance){split}: {MORE_RIPPLE}",
        )
    if apart:
        return verdict(Outcome.DISAGREEMENT, apart)
    if not fit.speed.as_planned and (ratio := fit.speed.ratio) is not None:
        return verdict(
            Outcome.DISAGREEMENT,
            f"by its ripples the face was printed at {ratio.low:.0%} to {ratio.high:.0%} of the "
            "planned speed: look for a minimum layer time, a flow limit, a speed cap or override, "
            "or an acceleration that is not the plan's",
        )
    return verdict(Outcome.CALL)


def _useless(fit: JointFit, frequency: Interval, null: NullEstimate) -> Iterator[str]:
    if frequency.half_width > WIDEST_INTERVAL * frequency.value:
        yield (
            f"the frequency is known to ±{frequency.half_width:.1f} Hz only: print with a higher "
            "acceleration, or photograph from nearer with a lower lamp"
        )
    told = coverage_factor(null.freedom) * null.standard_error
    if null.quantity is Quantity.FREQUENCY and told > WIDEST_INTERVAL * null.value:
        yield (
            f"the ripples' turn of sign gives {null.value:.1f} ±{told:.1f} Hz, which is too vague "
            f"to check their spacing: {MORE_RANGE}"
        )
    zeta = fit.estimate.damping_ratio
    if not is_ringing(zeta):
        yield (
            f"the best fit has a damping ratio of {zeta:.3f}, which no printer axis has: what was "
            "found is not ringing, or the ringing is too weak"
        )
    for other in fit.rivals:
        if other.share > RUNNER_UP_SHARE:
            yield (
                f"{other.frequency_hz:.1f} Hz explains the wall nearly as well as "
                f"{fit.estimate.frequency_hz:.1f} Hz: {MORE_RANGE}"
            )


def _own_error(fit: JointFit, spacing: PoleEstimate, quantity: Quantity) -> float:
    """Standard uncertainty of spacing or decay: noise, and doubts of scale and model."""
    value, error = spacing.value_of(quantity)
    stretch = 0.0 if quantity is Quantity.DAMPING else fit.doubts.stretch
    return hypot(error, LEAST_ERROR[quantity] * value, stretch * value)


def _height_error(fit: JointFit, null: NullEstimate) -> float:
    """What a wrong height moves a frequency by that is read from the ramp."""
    by_damping = null.quantity is Quantity.DAMPING
    return 0.0 if by_damping else fit.doubts.height_mm * fit.doubts.hz_per_mm


def _compare(
    fit: JointFit, spacing: PoleEstimate, null: NullEstimate, own_error: float
) -> tuple[float, str | None]:
    """How far the two answers may differ, and the reason if they disagree."""
    by_damping = null.quantity is Quantity.DAMPING
    own, _ = spacing.value_of(null.quantity)
    all_in_all, joint_error = fit.estimate.value_of(null.quantity)
    # a stretch moves the spacing alone, a wrong height the turn of sign alone
    k = APART * coverage_factor(min(spacing.freedom, null.freedom))
    limit = k * hypot(own_error, null.standard_error, _height_error(fit, null))
    agree = abs(own - null.value) <= limit
    # a turn of sign that says little agrees with all; what both say together must fit either
    if agree and abs(own - all_in_all) <= k * hypot(own_error, joint_error):
        return limit, None
    said = (
        f"the ripples' decay gives a damping ratio of {own:.3f}, but their turn of sign gives "
        f"{null.value:.3f}"
        if by_damping
        else f"the ripples' spacing gives {own:.1f} Hz, but their turn of sign gives "
        f"{null.value:.1f} Hz"
    )
    if agree:
        said += f", and both together {all_in_all:.{3 if by_damping else 1}f}"
    return limit, (
        f"{said}: something was not printed as planned; check that the ramp reached the firmware "
        "and that nothing slowed the print down"
    )
