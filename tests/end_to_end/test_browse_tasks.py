"""A new user's three tasks in a real browser: they can be done, in few steps, on pages that axe finds clean."""

from __future__ import annotations

import os
import shutil

import pytest

from shared.store import Workspace
from tests.simulated import tasks_study


@pytest.mark.skipif(
    shutil.which("chromium") is None and os.environ.get("LOOPWEAR_REQUIRE_BROWSER") != "1", reason="no chromium here"
)
def test_three_tasks_are_done_in_few_steps_on_a_narrow_screen(demo_space: Workspace) -> None:
    found = tasks_study.run(demo_space.folder, widths=(390,))
    assert {task: steps for (task, _), (steps, _) in found.items()} == {
        "half_year_against_last": 8,
        "loop_ranked_410th": 3,
        "readings_of_an_instrument": 3,
    }
