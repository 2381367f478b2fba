"""The data quality page says the numbers of its tables, in words."""

from __future__ import annotations

import pandas as pd
import pytest

from reports.page import Exhibit, plain
from reports.pages import data_quality_decisions as decisions
from reports.pages import data_quality_values as values
from shared import dictionary
from shared.settings import Settings


class Fixed:
    """Marts with the frames given; any other table has its columns and no row."""

    def __init__(self, books: dict[str, pd.DataFrame] | None = None, **frames: pd.DataFrame) -> None:
        self.frames, self.books = frames, books or {}

    def read(self, name: str) -> pd.DataFrame:
        stem = name.partition(".")[2]
        listed = list(dictionary.tables()[name].columns)
        return self.frames[stem].reindex(columns=listed) if stem in self.frames else pd.DataFrame(columns=listed)

    def read_book(self, stem: str) -> pd.DataFrame:
        return self.books.get(stem, pd.DataFrame())


def told(made: Exhibit) -> str:
    """A finding with plain blanks."""
    return made.finding.replace("\u00a0", " ")


def some_jobs(crew_given: list[bool], section: list[str | None]) -> pd.DataFrame:
    """Jobs two weeks apart up to the end of 2020."""
    at = pd.date_range(end="2020-12-31", periods=len(section), freq="14D", tz="UTC")
    return pd.DataFrame(
        {
            "job_id": [f"J{n}" for n in range(len(section))],
            "loop_id": "L1",
            "reported_at": at,
            "restored_at": at,
            "section_id": section,
            "crew_id": ["C1" if given else None for given in crew_given],
        }
    )


def test_a_field_that_fell_in_the_last_year_is_named() -> None:
    # 26 of the jobs lie in the last 365 days; the crew is given in 13 of them and in all before.
    crew = [True] * 74 + [True, False] * 13
    made = values.completeness(Fixed(jobs=some_jobs(crew, ["S1"] * 100)))
    late = made.tables[0].frame.set_index("field").loc["crew_id"]
    assert told(made) == (
        f"crew_id fell from 100 % of the jobs to {late['late_pct']:.0f} % in the last twelve months. crew_id is given "
        "least often: in 87 % of the jobs."
    )
    assert late["late_pct"] == pytest.approx(100 * 13 / 26, abs=2.5)
    assert "notes" in made.left_out


def test_months_in_which_a_field_is_never_given_are_named() -> None:
    # A job a fortnight; of the 100 the 30 in the middle lack the crew, and 8 lack the section.
    crew = [True] * 40 + [False] * 30 + [True] * 30
    made = values.completeness(Fixed(jobs=some_jobs(crew, ["S1"] * 60 + [None] * 8 + ["S1"] * 32)))
    first, last = (f"{made_on:%Y-%m}" for made_on in some_jobs(crew, ["S1"] * 100)["reported_at"].iloc[[41, 68]])
    said = told(made)
    assert said.startswith("crew_id is given in none of ")
    assert f" jobs from {first} to {last}, else in 9" in said  # one or two of the 30 stand in months with others


def test_orphans_are_counted_by_year_among_jobs_that_name_a_section() -> None:
    jobs = some_jobs([True] * 52, ["gone"] * 5 + ["S1"] * 43 + [None] * 4)
    made = values.orphans(Fixed(jobs=jobs, sections=pd.DataFrame({"section_id": ["S1"]})), Settings())
    rows = made.tables[0].frame
    assert (rows["jobs"].sum(), rows["orphans"].sum()) == (48, 5)
    assert told(made).startswith("10.4 % of the jobs that name a section name one that is not in the register; most")
    assert (rows["pct_lo"] <= rows["orphan_pct"]).all() and (rows["orphan_pct"] <= rows["pct_hi"]).all()


def test_heaping_is_led_by_what_gathers_most() -> None:
    row = {"table": "jobs", "file": "jobs.csv", "values_given": 200, "heaped_lo": 1.0, "heaped_hi": 60.0}
    rows = pd.DataFrame(
        [
            row
            | {
                "column": "a_at",
                "heap": "midnight",
                "heaped_pct": 50.0,
                "by_chance_pct": 0.07,
                "rounded_pct": 49.9,
                "is_heaped": False,
            },
            row
            | {
                "column": "b_at",
                "heap": "quarter_hour",
                "heaped_pct": 31.0,
                "by_chance_pct": 6.6,
                "rounded_pct": 26.1,
                "is_heaped": True,
            },
        ]
    )
    assert told(values.heaping(Fixed(heaping=rows), Settings())) == (
        "Values gather in 1 of 2 columns and files looked at. Most in jobs.b_at of jobs.csv: 31.0 % of 200 values "
        "lie at quarters of an hour, by chance 6.6 % would."
    )


def test_loads_are_compared_with_those_before() -> None:
    files = pd.DataFrame(
        {
            "load_id": ["b0001", "b0001", "b0002"],
            "file": list("abc"),
            "read": [60, 40, 50],
            "quarantined": [1, 1, 5],
            "warned": [0, 10, 10],
        }
    )
    assert told(values.trend(Fixed({"files": files}))) == (
        "The last load, b0002, kept out 10.0 % of its rows, those before it 2.0 %. It flagged 20.0 %, those before it "
        "10.0 %."
    )


def test_warnings_of_whole_files_are_counted_apart_from_measures_in_bounds() -> None:
    row = {"batch": "b0001", "table": "jobs", "file": "jobs.csv", "severity": "warn"}
    results = pd.DataFrame(
        [
            row | {"rule": "orphan_share", "year": 2009, "measured": 0.2, "message": "too many"},
            row | {"rule": "orphan_share", "year": 2010, "measured": 0.01, "message": None},
            row | {"rule": "column_unknown", "column": "x", "message": "no such column"},
        ]
    )
    made = values.whole_files(Fixed(batch_results=results))
    assert told(made) == (
        "2 warnings of whole files in 1 load: column unknown 1, orphan share 1. 1 measure lies in its bounds."
    )
    assert made.tables[0].frame["message"].tolist() == ["no such column", "too many"]


def test_the_effect_of_corrections_names_what_moves_most() -> None:
    rows = pd.DataFrame(
        {
            "answer": ["jobs", "median_error_pct", "velocity_fitted_pct"],
            "group_name": ["all", "all", "XLPE/bare/buried"],
            "value_standing": [100.0, 10.0, 52.0],
            "value_with_slips": [100.0, 8.0, 52.1],
            "value_with_joins": [100.0, 10.0, 52.0],
        }
    )
    made = decisions.effects(Fixed(correction_effects=rows))
    assert told(made) == (
        "With every suspected error corrected, median error of a displayed distance [%] would be 8 instead of 10; "
        "1 answer of 3 would move by 1 % or more. With every cluster joined, no answer moves by a thousandth."
    )
    assert made.tables[0].frame["name"].tolist()[2] == "velocity fitted to XLPE/bare/buried [% of c]"


def test_proposals_and_clusters_are_counted_by_job() -> None:
    proposals = pd.DataFrame(
        {
            "job_id": ["a", "a", "b"],
            "column": ["x", "y", "x"],
            "slip": ["wrong_terminal"] * 2 + ["feet_for_metres"],
            "likelihood": [0.9, 0.7, 0.95],
        }
    )
    assert told(decisions.proposals(Fixed(proposed_corrections=proposals))) == (
        "2 jobs look like a known kind of error: feet for metres 1, wrong terminal 1. 1 of 3 proposals is less likely "
        "than 80 %."
    )
    clusters = pd.DataFrame(
        {"cluster_id": ["a", "a"], "job_id": ["b", "c"], "joined_with": ["a", "a"], "likeness": ["entered_twice"] * 2}
    )
    assert told(decisions.clusters(Fixed(job_clusters=clusters))) == (
        "2 jobs may repeat another job, in 1 cluster: 2 entered twice. All are counted as separate jobs until decided."
    )


def test_districts_with_early_years_missing_are_named_with_the_years_and_the_remedy() -> None:
    verdicts = ["likely_incomplete", "likely_incomplete", "complete", "too_few_to_tell"]
    rows = pd.DataFrame({"district_id": "D1", "year": range(2006, 2010), "failures": [1, 2, 6, 7]})
    rows = rows.assign(expected_failures=[5.2, 5.4, 6.0, 6.2], completeness_verdict=verdicts)
    audit = pd.DataFrame({"finding": "incomplete_years", "cable_class": ["A", "B"], "effect_pct": [3.0, -20.0]})
    audit = audit.assign(rate_per_100km_year=10.0, rate_with=[10.3, 8.0])
    made = values.recorded(Fixed(record_completeness=rows, register_audit=audit), Settings())
    assert plain(made.finding).replace("\u00a0", " ") == (
        "Failures are likely missing from the records of D1 in 2006 to 2007 (3 failures on record, 11 to be expected). "
        "The rates use these years as they are. To leave them out, set recorded_from in districts.csv (D1: "
        "2008-01-01), load the file and refresh. That moves the rate of B most: from 10.00 per 100 km and year to 8.00 "
        "per 100 km and year. 1 of 4 district-years has too few failures to tell."
    )
    whole = rows.assign(completeness_verdict="complete")
    made = values.recorded(Fixed(record_completeness=whole), Settings())
    assert told(made) == "No district has early years with failures missing beyond chance."
    assert values.recorded(Fixed(), Settings()).is_absent
