"""Three jobs followed from file to chart: by hand and by the product, and DEVELOPERS.md as it stands."""

from __future__ import annotations

import pytest

from shared.store import Workspace
from tests.docs.three_jobs import DEVELOPERS, choose_jobs, follow_job, write_section


def test_three_jobs_come_out_as_by_hand(demo_space: Workspace) -> None:
    jobs = choose_jobs(demo_space)
    assert len(jobs) == 3
    for job_id in jobs:
        told = follow_job(demo_space, job_id)
        assert told["came_from"] == ("jobs.csv", told["row"]), job_id
        assert told["product"] == pytest.approx(told["by_hand"], abs=0.051), job_id


def test_the_guide_tells_of_them(demo_space: Workspace) -> None:
    assert write_section(demo_space) in DEVELOPERS.read_text(encoding="utf-8"), "run: python -m tests.docs.three_jobs"
