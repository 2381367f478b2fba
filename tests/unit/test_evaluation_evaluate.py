"""The models of past dates that the evidence stands on, and the words the page puts to it."""

from __future__ import annotations

import dataclasses
import datetime as dt

import duckdb
import numpy as np
import pandas as pd
import pytest

from pipelines.evaluation import evaluate
from pipelines.evaluation.cohorts import list_members
from pipelines.survival.history import FailureHistory, known_at
from pipelines.survival.model import fit_failure_model
from reports import marts as shell
from reports.pages import replacement_evaluation as page
from reports.pages import replacement_sensitivity as firmness
from shared.settings import Settings
from tests.report_marts import found_in, write_small_marts
from tests.survival_fleets import make_fleet

NO_REASONS = pd.DataFrame({"section_id": ["S000000"], "retired_because": [None]})


@pytest.fixture(scope="module")
def history() -> FailureHistory:
    made = make_fleet(31, loops=40).history
    return dataclasses.replace(made, sections=made.sections.assign(position=np.arange(len(made.sections))))


def test_a_year_ago_is_added_once() -> None:
    then, year_ago, as_of = dt.date(2020, 12, 31), dt.date(2024, 12, 31), dt.date(2025, 12, 31)
    assert evaluate.add_last_year([then], as_of) == [then, year_ago]
    assert evaluate.add_last_year([then, year_ago], as_of) == [then, year_ago]
    assert evaluate.add_last_year([], as_of) == []


@pytest.fixture(scope="module")
def judged(history: FailureHistory) -> list[evaluate.Judged]:
    """Two dates, judged by a model each; the members are every loop, watched since a day before, between and after."""
    dates = [dt.date(2019, 12, 31), dt.date(2021, 12, 31)]
    days = [dt.date(2018, 6, 30), dt.date(2020, 6, 30), dt.date(2021, 12, 31)]
    loops = sorted(set(history.sections["loop_id"]))
    members = list_members(history, NO_REASONS, {loop: days[k % 3] for k, loop in enumerate(loops)})
    return [
        evaluate.judge_model(history, fit_failure_model(known_at(history, day), Settings()), members, dates, Settings())
        for day in dates
    ]


def test_a_member_is_judged_by_the_last_model_that_stands_no_later(judged: list[evaluate.Judged]) -> None:
    first, second = (one.members[one.members["grouped_by"].eq("watched")] for one in judged)
    assert set(first["on"]) == {pd.Timestamp(2018, 6, 30), pd.Timestamp(2020, 6, 30)}
    assert set(second["on"]) == {pd.Timestamp(2021, 12, 31)}
    early = first["on"].lt("2019-12-31")
    assert first.loc[early, "expected"].isna().all()  # no model stands that early
    assert first.loc[~early, "expected"].gt(0).mean() > 0.9
    assert second["expected"].gt(0).mean() > 0.9


def test_evidence_has_the_tables_and_columns_of_the_dictionary(
    history: FailureHistory, judged: list[evaluate.Judged]
) -> None:
    from shared import dictionary

    found = evaluate.tabulate_judged(history, judged, 0.9)
    assert set(found["marts.forecast_score"]["origin"]) == {pd.Timestamp(2019, 12, 31), pd.Timestamp(2021, 12, 31)}
    for name, frame in found.items():
        assert set(dictionary.tables()[name].columns) <= set(frame.columns), name
    assert all(frame.empty for frame in evaluate.tabulate_judged(history, [], 0.9).values())


@pytest.fixture(scope="module")
def marts() -> shell.Marts:
    con = duckdb.connect()
    for layer in ("staging", "core", "fitted", "marts", "settings"):
        con.execute(f"create schema {layer}")
    write_small_marts(con)
    return shell.Marts(con)


def test_the_finding_sets_the_fall_beside_the_one_expected(marts: shell.Marts) -> None:
    made = page.before_after(
        marts.read(page.BEFORE_AFTER), marts.read(page.FIGURES), Settings(), shell.judged(marts, "replacement")
    )
    finding = made.finding.replace("\u00a0", " ")
    # 21 seen and 20 expected where the record carried on gives 40; 4 seen of 40 expected
    assert "failed 48 % less" in finding
    assert "expected 50 % less" in finding
    assert "all years together, seen over expected is 0.25 (0.15 to 0.40), which is within chance" in finding
    assert "Watched: L-000001 since 2020-12-31: 2 seen, 2.5 expected with nothing done (too few to say)." in finding
    assert "seen over expected is 0.10 (0.06 to 0.16), fewer than chance allows" in finding


def scored(rows: pd.DataFrame) -> str:
    return page.past_forecasts(rows, Settings(), found_in("replacement", {page.SCORES: rows})).finding


def test_the_score_is_called_what_it_is(marts: shell.Marts) -> None:
    rows = marts.read(page.SCORES)
    assert "the forecast is better than both simple forecasts" in scored(rows)
    worse = rows.assign(deviance_model=400.0)
    assert "no better than the better of two simple forecasts" in scored(worse)
    worst = rows.assign(deviance_model=500.0)
    assert "no better than either of two simple forecasts" in scored(worst)


def test_without_rows_the_page_says_what_is_missing(marts: shell.Marts) -> None:
    assert page.before_after(
        marts.read(page.BEFORE_AFTER).head(0), marts.read(page.FIGURES), Settings(), shell.judged(marts, "replacement")
    ).is_absent
    assert page.past_forecasts(marts.read(page.SCORES).head(0), Settings(), shell.Judged()).is_absent


def test_the_page_says_who_came_who_left_and_why(marts: shell.Marts) -> None:
    finding = firmness.churn(marts.read(firmness.CHURN)).finding
    assert finding == (
        "24 of the first 25 loops were among the first 25 of the ranking as of 2024-12-31. New: L-000001; gone: "
        "L-000030. The largest fall is L-000030, from 1 to 30: 1 new failure on record (5 now). The largest move "
        "among the first is L-000001, from 30 to 1: 1 new failure on record (5 now)."
    )


def test_a_first_ranking_says_that_there_is_nothing_to_compare_with(marts: shell.Marts) -> None:
    first = firmness.churn(marts.read(firmness.CHURN).head(0))
    assert first.is_absent
    assert first.finding == "This is the first ranking kept here: there is nothing to compare with."


def test_a_ranking_in_which_nothing_moved_says_so(marts: shell.Marts) -> None:
    rows = marts.read(firmness.CHURN)
    still = rows.assign(rank_then=rows["rank_now"], places_moved=0, churn_reasons="")
    assert firmness.churn(still).finding == (
        "25 of the first 25 loops were among the first 25 of the ranking as of 2024-12-31. None of them changed its "
        "place."
    )


def test_loops_that_came_and_went_do_not_stop_the_page(marts: shell.Marts) -> None:
    rows = marts.read(firmness.CHURN).astype({"rank_then": "Int64", "rank_now": "Int64", "places_moved": "Int64"})
    rows.loc[2, ["rank_then", "places_moved"]] = pd.NA
    rows.loc[3, ["rank_now", "places_moved"]] = pd.NA
    made = firmness.churn(rows)
    assert "New: L-000001, L-000003; gone: L-000030, L-000004." in made.finding


def test_the_head_is_said_to_hang_on_the_reading_that_moves_most(marts: shell.Marts) -> None:
    finding = firmness.sensitivity(marts.read(firmness.SENSITIVITY)).finding
    assert finding.startswith("23 of the first 25 loops stay among the first 25 under each of 2 other interpretations")
    assert "Most changes if failures of unknown cause do not count: 23 of 25 stay" in finding


def test_a_watched_loop_that_no_model_could_judge_is_named(marts: shell.Marts) -> None:
    replacement = dataclasses.replace(Settings().replacement, watched={"L-000009": dt.date(2001, 1, 1)})
    settings = dataclasses.replace(Settings(), replacement=replacement)
    made = page.before_after(
        marts.read(page.BEFORE_AFTER), marts.read(page.FIGURES), settings, shell.judged(marts, "replacement")
    )
    assert made.left_out.endswith("Watched, but no model could be fitted before that day: L-000009.")


def test_what_the_forecast_of_injected_cable_rests_on_is_said_beside_the_settings() -> None:
    amounts = pd.DataFrame(
        {
            "figure": [
                "injection_left",
                "injection_left_lo",
                "injection_left_hi",
                "injection_failures_since",
                "injection_expected_untreated",
            ],
            "amount": [0.4, 0.23, 0.6, 13.0, 31.8],
        }
    )
    sentence = page.injection_sentence(amounts, Settings())
    assert "0.40 times (0.23 to 0.60, gamma)" in sentence
    assert "13 failures where 31.8 were to be expected" in sentence
    assert "uses the same. The settings' 0.30 is its prior, worth one failure" in sentence
    assert page.injection_sentence(amounts.assign(amount=0.0), Settings()) == ""
