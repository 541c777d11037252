"""The scan as JSON: docs/json.md names every key, and unknown numbers are null."""

import json
import math
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from ringing import DAMPING_RATIO, FREQUENCY_HZ, picture, scanned

from ringscan.model.budget import Interval
from ringscan.model.setting import DampingSetting, SecondMode, SettingLeft
from ringscan.model.verdict import Outcome
from ringscan.plan import Quantity
from ringscan.scan import Scan
from ringscan.show.record import to_json, to_record

DOCUMENT = Path(__file__).parent.parent / "docs" / "json.md"

PROMISED = {
    *("axis", "tower", "verdict", "reasons", "natural_frequency_hz"),
    *("natural_frequency_interval_hz", "damping_ratio", "damping_ratio_interval"),
    *("null_frequency_hz", "spacing_frequency_hz", "quiet_height_mm", "scale_mm_per_px", "bands"),
}
"""Keys that users' scripts may count on."""

ANSWER = {
    *("natural_frequency_hz", "natural_frequency_interval_hz"),
    *("damping_ratio", "damping_ratio_interval", "quiet_height_mm"),
}
CROSS_CHECK = {
    *("null_frequency_hz", "null_frequency_interval_hz"),
    *("spacing_frequency_hz", "spacing_frequency_interval_hz", "spacing_damping_ratio"),
    *("largest_difference", "speed_ratio", "speed_ratio_interval"),
}
NOT_HERE = {
    *("damping_setting", "null_damping_ratio", "null_damping_ratio_interval", "second_mode"),
    "setting_left",
}
"""Null on this wall: a ramp of the frequency, an axis with one mode, and no setting asked of."""

BAND_RIPPLE = {"rank", "ripple", "ripple_interval", "fitted_ripple"}


def judged(outcome: Outcome, *reasons: str) -> Scan:
    scan = scanned()
    return replace(scan, verdict=replace(scan.verdict, outcome=outcome, reasons=reasons))


def with_all() -> Scan:
    """A scan with all that a wall may tell."""
    interval = Interval(value=51.0, low=50.0, high=52.0)
    return replace(
        judged(Outcome.CALL),
        damping_setting=DampingSetting(
            value=0.08, low=0.07, high=0.09, least=0.01, most=0.2, flat=False, at_end=False
        ),
        second_mode=SecondMode(
            frequency_hz=interval,
            damping_ratio=interval,
            ripple=0.4,
            left_of_first=0.01,
            left_of_second=0.6,
        ),
        setting_left=SettingLeft(frequency_hz=51.0, left=0.1, low=0.0, high=0.3, bands=4),
    )


def paths(value: object, prefix: str = "") -> Iterator[str]:
    """Names of all keys, those of list items as `bands[].rank`."""
    if isinstance(value, dict):
        for key, part in value.items():
            yield f"{prefix}{key}"
            yield from paths(part, f"{prefix}{key}.")
    elif isinstance(value, list):
        for part in value:
            yield from paths(part, f"{prefix.removesuffix('.')}[].")


def documented() -> dict[str, str]:
    """Keys of the tables in the document, with the second column: type and unit."""
    rows = re.findall(r"^\| `([^`]+)` \| ([^|]+) \|", DOCUMENT.read_text(encoding="utf-8"), re.M)
    assert len(rows) == len(dict(rows))
    return dict(rows)


def test_the_document_names_the_keys_that_there_are():
    assert set(documented()) == set(paths(to_record(with_all())))


@pytest.mark.parametrize("outcome", Outcome)
def test_keys_are_the_same_whatever_the_verdict(outcome):
    record = to_record(judged(outcome, "because"))
    inner = {key for key in documented() if key.split(".")[0] in NOT_HERE and "." in key}
    assert set(paths(record)) == set(documented()) - inner
    assert set(record) >= PROMISED


@pytest.mark.parametrize("outcome", Outcome)
def test_only_documented_keys_are_null(outcome):
    record = to_record(judged(outcome, "because"))
    may = {key for key, kind in documented().items() if "null" in kind}
    rows = {f"bands[].{k}": v for row in record["bands"] for k, v in row.items() if v is None}
    assert {key for key, value in record.items() if value is None} | set(rows) <= may


@pytest.mark.parametrize(
    ("outcome", "unknown"),
    [
        (Outcome.CALL, set()),
        (Outcome.DISAGREEMENT, ANSWER),
        (Outcome.NO_CALL, ANSWER | CROSS_CHECK),
    ],
)
def test_what_is_not_vouched_for_is_null(outcome, unknown):
    record = to_record(judged(outcome, "because"))
    assert {key for key, value in record.items() if value is None} == unknown | NOT_HERE
    ripple_unknown = outcome is Outcome.NO_CALL
    for row in record["bands"]:
        assert {key for key in BAND_RIPPLE if row[key] is None} == (
            BAND_RIPPLE if ripple_unknown else set()
        )


def test_the_record_of_a_known_wall():
    # the axis was integrated in time, see walls.py; its interval must hold the truth
    record = to_record(scanned())
    assert record["verdict"] == "call"
    low, high = record["natural_frequency_interval_hz"]
    assert low < FREQUENCY_HZ < high
    low, high = record["damping_ratio_interval"]
    assert low < DAMPING_RATIO < high
    # a twentieth of an Hz off is what pixels of .12 mm and a texture of 1 µm leave
    assert record["natural_frequency_hz"] == pytest.approx(FREQUENCY_HZ, abs=0.3)
    assert (record["tower"], record["axis"]) == ("WREN-1", "x")


def test_bands_are_ranked_or_else_stand_from_the_base_up():
    ranks = [row["rank"] for row in to_record(judged(Outcome.CALL))["bands"]]
    assert ranks == list(range(1, len(ranks) + 1))
    heights = [row["height_mm"] for row in to_record(judged(Outcome.NO_CALL, "x"))["bands"]]
    assert heights == sorted(heights)
    assert len(heights) == len(ranks)


def test_the_scale_is_that_of_the_face():
    scan = scanned()
    record = to_record(scan)
    corners = np.array(record["face_corners_px"])
    width_px = np.linalg.norm(corners[1] - corners[0])
    # the lens sees the base a little nearer or farther than the middle
    assert scan.plan.size.width_mm / width_px == pytest.approx(record["scale_mm_per_px"], rel=0.05)


def test_the_photo_and_the_plan_are_named_by_their_hashes():
    import hashlib

    record = to_record(scanned())
    assert record["photo_sha256"] == hashlib.sha256(picture()).hexdigest()
    assert record["plan_sha256"] == scanned().plan.digest


def test_numbers_that_json_cannot_hold_become_null():
    scan = judged(Outcome.CALL)
    odd = replace(
        scan,
        quiet_height_mm=math.nan,
        verdict=replace(scan.verdict, null_half=math.inf),
        view=replace(scan.view, sheet_size_mm=(math.nan, 100.0)),
    )
    record = to_record(odd)
    assert record["quiet_height_mm"] is None
    assert record["null_frequency_interval_hz"] == [None, None]
    assert record["sheet_size_mm"] == [None, 100.0]
    assert json.loads(to_json(record)) == record


def test_json_refuses_what_was_not_cleaned():
    with pytest.raises(ValueError, match="JSON compliant"):
        to_json({"x": math.nan})


@pytest.mark.parametrize("encoding", ["ascii", "cp1252"])
def test_json_goes_through_a_terminal_of_any_encoding(encoding):
    record = {"photo": "\N{TOKYO TOWER}.jpg", "reason": "37.9 ±0.2 Hz"}
    # as the command line sets its streams up
    printed = to_json(record).encode(encoding, errors="backslashreplace")
    assert json.loads(printed.decode(encoding)) == record


def test_one_record_is_an_object_and_several_are_a_list():
    assert json.loads(to_json({"axis": "x"})) == {"axis": "x"}
    assert json.loads(to_json([{"axis": "x"}])) == [{"axis": "x"}]
    assert to_json([]) == "[]\n"


def test_damping_ramps_answer_by_damping_ratio():
    scan = with_all()
    null = replace(scan.null, quantity=Quantity.DAMPING, value=0.07, standard_error=0.01)
    record = to_record(replace(scan, null=null))
    assert record["null_frequency_hz"] is None
    assert record["null_frequency_interval_hz"] is None
    assert record["null_damping_ratio"] == 0.07
    low, high = record["null_damping_ratio_interval"]
    assert low < 0.06 < 0.08 < high
    assert record["damping_setting"]["interval"] == [0.07, 0.09]
    assert record["second_mode"]["natural_frequency_interval_hz"] == [50.0, 52.0]
