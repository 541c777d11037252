"""The verdict's rules, one at a time, on answers that are set: docs/method.md, "Verdict".

All have so many degrees of freedom that 1.96 standard errors are a 95 % interval.
"""

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from ringscan.model.answers import NullEstimate
from ringscan.model.budget import Interval
from ringscan.model.causes import Suspect
from ringscan.model.estimate import PoleEstimate
from ringscan.model.fit import JointFit, Rival
from ringscan.model.given import Doubts
from ringscan.model.speed import SpeedEstimate
from ringscan.model.verdict import MORE_RIPPLE, Outcome, Verdict, judge
from ringscan.plan import Quantity

MANY = 1e9
CHANCE = 100.0
"""What a blank wall reaches."""


def answer(hz: float, error_hz: float, zeta: float = 0.05, error: float = 0.002) -> PoleEstimate:
    return PoleEstimate(
        frequency_hz=hz,
        damping_ratio=zeta,
        covariance=np.diag([error_hz**2, error**2]),
        freedom=MANY,
    )


def verdict(monkeypatch: pytest.MonkeyPatch, **given: Any) -> Verdict:
    """On a fit that is a call, but for what is given."""
    monkeypatch.setattr("ringscan.model.verdict.chance_threshold", lambda *_: CHANCE)
    known: dict[str, Any] = {
        "evidence": 10 * CHANCE,
        "estimate": answer(40.0, 0.1),
        "spacing": answer(40.0, 0.2),
        "null": 40.0,
        "null_error": 0.2,
        "freedom": MANY,
        "quantity": Quantity.FREQUENCY,
        "half": 0.3,
        "rivals": (),
        "log_ratio": 0.0,
        "stretch": 0.0,
        "height_mm": 0.0,
    } | given
    doubts = Doubts(
        shift_mm=0.1,
        stretch=known["stretch"],
        skew_mm=0.1,
        height_mm=known["height_mm"],
        blur_mm2=0.01,
        hz_per_mm=0.5,
    )
    fit: Any = JointFit(
        estimate=known["estimate"],
        strength=1.0,
        rivals=known["rivals"],
        problem=None,
        second=None,
        speed=SpeedEstimate(log_ratio=known["log_ratio"], standard_error=0.01, freedom=MANY),
        doubts=doubts,
        bent=None,
        shadowed=False,
        posed=None,
        found=SimpleNamespace(gain=np.array([[0.0, known["evidence"]], [-1.0, 1.0]])),
    )
    hz = known["estimate"].frequency_hz
    return judge(
        fit=fit,
        frequency=Interval(value=hz, low=hz - known["half"], high=hz + known["half"]),
        spacing=known["spacing"],
        null=NullEstimate(
            quantity=known["quantity"],
            value=known["null"],
            standard_error=known["null_error"],
            freedom=known["freedom"],
        ),
    )


def test_what_fits_in_every_way_is_a_call(monkeypatch):
    judged = verdict(monkeypatch)
    assert (judged.outcome, judged.reasons, judged.agree) == (Outcome.CALL, (), True)
    assert (judged.evidence, judged.chance_threshold) == (10 * CHANCE, CHANCE)
    assert judged.over_chance == 10


@pytest.mark.parametrize(
    ("evidence", "outcome", "said"),
    [
        (0.99, Outcome.NO_CALL, "no ripple that follows the ramp stands out"),
        (1.01, Outcome.NO_CALL, "the ripple is too faint for an answer"),
        (2.95, Outcome.NO_CALL, "the ripple is too faint for an answer"),
        (3.05, Outcome.CALL, ""),
        (float("nan"), Outcome.NO_CALL, "no ripple that follows the ramp stands out"),
    ],
)
def test_evidence_is_three_times_what_chance_reaches(monkeypatch, evidence, outcome, said):
    judged = verdict(monkeypatch, evidence=evidence * CHANCE)
    assert judged.outcome is outcome
    assert [reason[: len(said)] for reason in judged.reasons] == ([said] if said else [])
    assert all(reason.endswith(MORE_RIPPLE) for reason in judged.reasons)
    assert not any("different values" in reason for reason in judged.reasons)


def test_a_faint_ripple_whose_answers_differ_is_no_disagreement(monkeypatch):
    """They may differ by chance; it is said."""
    judged = verdict(monkeypatch, evidence=2 * CHANCE, null=48.0)
    assert judged.outcome is Outcome.NO_CALL
    assert "its spacing and its turn of sign give different values: plan" in judged.reasons[0]
    assert verdict(monkeypatch, null=48.0).outcome is Outcome.DISAGREEMENT


@pytest.mark.parametrize(("share", "is_call"), [(0.195, True), (0.205, False)])
def test_the_frequency_is_known_to_a_fifth(monkeypatch, share, is_call):
    judged = verdict(monkeypatch, half=share * 40.0)
    assert (judged.outcome is Outcome.CALL) == is_call
    assert [r.startswith("the frequency is known to ±8.2 Hz only") for r in judged.reasons] == (
        [] if is_call else [True]
    )


@pytest.mark.parametrize(("share", "is_call"), [(0.195, True), (0.205, False)])
def test_the_turn_of_sign_is_known_to_a_fifth(monkeypatch, share, is_call):
    judged = verdict(monkeypatch, null_error=share * 40.0 / 1.959964)
    assert (judged.outcome is Outcome.CALL) == is_call
    assert ["turn of sign gives 40.0 ±8.2 Hz, which is too vague" in r for r in judged.reasons] == (
        [] if is_call else [True]
    )


def test_a_ramp_of_damping_may_tell_little(monkeypatch):
    judged = verdict(monkeypatch, quantity=Quantity.DAMPING, null=0.05, null_error=0.02)
    assert judged.outcome is Outcome.CALL


@pytest.mark.parametrize(
    ("zeta", "is_call"), [(0.0032, False), (0.0034, True), (0.29, True), (0.31, False)]
)
def test_what_is_at_the_edge_of_the_search_is_no_ringing(monkeypatch, zeta, is_call):
    """Which begins at 0.003; no axis has 0.3."""
    judged = verdict(monkeypatch, estimate=answer(40.0, 0.1, zeta))
    assert (judged.outcome is Outcome.CALL) == is_call
    assert [f"damping ratio of {zeta:.3f}" in r for r in judged.reasons] == (
        [] if is_call else [True]
    )


@pytest.mark.parametrize(("share", "is_call"), [(0.7, True), (0.8, False)])
def test_a_second_pole_that_explains_nearly_as_much(monkeypatch, share, is_call):
    rivals = (Rival(frequency_hz=61.0, share=share), Rival(frequency_hz=20.0, share=0.1))
    judged = verdict(monkeypatch, rivals=rivals)
    assert (judged.outcome is Outcome.CALL) == is_call
    said = "61.0 Hz explains the wall nearly as well as 40.0 Hz: "
    assert [r.startswith(said) for r in judged.reasons] == ([] if is_call else [True])


LIMITS = {
    # three standard errors (1.5 × 1.96, to 2 %): of both, and 0.25 % of the spacing's 40 Hz
    "noise": ({}, np.sqrt(0.2**2 + 0.2**2 + 0.1**2)),
    "stretch": ({"stretch": 0.01}, np.sqrt(0.2**2 + 0.2**2 + 0.1**2 + 0.4**2)),
    # 0.5 Hz per mm
    "heights": ({"height_mm": 1.5}, np.sqrt(0.2**2 + 0.2**2 + 0.1**2 + 0.75**2)),
}


@pytest.mark.parametrize(("given", "error_hz"), LIMITS.values(), ids=LIMITS)
@pytest.mark.parametrize("errors", [-3.1, -2.85, 2.85, 3.1])
def test_the_two_answers_may_differ_by_three_standard_errors(monkeypatch, given, error_hz, errors):
    judged = verdict(monkeypatch, null=40.0 + errors * error_hz, **given)
    assert judged.limit == pytest.approx(3 * error_hz, rel=0.021)
    assert judged.agree == (abs(errors) < 3)
    assert judged.outcome is (Outcome.CALL if abs(errors) < 3 else Outcome.DISAGREEMENT)
    if not judged.agree:
        assert judged.reasons[0].startswith(
            f"the ripples' spacing gives 40.0 Hz, but their turn of sign gives "
            f"{40 + errors * error_hz:.1f} Hz: something"
        )


def test_both_together_must_fit_the_spacing(monkeypatch):
    """A turn of sign known to 3 Hz agrees; the joint fit is 1 Hz off, four of its and the
    spacing's standard errors, of 0.1 and, with the model's 0.1 Hz, 0.224 Hz."""
    for estimate_hz, agree in ((40.7, True), (41.0, False)):
        judged = verdict(
            monkeypatch, null=41.0, null_error=3.0, estimate=answer(estimate_hz, 0.1), half=0.3
        )
        assert judged.agree == agree
    assert ", and both together 41.0: something" in judged.reasons[0]


@pytest.mark.parametrize(("errors", "agree"), [(2.85, True), (3.1, False)])
def test_a_ramp_of_damping_compares_damping_ratios(monkeypatch, errors, agree):
    """A tenth of 0.05 beyond noise; neither scale nor heights count."""
    error = np.sqrt(0.002**2 + 0.002**2 + 0.005**2)
    null = 0.05 - errors * error
    judged = verdict(
        monkeypatch,
        quantity=Quantity.DAMPING,
        null=null,
        null_error=0.002,
        stretch=0.5,
        height_mm=50.0,
        estimate=answer(40.0, 0.1, 0.05, 0.001),
    )
    assert judged.agree == agree
    assert judged.outcome is (Outcome.CALL if agree else Outcome.DISAGREEMENT)
    assert judged.limit == pytest.approx(3 * error, rel=0.021)
    if not agree:
        assert judged.reasons[0].startswith(
            f"the ripples' decay gives a damping ratio of 0.050, but their turn of sign gives "
            f"{null:.3f}: something"
        )


def test_each_answers_own_interval(monkeypatch):
    """1.96 standard errors: noise, the model's 0.25 and 0.4 %, and scale or heights."""
    judged = verdict(monkeypatch, stretch=0.01, height_mm=1.0, null=41.0)
    own, null = np.hypot(0.2, 40 * np.hypot(0.0025, 0.01)), np.hypot(0.2, 0.5)
    assert judged.own_half == pytest.approx(1.96 * own, rel=1e-4)
    assert judged.spacing_half_hz == judged.own_half
    assert judged.null_half == pytest.approx(1.96 * np.hypot(null, 0.004 * 41), rel=1e-4)
    by_damping = verdict(
        monkeypatch, stretch=0.01, quantity=Quantity.DAMPING, null=0.04, null_error=0.003
    )
    assert by_damping.spacing_half_hz == judged.spacing_half_hz
    assert by_damping.own_half == pytest.approx(1.96 * np.hypot(0.002, 0.1 * 0.05), rel=1e-4)
    assert by_damping.null_half == pytest.approx(1.96 * np.hypot(0.003, 0.1 * 0.04), rel=1e-4)


def test_few_bands_leave_more_room(monkeypatch):
    """Student's t for 4 degrees of freedom, 2.776 in any table, by whichever answer has fewer."""
    many, few = verdict(monkeypatch), verdict(monkeypatch, freedom=4.0)
    assert few.limit / many.limit == pytest.approx(2.776 / 1.960, rel=1e-3)
    assert few.null_half / many.null_half == pytest.approx(2.776 / 1.960, rel=1e-3)
    assert few.own_half == many.own_half
    other = verdict(monkeypatch, spacing=replace(answer(40.0, 0.2), freedom=4.0))
    assert other.limit == pytest.approx(few.limit)
    assert other.own_half / many.own_half == pytest.approx(2.776 / 1.960, rel=1e-3)


@pytest.mark.parametrize("faster", [-0.1, 0.1])
def test_another_speed_is_a_disagreement(monkeypatch, faster):
    judged = verdict(monkeypatch, log_ratio=faster)
    assert judged.outcome is Outcome.DISAGREEMENT
    low, high = (np.exp(faster + by * 1.96 * np.hypot(1.2 * 0.01, 0.005)) for by in (-1, 1))
    assert f"printed at {low:.0%} to {high:.0%} of the planned speed" in judged.reasons[0]


def test_what_speaks_against_it_comes_first(monkeypatch):
    call = verdict(monkeypatch)
    assert (call.against("a", "b").outcome, call.against("a", "b").reasons) == (
        Outcome.DISAGREEMENT,
        ("a", "b"),
    )
    faint = verdict(monkeypatch, evidence=2 * CHANCE)
    assert faint.against("a").outcome is Outcome.NO_CALL
    assert faint.against("a").reasons == ("a", *faint.reasons)


def test_where_the_cause_is_known_more_ripple_is_not_asked_for(monkeypatch):
    faint = verdict(monkeypatch, evidence=2 * CHANCE)
    blamed = faint.blamed_on(Suspect.SLOWER, "it was slower")
    assert (blamed.outcome, blamed.suspect) == (Outcome.NO_CALL, Suspect.SLOWER)
    assert blamed.reasons == ("it was slower", faint.reasons[0].removesuffix(": " + MORE_RIPPLE))
    assert MORE_RIPPLE not in "".join(blamed.reasons)
    call = verdict(monkeypatch).blamed_on(Suspect.MIRRORED, "it is mirrored")
    assert (call.outcome, call.reasons) == (Outcome.DISAGREEMENT, ("it is mirrored",))
