"""A shaper that does not exist is told before anything is printed."""

import pytest
from sliced import sliced
from test_ramp import texts

from ringscan.errors import PlanError
from ringscan.layout import Paper
from ringscan.make.check import read_file
from ringscan.make.job import Bed, Job
from ringscan.make.ramp import add_ramp
from ringscan.make.sheet import sheet_pdf
from ringscan.make.toolpath import write_toolpath

SETTINGS = {"first_layer": 10, "last_layer": 34, "start": 20.0, "step": 1.0}
DAMPING = SETTINGS | {
    "quantity": "damping_ratio",
    "frequency_hz": 40.0,
    "start": 0.0,
    "step": 0.1,
    "layers_per_step": 5,
}
NONE = {
    "its own setting": {"shaper": {"family": "EI3", "damping_ratio": 0.4}},
    "at the ramp's end": {"shaper": {"family": "EI3"}, "ramp": {"x": SETTINGS, "y": DAMPING}},
}


@pytest.mark.parametrize("change", NONE.values(), ids=NONE)
def test_no_step_accepts_a_shaper_that_does_not_exist(tmp_path, plan, make_plan, change):
    wrong = make_plan(**change)
    source, out = tmp_path / "s.gcode", tmp_path / "r.gcode"
    source.write_text(sliced(plan))
    bed = Bed(size_mm=(200.0, 200.0), max_height_mm=100.0, flow_limit_mm3_s=12.0)
    for step in (
        lambda: sheet_pdf(wrong, Paper.A4),
        lambda: write_toolpath(wrong, Job(bed=bed, start_text="G28", end_text="M5"), out),
        lambda: add_ramp(source, out, wrong, texts()),
        lambda: read_file(source, wrong),
    ):
        with pytest.raises(PlanError, match=r"plan 'WREN-2': no 3-hump EI shaper") as caught:
            step()
        # no solution lies beyond 0.28: of the ramp's 0 to 0.4 the first that has none is told
        told = "0.4" if "damping_ratio" in change["shaper"] else "0.3"
        assert f"damping_ratio = {told} " in str(caught.value)
    assert not out.exists()
