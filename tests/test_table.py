"""The scan as text: what is said for each verdict, and that it fits a terminal of 80 columns."""

import io
import math
import re
from dataclasses import replace

import pytest
from rich.console import Console
from ringing import scanned

from ringscan.model.budget import Interval
from ringscan.model.causes import SAID, Suspect
from ringscan.model.setting import DampingSetting, SecondMode, SettingLeft
from ringscan.model.verdict import Outcome
from ringscan.plan import build_plan
from ringscan.scan import Scan
from ringscan.show.table import ROWS, print_scan

REASON = (
    "the ripples' spacing says 31.0 Hz, their turn of sign gives 38.0 Hz: something was not "
    "printed as planned; check that the ramp reached the firmware and that the speed was not cut"
)


def judged(outcome: Outcome, *reasons: str, agree: bool = True) -> Scan:
    scan = scanned()
    limit = scan.verdict.limit if agree else 0.0
    verdict = replace(scan.verdict, outcome=outcome, reasons=reasons, agree=agree, limit=limit)
    return replace(scan, verdict=verdict)


def text_of(scan: Scan, *, rows: int = ROWS, width: int = 80) -> str:
    out = io.StringIO()
    print_scan(scan, Console(file=out, width=width), rows=rows)
    return out.getvalue()


def table_rows(text: str) -> list[str]:
    return re.findall(r"^ +\d+ +\d+\.\d\d +.*$", text, re.MULTILINE)


def test_a_call_gives_the_values_and_what_to_set():
    scan = judged(Outcome.CALL)
    text = text_of(scan)
    f, z = scan.frequency_hz, scan.damping_ratio
    assert f"{f.value:.2f} Hz   95 %: {f.low:.2f} to {f.high:.2f} Hz" in text
    assert f"{z.value:.3f}      95 %: {z.low:.3f} to {z.high:.3f}" in text
    assert f"quiet height {scan.quiet_height_mm:12.1f} mm" in text
    assert f"verdict: call; set {f.value:.1f} Hz and damping ratio {z.value:.3f} for axis X" in text
    assert "they agree" in text


def test_both_independent_answers_are_shown_with_their_errors():
    scan = judged(Outcome.CALL)
    text = text_of(scan)
    wanted = {
        "by turn of sign": (scan.null.value, scan.null.standard_error),
        "by spacing": (scan.spacing.frequency_hz, scan.spacing.covariance[0, 0] ** 0.5),
    }
    # 0.25 % of the model, and what the scale may be off
    doubt = math.hypot(0.0025, scan.fit.doubts.stretch) * scan.spacing.frequency_hz
    ramp = scan.fit.doubts.height_mm * scan.fit.doubts.hz_per_mm
    beyond = {"by turn of sign": math.hypot(0.004 * scan.null.value, ramp), "by spacing": doubt}
    for name, (frequency, noise) in wanted.items():
        error = math.hypot(noise, beyond[name])
        (line,) = [ln for ln in text.splitlines() if name in ln]
        shown, half = (float(x) for x in re.findall(r"\d+\.\d\d", line))
        assert shown == pytest.approx(frequency, abs=0.005)
        # Student's factor for 95 %: 1.96 for many bands, 3.2 for 4 of them; shown to .01
        assert 1.9 * error - 0.005 <= half <= 3.2 * error + 0.005


def test_a_disagreement_sets_nothing_and_gives_both_numbers():
    scan = judged(Outcome.DISAGREEMENT, REASON, agree=False)
    text = text_of(scan)
    assert "verdict: disagreement" in text
    assert "they disagree" in text
    assert "natural frequency" not in text
    assert "set " not in text.split("verdict")[1].splitlines()[0]
    assert REASON in " ".join(text.split())
    assert table_rows(text)


def test_how_far_the_two_answers_may_differ_is_shown():
    scan = judged(Outcome.CALL)
    (line,) = [ln for ln in text_of(scan).splitlines() if "apart by" in ln]
    apart, limit = (float(x) for x in re.findall(r"\d+\.\d\d", line))
    assert apart == pytest.approx(abs(scan.null.value - scan.spacing.frequency_hz), abs=0.005)
    assert limit == pytest.approx(scan.verdict.limit, abs=0.005)
    # neither blind to a print a tenth too slow, nor stricter than the noise of the two
    assert 3 * scan.null.standard_error < limit < 0.1 * scan.frequency_hz.value


def test_two_answers_that_agree_but_not_with_both_together():
    scan = judged(Outcome.DISAGREEMENT, REASON)
    text = text_of(replace(scan, verdict=replace(scan.verdict, agree=False)))
    assert "would pass: both together disagree" in text
    assert "they disagree" not in text


def test_answers_that_agree_are_not_said_to_disagree_when_the_call_fails_otherwise():
    text = text_of(judged(Outcome.DISAGREEMENT, SAID[Suspect.UPSIDE_DOWN], agree=True))
    assert "verdict: disagreement" in text
    assert "they agree" in text
    assert "they disagree" not in text
    assert SAID[Suspect.UPSIDE_DOWN] in " ".join(text.split())


def test_no_call_gives_the_reason_and_no_number_of_hertz():
    text = text_of(judged(Outcome.NO_CALL, "no ripple stands out; print faster"))
    assert "verdict: no call" in text
    assert "no ripple stands out; print faster" in text
    assert "Hz" not in text
    assert table_rows(text) == []


def test_flags_of_the_face_are_said():
    scan = judged(Outcome.CALL)
    text = text_of(replace(scan, flags=("the lamp is too high",)))
    assert "- the lamp is too high" in text


@pytest.mark.parametrize("rows", [1, 7])
def test_as_many_rows_as_asked_for(rows):
    assert len(table_rows(text_of(judged(Outcome.CALL), rows=rows))) == rows


def test_all_rows():
    scan = judged(Outcome.CALL)
    assert len(table_rows(text_of(scan, rows=0))) == len(scan.ranking)


def test_the_first_row_is_the_quietest_band():
    scan = judged(Outcome.CALL)
    first = table_rows(text_of(scan))[0].split()
    best = scan.ranking[0]
    assert first[:3] == ["1", f"{best.frequency_hz:.2f}", f"{best.height_mm:.1f}"]


@pytest.mark.parametrize(
    ("outcome", "reasons"),
    [(Outcome.CALL, ()), (Outcome.DISAGREEMENT, (REASON,)), (Outcome.NO_CALL, (REASON, REASON))],
)
def test_every_line_fits_80_columns(outcome, reasons):
    scan = replace(judged(outcome, *reasons), photo="IMG_20260714_183012.jpg")
    assert max(len(line) for line in text_of(scan, rows=0).splitlines()) <= 80


def test_no_number_of_the_table_is_cut_short_on_a_narrow_terminal():
    scan = judged(Outcome.CALL)
    narrow = text_of(scan, width=40)
    assert "…" not in narrow
    # rank, Hz, mm high, ripple and both ends of its interval, as on a wide one
    wide = table_rows(text_of(scan, width=200))
    assert [row.split()[:7] for row in table_rows(narrow)] == [row.split()[:7] for row in wide]


def test_a_quiet_height_beyond_the_ramp_is_said_in_words():
    scan = replace(judged(Outcome.CALL), quiet_height_mm=float("nan"))
    text = text_of(scan)
    assert "nan" not in text
    assert "none within the ramp" in text


def test_names_are_not_read_as_markup():
    scan = replace(judged(Outcome.CALL), photo="[red]x[/red].jpg")
    assert "[red]x[/red].jpg" in text_of(scan)


def test_a_ramp_of_damping_shows_the_damping_it_commanded():
    scan = judged(Outcome.CALL)
    data = scan.plan.model_dump(mode="json", exclude_none=True, exclude_defaults=True)
    for axis in ("x", "y"):
        data["ramp"][axis] |= {
            "quantity": "damping_ratio",
            "frequency_hz": 40.0,
            "start": 0.0,
            "step": 0.002,
        }
    text = text_of(replace(scan, plan=build_plan(data)), rows=3)
    # all bands of this scan were printed with the setting .1
    assert [row.split()[1] for row in re.findall(r"^ +\d+ .*$", text, re.MULTILINE)] == [
        "0.100"
    ] * 3
    assert "commanded" in text


def test_a_second_mode_is_told_with_what_the_shaper_leaves_of_it():
    hz = Interval(value=61.04, low=60.1, high=62.0)
    second = SecondMode(
        frequency_hz=hz,
        damping_ratio=Interval(value=0.05, low=0.04, high=0.06),
        ripple=0.4,
        left_of_first=0.02,
        left_of_second=0.63,
    )
    text = text_of(replace(judged(Outcome.CALL), second_mode=second))
    assert "second mode         61.04 Hz   95 %: 60.10 to 62.00 Hz" in text
    assert "40% of the first mode's: the first one dominates" in text
    assert "leaves 2% of it, and 63% of the second" in text
    stronger = replace(judged(Outcome.CALL), second_mode=replace(second, ripple=1.5))
    assert "it dominates" in text_of(stronger)
    assert "second mode" not in text_of(judged(Outcome.CALL))


@pytest.mark.parametrize("outcome", [Outcome.DISAGREEMENT, Outcome.NO_CALL])
def test_what_a_setting_leaves_is_not_known_without_a_call(outcome):
    text = text_of(judged(outcome, REASON).with_setting(40.0))
    assert "  setting             40.00 Hz   not known without a call\n" in text
    assert "leaves" not in text
    with pytest.raises(ValueError, match="a setting of 400 Hz was not printed"):
        judged(outcome, REASON).with_setting(400.0)


@pytest.mark.parametrize(
    ("low", "high", "says"),
    [
        (0.05, 0.15, "it helps"),
        (0.25, 0.45, "it helps in part"),
        (0.15, 0.25, "whether it helps is not clear"),
        (0.55, 0.7, "it does not help"),
    ],
)
def test_whether_a_setting_helps_is_said(low, high, says):
    left = SettingLeft(frequency_hz=40.0, left=(low + high) / 2, low=low, high=high, bands=3)
    text = text_of(replace(judged(Outcome.CALL), setting_left=left))
    assert f"  setting             40.00 Hz   {says}\n" in text
    assert "not known without a call" not in text


def test_a_damping_ramp_tells_the_best_setting_or_that_there_is_none():
    best = DampingSetting(
        value=0.083, low=0.07, high=0.096, least=0.01, most=0.19, flat=False, at_end=False
    )
    text = text_of(replace(judged(Outcome.CALL), damping_setting=best))
    assert "damping setting     0.083      95 %: 0.070 to 0.096" in text
    assert "leaves 1% of the ripple, the ramp's worst 19%" in text
    flat = replace(judged(Outcome.CALL), damping_setting=replace(best, flat=True, most=0.04))
    assert "any: the curve is flat, the ramp leaves 1% to 4%" in text_of(flat)
    end = replace(judged(Outcome.CALL), damping_setting=replace(best, at_end=True))
    assert "try beyond it" in text_of(end)
