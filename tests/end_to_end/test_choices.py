"""Random choices and sheets, rendered and held to pandas over the exports: a small share of the study."""

from __future__ import annotations

from shared.store import Workspace
from tests.simulated import choices_study


def test_random_choices_and_sheets_are_right_and_end_in_no_fault(demo_space: Workspace) -> None:
    looked = choices_study.run(demo_space.folder, choices=20, sheets=24, seed=2026)
    assert looked["restoration"] == 4 and looked["job sheet"] == 6
    assert choices_study.COMPARED["limits of stages"] > 0 and choices_study.COMPARED["exposure of a class"] > 0
