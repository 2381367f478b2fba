"""Two periods compared: against statsmodels' cluster-robust errors, and by simulation where days hang together."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from pipelines.restoration.periods import compare_periods


def stormy(rng: np.random.Generator, days: int, mean: float) -> pd.DataFrame:
    """Jobs of some days, a few on most and many on some, alike within a day."""
    jobs = np.where(rng.random(days) < 0.1, rng.poisson(12, days) + 1, rng.poisson(0.8, days) + 1)
    day = np.repeat(np.arange(days), jobs)
    level = rng.gamma(4, mean / 4, days)
    return pd.DataFrame({"cluster": day, "report_to_restore_min": level[day] * rng.gamma(5, 1 / 5, len(day))})


def test_limits_are_near_those_of_statsmodels_with_days_as_clusters() -> None:
    """On many days skewness and the jackknife matter little: a regression on the period, errors clustered by day."""
    rng = np.random.default_rng(7)
    now, before = stormy(rng, 3000, 150.0), stormy(rng, 4000, 140.0)
    both = pd.concat([now.assign(is_now=1.0), before.assign(is_now=0.0, cluster=before["cluster"] + 10_000)])
    fit = sm.OLS(both["report_to_restore_min"], sm.add_constant(both["is_now"])).fit(
        cov_type="cluster", cov_kwds={"groups": both["cluster"].to_numpy()}
    )
    found = compare_periods(now, before, ("report_to_restore",), 0.9).iloc[0]
    assert (found["jobs"], found["jobs_before"]) == (len(now), len(before))
    assert found["difference_min"] == pytest.approx(fit.params["is_now"])
    reach = (fit.conf_int(0.1).loc["is_now", 1] - fit.conf_int(0.1).loc["is_now", 0]) / 2
    assert found["difference_hi"] - found["difference_min"] == pytest.approx(reach, rel=0.05)
    assert found["difference_min"] - found["difference_lo"] == pytest.approx(reach, rel=0.05)


def test_limits_hold_where_jobs_of_a_day_are_alike() -> None:
    """Of 400 pairs of like periods 90 % limits leave zero out in 40 by design; 20 days a period are few."""
    rng = np.random.default_rng(11)
    out = 0
    for _ in range(400):
        found = compare_periods(stormy(rng, 25, 150), stormy(rng, 25, 150), ("report_to_restore",), 0.90).iloc[0]
        out += found["judged"] != "within"
    assert 24 <= out <= 64


def test_few_days_and_no_jobs_are_not_judged() -> None:
    now = pd.DataFrame({"cluster": [1, 1, 2], "report_to_restore_min": [10.0, 20.0, np.nan]})
    before = pd.DataFrame({"cluster": [1, 2], "report_to_restore_min": [5.0, 7.0]})
    found = compare_periods(now, before, ("report_to_restore",), 0.9).iloc[0]
    assert (found["jobs"], found["mean_min"], found["jobs_before"], found["mean_before_min"]) == (2, 15.0, 2, 6.0)
    assert found["difference_min"] == 9.0 and np.isnan(found["difference_lo"]) and found["judged"] == "too_few"
    assert compare_periods(now.iloc[:0], before, ("report_to_restore",), 0.9).iloc[0]["jobs"] == 0


def test_a_plain_change_is_told() -> None:
    rng = np.random.default_rng(3)
    found = compare_periods(stormy(rng, 200, 90), stormy(rng, 200, 180), ("report_to_restore",), 0.9).iloc[0]
    assert found["judged"] == "shorter" and found["difference_lo"] < -90 < found["difference_hi"]
