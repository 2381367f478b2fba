"""The demo's ranking against the failures that are truly to be expected of each section. Print with pytest -s."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from synthetic_data import truth

HORIZON_YEARS = 5.0
YEAR_DAYS = 365.25


@pytest.fixture
def ranked(demo_space) -> pd.DataFrame:
    """Ranked sections with the body failures their true intensity expects over the horizon."""
    ranking = pd.read_csv(demo_space.folder / "exports/section_ranking.csv")
    sections = pd.read_csv(demo_space.folder / "demo/truth/sections.csv", parse_dates=["installed_on"])
    classes = pd.DataFrame(
        [{"cable_class": c.name, "true_rate": c.rate_at_30 / 100, "true_shape": c.shape} for c in truth.CLASSES]
    )
    known = sections[
        ["section_id", "cable_class", "installed_on", "length_m", "intensity_multiplier", "rejuvenated_on"]
    ].merge(classes, on="cable_class")
    frame = ranking.merge(known, on="section_id", suffixes=("", "_true"))
    as_of = pd.to_datetime(pd.read_csv(demo_space.folder / "demo/export/jobs.csv")["reported_at"]).max()
    age = (as_of - frame["installed_on_true"]).dt.days / YEAR_DAYS

    def cumulative(years: pd.Series) -> pd.Series:
        return frame["true_rate"] * 30 / frame["true_shape"] * (years / 30) ** frame["true_shape"]

    treated = np.where(frame["rejuvenated_on"].notna(), truth.INJECTION_FACTOR, 1.0)
    per_km = (cumulative(age + HORIZON_YEARS) - cumulative(age)) * frame["intensity_multiplier"] * treated
    return frame.assign(true_per_km=per_km, true_failures=per_km * frame["length_m"] / 1000)


def capture(frame: pd.DataFrame, order: np.ndarray, fraction: float) -> float:
    """Share of the truly expected failures on the first part of the length in this order."""
    picked = frame.iloc[order]
    within = picked["length_m"].cumsum() <= fraction * frame["length_m"].sum()
    return float(picked.loc[within, "true_failures"].sum() / frame["true_failures"].sum())


def test_the_sum_expected_is_near_the_truth(ranked):
    """Cable alone is in the truth; the records also count splices, about one in eight."""
    ratio = ranked["expected_failures"].sum() / ranked["true_failures"].sum()
    print(f"\nexpected {ranked['expected_failures'].sum():.1f}, true for the cable {ranked['true_failures'].sum():.1f}")
    assert 0.7 < ratio < 1.5


def test_the_ranking_finds_more_true_risk_than_the_simple_rules(ranked):
    orders = {
        "perfect knowledge": np.argsort(-ranked["true_per_km"].to_numpy(), kind="stable"),
        "model": np.argsort(ranked["rank"].to_numpy(), kind="stable"),
        "failures per km": np.argsort(-(ranked["failures_recorded"] / ranked["length_m"]).to_numpy(), kind="stable"),
        "oldest first": np.argsort(ranked["installed_on_true"].to_numpy(), kind="stable"),
    }
    table = pd.DataFrame(
        {name: {f: capture(ranked, order, f) for f in (0.05, 0.10, 0.20)} for name, order in orders.items()}
    )
    print(f"\n{table.round(3).to_string()}")
    assert (table["model"] < table["perfect knowledge"]).all()
    assert table.loc[0.10, "model"] > table.loc[0.10, "oldest first"]
    assert table.loc[0.10, "model"] > table.loc[0.10, "failures per km"] - 0.02
