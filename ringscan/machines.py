"""From photos to towers to machines: what all photos of a batch say together.

Photos of one print are pooled first, then the towers of one machine. Only a photo that is a call
takes part; the others are counted and named.
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from math import exp, inf, log

import numpy as np
from numpy.typing import NDArray

from ringscan.model.budget import NORMAL_95, PHOTO, Interval
from ringscan.model.pooling import Pooled, outliers, pool, pool_repeats
from ringscan.model.verdict import WIDEST_INTERVAL, Outcome
from ringscan.readings import Failed, Reading

Array = NDArray[np.float64]

LIKELY_SCATTER = 0.02
"""Relative scatter of a machine's natural frequency that needs no explanation: belts, temperature,
place on the bed. No source: a tower is not named an outlier for as little."""

HARMFUL_SCATTER = 0.03
"""Relative scatter from which one setting no longer fits all towers: ZV leaves 5 % of the ripple
at 3.2 % beside the natural frequency (Vaughan, Yano & Singhose, J. Sound Vib. 315 (2008) 797)."""

BY_CHANCE = 0.01
"""A scatter that the errors alone give more often than this says nothing."""

MANY = 2
"""Photos that are a disagreement from which on their print is one, or from as many as are a call.
Variants of the sample images: of 87 as planned none was; of five towers, printed 5 or 10 % slower,
that some photos called and some did not, the called answer of four was wrong."""

NEAR = 0.05
"""Relative distance within which two frequencies are taken for the same when a cause is sought."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Aside:
    """A photo or tower that was left out of a pool, and why.

    name : the photo's file or the tower's label
    reason : one line
    """

    name: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What the photos of one tower, or the towers of one machine, say of one axis.

    machine, axis : whose
    tower : label; "" for the machine as a whole
    outcome, reasons : the verdict on it, and what to know
    frequency_hz, damping_ratio : pooled, with 95 % intervals; None unless it is a call
    pooled : names of the photos or towers in it
    aside : those that are not
    scatter_hz : of photos: standard deviation; of towers: that beyond their errors; None for one
    """

    machine: str
    axis: str
    tower: str
    outcome: Outcome
    reasons: tuple[str, ...]
    frequency_hz: Interval | None
    damping_ratio: Interval | None
    pooled: tuple[str, ...]
    aside: tuple[Aside, ...]
    scatter_hz: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """What many photos say.

    photos : those that were measured, by name
    failures : those that could not be, by name
    towers, machines : per axis, ranked by `quality`: the surest frequency first
    """

    photos: tuple[Reading, ...]
    failures: tuple[Failed, ...]
    towers: tuple[Answer, ...]
    machines: tuple[Answer, ...]


def machine_of(tower: str) -> str:
    """Name of the machine: the tower's label without the number at its end, HERON of HERON-3."""
    return re.sub(r"-\d+$", "", tower)


def quality(answer: Answer | Reading) -> float:
    """Half width of the frequency's interval relative to it, 1; infinite where there is none."""
    if answer.frequency_hz is None:
        return inf
    return answer.frequency_hz.half_width / answer.frequency_hz.value


def ranked_photos(batch: Batch) -> tuple[Reading, ...]:
    """Photos with the surest frequency first; those without one come last, in their order."""
    return tuple(sorted(batch.photos, key=quality))


def summarise(photos: Iterable[Reading | Failed]) -> Batch:
    """Pool photos to towers and towers to machines, and rank both; their order plays no part."""
    photos = sorted(photos, key=lambda p: p.photo)
    readings = tuple(p for p in photos if isinstance(p, Reading))
    prints: dict[tuple[str, str, str], list[Reading]] = defaultdict(list)
    for reading in readings:
        # a label that was used with two plans stands for two prints
        prints[reading.tower, reading.axis, reading.plan_sha256].append(reading)
    towers = [_tower(photos) for photos in prints.values()]
    machines: dict[str, dict[str, list[Answer]]] = defaultdict(lambda: defaultdict(list))
    for tower in towers:
        machines[tower.machine][tower.axis].append(tower)
    return Batch(
        photos=readings,
        failures=tuple(p for p in photos if isinstance(p, Failed)),
        towers=_ranked(towers),
        machines=_ranked(
            _machine(of_axis, [t for other, ts in by_axis.items() if other != axis for t in ts])
            for by_axis in machines.values()
            for axis, of_axis in by_axis.items()
        ),
    )


def _ranked(answers: Iterable[Answer]) -> tuple[Answer, ...]:
    return tuple(
        sorted(answers, key=lambda a: (quality(a), a.outcome.value, a.machine, a.tower, a.axis))
    )


def _tower(photos: list[Reading]) -> Answer:
    """Pool the photos of one print and axis."""
    parts: dict[str, _Part] = {}
    aside = []
    for photo in photos:
        if photo.frequency_hz is None or photo.damping_ratio is None:
            aside.append(Aside(name=photo.photo, reason=_said(photo.outcome, photo.reasons)))
        elif photo.sha256 in parts:
            reason = f"the same picture as {parts[photo.sha256].name}"
            aside.append(Aside(name=photo.photo, reason=reason))
        else:
            parts[photo.sha256] = _Part(photo.photo, photo.frequency_hz, photo.damping_ratio)
    answer = _answer(
        _blank(photos[0].tower, photos[0].axis, [p.outcome for p in photos]),
        list(parts.values()),
        aside,
        cause=lambda _: "look at this photo with --marked",
    )
    # what was not printed as planned is so in all photos: those that show it are right
    differing = len({p.sha256 for p in photos if p.outcome is Outcome.DISAGREEMENT})
    if answer.outcome is not Outcome.CALL or differing < min(MANY, len(answer.pooled)):
        return answer
    return replace(
        answer,
        outcome=Outcome.DISAGREEMENT,
        reasons=(
            f"all photos show one print, and {differing} of them that it is not as planned: find "
            "the cause, or take those away whose picture is bad",
        ),
        frequency_hz=None,
        damping_ratio=None,
    )


def _machine(towers: list[Answer], other_axis: list[Answer]) -> Answer:
    """Pool the towers of one machine and axis."""
    parts, aside = [], []
    for tower in sorted(towers, key=lambda t: t.tower):
        if tower.frequency_hz is None or tower.damping_ratio is None:
            aside.append(Aside(name=tower.tower, reason=_said(tower.outcome, tower.reasons)))
        else:
            parts.append(_Part(tower.tower, tower.frequency_hz, tower.damping_ratio))

    def cause(part: _Part) -> str:
        for other in other_axis:
            known = other.frequency_hz
            if known and abs(log(known.value / part.frequency_hz.value)) < NEAR:
                axis = other.axis.upper()
                return f"{other.tower}'s axis {axis} has that frequency: were the two mixed up?"
        return "check its label, its plan, and what was changed on the machine"

    blank = _blank(towers[0].tower, towers[0].axis, [t.outcome for t in towers])
    answer = _answer(replace(blank, tower=""), parts, aside, cause=cause)
    prints = Counter(tower.tower for tower in towers)
    doubles = (
        f"{label} was used with {count} plans and counts as {count} towers"
        for label, count in sorted(prints.items())
        if count > 1
    )
    return replace(answer, reasons=(*answer.reasons, *doubles))


@dataclass(frozen=True, slots=True)
class _Part:
    """A photo of a tower, or a tower of a machine, that can be pooled."""

    name: str
    frequency_hz: Interval
    damping_ratio: Interval


def _blank(tower: str, axis: str, outcomes: list[Outcome]) -> Answer:
    """Answer where nothing can be pooled: a disagreement, if there is one, tells most."""
    return Answer(
        machine=machine_of(tower),
        axis=axis,
        tower=tower,
        outcome=Outcome.DISAGREEMENT if Outcome.DISAGREEMENT in outcomes else Outcome.NO_CALL,
        reasons=(),
        frequency_hz=None,
        damping_ratio=None,
        pooled=(),
        aside=(),
        scatter_hz=None,
    )


def _answer(
    blank: Answer, parts: list[_Part], aside: list[Aside], *, cause: Callable[[_Part], str]
) -> Answer:
    """Set outliers apart, pool the rest, and judge."""
    if not parts:
        return replace(blank, aside=tuple(aside))
    of_towers = not blank.tower
    hz, error_hz = _linear([part.frequency_hz for part in parts])
    likely_hz = LIKELY_SCATTER * float(np.median(hz)) if of_towers else 0.0
    out = outliers(hz, error_hz, least_scatter=likely_hz)
    inside = [part for part, is_out in zip(parts, out, strict=True) if not is_out]
    repeats = not of_towers or len(inside) == 1
    hz, error_hz = hz[~out], error_hz[~out]
    log_zeta, error_log = _logarithmic([part.damping_ratio for part in inside])
    if repeats:
        frequency, damping = pool_repeats(hz, error_hz), pool_repeats(log_zeta, error_log)
    else:
        # what the model leaves out of one tower it leaves out of all; what is missing without a
        # sheet differs from picture to picture
        frequency = pool(hz, error_hz, common=PHOTO.frequency * float(np.median(hz)))
        damping = pool(log_zeta, error_log, common=PHOTO.damping_ratio)
    for part in (part for part, is_out in zip(parts, out, strict=True) if is_out):
        apart = part.frequency_hz.value - frequency.value
        reason = (
            f"outlier: {part.frequency_hz.value:.2f} Hz, {abs(apart):.1f} Hz "
            f"{'above' if apart > 0 else 'below'} the other {len(inside)}; {cause(part)}"
        )
        aside.append(Aside(name=part.name, reason=reason))
    outcome, reasons = _judge(frequency, damping, inside, "towers" if of_towers else "photos")
    called = outcome is Outcome.CALL
    return replace(
        blank,
        outcome=outcome,
        reasons=reasons,
        frequency_hz=_between(frequency) if called else None,
        damping_ratio=_between(damping, exp) if called else None,
        pooled=tuple(part.name for part in inside),
        aside=tuple(sorted(aside, key=lambda a: a.name)),
        scatter_hz=frequency.scatter if len(inside) > 1 else None,
    )


def _judge(
    frequency: Pooled, damping: Pooled, parts: list[_Part], kind: str
) -> tuple[Outcome, tuple[str, ...]]:
    differ = frequency.chance < BY_CHANCE
    if differ and frequency.scatter > HARMFUL_SCATTER * frequency.value:
        low, high = (pick(parts, key=lambda p: p.frequency_hz.value) for pick in (min, max))
        return Outcome.DISAGREEMENT, (
            f"{kind} differ from {low.frequency_hz.value:.2f} Hz ({low.name}) to "
            f"{high.frequency_hz.value:.2f} Hz ({high.name}), by far more than their intervals: "
            "no one setting fits all; find out what differs between them",
        )
    half_hz = (frequency.high - frequency.low) / 2
    if half_hz > WIDEST_INTERVAL * frequency.value:
        return Outcome.NO_CALL, (
            f"the {len(parts)} {kind} differ, so that the frequency is known to ±{half_hz:.1f} Hz "
            "only: print another tower",
        )
    reasons = []
    if differ:
        reasons.append(f"{kind} differ by more than their intervals: ±{frequency.scatter:.2f} Hz")
    if damping.chance < BY_CHANCE:
        values = sorted(part.damping_ratio.value for part in parts)
        reasons.append(
            f"damping ratios from {values[0]:.3f} to {values[-1]:.3f} differ by more than their "
            "intervals"
        )
    if len(parts) == 2 and half_hz > max(part.frequency_hz.half_width for part in parts):
        reasons.append(f"two {kind} show little of the scatter: a third one narrows the interval")
    return Outcome.CALL, tuple(reasons)


def _linear(intervals: list[Interval]) -> tuple[Array, Array]:
    """Values and standard errors."""
    values = np.array([interval.value for interval in intervals])
    return values, np.array([interval.half_width for interval in intervals]) / NORMAL_95


def _logarithmic(intervals: list[Interval]) -> tuple[Array, Array]:
    """Logarithms and their standard errors: a damping ratio's interval is symmetric there."""
    values = np.log([interval.value for interval in intervals])
    ends = np.log([[interval.low, interval.high] for interval in intervals])
    return values, (ends[:, 1] - ends[:, 0]) / (2 * NORMAL_95)


def _between(pooled: Pooled, scale: Callable[[float], float] = float) -> Interval:
    return Interval(value=scale(pooled.value), low=scale(pooled.low), high=scale(pooled.high))


def _said(outcome: Outcome, reasons: tuple[str, ...]) -> str:
    return f"{outcome.value}: {reasons[0]}" if reasons else outcome.value
