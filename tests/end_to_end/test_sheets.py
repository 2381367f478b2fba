"""Sheets say what is on record: read from their pages and held to the tables."""

from __future__ import annotations

import html
import re

import pytest

from reports.links import Links
from reports.render import render_sheet
from reports.results import Results
from shared.store import Workspace

SERVED = Links(is_served=True)


@pytest.fixture(scope="module")
def results(demo_space: Workspace) -> Results:
    return Results(demo_space.results)


def text_of(page: str) -> str:
    return " ".join(html.unescape(re.sub(r"<script.*?</script>|<[^>]+>", " ", page, flags=re.DOTALL)).split())


def test_a_loop_says_its_rank_its_record_and_its_doubts(results: Results) -> None:
    loop = results.whole.read("marts.loop_ranking").sort_values("rank").iloc[0]
    page = render_sheet(results, "loop", loop["loop_id"], SERVED)
    text = text_of(page)
    assert f"It ranks {loop['rank']} ({loop['rank_lo']} to {loop['rank_hi']}) by failures expected" in text
    assert "A ranking is a planning aid" in text and "<svg" in page
    jobs = results.whole.read("core.failures").query("loop_id == @loop.loop_id")
    for job in jobs["job_id"]:
        assert f'href="/job/{job}"' in page
    assert f"{len(jobs)} closed job" in text


def test_a_job_shows_its_moments_to_scale_and_how_it_counts(results: Results) -> None:
    timeline = results.whole.read("marts.jobs_timeline")
    job = timeline[timeline["moment"] == "step 2"]["job_id"].iloc[0]
    page = render_sheet(results, "job", job, SERVED)
    text = text_of(page)
    own = timeline[timeline["job_id"] == job]
    assert f"{len(own)} moments on record" in text
    assert "A distance is no permission to dig" in text
    assert 'data-chart="timeline-chart"' in page and "how it counts" in text.lower()
    entered = results.whole.read("staging.jobs").query("job_id == @job").iloc[0]
    assert f"{entered['source_file']}, row {entered['row_number']}" in text
    assert f'href="/loop/{entered["loop_id"]}"' in page


def test_a_section_says_what_the_register_says(results: Results) -> None:
    section = results.whole.read("core.section_exposure").iloc[0]
    text = text_of(render_sheet(results, "section", section["section_id"], SERVED))
    assert section["cable_class"] in text and f"{section['length_m']:.1f}\u00a0m" in text.replace(" m", "\u00a0m")
    assert f"{section['loop_id']} , district {section['district_id']}" in text


def test_an_instrument_lists_every_dig_and_its_drift(results: Results) -> None:
    errors = results.whole.read("marts.locating_errors")
    instrument = errors["instrument_id"].value_counts().index[0]
    page = render_sheet(results, "instrument", instrument, SERVED)
    own = errors[errors["instrument_id"] == instrument]
    for job in own["job_id"]:
        assert f'href="/job/{job}"' in page
    drift = results.whole.read("marts.instrument_drift").query("instrument_id == @instrument")
    said = "a year" if len(drift) and drift["is_drifting"].iloc[0] else "none found"
    assert said in text_of(page) and "A changed velocity setting is a proposal" in text_of(page)
