"""The sheets of one loop, section, job or instrument."""

from __future__ import annotations

import datetime as dt
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pandas as pd
import pytest

from reports import style
from reports.marts import Marts
from reports.pages import instrument_sheet, job_sheet, loop_sheet, loop_work, proposal_sheet, section_sheet
from reports.pages.sheet import failure_words, grid, lead
from reports.words import Cited
from shared.errors import UserError
from shared.settings import Settings
from shared.store import Workspace, open_warehouse
from tests.report_marts import Given, write_small_marts

if TYPE_CHECKING:
    from collections.abc import Iterator

SETTINGS = Settings().override("general", as_of=dt.date(2025, 12, 31))
SHEETS = {"loop": loop_sheet, "section": section_sheet, "job": job_sheet, "instrument": instrument_sheet}
PROPOSED = pd.DataFrame(
    {
        "instrument_id": "R-03",
        "cable_class": ["A", "B", "C"],
        "digs": [30, 20, 10],
        "setting_median_pct": [55.0, 53.0, 53.0],
        "setting_proposed_pct": [52.0, 52.9, 51.8],
        "setting_proposed_lo": [51.5, 52.0, 50.0],
        "setting_proposed_hi": [52.5, 53.8, 53.6],
        "reads_long_pct": [5.8, -0.2, 2.3],
        "verdict": ["out_of_tolerance", "in_tolerance", "too_few_readings"],
        "verdict_reason": ["limits_outside", "limits_inside", "readings_now"],
        "tests_needed": pd.array([None, None, 12], dtype="Int64"),
    }
)


@pytest.fixture(scope="module")
def marts(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Marts]:
    con = open_warehouse(Workspace(tmp_path_factory.mktemp("sheets")))
    write_small_marts(con, loops=40)
    yield Marts(con)
    con.close()


@pytest.mark.parametrize("kind", SHEETS)
def test_an_id_that_is_not_there_is_refused_by_its_kind_and_name(marts: Marts, kind: str) -> None:
    with pytest.raises(UserError, match=f"there is no {kind} 'nowhere'"):
        SHEETS[kind].build(marts, SETTINGS, "nowhere")


def test_a_job_names_the_minutes_from_which_its_customers_count_as_sustained() -> None:
    job = SimpleNamespace(
        customers_interrupted=40,
        customers_sustained=31,
        customer_minutes=900.0,
        customer_minutes_naive=1200.0,
        minutes_from=None,
        is_major_event=False,
    )
    body = job_sheet.customers(job, SETTINGS.override("restoration", sustained_min=7.0)).body
    assert "<dt>Out for more than 7 minutes</dt><dd>31</dd>" in body


def test_a_failure_on_a_section_without_a_date_counts_in_the_sentence_as_in_the_table(marts: Marts) -> None:
    """Its age is not known, that it failed is: the sentence, the table and the ranking say the same."""
    jobs = pd.DataFrame(
        {
            "job_id": ["J1", "J2", "J3"],
            "failed_on": pd.Timestamp("2020-01-01"),
            "section_id": "S1",
            "is_counted": [True, False, False],
            "why_not": [None, "undated_section", "excluded_cause"],
            "cause": None,
            "failed_component": "cable",
            "customers_interrupted": 10,
            "customer_minutes": 100.0,
            "report_to_restore_min": 10.0,
        }
    )
    made = loop_sheet.job_list("L1", failure_words(jobs), marts)
    assert made.finding.startswith("3 closed jobs on record; 2 of them count as failures")
    entered = dict.fromkeys(("loop_id", "section_id", "named_section_id", "cause", "failed_component", "notes"), "x")
    entered |= {"revision": 1, "source_file": "jobs.csv", "row_number": 2, "load_id": "b1"}
    for row, counts in ((1, True), (2, False)):
        said = job_sheet.counted(entered, None, jobs.iloc[[row]], SETTINGS).finding
        assert said.startswith("It counts as a failure") == counts


def test_a_loop_says_where_to_test_first_and_what_it_did_on_past_jobs(marts: Marts) -> None:
    """Chances 1 : 2 : 3 on half-loop A, 6 : 5 : 4 from source B on half-loop B."""
    strip = marts.read_only("marts.loop_strips", "loop_id", ["L-000001"])
    made = loop_sheet.search_order({"loop_id": "L-000001", "district_id": "Alder"}, strip, marts, SETTINGS)
    assert made.finding.startswith(
        "L-000001/A: test first at L-000001-T2; 1.50 tests are expected, 1.83 outward from the source, "
    )
    assert "L-000001/B: test first at L-000001-T5; 1.60 tests are expected" in made.finding
    assert made.tables[0].frame.astype(str).to_dict("list") == {
        "half_loop_id": ["L-000001/A", "L-000001/A", "L-000001/B", "L-000001/B"],
        "step": ["1", "2", "1", "2"],
        "test_at": ["T2", "T1", "T5", "T4"],
        "chance": ["100\u00a0%", "50\u00a0%", "100\u00a0%", "60\u00a0%"],
        "toward_source": ["then T1 (step 2)", "it is S1", "it is S6", "it is S5"],
        "beyond": ["it is S3", "it is S2", "then T4 (step 2)", "it is S4"],
    }
    assert "On 60 past jobs of its district such orders would have needed 2.50 tests" in made.more[1]
    assert [caution.split(" gives")[0] for caution in made.cautions] == ["An order of tests is a planning aid and"]
    assert loop_sheet.search_order({"loop_id": "L-000001"}, strip.head(0), marts, SETTINGS).is_absent


def paper_of(marts: Marts, ident: str, **tables: pd.DataFrame) -> dict[str, Any]:
    """What the sheet of an instrument's proposals shows, with some tables given."""
    given = {f"marts.{name}": frame for name, frame in tables.items()}
    given["marts.locating_findings"] = Given({**given, "marts.instrument_bias": marts.read("marts.instrument_bias")})\
        .made("marts.locating_findings")  # fmt: skip

    class Beside(Marts):
        def read(self, name: str) -> pd.DataFrame:
            return given[name].copy() if name in given else marts.read(name)

        def read_only(self, name: str, column: str, values: list[str]) -> pd.DataFrame:
            rows = given[name] if name in given else marts.read(name)
            return rows[rows[column].isin(values)].copy()

    made = proposal_sheet.build(Beside(marts._con), SETTINGS, ident).paper
    assert made is not None
    return made


def test_a_proposal_says_which_setting_to_change_in_every_convention(marts: Marts) -> None:
    """1 % of c is 2.998 m/us and 9.836 ft/us; half of it where the way there and back is counted."""
    made = paper_of(marts, "R-03", setting_proposals=PROPOSED)
    assert made["changes"] == [
        ["A", "55.0", "5.8 % long", "52.0", "51.5 to 52.5", "155.9", "77.9", "511.5", "255.7", "Change"],
        ["B", "53.0", "0.2 % short", "52.9", "52.0 to 53.8", "158.6", "79.3", "520.3", "260.2", "Leave: in tolerance"],
        ["C", "53.0", "2.3 % long", "51.8", "50.0 to 53.6", "155.3", "77.6", "509.5", "254.7", "Leave: not decided"],
    ]
    assert made["missing"] == "What would decide: on C about 12 readings of a known run now."
    many = pd.concat([PROPOSED.assign(cable_class=[f"{n}A", f"{n}B", f"{n}C"]) for n in range(3)])
    made = paper_of(marts, "R-03", setting_proposals=many)
    assert (len(made["changes"]), made["not_listed"]) == (
        5, "4 more classes of cable: see the sheet of the instrument."
    )  # fmt: skip


def test_withdrawal_is_proposed_of_one_out_of_tolerance_with_its_open_windows(marts: Marts) -> None:
    made = paper_of(marts, "R-03")
    assert made["withdrawal"].startswith("Withdrawal from use until checked is proposed to its owner")
    assert made["windows"] == [] and "no open job with a reading by it is on record" in made["windows_said"]
    assert "it is beyond the tolerance: find the cause in lead or zero" in made["zero"]
    assert paper_of(marts, "R-01")["withdrawal"] == "Withdrawal is not proposed."
    waiting = pd.DataFrame(
        {
            "instrument_id": ["R-03", "R-01"],
            "job_id": ["J9", "J8"],
            "test_terminal_id": ["T1", "T2"],
            "toward_terminal_id": ["T3", "T4"],
        }
    )
    made = paper_of(marts, "R-03", open_windows=waiting)
    assert made["windows"] == ["J9, from T1 toward T3"]
    assert made["windows_said"].startswith("1 open job on record with a reading by it: tell the crews before they dig")


def test_the_sheet_and_the_proposal_say_the_same_of_an_instrument(marts: Marts) -> None:
    for ident in ("R-01", "R-03", "R-04"):
        summary = instrument_sheet.build(marts, SETTINGS, ident).summary
        standing, why = paper_of(marts, ident)["standing"]
        assert summary[0] == standing and "31 December 2025" in standing
        assert (why in summary) == bool(why)
    assert summary[1] == "To settle it: about 18 more readings would decide it."


@pytest.mark.parametrize(
    ("section", "named", "words"),
    [
        ("S1", "S1", '<a href="section:S1">S1</a>'),
        ("S1@2015-06-01", "S1", '<a href="section:S1@2015-06-01">S1@2015-06-01</a>, which the job calls S1'),
        (None, "S1", "unknown: several sections came of S1, which the job names"),
        (None, None, style.MISSING),
    ],
)
def test_a_job_led_to_another_section_says_what_it_names(section: str | None, named: str | None, words: str) -> None:
    assert str(job_sheet.section_led_to({"section_id": section, "named_section_id": named})) == words


def test_a_printed_side_is_shared_and_no_list_loses_what_it_is_sure_of() -> None:
    usual = {"loop-sections": 12, "loop-jobs": 4, "loop-decisions": 0, "loop-nearby": 3}
    assert loop_sheet.share_side(usual) == usual
    assert loop_sheet.share_side(dict.fromkeys(loop_sheet.LEAST, 99)) == loop_sheet.LEAST
    many = {"loop-sections": 30, "loop-jobs": 1, "loop-decisions": 1, "loop-nearby": 0}
    assert loop_sheet.share_side(many) == many | {"loop-sections": loop_sheet.LINES - 1 - 1 - 3}


def test_a_grid_aligns_numbers_leads_where_its_cells_lead_and_hides_what_is_past_a_side() -> None:
    rows = [[lead("section", "L1-S1", less="L1-"), 120.04, "0.5 (0.1 to 0.9)", None], ["all", 12345.6, "–", "free"]]
    cells = [[*rows[0][:2], Cited("0.5 (0.1 to 0.9)", "replacement#plan"), rows[0][3]], rows[1]]
    made = grid("Sections", ["Section", "Length [m]", "Expected", "Plan"], cells, 1)
    assert '<td class=""><a href="section:L1-S1">S1</a></td><td class="n" data-v="120.04">120.0</td>' in made
    assert '<td class="n"><a href="page:replacement#plan">0.5 (0.1 to 0.9)</a></td><td class="">–</td></tr>' in made
    assert '<tr class="past"><td class="">all</td><td class="n" data-v="12345.6">12,345.6</td>' in made
    assert '<th scope="col" class="n" data-u="m">Length <small>m</small></th>' in made
    assert grid("Sections", ["Section"], []) == ""


def test_work_nearby_is_within_the_distance_of_any_two_terminals_or_of_the_same_project() -> None:
    work = pd.DataFrame(
        {
            "loop_id": ["near", "far", "mine", "kin"],
            "project_id": [None, None, "P", "P"],
            "plan_year": [1, 1, 2, 3],
            "action": "replace",
            "length_m": [120.0, 80.0, 50.0, 40.0],
            "cost": [9e3, 8e3, 7e3, 6e3],
        }
    )
    terminals = pd.DataFrame(
        {
            "loop_id": ["mine", "mine", "near", "near", "far"],
            "x": [0.0, 900, 1500, 9000, 2000],
            "y": [0.0, 0, 800, 0, 0],
        }
    )
    places = pd.DataFrame({"loop_id": ["mine", "near", "far", "kin"], "straight_over_cable": 0.8})
    given = {"marts.programme": work, "staging.terminals": terminals, "marts.loop_places": places}
    given["marts.decisions"] = pd.DataFrame(
        {"loop_id": ["kin"], "project_id": [None], "decision": ["wait"], "year": [2027]}
    )
    rows, is_placed = loop_work.list_nearby("mine", Given(given), SETTINGS)
    assert is_placed and rows["loop_id"].tolist() == ["near", "kin"]
    assert rows["nearest_m"].iloc[0] == 1000.0 and pd.isna(rows["nearest_m"].iloc[1])  # 600 along, 800 across
    assert rows["project_id"].tolist() == ["", "kin"] and rows["decisions"].tolist() == ["", "wait 2027"]
    assert [text.partition(":")[0] for text in rows["work"]] == ["2026", "2028"]
    given["staging.terminals"] = terminals[terminals["loop_id"].ne("mine")]
    rows, is_placed = loop_work.list_nearby("mine", Given(given), SETTINGS)
    assert not is_placed and rows["loop_id"].tolist() == ["kin"]
