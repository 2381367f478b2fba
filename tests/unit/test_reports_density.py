"""Charts of very many points: every point is counted once, and the chart stays light."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from reports import page
from reports.figures.density import MANY_POINTS, NAMED, densities, outline
from reports.figures.locating import chart_errors
from reports.links import Links


def digs(rows: int) -> pd.DataFrame:
    rng = np.random.default_rng(7)
    return pd.DataFrame({
        "job_id": [f"J-{n}" for n in range(rows)], "dug_distance_m": rng.gamma(2.0, 120.0, rows),
        "error_m": rng.normal(3.0, 8.0, rows), "corrected_error_m": rng.normal(0.0, 5.0, rows),
    })  # fmt: skip


def test_a_million_points_are_all_counted_and_weigh_little() -> None:
    rows = digs(1_000_000)
    rows.loc[123_456, "error_m"] = -900.0
    chart = chart_errors(rows)
    assert len(page.chart_json(chart, Links(is_served=True))) < 100_000
    for name, column in (("as displayed", "error_m"), ("corrected", "corrected_error_m")):
        traces = [t for t in chart.data if t.name == name]
        assert sum(traces[0].customdata) + sum(len(t.x) for t in traces[1:]) == len(rows)
        named = {job for t in traces[1:] for job, _ in t.customdata}
        assert named == set(rows.loc[rows[column].abs().nlargest(NAMED).index, "job_id"])
    assert "J-123456" in {job for t in chart.data[1:3] for job, _ in t.customdata}


def test_cells_stand_at_the_mean_of_their_points() -> None:
    rows = digs(20_000)
    cells, farthest = densities(rows, "dug_distance_m", "error_m", reach=15.0)
    rest = rows.drop(farthest.index)
    share = cells["points"] / cells["points"].sum()
    assert (share * cells["dug_distance_m"]).sum() == pytest.approx(rest["dug_distance_m"].mean(), abs=0.05)
    assert (share * cells["error_m"]).sum() == pytest.approx(rest["error_m"].clip(-15, 15).mean(), abs=0.005)
    assert cells["error_m"].abs().max() <= 15.0
    full = cells.loc[cells["points"].idxmax()]
    quarter = cells.iloc[(cells["points"] - full["points"] / 4).abs().argmin()]
    assert quarter["size"] / full["size"] == pytest.approx((quarter["points"] / full["points"]) ** 0.5, abs=0.01)


def test_points_all_at_one_place_are_one_cell() -> None:
    rows = digs(100).assign(dug_distance_m=5.0, error_m=1.0)
    cells, farthest = densities(rows, "dug_distance_m", "error_m", reach=15.0)
    assert cells[["dug_distance_m", "error_m", "points"]].to_numpy().tolist() == [[5.0, 1.0, 100 - NAMED]]
    assert len(farthest) == NAMED


def test_fewer_points_are_drawn_one_by_one() -> None:
    rows = digs(MANY_POINTS)
    inside, *_ = (t for t in chart_errors(rows).data if t.name == "as displayed")
    assert all(job.startswith("J-") for job, _ in inside.customdata)
    assert list(inside.meta["to"]) == [f"job:{job}" for job, _ in inside.customdata]


def test_a_long_line_keeps_its_lowest_and_its_highest() -> None:
    rng = np.random.default_rng(3)
    rows = pd.DataFrame({"ewma": rng.normal(size=200_000).cumsum()}, index=rng.permutation(200_000))
    kept = outline(rows, "ewma")
    assert len(kept) <= MANY_POINTS / 5
    assert (kept["ewma"].min(), kept["ewma"].max()) == (rows["ewma"].min(), rows["ewma"].max())
    place = pd.Series(range(len(rows)), index=rows.index)
    assert place.loc[kept.index].is_monotonic_increasing
    assert outline(rows.head(MANY_POINTS), "ewma").equals(rows.head(MANY_POINTS))
