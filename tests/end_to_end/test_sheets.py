"""Sheets say what is on record: read from their pages and held to the tables."""

from __future__ import annotations

import html
import re
from dataclasses import replace
from pathlib import Path

import pytest

from reports import page as shell
from reports.choice import EVERYTHING
from reports.links import NOWHERE, Links
from reports.marts import judged
from reports.pages import proposal_sheet
from reports.pdf import PAPERS, find_browser, print_page
from reports.render import frame_of, render_sheet
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
    bias = results.whole.read("marts.instrument_bias").query("instrument_id == @instrument").iloc[0]
    said = {
        "drifting": "It drifts by",
        "stepped": "It changed at once about",
        "steady": "It has not moved between calibrations",
        "cannot_tell": "Its readings do not say whether it moves",
    }[bias["drift_verdict"]]
    assert said in text_of(page) and "A changed velocity setting is a proposal" in text_of(page)
    levels = results.whole.read("marts.instrument_levels").query("instrument_id == @instrument")
    assert all(f"{day:%Y-%m-%d}" in page for day in levels["level_on"])
    assert f'href="/proposal/{instrument}"' in page


def test_a_proposal_holds_every_class_the_checks_and_room_for_names(results: Results) -> None:
    proposals = results.whole.read("marts.setting_proposals")
    instrument = proposals["instrument_id"].value_counts().index[0]
    text = text_of(render_sheet(results, "proposal", instrument, SERVED))
    for row in proposals.query("instrument_id == @instrument").itertuples():
        assert f"{row.cable_class} {row.setting_median_pct:.1f} {abs(row.reads_long_pct):.1f} %" in text
        assert f"{row.setting_proposed_pct:.1f}" in text
    for said in (
        "In tolerance says nothing of electrical safety",
        "cable isolated, tested and grounded by qualified people",
        "field cards made before this change called in: they are void",
        "Authorised by",
        "no open job with a reading by it is on record",
    ):
        assert said in text


def test_a_setting_that_only_the_offset_puts_out_is_left(results: Results) -> None:
    row = results.whole.read("marts.setting_proposals").iloc[0].to_dict() | {"verdict": "out_of_tolerance"}
    found = judged(results.whole, "locating")
    tolerated = results.settings.locating.tolerance_pct
    for reads, said in ((-0.9 * tolerated, "Leave: see 2"), (1.1 * tolerated, "Change")):
        assert proposal_sheet.change(row | {"reads_long_pct": reads}, found, results.settings)[-1] == said


@pytest.mark.parametrize("paper", PAPERS)
def test_a_proposal_is_one_printed_side(results: Results, tmp_path: Path, paper: str) -> None:
    """Also at its longest: five undecided classes and four open windows."""
    made = proposal_sheet.build(results.whole, results.settings, results.whole.read("marts.instrument_bias")
                                .sort_values("readings")["instrument_id"].iloc[-1])  # fmt: skip
    assert made.paper is not None
    line = ["TRXLPE/jacketed/buried", "53.2", "14.8 % short", "50.8", "50.1 to 51.5", "152.2", "76.1", "499.3", "249.7",
            "Leave: not decided"]  # fmt: skip
    longest = {
        "changes": [line] * proposal_sheet.CLASSES,
        "missing": "on TRXLPE/jacketed/buried about 132 readings of a known run now; " * proposal_sheet.CLASSES,
        "windows": ["J2025-0123, from OB-L0123-T04 toward OB-L0123-T05"] * proposal_sheet.WINDOWS,
    }
    for name, content in shell.shared_files().items():
        (tmp_path / name).write_bytes(content)
    for stem, shown in (("as_it_is", made), ("longest", replace(made, paper=made.paper | longest))):
        page = tmp_path / f"{stem}.html"
        page.write_text(shell.render(shown, frame_of(results, EVERYTHING, NOWHERE)), encoding="utf-8")
        printed = print_page(find_browser(), page, page.with_suffix(".pdf"), paper).read_bytes()
        assert len(re.findall(rb"/Type\s*/Page\b", printed)) == 1, stem
