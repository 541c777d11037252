"""Marks tests/ as the place that tests import their shared helpers from."""

from pathlib import Path

import pytest
from commands import Run
from ringing import both_axes, picture


@pytest.fixture
def run(capsys):
    """The command line, run in this process."""
    return lambda *arguments: Run(capsys, *arguments)


@pytest.fixture(scope="module")
def good(tmp_path_factory) -> Path:
    """A photo that can be measured."""
    path = tmp_path_factory.mktemp("photos") / "wren.jpg"
    path.write_bytes(picture())
    return path


@pytest.fixture
def plan_file(tmp_path) -> Path:
    """A plan with a ramp on both axes."""
    path = tmp_path / "plan.toml"
    path.write_text(both_axes().to_toml(), encoding="utf-8")
    return path
