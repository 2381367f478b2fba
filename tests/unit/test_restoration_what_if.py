"""Savings of the levers by hand; that they equal a replay of every block is in test_restoration_two_routes.py."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipelines.restoration.what_if import LEVERS, choose_loops, find_costs, find_savings, name_scenarios
from pipelines.restoration.what_if import summarise_savings as summarise
from shared.settings import Restoration


def make_jobs(**columns: object) -> pd.DataFrame:
    """Jobs of which only the columns that matter are given."""
    usual: dict[str, object] = {
        "all": "all",
        "cluster": range(len(next(iter(columns.values())))),  # type: ignore[arg-type]
        "loop_id": "L1",
        "report_to_arrive": 40.0,
        "dispatch_to_arrive": 30.0,
        "customers_out_at_arrival": 0.0,
        "arrive_to_locate_customer_minutes": 0.0,
        "switch_customer_minutes": 0.0,
        "feed_customer_minutes": 0.0,
        "is_radial": False,
        "is_night": False,
        "customer_minutes": 9000.0,
    }
    return pd.DataFrame(usual | columns)


def summarise_savings(jobs, groupings=("all",), years=1.0, settings=None, is_whole_fleet=True, **options):
    usual = {"coverage": 0.9} | options
    return summarise(jobs, groupings, years, settings or Restoration(), is_whole_fleet=is_whole_fleet, **usual)


def test_each_lever_by_hand() -> None:
    """A night job on a loop with indicators, a day job on a loop without, a radial by day."""
    jobs = make_jobs(
        loop_id=["L1", "L2", "L3"],
        report_to_arrive=[40.0, 4.0, 40.0],
        customers_out_at_arrival=[10.0, 20.0, 30.0],
        arrive_to_locate_customer_minutes=[600.0, 100.0, 200.0],
        switch_customer_minutes=[50.0, 70.0, 90.0],
        feed_customer_minutes=[500.0, 500.0, 500.0],
        is_radial=[False, False, True],
        is_night=[True, False, False],
    )
    settings = Restoration(indicator_loops="L1 , L3", search_share=0.75)
    alone = pd.concat([find_savings(jobs, (lever,), settings) for lever in LEVERS], axis=1)
    assert alone.columns.tolist() == list(LEVERS)
    expected = {
        "arrive_sooner": [10 * 10, 20 * 4, 30 * 10],
        "search_shorter": [150, 25, 50],
        "switch_sooner": [50, 70, 0],
        "temporary_feed": [0, 0, 250],
        "fault_indicators": [300, 0, 100],
        "second_crew_at_night": [600 * 0.3 + 0.3 * 30 * 10, 0, 0],
    }
    for lever, saved in expected.items():
        assert alone[lever].tolist() == pytest.approx(saved), lever
    added = find_savings(jobs, LEVERS, settings)
    assert added["fault_indicators"].tolist() == pytest.approx([450 / 2, 0, 150 / 2])
    # of 30 minutes of travel 20 are left after arriving 10 sooner, of the search 3/4 of a half
    assert added["second_crew_at_night"].tolist() == pytest.approx([225 * 0.3 + 0.3 * 20 * 10, 0, 0])


def test_a_missing_stamp_claims_no_saving_and_is_counted() -> None:
    nothing = {name: [np.nan, 0.0, 0.0] for name in ("report_to_arrive", "dispatch_to_arrive")}
    jobs = make_jobs(
        arrive_to_locate_customer_minutes=[np.nan, np.nan, 90.0],
        switch_customer_minutes=[np.nan, 5.0, 5.0],
        feed_customer_minutes=[np.nan, np.nan, 7.0],
        is_radial=[False, True, True],
        is_night=[True, False, True],
        customers_out_at_arrival=[9.0, 9.0, 9.0],
        **nothing,
    )
    found = summarise_savings(jobs, settings=Restoration(indicator_loops="L9")).set_index("lever")
    assert found["jobs_without_record"].to_dict() == {
        "arrive_sooner": 1,
        "search_shorter": 2,
        "both": 2,
        "switch_sooner": 1,  # the second job is a radial, which this lever does not reach
        "temporary_feed": 1,
        "fault_indicators": 0,
        "second_crew_at_night": 1,
        "all_together": 2,
    }
    assert found.loc["both", "saved_customer_minutes"] == 45
    assert found.loc["second_crew_at_night", "saved_customer_minutes"] == pytest.approx(27)


def test_a_night_job_with_one_part_known_saves_that_part() -> None:
    parts = {"arrive_to_locate_customer_minutes": [np.nan, 100.0], "dispatch_to_arrive": [30.0, np.nan]}
    jobs = make_jobs(is_night=[True, True], customers_out_at_arrival=[10.0, 10.0], **parts)
    saved = find_savings(jobs, ("second_crew_at_night",), Restoration())["second_crew_at_night"]
    assert saved.tolist() == pytest.approx([0.3 * 30 * 10, 0.3 * 100])


def test_indicators_go_to_the_loops_interrupted_most() -> None:
    jobs = make_jobs(loop_id=list("ABBCCD"), customer_minutes=[9.0, 1, 1, 1, 2, 5])
    assert choose_loops(jobs, Restoration(indicator_most=3)) == ["C", "B", "A"]
    assert choose_loops(jobs, Restoration(indicator_loops="X, Y")) == ["X", "Y"]
    assert choose_loops(jobs, Restoration(indicator_most=0)) == []


def test_names_say_how_far_arrivals_and_searches_are_changed() -> None:
    assert list(name_scenarios(Restoration()).values())[:3] == ["arrive_10_minutes_sooner", "search_halved", "both"]
    changed = name_scenarios(Restoration(arrive_sooner_min=7.5, search_share=0.3))
    assert list(changed.values())[:2] == ["arrive_7.5_minutes_sooner", "search_cut_to_30_pct"]


def test_the_summary_adds_up() -> None:
    rng = np.random.default_rng(2)
    jobs = make_jobs(
        district=rng.choice(["A", "B"], 200),
        loop_id=rng.choice([f"L{n}" for n in range(30)], 200),
        customers_out_at_arrival=rng.integers(1, 60, 200).astype(float),
        arrive_to_locate_customer_minutes=rng.integers(0, 5000, 200).astype(float),
        switch_customer_minutes=rng.integers(0, 500, 200).astype(float),
        is_night=rng.random(200) < 0.3,
    )
    found = summarise_savings(jobs, ("all", "district"), 4.0)
    by_lever = found[found["grouped_by"] == "all"].set_index("lever")
    every = by_lever.loc["search_shorter"]
    assert every["saved_customer_minutes"] == pytest.approx(jobs["arrive_to_locate_customer_minutes"].sum() / 2)
    assert every["saved_share"] == pytest.approx(every["saved_customer_minutes"] / (200 * 9000))
    assert every["saved_per_year"] == pytest.approx(every["saved_customer_minutes"] / 4)
    assert every["saved_lo"] < every["saved_customer_minutes"] < every["saved_hi"]
    parts = found[(found["lever"] == "search_shorter") & (found["grouped_by"] == "district")]
    assert parts["saved_customer_minutes"].sum() == pytest.approx(every["saved_customer_minutes"])
    whole = by_lever.loc["all_together"]
    assert by_lever.loc[list(LEVERS), "added_customer_minutes"].sum() == pytest.approx(whole["saved_customer_minutes"])
    assert whole["saved_customer_minutes"] < by_lever.loc[list(LEVERS), "saved_customer_minutes"].sum()
    assert np.isnan(by_lever.loc["both", "added_customer_minutes"])


def test_costs_are_set_against_the_saving_and_its_limits() -> None:
    jobs = make_jobs(
        loop_id=[f"L{n % 4}" for n in range(40)],
        customers_out_at_arrival=np.linspace(1, 20, 40),
        feed_customer_minutes=100.0,
        is_radial=[n < 10 for n in range(40)],
    )
    settings = Restoration(
        arrive_sooner_cost=1000, search_cost=500, feed_cost=200, indicator_cost=30, indicator_most=3, feed_share=0.4
    )
    costs = find_costs(jobs, 2.0, settings)
    assert costs["temporary_feed"] == pytest.approx(200 * 10 / 2 * 0.4)
    assert costs["fault_indicators"] == 30 * 3 and costs["both"] == 1500
    assert np.isnan([costs["switch_sooner"], costs["second_crew_at_night"], costs["all_together"]]).all()
    found = summarise_savings(jobs, ("all", "is_radial"), 2.0, settings)
    row = found[(found["lever"] == "arrive_sooner") & (found["grouped_by"] == "all")].iloc[0]
    assert row["cost_per_saved_minute"] == pytest.approx(1000 / row["saved_per_year"])
    assert row["cost_per_saved_minute_lo"] == pytest.approx(1000 / (row["saved_hi"] / 2))
    assert row["cost_per_saved_minute_hi"] == pytest.approx(1000 / (row["saved_lo"] / 2))
    halved = found[found["lever"] == "search_shorter"].iloc[0]  # nothing is searched for, so nothing can be bought
    assert halved["cost_per_year"] == 500 and np.isnan(halved["cost_per_saved_minute"])
    assert found.loc[found["grouped_by"] == "is_radial", "cost_per_year"].isna().all()
    assert summarise_savings(jobs, settings=settings, is_whole_fleet=False)["cost_per_year"].isna().all()


def test_jobs_of_one_cluster_count_as_one_in_the_limits() -> None:
    rng = np.random.default_rng(3)
    of_day = rng.gamma(1.0, 2000.0, 40)
    jobs = make_jobs(arrive_to_locate_customer_minutes=np.repeat(of_day, 5), cluster=np.repeat(np.arange(40), 5))
    alike = summarise_savings(jobs).set_index("lever").loc["search_shorter"]
    apart = summarise_savings(jobs.assign(cluster=range(200))).set_index("lever").loc["search_shorter"]
    wider = (alike["saved_hi"] - alike["saved_lo"]) / (apart["saved_hi"] - apart["saved_lo"])
    assert np.sqrt(5) < wider < 1.15 * np.sqrt(5)  # 40 independent values, not 200, and less freedom


def test_savings_of_groups_without_customers_have_no_share_and_no_jobs_give_no_rows() -> None:
    jobs = make_jobs(
        district=["A", "A", "B", "B"],
        report_to_arrive=[40.0, 4.0, 40.0, 40.0],
        customers_out_at_arrival=[3.0, 5.0, 0.0, 7.0],
        arrive_to_locate_customer_minutes=[100.0, 60.0, 0.0, 50.0],
        customer_minutes=[400.0, 100.0, 0.0, np.nan],  # the last is left out
    )
    found = summarise_savings(jobs, ("district",), 2.0)
    shown = ["scenario", "group_name", "jobs", "customer_minutes", "saved_customer_minutes", "saved_per_year"]
    assert found.loc[:5, shown].to_numpy().tolist() == [
        ["arrive_10_minutes_sooner", "A", 2, 500, 3 * 10 + 5 * 4, 25],
        ["arrive_10_minutes_sooner", "B", 1, 0, 0, 0],
        ["search_halved", "A", 2, 500, 80, 40],
        ["search_halved", "B", 1, 0, 0, 0],
        ["both", "A", 2, 500, 130, 65],
        ["both", "B", 1, 0, 0, 0],
    ]
    assert found.index.tolist() == list(range(16))
    share = [50 / 500, np.nan, 80 / 500, np.nan, 130 / 500, np.nan]
    assert found["saved_share"][:6].tolist() == pytest.approx(share, nan_ok=True)
    assert found[["saved_lo", "saved_hi"]].isna().all(axis=None)  # one day or two are too few
    empty = summarise_savings(jobs[:0], ("district",), 2.0)
    assert empty.empty and list(empty.columns) == list(found.columns)
