"""Tables of a choice: rows are kept by their ids, aggregates are those of the topic's own step on the rows kept."""

from __future__ import annotations

import datetime as dt

import duckdb
import pandas as pd
import pytest

from reports.choice import Choice
from reports.narrow import Narrowed, carried, parts_left_open, restoration_tables
from reports.results import Results
from shared import dictionary
from shared.store import Workspace

CHOICE = Choice(districts=("O'B",), first=dt.date(2025, 1, 1), classes=("a/b",), instruments=("R-1",))


def test_a_row_belongs_by_its_own_column_or_by_what_it_lies_on() -> None:
    loops = carried(dictionary.tables()["marts.loop_ranking"], CHOICE)
    assert loops["district"] == "\"district_id\" in ('O''B')"  # a quote in a name stays inside the text
    assert "select loop_id from results.core.section_exposure where cable_class in ('a/b')" in loops["class"]
    assert set(loops) == {"district", "class"}
    errors = carried(dictionary.tables()["marts.locating_errors"], CHOICE)
    assert errors["class"] == "\"cable_class\" in ('a/b')" and errors["instrument"] == "\"instrument_id\" in ('R-1')"
    assert "reported_on between '2025-01-01' and '9999-12-31'" in errors["period"]
    assert carried(dictionary.tables()["marts.restoration_stages"], CHOICE) == {}


def test_what_does_not_follow_is_named_part_by_part() -> None:
    assert parts_left_open("marts.restoration_stages", CHOICE) == ()
    assert parts_left_open("marts.class_survival", CHOICE) == ("period", "instrument")
    assert parts_left_open("marts.loop_ranking", CHOICE) == ("period", "instrument")
    assert parts_left_open("marts.velocity_by_class", CHOICE) == ("district", "period", "instrument")
    assert parts_left_open("marts.backtest", CHOICE) == CHOICE.parts
    assert parts_left_open("marts.restoration_major_events", CHOICE) == ()


def test_every_aggregate_of_restoration_is_worked_out_again() -> None:
    made = restoration_tables()
    assert {"marts.restoration_stages", "marts.restoration_indices", "fitted.closing_lag"} <= set(made)
    grouped = {t.name for t in dictionary.tables().values() if "grouped_by" in t.columns and "restoration" in t.name}
    assert grouped <= set(made)


@pytest.fixture(scope="module")
def results(demo_space: Workspace) -> Results:
    return Results(demo_space.results)


def test_districts_and_years_add_up_to_everything(results: Results) -> None:
    """Jobs, customers and minutes of all districts, and of all years, are those of the whole."""
    whole = results.whole.read("marts.restoration_summary").query("grouped_by == 'all'").iloc[0]
    first, last = results.known.first.year, results.known.last.year
    halves = (Choice(last=dt.date((first + last) // 2, 12, 31)), Choice(first=dt.date((first + last) // 2 + 1, 1, 1)))
    for choices in ([Choice(districts=(d,)) for d in results.known.districts], halves):
        parts = [
            results.marts(choice).read("marts.restoration_summary").query("grouped_by == 'all'") for choice in choices
        ]
        for column in ("jobs", "customers_interrupted", "customer_minutes"):
            assert sum(part[column].sum() for part in parts) == pytest.approx(whole[column], rel=1e-12)


def test_a_district_alone_has_the_figures_it_has_among_the_others(results: Results) -> None:
    """Means and medians of its group in the whole are those of the choice; limits of small groups are drawn anew."""
    district = results.known.districts[0]
    among = results.whole.read("marts.restoration_stages").query("group_name == @district").set_index("stage")
    alone = results.marts(Choice(districts=(district,))).read("marts.restoration_stages")
    alone = alone[alone["grouped_by"] == "all"].set_index("stage")
    assert len(alone) and set(alone.index) == set(among.index)
    for column in ("jobs", "mean_min", "median_min", "median_lo", "p90_hi", "share_over_4h_lo"):
        pd.testing.assert_series_equal(alone[column], among[column].loc[alone.index], check_names=False)


def test_a_choice_has_the_as_of_day_and_the_record_end_of_the_whole(results: Results) -> None:
    """A costed lever is one of the whole fleet; months and weeks are as old as they are among all jobs."""
    district = Choice(districts=(results.known.districts[0],))
    years = Choice(last=dt.date(results.known.last.year - 2, 12, 31))
    for choice in (district, years):
        weeks, every = (m.read("marts.restoration_maturity") for m in (results.marts(choice), results.whole))
        assert weeks["window_to"].tolist() == every["window_to"].tolist()
    trend = results.marts(years).read("marts.restoration_trend")
    assert not trend["is_immature"].any()


def test_only_the_last_choices_are_kept(results: Results) -> None:
    """A server is asked for one choice after another: the databases in memory may not pile up."""
    choices = [Choice(first=dt.date(year, 1, 1)) for year in range(2010, 2020)]
    kept = [results.marts(choice) for choice in choices]
    assert [results.marts(choice) for choice in choices[-3:]] == kept[-3:]
    with pytest.raises(duckdb.Error):
        kept[0].read("marts.loop_ranking")
    assert len(results.marts(choices[0]).read("marts.loop_ranking"))


def test_a_choice_without_rows_has_tables_without_rows(results: Results) -> None:
    marts = results.marts(Choice(first=dt.date(1950, 1, 1), last=dt.date(1950, 12, 31)))
    assert isinstance(marts, Narrowed)
    for name in ("marts.restoration_stages", "marts.locating_errors", "marts.restoration_summary", "marts.reads_long"):
        assert marts.read(name).empty, name
