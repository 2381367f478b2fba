"""The sheets of one loop, section, job or instrument."""

from __future__ import annotations

import datetime as dt
from types import SimpleNamespace
from typing import TYPE_CHECKING

import pandas as pd
import pytest

from reports.marts import Marts
from reports.pages import instrument_sheet, job_sheet, loop_sheet, section_sheet
from reports.pages.sheet import failure_words
from shared.errors import UserError
from shared.settings import Settings
from shared.store import Workspace, open_warehouse
from tests.report_marts import write_small_marts

if TYPE_CHECKING:
    from collections.abc import Iterator

SETTINGS = Settings().override("general", as_of=dt.date(2025, 12, 31))
SHEETS = {"loop": loop_sheet, "section": section_sheet, "job": job_sheet, "instrument": instrument_sheet}


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
    made = loop_sheet.job_list(failure_words(jobs), marts)
    assert made.finding.startswith("3 closed jobs on record; 2 of them count as failures")
    entered = dict.fromkeys(("loop_id", "section_id", "cause", "failed_component", "notes"), "x")
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
