"""Savings of a change, against a replay of every job with the change made."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipelines.restoration.what_if import find_savings, summarise_savings


def replay(arrived: float, located: float, blocks: list[tuple[float, int]], sooner: float, kept: float) -> float:
    """Customer-minutes when the crew comes sooner and searches for a share of the time."""
    gained = min(arrived, sooner)

    def moved(minute: float) -> float:
        if minute < arrived:
            return minute
        searched = min(minute, located) - arrived
        return minute - gained - searched * (1 - kept)

    return sum(customers * moved(minute) for minute, customers in blocks)


def test_savings_are_those_of_a_replay() -> None:
    rng = np.random.default_rng(1)
    for _ in range(200):
        arrived = float(rng.integers(0, 60))
        located = arrived + float(rng.integers(1, 120))
        blocks = [(float(m), int(c)) for m, c in zip(rng.integers(0, 300, 4), rng.integers(1, 50, 4), strict=True)]
        before = sum(c * m for m, c in blocks)
        jobs = pd.DataFrame(
            {
                "report_to_arrive": [arrived],
                "customers_out_at_arrival": [float(sum(c for m, c in blocks if m >= arrived))],
                "arrive_to_locate_customer_minutes": [sum(c * (min(m, located) - min(m, arrived)) for m, c in blocks)],
            }
        )
        found = find_savings(jobs).iloc[0]
        assert found["arrive_10_minutes_sooner"] == pytest.approx(before - replay(arrived, located, blocks, 10, 1))
        assert found["search_halved"] == pytest.approx(before - replay(arrived, located, blocks, 0, 0.5))
        assert found["both"] == pytest.approx(before - replay(arrived, located, blocks, 10, 0.5))


def test_a_missing_stamp_claims_no_saving() -> None:
    jobs = pd.DataFrame(
        {"report_to_arrive": [np.nan], "customers_out_at_arrival": [9.0], "arrive_to_locate_customer_minutes": [np.nan]}
    )
    assert find_savings(jobs).iloc[0].tolist() == [0, 0, 0]


def test_the_summary_adds_up() -> None:
    rng = np.random.default_rng(2)
    jobs = pd.DataFrame(
        {
            "all": "all",
            "district": rng.choice(["A", "B"], 200),
            "report_to_arrive": 40.0,
            "customers_out_at_arrival": rng.integers(1, 60, 200).astype(float),
            "arrive_to_locate_customer_minutes": rng.integers(0, 5000, 200).astype(float),
            "customer_minutes": 9000.0,
            "cluster": range(200),
        }
    )
    found = summarise_savings(jobs, ("all", "district"), 4.0, coverage=0.9)
    every = found[(found["scenario"] == "search_halved") & (found["grouped_by"] == "all")].iloc[0]
    assert every["saved_customer_minutes"] == pytest.approx(jobs["arrive_to_locate_customer_minutes"].sum() / 2)
    assert every["saved_share"] == pytest.approx(every["saved_customer_minutes"] / (200 * 9000))
    assert every["saved_per_year"] == pytest.approx(every["saved_customer_minutes"] / 4)
    assert every["saved_lo"] < every["saved_customer_minutes"] < every["saved_hi"]
    parts = found[(found["scenario"] == "search_halved") & (found["grouped_by"] == "district")]
    assert parts["saved_customer_minutes"].sum() == pytest.approx(every["saved_customer_minutes"])


def test_jobs_of_one_day_count_as_one_in_the_limits() -> None:
    rng = np.random.default_rng(3)
    of_day = rng.gamma(1.0, 2000.0, 40)
    jobs = pd.DataFrame(
        {
            "all": "all",
            "cluster": np.repeat(np.arange(40), 5),
            "report_to_arrive": 40.0,
            "customers_out_at_arrival": 0.0,
            "arrive_to_locate_customer_minutes": np.repeat(of_day, 5),
            "customer_minutes": 9000.0,
        }
    )
    options = {"coverage": 0.9}
    alike = summarise_savings(jobs, ("all",), 1.0, **options).set_index("scenario").loc["search_halved"]
    one_by_one = summarise_savings(jobs.assign(cluster=range(200)), ("all",), 1.0, **options)
    apart = one_by_one.set_index("scenario").loc["search_halved"]
    wider = (alike["saved_hi"] - alike["saved_lo"]) / (apart["saved_hi"] - apart["saved_lo"])
    assert np.sqrt(5) < wider < 1.15 * np.sqrt(5)  # 40 independent values, not 200, and less freedom


def test_savings_of_groups_without_customers_have_no_share_and_no_jobs_give_no_rows() -> None:
    jobs = pd.DataFrame(
        {
            "district": ["A", "A", "B"],
            "cluster": range(3),
            "report_to_arrive": [40.0, 4.0, 40.0],
            "customers_out_at_arrival": [3.0, 5.0, 0.0],
            "arrive_to_locate_customer_minutes": [100.0, 60.0, 0.0],
            "customer_minutes": [400.0, 100.0, 0.0],
        }
    )
    options = {"coverage": 0.9}
    found = summarise_savings(jobs, ("district",), 2.0, **options)
    shown = ["scenario", "group_name", "jobs", "customer_minutes", "saved_customer_minutes", "saved_per_year"]
    assert found[shown].to_numpy().tolist() == [
        ["arrive_10_minutes_sooner", "A", 2, 500, 3 * 10 + 5 * 4, 25],
        ["arrive_10_minutes_sooner", "B", 1, 0, 0, 0],
        ["search_halved", "A", 2, 500, 80, 40],
        ["search_halved", "B", 1, 0, 0, 0],
        ["both", "A", 2, 500, 130, 65],
        ["both", "B", 1, 0, 0, 0],
    ]
    assert found.index.tolist() == list(range(6))
    share = [50 / 500, np.nan, 80 / 500, np.nan, 130 / 500, np.nan]
    assert found["saved_share"].tolist() == pytest.approx(share, nan_ok=True)
    assert found[["saved_lo", "saved_hi"]].isna().all(axis=None)  # one day or two are too few
    empty = summarise_savings(jobs[:0], ("district",), 2.0, **options)
    assert empty.empty and list(empty.columns) == list(found.columns)
