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
from ringscan.model.budget import Interval, coverage_factor
from ringscan.model.estimate import DAMPING_RANGE, PoleEstimate
from ringscan.model.fit import JointFit
from ringscan.model.problem import trial_pole
from ringscan.model.search import CHANCE_BLOCK, chance_gains

Array = NDArray[np.float64]

CHANCE_TRIALS = 400
CHANCE_LEVEL = 1e-3
"""A blank wall passes for a ripple less often than this, by the trials' extreme-value law."""

SURE = 3.0
"""Multiple of a blank wall's evidence from which two answers that disagree mean something."""

WIDEST_INTERVAL = 0.2
"""Widest half interval of the frequency, relative, that still helps to set a shaper: beyond it
ZV leaves more than a quarter of the ripple anyway."""

LARGEST_DAMPING = 0.3
"""Axes of such machines have damping ratios up to 0.15 (common practice, no source)."""

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
    evidence : best gain of the coarse search over the wall
    chance_threshold : gain that a blank wall reaches with probability CHANCE_LEVEL
    """

    outcome: Outcome
    reasons: tuple[str, ...]
    evidence: float
    chance_threshold: float


def judge(
    *,
    fit: JointFit,
    frequency: Interval,
    spacing: PoleEstimate,
    null: NullEstimate,
) -> Verdict:
    """Decide whether the fit may be called, and say why not."""
    evidence, threshold = weigh(fit)

    def verdict(outcome: Outcome, *reasons: str) -> Verdict:
        return Verdict(
            outcome=outcome, reasons=reasons, evidence=evidence, chance_threshold=threshold
        )

    if evidence < threshold:
        return verdict(
            Outcome.NO_CALL,
            f"no ripple stands out of the wall's own texture (evidence {evidence:.0f}, a blank "
            f"wall reaches {threshold:.0f}): print with a higher acceleration or speed, and put "
            "the lamp lower at the left or right",
        )
    doubts = tuple(_doubts(fit, frequency))
    if doubts:
        return verdict(Outcome.NO_CALL, *doubts)
    apart = tuple(_disagreement(spacing, null))
    if apart and evidence < SURE * threshold:
        return verdict(
            Outcome.NO_CALL,
            f"a faint ripple only (evidence {evidence:.0f}, a blank wall reaches "
            f"{threshold:.0f}), and its spacing and its turn of sign do not agree: print with "
            "a higher acceleration or speed, and put the lamp lower at the left or right",
        )
    return verdict(Outcome.DISAGREEMENT if apart else Outcome.CALL, *apart)


def weigh(fit: JointFit) -> tuple[float, float]:
    """The wall's evidence, and what walls without ripple exceed with probability CHANCE_LEVEL.

    Both are best gains of the coarse search, in which nothing was bent to please the wall. The
    signs of the bands' residuals are drawn at random many times; the best gain of each trial
    follows Gumbel's law, which is fitted by its first two moments.
    """
    problem, found = fit.posed, fit.found
    M = problem.columns(trial_pole(*found.best(1)[0]))
    # each half of the bands loses the ripple that the other half has: its own would take a part of
    # the texture with it, and make chance look rarer than it is
    left = problem.data.copy()
    half = np.arange(left.shape[0]) // CHANCE_BLOCK % 2 == 0
    for mine, other in ((half, ~half), (~half, half)):
        if other.any():
            flat = M[:, other].reshape(2, -1)
            c = np.linalg.lstsq(flat @ flat.T, flat @ problem.data[other].ravel(), rcond=None)[0]
            left[mine] = problem.data[mine] - np.tensordot(c, M[:, mine], 1)
    gains = chance_gains(replace(problem, data=left), found, trials=CHANCE_TRIALS, seed=0)
    scale = np.sqrt(6) / np.pi * gains.std()
    location = gains.mean() - np.euler_gamma * scale
    threshold = location - scale * np.log(-np.log1p(-CHANCE_LEVEL))
    return float(found.gain.max()), float(threshold)


def _doubts(fit: JointFit, frequency: Interval) -> Iterator[str]:
    if frequency.half_width > WIDEST_INTERVAL * frequency.value:
        yield (
            f"the frequency is only known to ±{frequency.half_width:.1f} Hz: print with a higher "
            "acceleration, or photograph with a lower lamp and from nearer"
        )
    zeta = fit.estimate.damping_ratio
    if not 1.1 * DAMPING_RANGE[0] < zeta < LARGEST_DAMPING:
        yield (
            f"the best fit has a damping ratio of {zeta:.3f}, which no such axis has: what was "
            "found is not ringing, or it is too weak"
        )
    for other in fit.rivals:
        if other.share > RUNNER_UP_SHARE:
            yield (
                f"{other.frequency_hz:.1f} Hz explains the wall nearly as well as "
                f"{fit.estimate.frequency_hz:.1f} Hz: make the ramp's range or the ripple larger"
            )


def _disagreement(spacing: PoleEstimate, null: NullEstimate) -> Iterator[str]:
    apart = spacing.frequency_hz - null.frequency_hz
    u_spacing = float(np.sqrt(spacing.covariance[0, 0]))
    error = hypot(u_spacing, null.standard_error_hz, 0.01 * spacing.frequency_hz)
    k = coverage_factor(min(spacing.freedom, null.freedom))
    if abs(apart) > 1.5 * k * error:
        yield (
            f"the ripples' spacing says {spacing.frequency_hz:.1f} Hz, their turn of sign says "
            f"{null.frequency_hz:.1f} Hz: something was not printed as planned; check that the "
            "ramp reached the firmware and that the speed was not cut"
        )
