"""The scan as text: what is said for each verdict, and that it fits a terminal of 80 columns."""

import io
import re
from dataclasses import replace

import pytest
from rich.console import Console
from ringing import scanned

from ringscan.model.verdict import Outcome
from ringscan.plan import build_plan
from ringscan.scan import Scan
from ringscan.show.table import ROWS, print_scan

REASON = (
    "the ripples' spacing says 31.0 Hz, their turn of sign says 38.0 Hz: something was not "
    "printed as planned; check that the ramp reached the firmware and that the speed was not cut"
)


def judged(outcome: Outcome, *reasons: str) -> Scan:
    scan = scanned()
    return replace(scan, verdict=replace(scan.verdict, outcome=outcome, reasons=reasons))


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


def test_both_independent_answers_are_shown_with_their_noise():
    scan = judged(Outcome.CALL)
    text = text_of(scan)
    wanted = {
        "by turn of sign": (scan.null.frequency_hz, scan.null.standard_error_hz),
        "by spacing": (scan.spacing.frequency_hz, scan.spacing.covariance[0, 0] ** 0.5),
    }
    for name, (frequency, error) in wanted.items():
        (line,) = [ln for ln in text.splitlines() if name in ln]
        shown, half = (float(x) for x in re.findall(r"\d+\.\d\d", line))
        assert shown == pytest.approx(frequency, abs=0.005)
        # Student's factor for 95 %: 1.96 for many bands, 3.2 for 4 of them; shown to .01
        assert 1.9 * error - 0.005 <= half <= 3.2 * error + 0.005


def test_a_disagreement_sets_nothing_and_gives_both_numbers():
    scan = judged(Outcome.DISAGREEMENT, REASON)
    text = text_of(scan)
    assert "verdict: disagreement" in text
    assert "they disagree" in text
    assert "natural frequency" not in text
    assert "set " not in text.split("verdict")[1].splitlines()[0]
    assert REASON in " ".join(text.split())
    assert table_rows(text)


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


def test_a_quiet_height_beyond_the_ramp_is_said_in_words():
    scan = replace(judged(Outcome.CALL), quiet_height_mm=float("nan"))
    text = text_of(scan)
    assert "nan" not in text
    assert "not on this tower" in text


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
