"""The short run of tests/bench/fuzz.py, where the long one is described."""

from __future__ import annotations

from bench.fuzz import is_finding, report, supervise


def test_spoilt_files_end_in_one_clear_line():
    results = list(supervise(first=20_000, count=45, fit_every=40))
    assert not [result for result in results if is_finding(result)], "\n".join(report(results))
    # the cases are worth something: some are read and some are not
    ended = {result["ended"] for result in results}
    assert {"PhotoError", "SheetError", "bands"} <= ended
    # 1 megapixel needs a tenth of this; a false size of up to 60 must stay below it
    assert max(result["peak_mb"] for result in results) < 1200
    assert max(result["seconds"] for result in results) < 30
