"""Random choices and sheets, rendered and held to pandas over the exports: a small share of the study."""

from __future__ import annotations

import os

from shared.store import Workspace
from tests.simulated import choices_study


def test_random_choices_and_sheets_are_right_and_end_in_no_fault(demo_space: Workspace) -> None:
    looked = choices_study.run(demo_space.folder, choices=20, sheets=24, seed=2026)
    assert looked["restoration"] == 4 and looked["job sheet"] == 6
    assert choices_study.COMPARED["limits of stages"] > 0 and choices_study.COMPARED["exposure of a class"] > 0


def test_every_figure_of_the_restoration_page_is_that_of_its_rows(demo_space: Workspace) -> None:
    """Four random choices; fifty with LOOPWEAR_FULL=1."""
    choices = 50 if os.environ.get("LOOPWEAR_FULL") == "1" else 4
    looked = choices_study.run(demo_space.folder, choices, 0, seed=17, pages=("restoration",))
    assert looked == {"restoration": choices}
    for what in ("mean of a clock", "SAIFI of a choice", "interruptions of a half-loop", "share of customer-minutes"):
        assert choices_study.COMPARED[what] > 0
