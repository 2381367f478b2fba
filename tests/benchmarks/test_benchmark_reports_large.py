"""The benchmark of a large fleet's page at a small size: it opens, draws, counts, searches and picks."""

from __future__ import annotations

import os
import shutil

import pytest

from shared.store import Workspace
from tests.benchmarks import reports_large, restoration_page


@pytest.mark.skipif(
    shutil.which("chromium") is None and os.environ.get("LOOPWEAR_REQUIRE_BROWSER") != "1", reason="no chromium here"
)
def test_the_page_of_a_fleet_opens_with_its_first_loops() -> None:
    made = reports_large.measure(1200, opens=1)
    assert made["rows"] == 1000
    assert 0.1 < made["megabytes"] < 1.0
    assert made["search_ms"] >= 0
    assert made["pick_ms"] >= 0


def test_the_page_of_many_jobs_holds_as_many_bytes_as_its_figures_ask(demo_space: Workspace) -> None:
    few, many = (restoration_page.main(str(demo_space.folder), jobs=jobs) for jobs in (1, 1000))
    assert set(few) == set(many)
    assert all(kilobytes < 1000 for _, kilobytes in many.values())
