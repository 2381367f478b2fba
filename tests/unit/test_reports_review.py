"""A month's review states what the exports give, and says of a month like the others that it is like them."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from reports import style
from reports.choice import Choice
from reports.pages.review import FIGURES, build, figures_of
from reports.results import Results
from reports.reviews import changes, read_month, write_review
from shared.store import Workspace

Reviewed = tuple[dict[str, Any], dict[str, float | None]]


@pytest.fixture(scope="module")
def results(demo_space: Workspace) -> Results:
    return Results(demo_space.results)


@pytest.fixture(scope="module")
def jobs(demo_space: Workspace) -> pd.DataFrame:
    return pd.read_csv(demo_space.exports / "closed_jobs.csv", parse_dates=["reported_on", "reported_month"])


@pytest.fixture(scope="module")
def month(jobs: pd.DataFrame) -> pd.Timestamp:
    """The month since 2020 with the most jobs."""
    return jobs.loc[jobs["reported_year"] >= 2020, "reported_month"].mode()[0]


@pytest.fixture(scope="module")
def review(results: Results, month: pd.Timestamp) -> Reviewed:
    choice = read_month(f"{month:%Y-%m}", [], "last_year", results)
    return build(results, choice, results.whole.read("marts.closed_jobs"))


def test_jobs_that_have_no_time_have_no_mean() -> None:
    jobs = pd.DataFrame(
        {
            "arrive_to_locate_min": [np.nan, np.nan, np.nan],
            "report_to_restore_min": [60.0, np.nan, 95.5],
            "customers_interrupted": [10, 20, np.nan],
            "customer_minutes": [600.0, np.nan, np.nan],
        }
    )
    assert figures_of(jobs) == {
        "jobs": 3, "customers_interrupted": 30, "customer_minutes": 600, "mean_time_to_locate_min": None,
        "mean_time_to_restore_min": 77.8, "median_time_to_restore_min": 77.8,
    }  # fmt: skip


def test_the_figures_of_a_month_are_those_of_its_rows(
    review: Reviewed, jobs: pd.DataFrame, month: pd.Timestamp, results: Results
) -> None:
    own = jobs[jobs["reported_month"] == month]
    restore = own["report_to_restore_min"]
    assert review[1] == {
        "jobs": len(own),
        "customers_interrupted": own["customers_interrupted"].sum(),
        "customer_minutes": round(own["customer_minutes"].sum()),
        "mean_time_to_locate_min": round(own["arrive_to_locate_min"].mean(), 1),
        "mean_time_to_restore_min": round(restore.mean(), 1),
        "median_time_to_restore_min": round(restore.median(), 1),
    }
    parts = {part.key: part for part in review[0]["parts"]}
    (_, shown, _, usual, judged, then, years), *_ = parts["month"].rows
    months = pd.date_range(jobs["reported_month"].min(), month, freq="MS")
    counts = jobs.groupby("reported_month").size().reindex(months, fill_value=0)
    level = results.settings.general.interval_coverage
    lo, hi = np.quantile(counts.iloc[-61:-1], [(1 - level) / 2, (1 + level) / 2])
    assert (shown, usual) == (str(len(own)), style.limits(lo, hi, 0))
    assert ("above" if len(own) > hi else "below" if len(own) < lo else "within") in judged
    same = counts[(counts.index.month == month.month) & (counts.index < month)]
    assert years == f"{same.mean():.0f} ({same.min()} to {same.max()}), {len(same)} years"
    assert then == str(counts[month - pd.DateOffset(years=1)])
    by_district = own.groupby("district_id")["customer_minutes"].sum()
    for name, _, _, minutes, share, *_ in parts["districts"].rows:
        assert minutes == style.number(by_district.get(name, 0.0), 0)
        assert share == style.percent(by_district.get(name, 0.0) / by_district.sum())


def test_the_jobs_that_cost_most_come_in_order_with_what_is_on_record(
    review: Reviewed, jobs: pd.DataFrame, month: pd.Timestamp
) -> None:
    most = jobs[jobs["reported_month"] == month].nlargest(5, "customer_minutes")
    rows = next(part.rows for part in review[0]["parts"] if part.key == "costliest")
    assert [row[0] for row in rows] == most["job_id"].tolist()
    assert all("cause:" in row[-1] for row in rows)


def test_the_year_to_date_stands_beside_the_same_span_of_the_year_before(
    review: Reviewed, jobs: pd.DataFrame, month: pd.Timestamp, results: Results
) -> None:
    served = results.whole.read("core.customers_served_by_year").set_index("year")["customers_served"]
    rows = next(part.rows for part in review[0]["parts"] if part.key == "year")
    for row, year in zip(rows[::2], (month.year, month.year - 1), strict=True):
        end = pd.Timestamp(year, month.month, 1) + pd.offsets.MonthEnd()
        span = jobs[jobs["reported_on"].between(pd.Timestamp(year, 1, 1), end)]
        saidi = span["customer_minutes_sustained"].sum() / served[year]
        assert row[2:4] == (str(len(span)), style.number(saidi, 1))


def test_what_later_records_changed_of_a_review_is_said_once_the_run_is_another(
    results: Results, month: pd.Timestamp, tmp_path: Path
) -> None:
    choice = read_month(f"{month:%Y-%m}", [], "previous", results)
    first = write_review(results, tmp_path, choice)
    assert first.is_new and not first.changed and changes(results, tmp_path) == []
    bytes_of_first = first.page.read_bytes()
    assert not write_review(results, tmp_path, choice, again=True).is_new
    facts = first.page.with_suffix(".json")
    told = json.loads(facts.read_text())
    told["run"], told["figures"]["jobs"] = "another", told["figures"]["jobs"] - 1
    facts.write_text(json.dumps(told))
    kept = write_review(results, tmp_path, choice)
    number = told["figures"]["jobs"]
    assert not kept.is_new and kept.is_behind and first.page.read_bytes() == bytes_of_first
    assert kept.changed[0].endswith(f": jobs {number:.0f}, now {number + 1:.0f}.")
    other = read_month(f"{month - pd.DateOffset(months=1):%Y-%m}", [], "previous", results)
    second = write_review(results, tmp_path, other if has_jobs(results, other) else choice, again=True)
    assert kept.changed[0] in re.sub(r"\s+", " ", second.page.read_text(encoding="utf-8"))


def has_jobs(results: Results, choice: Choice) -> bool:
    assert choice.first is not None
    return bool((results.whole.read("marts.closed_jobs")["reported_month"] == pd.Timestamp(choice.first)).any())


def test_every_figure_that_is_kept_has_words() -> None:
    assert set(FIGURES) == set(figures_of(pd.DataFrame(columns=[
        "arrive_to_locate_min", "report_to_restore_min", "customers_interrupted", "customer_minutes",
    ])))  # fmt: skip
