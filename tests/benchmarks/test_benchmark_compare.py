"""The benchmark of scenarios runs, and plans the same settings once."""

from __future__ import annotations

from pathlib import Path

from shared.store import Workspace
from tests.benchmarks.compare import SCENARIOS, measure_compare


def test_five_scenarios_are_measured(demo_space: Workspace, tmp_path: Path) -> None:
    seconds, plans = measure_compare(demo_space, tmp_path)
    # dear alone is a scenario of its own
    assert plans == len(SCENARIOS) + 2 and seconds > 0
    assert (tmp_path / "scenarios" / "five" / "scenarios.html").exists()
