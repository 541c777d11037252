"""From photos to towers to machines: who is pooled with whom, who is left out, and what is said."""

import random
from dataclasses import replace
from math import exp, log

import pytest
from readings import reading, record
from scipy.stats import chi2

from ringscan.machines import Answer, Batch, machine_of, quality, ranked_photos, summarise
from ringscan.model.budget import NORMAL_95, PHOTO, Interval
from ringscan.model.verdict import Outcome
from ringscan.readings import Failed, reading_of


def machine(batch: Batch, name: str, axis: str = "x") -> Answer:
    (answer,) = [m for m in batch.machines if (m.machine, m.axis) == (name, axis)]
    return answer


def tower(batch: Batch, name: str) -> Answer:
    (answer,) = [t for t in batch.towers if t.tower == name]
    return answer


@pytest.mark.parametrize(
    ("label", "name"),
    [
        ("HERON-3", "HERON"),
        ("HERON-12", "HERON"),
        ("HERON", "HERON"),
        ("HERON3", "HERON3"),
        ("BIG-HERON-3", "BIG-HERON"),
        ("HERON-3-B", "HERON-3-B"),
        ("7", "7"),
    ],
)
def test_the_machine_is_the_label_without_its_number(label, name):
    assert machine_of(label) == name


def test_one_photo_is_its_tower_and_its_machine():
    batch = summarise([reading("a.jpg", "HERON-1", 22.6)])
    for answer in (tower(batch, "HERON-1"), machine(batch, "HERON")):
        assert answer.outcome is Outcome.CALL
        assert answer.frequency_hz.value == pytest.approx(22.6)
        assert (answer.frequency_hz.low, answer.frequency_hz.high) == pytest.approx((22.3, 22.9))
        assert answer.damping_ratio.low == pytest.approx(0.05 / 1.2)
        assert answer.damping_ratio.high == pytest.approx(0.05 * 1.2)
        assert answer.scatter_hz is None
    assert tower(batch, "HERON-1").pooled == ("a.jpg",)
    assert machine(batch, "HERON").pooled == ("HERON-1",)


def test_photos_of_one_print_do_not_narrow_the_interval():
    batch = summarise([reading(f"{n}.jpg", "HERON-1", 22.6) for n in range(4)])
    answer = machine(batch, "HERON")
    assert answer.frequency_hz.half_width == pytest.approx(0.3)
    assert tower(batch, "HERON-1").pooled == ("0.jpg", "1.jpg", "2.jpg", "3.jpg")
    assert answer.pooled == ("HERON-1",)


def test_towers_of_one_machine_do():
    values = [22.5, 22.6, 22.7, 22.55, 22.65, 22.6]
    batch = summarise([reading(f"{n}.jpg", f"HERON-{n}", hz) for n, hz in enumerate(values)])
    answer = machine(batch, "HERON")
    assert answer.frequency_hz.value == pytest.approx(22.6)
    # .3 by the root of six, and what the model leaves out of every tower, which stays
    assert 0.12 <= answer.frequency_hz.half_width <= 0.2
    assert answer.damping_ratio.value == pytest.approx(0.05)
    assert len(batch.towers) == 6


def test_what_all_towers_share_does_not_become_smaller_with_their_number():
    """What the model leaves out of one it leaves out of all: ten equal towers do not average it."""
    hz, shared_hz = 40.0, NORMAL_95 * PHOTO.frequency * 40.0
    batch = summarise(
        [reading(f"{n}.jpg", f"HERON-{n}", hz, half_hz=1.5 * shared_hz) for n in range(10)]
    )
    answer = machine(batch, "HERON")
    # the rest of each error is averaged: sqrt(1.5² - 1) of the shared part, by the root of ten
    wanted_hz = shared_hz * (1 + (1.5**2 - 1) / 10) ** 0.5
    assert answer.frequency_hz.half_width == pytest.approx(wanted_hz, rel=1e-6)
    # errors of the damping ratio are relative: ln 1.2 each, of which 3 % are shared
    shared = NORMAL_95 * PHOTO.damping_ratio
    wanted = (shared**2 + (log(1.2) ** 2 - shared**2) / 10) ** 0.5
    assert log(answer.damping_ratio.high / 0.05) == pytest.approx(wanted, rel=1e-6)
    assert log(0.05 / answer.damping_ratio.low) == pytest.approx(wanted, rel=1e-6)


def test_axes_and_machines_are_kept_apart():
    batch = summarise(
        [
            reading("a.jpg", "HERON-1", 22.6),
            reading("b.jpg", "HERON-1", 31.0, axis="y"),
            reading("c.jpg", "WREN-1", 40.0),
        ]
    )
    found = {(m.machine, m.axis): m.frequency_hz.value for m in batch.machines}
    assert found == pytest.approx({("HERON", "x"): 22.6, ("HERON", "y"): 31.0, ("WREN", "x"): 40.0})


def test_a_label_used_with_two_plans_is_two_towers():
    batch = summarise(
        [reading("a.jpg", "HERON-1", 22.6), reading("b.jpg", "HERON-1", 22.7, plan="other")]
    )
    assert [t.tower for t in batch.towers] == ["HERON-1", "HERON-1"]
    answer = machine(batch, "HERON")
    assert answer.pooled == ("HERON-1", "HERON-1")
    assert answer.reasons[-1] == "HERON-1 was used with 2 plans and counts as 2 towers"


@pytest.mark.parametrize("outcome", [Outcome.NO_CALL, Outcome.DISAGREEMENT])
def test_what_is_no_call_never_enters_and_is_named(outcome):
    batch = summarise(
        [
            reading("a.jpg", "HERON-1", 22.6),
            reading("b.jpg", "HERON-1", None, outcome=outcome),
            reading("c.jpg", "HERON-2", None, outcome=outcome),
            reading("d.jpg", "HERON-1", 22.6),
        ]
    )
    first, second = tower(batch, "HERON-1"), tower(batch, "HERON-2")
    assert (first.outcome, first.pooled) == (Outcome.CALL, ("a.jpg", "d.jpg"))
    assert [(a.name, a.reason) for a in first.aside] == [
        ("b.jpg", f"{outcome.value}: no ripple stands out")
    ]
    assert (second.outcome, second.frequency_hz, second.pooled) == (outcome, None, ())
    answer = machine(batch, "HERON")
    assert answer.frequency_hz.value == pytest.approx(22.6)
    assert [(a.name, a.reason) for a in answer.aside] == [("HERON-2", outcome.value)]


@pytest.mark.parametrize(
    ("calls", "differing", "wanted"),
    [
        (1, 1, Outcome.DISAGREEMENT),
        (2, 1, Outcome.CALL),
        (2, 2, Outcome.DISAGREEMENT),
        (5, 2, Outcome.DISAGREEMENT),
        (5, 0, Outcome.CALL),
    ],
)
def test_a_print_that_photos_show_not_to_be_as_planned_gets_no_mean(calls, differing, wanted):
    """The others show the same print: they only do not see it."""
    photos = [
        *(reading(f"{n}.jpg", "HERON-1", 22.6) for n in range(calls)),
        *(
            reading(f"x{n}.jpg", "HERON-1", None, outcome=Outcome.DISAGREEMENT)
            for n in range(differing)
        ),
        reading("no.jpg", "HERON-1", None),
    ]
    # a copy of one says no more than it
    copies = [replace(photo, photo=f"copy-{photo.photo}") for photo in photos]
    for given in (photos, photos + copies):
        batch = summarise(given)
        for answer in (tower(batch, "HERON-1"), machine(batch, "HERON")):
            assert answer.outcome is wanted
            assert (answer.frequency_hz is None) == (answer.damping_ratio is None)
            assert (answer.frequency_hz is None) == (wanted is not Outcome.CALL)
        said = [r for r in tower(batch, "HERON-1").reasons if f"{differing} of them" in r]
        assert len(said) == (wanted is not Outcome.CALL)


def test_the_same_picture_counts_once():
    once = summarise([reading("a.jpg", "HERON-1", 22.6)])
    twice = summarise(
        [reading("a.jpg", "HERON-1", 22.6), reading("copy.jpg", "HERON-1", 22.6, content="a.jpg")]
    )
    assert machine(twice, "HERON").frequency_hz == machine(once, "HERON").frequency_hz
    (aside,) = tower(twice, "HERON-1").aside
    assert (aside.name, aside.reason) == ("copy.jpg", "the same picture as a.jpg")


def test_an_outlier_is_named_and_left_out():
    values = {"HERON-1": 22.6, "HERON-2": 22.7, "HERON-3": 41.2, "HERON-4": 22.5}
    batch = summarise([reading(f"{label}.jpg", label, hz) for label, hz in values.items()])
    answer = machine(batch, "HERON")
    assert answer.outcome is Outcome.CALL
    assert answer.frequency_hz.value == pytest.approx(22.6, abs=0.02)
    assert answer.pooled == ("HERON-1", "HERON-2", "HERON-4")
    (aside,) = answer.aside
    assert aside.name == "HERON-3"
    assert "41.20 Hz, 18.6 Hz above the other 3" in aside.reason
    assert "check its label" in aside.reason


def test_names_stand_in_order_whatever_the_photos_are_called():
    """Whether they are in the pool or left out of it, as no call or as an outlier."""
    values = {"HERON-1": 22.6, "HERON-2": 22.7, "HERON-3": 41.2, "HERON-4": 22.5, "HERON-5": None}
    batch = summarise([reading(f"{9 - n}", *item) for n, item in enumerate(values.items())])
    answer = machine(batch, "HERON")
    assert answer.pooled == ("HERON-1", "HERON-2", "HERON-4")
    assert [aside.name for aside in answer.aside] == ["HERON-3", "HERON-5"]


def test_an_outlier_with_the_other_axis_frequency_is_said_to_be_exchanged():
    x = [reading(f"x{n}.jpg", f"HERON-{n}", hz) for n, hz in enumerate([22.6, 22.7, 31.2, 22.5])]
    y = [reading(f"y{n}.jpg", f"HERON-{n}", 31.0, axis="y") for n in range(2)]
    (aside,) = machine(summarise(x + y), "HERON").aside
    assert aside.name == "HERON-2"
    assert "axis Y has that frequency: were the two mixed up?" in aside.reason


def test_an_outlier_unlike_the_other_axis_is_not_said_to_be_exchanged():
    x = [reading(f"x{n}.jpg", f"HERON-{n}", hz) for n, hz in enumerate([22.6, 22.7, 41.2, 22.5])]
    y = [reading(f"y{n}.jpg", f"HERON-{n}", 31.0, axis="y") for n in range(2)]
    (aside,) = machine(summarise(x + y), "HERON").aside
    assert "check its label" in aside.reason


def test_towers_that_no_one_setting_fits_are_a_disagreement():
    """A standard deviation of 4.7 %, where ZV leaves 5 % of the ripple at 3.2 %."""
    values = [37.6, 38.8, 40.0, 41.2, 42.4]
    batch = summarise(
        [reading(f"{n}.jpg", f"HERON-{n}", hz, half_hz=0.2) for n, hz in enumerate(values)]
    )
    assert machine(batch, "HERON").outcome is Outcome.DISAGREEMENT


def test_an_outlier_among_photos_is_left_out_of_its_tower():
    values = [22.6, 22.7, 29.25, 22.65]
    batch = summarise([reading(f"{n}.jpg", "HERON-1", hz) for n, hz in enumerate(values)])
    answer = tower(batch, "HERON-1")
    assert answer.pooled == ("0.jpg", "1.jpg", "3.jpg")
    assert [a.name for a in answer.aside] == ["2.jpg"]
    assert answer.aside[0].reason.startswith("outlier: 29.25 Hz, 6.6 Hz above")


@pytest.mark.parametrize(("errors_off", "is_out"), [(3.9, False), (4.1, True)])
def test_a_tower_is_an_outlier_from_four_standard_errors_on(errors_off, is_out):
    """Three of 40 Hz that agree, whose own errors are next to nothing: docs/batch.md allows for
    2 % of scatter, in the fourth as in the mean of the three."""
    error_hz = 0.02 * 40.0 * (1 + 1 / 3) ** 0.5
    values = [40.0, 40.0, 40.0, 40.0 + errors_off * error_hz]
    batch = summarise(
        [reading(f"{n}.jpg", f"HERON-{n}", hz, half_hz=0.01) for n, hz in enumerate(values)]
    )
    assert ("HERON-3" not in machine(batch, "HERON").pooled) == is_out


@pytest.mark.parametrize(("errors_off", "is_out"), [(3.9, False), (4.1, True)])
def test_photos_of_one_print_are_allowed_no_scatter(errors_off, is_out):
    """As above, with a standard error of 0.1 Hz each and nothing else."""
    error_hz = 0.1 * (1 + 1 / 3) ** 0.5
    values = [40.0, 40.0, 40.0, 40.0 + errors_off * error_hz]
    batch = summarise(
        [reading(f"{n}.jpg", "HERON-1", hz, half_hz=0.1 * NORMAL_95) for n, hz in enumerate(values)]
    )
    assert ("3.jpg" not in tower(batch, "HERON-1").pooled) == is_out


@pytest.mark.parametrize("one_print", [False, True])
@pytest.mark.parametrize(
    ("scatter", "outcome"), [(0.029, Outcome.CALL), (0.031, Outcome.DISAGREEMENT)]
)
def test_no_one_setting_serves_values_that_scatter_by_three_per_cent(one_print, scatter, outcome):
    """Five in equal steps have a standard deviation of the root of 2.5 steps; the bound is that of
    docs/batch.md."""
    step_hz = scatter * 40.0 / 2.5**0.5
    labels = ["HERON-1"] * 5 if one_print else [f"HERON-{n}" for n in range(5)]
    batch = summarise(
        [
            reading(f"{n}.jpg", label, 40.0 + (n - 2) * step_hz, half_hz=0.1)
            for n, label in enumerate(labels)
        ]
    )
    (answer,) = batch.towers if one_print else batch.machines
    assert answer.scatter_hz == pytest.approx(scatter * 40.0, rel=0.01)
    assert answer.outcome is outcome


@pytest.mark.parametrize(("chance", "is_told"), [(0.0095, True), (0.0105, False)])
def test_values_differ_where_chance_would_let_them_less_than_once_in_a_hundred(chance, is_told):
    """Two of equal error u a distance d apart have Cochran's Q = d² / (2 u²), which is chi² with
    one degree of freedom (SciPy's); the bound is that of docs/batch.md."""
    apart = (2 * chi2.isf(chance, 1)) ** 0.5
    hz = [22.6, 22.6 + apart * 0.3 / NORMAL_95]
    damping = [0.05, 0.05 * exp(apart * log(1.2) / NORMAL_95)]
    batch = summarise(
        [reading(f"{n}.jpg", "HERON-1", hz[n], half_hz=0.3, damping=damping[n]) for n in range(2)]
    )
    told = [reason for reason in tower(batch, "HERON-1").reasons if "more than their" in reason]
    assert len(told) == (2 if is_told else 0)


@pytest.mark.parametrize("labels", [["HERON-1", "HERON-2"], ["HERON-1", "HERON-1"]])
def test_two_that_differ_are_a_disagreement_and_not_averaged(labels):
    batch = summarise([reading("a.jpg", labels[0], 20.0), reading("b.jpg", labels[1], 24.0)])
    level = batch.machines if len(set(labels)) == 2 else batch.towers
    (answer,) = level
    assert (answer.outcome, answer.frequency_hz, answer.damping_ratio) == (
        Outcome.DISAGREEMENT,
        None,
        None,
    )
    (reason,) = answer.reasons
    assert "20.00 Hz" in reason
    assert "24.00 Hz" in reason
    # two values, so that the scatter is about their distance by the root of two
    assert answer.scatter_hz == pytest.approx(4 / 2**0.5, rel=0.02)


def test_towers_that_differ_without_harm_are_called_and_the_scatter_is_said():
    values = [39.2, 40.0, 40.8, 39.6, 40.4]
    batch = summarise(
        [reading(f"{n}.jpg", f"HERON-{n}", hz, half_hz=0.2) for n, hz in enumerate(values)]
    )
    answer = machine(batch, "HERON")
    assert answer.outcome is Outcome.CALL
    # the values' own standard deviation is .632, their errors are .1
    assert answer.scatter_hz == pytest.approx(0.63, abs=0.03)
    assert answer.frequency_hz.half_width == pytest.approx(2.78 * 0.632 / 5**0.5, rel=0.1)
    assert answer.reasons == (
        f"towers differ by more than their intervals: ±{answer.scatter_hz:.2f} Hz",
    )


def test_two_towers_are_told_to_say_little():
    batch = summarise([reading("a.jpg", "HERON-1", 22.4), reading("b.jpg", "HERON-2", 22.8)])
    answer = machine(batch, "HERON")
    assert answer.outcome is Outcome.CALL
    # Student's t for one freedom, 12.7, times .2
    assert answer.frequency_hz.half_width == pytest.approx(12.7 * 0.2, rel=0.01)
    assert answer.reasons == (
        "two towers show little of the scatter: a third one narrows the interval",
    )


def test_an_interval_too_wide_to_be_of_use_is_no_call():
    batch = summarise(
        [
            reading("a.jpg", "HERON-1", 22.0, half_hz=2.0),
            reading("b.jpg", "HERON-2", 23.0, half_hz=2.0),
        ]
    )
    answer = machine(batch, "HERON")
    assert (answer.outcome, answer.frequency_hz) == (Outcome.NO_CALL, None)
    assert "±6.4 Hz" in answer.reasons[0]


def test_damping_ratios_that_differ_are_said():
    batch = summarise(
        [
            reading(f"{n}.jpg", f"HERON-{n}", 22.6, damping=zeta)
            for n, zeta in enumerate([0.05, 0.09, 0.03])
        ]
    )
    answer = machine(batch, "HERON")
    assert answer.outcome is Outcome.CALL
    assert answer.reasons == (
        "damping ratios from 0.030 to 0.090 differ by more than their intervals",
    )
    assert answer.damping_ratio.low < 0.03
    assert answer.damping_ratio.value == pytest.approx(0.0513, rel=0.01)  # in the logarithm


def test_damping_ratios_within_their_intervals_are_not():
    """Two towers whose intervals, of 20 % each, overlap: though they differ by 12 %."""
    batch = summarise(
        [
            reading("a.jpg", "HERON-1", 22.6, damping=0.05),
            reading("b.jpg", "HERON-2", 22.6, damping=0.056),
        ]
    )
    assert machine(batch, "HERON").reasons == ()


def test_the_surest_frequency_comes_first():
    batch = summarise(
        [
            reading("a.jpg", "HERON-1", 20.0, half_hz=0.3),  # 1.5 %
            reading("b.jpg", "WREN-1", 60.0, half_hz=0.6),  # 1 %
            reading("c.jpg", "DIPPER-1", None),
            reading("d.jpg", "FINCH-1", 30.0, half_hz=0.2),  # 0.7 %
        ]
    )
    wanted = ["FINCH", "WREN", "HERON", "DIPPER"]
    assert [m.machine for m in batch.machines] == wanted
    assert [t.machine for t in batch.towers] == wanted
    assert [machine_of(p.tower) for p in ranked_photos(batch)] == wanted
    assert [quality(m) for m in batch.machines[:3]] == pytest.approx([0.2 / 30, 0.01, 0.015])


def test_the_order_of_the_photos_changes_nothing():
    photos = [
        reading(f"{n}.jpg", f"HERON-{n % 5}", 22.6 + 0.05 * (n % 7), damping=0.04 + 0.003 * (n % 4))
        for n in range(20)
    ]
    photos.append(reading("no.jpg", "HERON-1", None))
    photos.append(reading("far.jpg", "HERON-9", 40.0))
    failures = [
        Failed(photo=name, kind="PhotoError", exit_status=4, reason="damaged") for name in "zy"
    ]
    expected = summarise([*photos, *failures])
    for seed in range(5):
        shuffled = [*photos, *failures]
        random.Random(seed).shuffle(shuffled)
        assert summarise(shuffled) == expected
    assert [failed.photo for failed in expected.failures] == ["y", "z"]


def test_nothing_is_no_error():
    assert summarise([]) == Batch(photos=(), failures=(), towers=(), machines=())


def test_a_record_is_read():
    assert reading_of("x/a.jpg", record("a.jpg", "00")) == replace(
        reading("x/a.jpg", "HERON-1", 22.6),
        sha256="00",
        frequency_hz=Interval(value=22.6, low=22.6 - 0.3, high=22.6 + 0.3),
        damping_ratio=Interval(value=0.06, low=0.05, high=0.072),
    )
    assert reading_of("a.jpg", record("a.jpg", "00", None)).outcome is Outcome.NO_CALL
    flagged = record("a.jpg", "00") | {"flags": ["the lamp is high", "no left edge"]}
    assert reading_of("a.jpg", flagged).flags == ("the lamp is high", "no left edge")


@pytest.mark.parametrize(
    "change",
    [
        {"verdict": "perhaps"},
        {"natural_frequency_interval_hz": [23.0, 24.0]},
        {"natural_frequency_interval_hz": [22.6]},
        {"natural_frequency_interval_hz": None},
        {"natural_frequency_hz": "22.6"},
        {"damping_ratio_interval": [0.0, 0.07]},
    ],
)
def test_a_record_that_is_none_is_refused(change):
    with pytest.raises((KeyError, TypeError, ValueError)):
        reading_of("a.jpg", record("a.jpg", "00") | change)
    for lacking in ("tower", "flags"):
        short = record("a.jpg", "00")
        del short[lacking]
        with pytest.raises(KeyError, match=lacking):
            reading_of("a.jpg", short)
