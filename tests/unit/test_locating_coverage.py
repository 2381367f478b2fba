"""Quantiles and back-test of dig windows."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from pipelines.locating.coverage import (
    backtest_windows,
    choose_method,
    conformal_quantile,
    fit_quantiles,
    parametric_quantile,
    summarise_coverage,
)


def make_digs(n: int = 600, tail: float = 0.0, seed: int = 1) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    error = rng.normal(0, 2.0, n) + np.where(rng.random(n) < tail, rng.normal(0, 100, n), 0)
    return pd.DataFrame(
        {
            "read_at": pd.Timestamp("2010-01-01", tz="UTC") + pd.to_timedelta(np.arange(n), unit="D"),
            "reading_id": [f"r{i:05d}" for i in range(n)],
            "forward_error_m": error,
            "forward_se_m": 2.0,
            "freedom": 1e6,
            "wrong_share": 0.0,
            "true_length_m": rng.uniform(5, 300, n),
            "cable_class": "A",
            "instrument_id": "I1",
        }
    )


def test_the_conformal_quantile_is_the_order_statistic_of_the_rule() -> None:
    assert conformal_quantile(np.arange(1.0, 10.0), 0.80) == 8.0  # ceil(10 x 0.80) = 8th of nine
    assert conformal_quantile(np.arange(1.0, 10.0), 0.95) == math.inf


def test_the_parametric_quantile_makes_room_for_gross_errors() -> None:
    assert parametric_quantile(0.80, 1e9, 0.0) == pytest.approx(1.28155, abs=1e-4)  # normal table
    assert parametric_quantile(0.80, 1e9, 0.10) == pytest.approx(1.59322, abs=1e-4)  # 0.80 / 0.90 = 0.8889


def test_windows_hold_what_they_promise_on_plain_errors() -> None:
    tested = backtest_windows(make_digs(2000), (0.5, 0.8, 0.95))
    table = summarise_coverage(tested, "conformal", 0.90)
    overall = table[(table["grouped_by"] == "all")]
    assert (overall["held_share"] - overall["window_level"]).abs().max() < 0.03
    assert (overall["tried"] == 1950).all()


def test_conformal_is_chosen_where_the_form_of_the_errors_is_another() -> None:
    digs = make_digs(1500)
    digs["forward_error_m"] = (
        np.sign(digs["forward_error_m"]) * 2.0 * np.random.default_rng(2).exponential(1, 1500) ** 2
    )
    assert choose_method(backtest_windows(digs, (0.5, 0.8, 0.95))) == "conformal"


def test_nothing_is_tested_below_fifty_digs() -> None:
    tested = backtest_windows(make_digs(40), (0.5, 0.8, 0.95))
    assert tested.empty
    assert choose_method(tested) == "parametric"
    assert summarise_coverage(tested, "parametric", 0.9).empty
    table = fit_quantiles(make_digs(40), "parametric", (0.8,), 100.0, 0.0)
    assert table["window_method"].tolist() == ["parametric"]


def test_wilson_limits() -> None:
    # Wilson limits of 8 of 10 at 95 %: 0.490 and 0.943, as printed in many tables
    tested = pd.DataFrame(
        {
            "true_length_m": 60.0,
            "cable_class": "A",
            "instrument_id": "I1",
            "window_level": 0.8,
            "window_method": "parametric",
            "half_width_m": 2.0,
            "is_held": [True] * 8 + [False] * 2,
        }
    )
    row = summarise_coverage(tested, "parametric", 0.95).iloc[0]
    assert (round(row["held_lo"], 3), round(row["held_hi"], 3)) == (0.490, 0.943)
