"""Season: found where planted, not found where not, and taken off where found."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats

from pipelines.locating.season import ENOUGH, fit_season, season_errors, season_shift, take_season_off
from pipelines.locating.velocity import fit_velocity
from tests.locating_fleets import Design, made_up_fit, make_readings
from tests.unit.test_locating_drift import make_history


def test_a_season_is_found_with_its_size_and_its_day() -> None:
    history = make_history(0.0, n=1500)
    day = history["read_at"].dt.day_of_year
    swing = 0.0045 * np.cos(2 * np.pi * (day - 45) / 365.25)
    found = fit_season(history.assign(relative_error=history["relative_error"] + swing), 0.90).iloc[0]
    assert found["is_carried"]
    assert found["season_lo"] < 0.45 < found["season_hi"]
    assert abs(found["reads_longest_day"] - 45) < 35


def test_the_swing_and_its_test_are_those_of_weighted_regression() -> None:
    """statsmodels' WLS: F-test of both terms; the limits are the chi distribution's for a pair of equal variances."""
    history = make_history(0.0, n=200).assign(standard_error=np.random.default_rng(4).uniform(0.01, 0.05, 200))
    angle = 2 * np.pi * history["read_at"].dt.day_of_year / 365.25
    pair = np.column_stack([np.cos(angle), np.sin(angle)])
    fit = sm.WLS(history["relative_error"], sm.add_constant(pair), weights=history["standard_error"] ** -2).fit()
    found = fit_season(history, 0.90).iloc[0]
    cosine, sine = fit.params[1:]
    assert found["season_p_value"] == pytest.approx(float(fit.f_test(np.eye(3)[1:]).pvalue), rel=1e-9)
    assert found["season_pct"] == pytest.approx(100 * np.hypot(cosine, sine))
    reach = 100 * stats.chi.ppf(0.9, 2) * (np.diag(fit.cov_params())[1:].mean()) ** 0.5
    assert found["season_hi"] == pytest.approx(found["season_pct"] + reach)
    assert found["season_lo"] == pytest.approx(max(found["season_pct"] - reach, 0))
    assert found["reads_longest_day"] == pytest.approx(
        np.arctan2(sine, cosine) / (2 * np.pi) * 365.25 % 365 + 1, abs=0.5
    )


def test_a_season_needs_three_quarters_and_readings_enough() -> None:
    history = make_history(0.0, n=1500, seed=5)
    parts = history[history["read_at"].dt.month <= 9]
    assert fit_season(parts, 0.90)["readings"].tolist() == [len(parts)]
    counts = [len(fit_season(history.iloc[::10].head(n), 0.90)) for n in (ENOUGH - 1, ENOUGH)]
    assert counts == [0, 1]


def test_no_season_is_found_without_one_or_within_half_a_year() -> None:
    history = make_history(0.0, n=1500, seed=5)
    assert not fit_season(history, 0.99)["is_carried"].any()
    assert fit_season(history[history["read_at"].dt.month <= 6], 0.90).empty


def test_the_shift_is_nothing_where_no_season_is_carried() -> None:
    season = pd.DataFrame(
        {
            "insulation": ["XLPE", "EPR"],
            "season_pct": [0.5, 0.9],
            "reads_longest_day": [45, 45],
            "is_carried": [True, False],
        }
    )
    read_at = pd.Series(pd.to_datetime(["2020-02-14", "2020-08-14", "2020-02-14", None, "2020-02-14"], utc=True))
    shift = season_shift(season, pd.Series(["XLPE", "XLPE", "EPR", "XLPE", None]), read_at)
    assert shift[0] == pytest.approx(0.005, abs=1e-6)
    assert shift[1] == pytest.approx(0.005 * np.cos(2 * np.pi * (227 - 45) / 365.25))
    assert shift[2:].tolist() == [0.0, 0.0, 0.0]


def test_readings_with_the_season_taken_off_scatter_less() -> None:
    readings, _ = make_readings(Design(classes=1, instruments=3, dug=150, far_end=0), np.random.default_rng(3))
    read_at = pd.Series(
        pd.Timestamp("2015-01-01", tz="UTC") + pd.to_timedelta(np.arange(len(readings)) * 31 % 3650, unit="D")
    )
    facts = pd.DataFrame({"read_at": read_at, "insulation": "XLPE"})
    swing = 0.03 * np.cos(2 * np.pi * (read_at.dt.day_of_year.to_numpy() - 45) / 365.25)
    long = take_season_off(readings, 1 / (1 + swing) - 1)  # put on, that is
    fit = fit_velocity(long, tails_recorded=True)
    season = fit_season(season_errors(fit, facts), 0.90)
    assert season["is_carried"].all()
    calm = fit_velocity(take_season_off(long, season_shift(season, facts["insulation"], read_at)), tails_recorded=True)
    assert calm.noise.growing < 0.9 * fit.noise.growing


def test_errors_of_right_readings_are_what_they_would_be_had_they_been_left_out() -> None:
    fit = made_up_fit()
    moments = [
        *pd.date_range("2020-01-01", periods=3, tz="UTC"),
        pd.NaT,
        *pd.date_range("2020-02-01", periods=2, tz="UTC"),
    ]
    found = season_errors(fit, pd.DataFrame({"read_at": moments, "insulation": "XLPE"}))
    # r1 and r4 are likely gross errors (0.4 and 0.5), r3 has no date
    assert found.index.tolist() == [0, 2, 5]
    time = np.array([102 * 1.02, 104 * 0.95, 60 * 1.02 + 20 * 0.95])
    assert found["relative_error"].to_numpy() == pytest.approx(np.array([1.0 / 0.8, 0.5 / 0.7, -1.2 / 0.85]) / time)
    assert found["standard_error"].to_numpy() == pytest.approx(np.sqrt([4.0, 6.0, 3.0]) / time)
    assert take_season_off(fit.readings, np.full(6, 0.25)).time_m == pytest.approx(fit.readings.time_m / 1.25)


def test_a_season_is_carried_where_chance_is_less_than_the_level_leaves() -> None:
    history = make_history(0.0, n=120, seed=5)
    p_value = float(fit_season(history, 0.90)["season_p_value"].iloc[0])
    assert 0.001 < p_value < 0.5
    assert [bool(fit_season(history, 1 - share * p_value)["is_carried"].iloc[0]) for share in (0.99, 1.01)] == [
        False,
        True,
    ]


@pytest.mark.parametrize("longest", [1, 20, 120, 250, 365])
def test_the_swing_and_its_longest_day_are_exact_where_there_is_no_noise_to_speak_of(longest: int) -> None:
    day = np.arange(1, 366, 2)
    read_at = pd.Timestamp("2021-01-01", tz="UTC") + pd.to_timedelta(day - 1, unit="D")
    swing = 0.02 * np.cos(2 * np.pi * (day - longest + 1) / 365.25) + 1e-9 * np.sin(7.0 * day)
    for name in ("XLPE", "EPR"):
        readings = pd.DataFrame(
            {"insulation": name, "read_at": read_at, "relative_error": 0.1 + swing, "standard_error": 0.03}
        )
        row = fit_season(readings, 0.90).iloc[0]
        assert (row["insulation"], row["readings"], row["reads_longest_day"]) == (name, len(day), longest)
        assert (row["season_pct"], row["season_lo"], row["season_hi"]) == pytest.approx((2.0, 2.0, 2.0), abs=1e-4)
        assert row["is_carried"]
