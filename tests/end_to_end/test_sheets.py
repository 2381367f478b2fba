"""Sheets say what is on record: read from their pages and held to the tables."""

from __future__ import annotations

import html
import re
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from reports import page as shell
from reports.choice import EVERYTHING
from reports.links import NOWHERE, Links
from reports.marts import Marts, judged
from reports.page import Page
from reports.pages import loop_sheet, proposal_sheet
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


class Changed(Marts):
    """The results with some tables changed."""

    given: dict[str, pd.DataFrame]

    def read(self, name: str) -> pd.DataFrame:
        return self.given[name] if name in self.given else super().read(name)

    def read_only(self, name: str, column: str, values: list[str]) -> pd.DataFrame:
        if name not in self.given:
            return super().read_only(name, column, values)
        rows = self.given[name]
        return rows[rows[column].isin(values)].reset_index(drop=True)


def changed(results: Results, **given: pd.DataFrame) -> Changed:
    """The results with tables of the names given, two underscores for the dot."""
    made = Changed(results.con)
    made.given = {name.replace("__", "."): rows for name, rows in given.items()}
    return made


def sides_of(made: Page, results: Results, folder: Path, paper: str, stem: str = "sheet") -> int:
    """How many sides a sheet is printed on."""
    for name, content in shell.shared_files().items():
        (folder / name).write_bytes(content)
    page = folder / f"{stem}.html"
    page.write_text(shell.render(made, frame_of(results, EVERYTHING, NOWHERE)), encoding="utf-8")
    printed = print_page(find_browser(), page, page.with_suffix(".pdf"), paper).read_bytes()
    return len(re.findall(rb"/Type\s*/Page\b", printed))


def kinds_of_loop(results: Results) -> dict[str, str]:
    """A loop of each kind that a sheet must hold."""
    read = results.whole.read
    ranked = read("marts.loop_ranking").sort_values("rank")
    failed, retired = read("core.failures")["loop_id"], read("core.section_exposure").dropna(subset=["retired_on"])
    few = ranked[ranked["sections"].le(14)]
    return {
        "first": few["loop_id"].iloc[0],
        "last": ranked["loop_id"].iloc[-1],
        "never failed": few.loc[~few["loop_id"].isin(failed), "loop_id"].iloc[0],
        "with retired sections": few.loc[few["loop_id"].isin(retired["loop_id"]), "loop_id"].iloc[-1],
    }


@pytest.mark.parametrize("paper", PAPERS)
def test_the_sheet_of_a_usual_loop_is_one_printed_side(results: Results, tmp_path: Path, paper: str) -> None:
    for kind, ident in kinds_of_loop(results).items():
        made = loop_sheet.build(results.whole, results.settings, ident)
        left = int(bool(made.continued))
        assert sides_of(made, results, tmp_path, paper, ident) == 1 + left, kind
        assert not left or len(results.whole.read_only("core.failures", "loop_id", [ident])) > 7, kind


def large_loop(results: Results, ident: str, sections: int, jobs: int, decisions: int) -> Changed:
    """The results with one loop made larger than any."""
    marts = results.whole
    given = {}
    numbers = pd.RangeIndex(sections)
    for table in ("marts.section_ranking", "marts.section_options", "marts.loop_strips"):
        own = marts.read_only(table, "loop_id", [ident])
        rows = own.iloc[numbers % len(own)].reset_index(drop=True)
        rows["section_id"] = [f"{ident}-S{n + 1:02d}" for n in numbers]
        if "from_terminal_id" in rows:
            rows["position"], rows["start_m"], rows["end_m"] = numbers + 1, 90.0 * numbers, 90.0 * (numbers + 1)
            rows["from_terminal_id"] = [f"{ident}-T{n:02d}" for n in numbers]
            rows["to_terminal_id"] = [f"{ident}-T{n + 1:02d}" for n in numbers]
            rows["normal_open"] = ""
        given[table.replace(".", "__")] = rows
    counted = marts.read("core.failures").head(jobs).assign(loop_id=ident, section_id=f"{ident}-S01")
    given["core__failures"] = counted.assign(why_not="loop_only")
    places, work = marts.read("staging.terminals"), marts.read("marts.programme")
    own = places["loop_id"].eq(ident)
    near = places["loop_id"].isin(work["loop_id"].unique()[:8])
    x, y = places.loc[own, ["x", "y"]].iloc[0]
    given["staging__terminals"] = places.assign(x=places["x"].mask(near, x + 40), y=places["y"].mask(near, y + 30))
    given["marts__decisions"] = pd.DataFrame(
        {
            "decision_id": [f"D2025-{n:04d}" for n in range(decisions)],
            "loop_id": ident,
            "section_id": [f"{ident}-S{n + 1:02d}" for n in range(decisions)],
            "decision": "replace",
            "year": 2027,
            "project_id": "P2027-14",
            "reason": "to be replaced with the street, which the town rebuilds then; agreed in the planning meeting",
            "decided_on": pd.Timestamp("2025-09-01"),
            "outcome": "conflict",
            "conflict": "it does not fit the limits of the years it may be done in, or opens a loop in a third year",
            "cost_of_it": 127_918.0,
            "failures_forgone": 3.88,
        }
    )
    return changed(results, **given)


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize(("sections", "jobs", "decisions"), [(30, 25, 6), (30, 0, 0), (1, 40, 0), (1, 1, 9)])
def test_what_one_side_has_no_room_for_goes_on_overleaf_and_the_side_says_so(
    results: Results, tmp_path: Path, paper: str, sections: int, jobs: int, decisions: int
) -> None:
    ident = kinds_of_loop(results)["first"]
    made = loop_sheet.build(large_loop(results, ident, sections, jobs, decisions), results.settings, ident)
    assert sides_of(made, results, tmp_path, paper) == 2
    shown = " ".join(text_of(exhibit.body) for exhibit in made.exhibits)
    rows = sum(
        len(re.findall(r"<tr(?! class)", exhibit.body)) - 1 for exhibit in made.exhibits if "<tr" in exhibit.body
    )
    on_paper = sum(int(n) for n in re.findall(r"(\d+) rows? of this table (?:is|are) on the next side", shown))
    assert on_paper == len(re.findall(r"<tr", made.continued)) - made.continued.count("<thead") > 0
    told = len(re.findall(r'<tr class="past"', " ".join(exhibit.body for exhibit in made.exhibits)))
    nearby = next(int(e.finding.split()[0]) for e in made.exhibits if e.key == "loop-nearby")
    assert told == on_paper and rows + on_paper == sections + jobs + decisions + nearby and nearby >= 7


def test_a_loop_without_coordinates_says_so_and_knows_its_project(results: Results) -> None:
    work, places = results.whole.read("marts.programme"), results.whole.read("staging.terminals")
    one, other = work["loop_id"].unique()[:2]
    bare = places.assign(x=places["x"].mask(places["loop_id"].eq(one)), y=places["y"].mask(places["loop_id"].eq(one)))
    shared = work.assign(project_id=work["project_id"].mask(work["loop_id"].isin((one, other)), "P7"))
    marts = changed(results, staging__terminals=bare, marts__programme=shared)
    made = {exhibit.key: exhibit for exhibit in loop_sheet.build(marts, results.settings, one).exhibits}
    near = made["loop-nearby"]
    assert near.finding.startswith("1 other loop") and "No coordinates on record" in near.more[0]
    assert text_of(near.body).startswith(
        "Loop Distance m Same project Work in the plan Cost Decided " + other + " – yes 20"
    )
    assert made["loop-decisions"].finding == "No decision is on record."


def test_the_sheet_of_a_loop_gives_each_section_its_options_and_the_plan_its_year(results: Results) -> None:
    work = results.whole.read("marts.programme").iloc[0]
    text = text_of(render_sheet(results, "loop", work["loop_id"], SERVED))
    options = results.whole.read("marts.section_options").set_index("section_id").loc[work["section_id"]]
    assert results.settings.general.as_of is not None
    begins = (results.settings.general.as_of + pd.Timedelta(days=1)).year + int(work["plan_year"]) - 1
    said = (
        f"{options['replace_cost']:,.0f} {options['replace_avoided_cost']:,.0f} {options['benefit_cost_growing']:.2f} ("
    )
    assert said.replace("-", "−") in text and f"{work['action']} {begins}" in text
