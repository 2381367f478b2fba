"""Quantiles and back-test of dig windows."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from pipelines.locating.coverage import (
    backtest_windows,
    choose_quantile,
    conformal_quantile,
    fit_quantiles,
    parametric_quantile,
    summarise_coverage,
    wilson_limits,
)


def make_digs(n: int = 600, tail: float = 0.0, seed: int = 1) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    error = rng.normal(0, 2.0, n) + np.where(rng.random(n) < tail, rng.normal(0, 100, n), 0)
    return pd.DataFrame(
        {
            "way": "along_loop",
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


@pytest.mark.parametrize("form", ["normal", "heavy"])
def test_windows_hold_what_they_promise_whatever_the_form_of_the_errors(form: str) -> None:
    digs = make_digs(2000)
    if form == "heavy":
        heavy = 2.0 * np.random.default_rng(2).exponential(1, 2000) ** 2
        digs["forward_error_m"] = np.sign(digs["forward_error_m"]) * heavy
    table = summarise_coverage(backtest_windows(digs, (0.5, 0.8, 0.95)), 0.90)
    overall = table[table["grouped_by"] == "all"]
    assert (overall["held_share"] - overall["window_level"]).abs().max() < 0.03
    assert overall["tried"].tolist() == [2000] * 3


def test_ranks_of_past_errors_are_used_from_fifty_digs_on() -> None:
    errors = np.arange(1.0, 51.0)
    student = stats.t.ppf(0.5 + 0.8 / 0.9 / 2, 12)
    assert choose_quantile(errors[:49], 0.8, 12.0, 0.1) == (pytest.approx(student), "parametric")
    assert choose_quantile(errors, 0.8, 12.0, 0.1) == (41.0, "conformal")  # ceil(51 x 0.8) = 41st
    # a level that fifty cannot reach
    assert choose_quantile(errors, 0.99, 12.0, 0.1)[1] == "parametric"


def test_wilson_limits() -> None:
    # Wilson limits of 8 of 10 at 95 %: 0.490 and 0.943, as printed in many tables
    low, high = wilson_limits(np.array([8.0, 5.0]), np.array([10.0, 7.0]), 0.95)
    assert (round(low[0], 3), round(high[0], 3)) == (0.490, 0.943)
    assert [low[1], high[1]] == pytest.approx([*stats.binomtest(5, 7).proportion_ci(0.95, "wilson")])


def test_quantiles_at_their_ends() -> None:
    assert conformal_quantile(np.arange(1.0, 5.0), 0.80) == 4.0  # ceil(5 x 0.80) = 4th of four
    assert conformal_quantile(np.arange(1.0, 5.0), 0.81) == math.inf
    # 0.9 of 0.95 right ones; never above 0.999
    assert parametric_quantile(0.9, 7, 0.05) == pytest.approx(stats.t.ppf(0.5 + 0.9 / 0.95 / 2, 7))
    assert parametric_quantile(0.95, 7, 0.3) == pytest.approx(stats.t.ppf(0.9995, 7))


def test_each_dig_is_tried_on_the_errors_before_it() -> None:
    """Written out dig by dig, from a table in no order, with moments that fall together, each way on its own."""
    digs = make_digs(180)
    rng = np.random.default_rng(5)
    digs["way"] = np.where(np.arange(180) % 2 == 0, "along_loop", "by_class")
    digs["read_at"] = digs["read_at"].to_numpy()[np.arange(180) // 6 * 6]
    digs["forward_se_m"] = rng.uniform(1, 4, 180)
    digs["freedom"] = np.where(np.arange(180) < 70, 5.0, 9.0)
    digs["wrong_share"] = np.where(np.arange(180) < 60, 0.02, 0.05)
    tested = backtest_windows(digs.sample(frac=1, random_state=3), (0.5, 0.8))
    assert len(tested) == 2 * 180
    found = tested.set_index(["reading_id", "way", "window_level"])[["half_width_m", "is_held"]]
    for way, own in digs.groupby("way"):
        score = (own["forward_error_m"] / own["forward_se_m"]).abs().to_numpy()
        for i, level in ((i, level) for i in range(90) for level in (0.5, 0.8)):
            row = own.iloc[i]
            if i < 50:
                quantile = stats.t.ppf(0.5 + level / (1 - row["wrong_share"]) / 2, row["freedom"])
            else:
                quantile = np.sort(score[:i])[math.ceil((i + 1) * level) - 1]
            half, held = found.loc[(row["reading_id"], way, level)]
            assert (half, held) == (pytest.approx(quantile * row["forward_se_m"]), score[i] <= quantile)


def test_an_error_on_the_limit_is_held() -> None:
    tested = backtest_windows(make_digs(51).assign(forward_error_m=2.0), (0.5,))
    assert tested["is_held"].tolist() == [False] * 50 + [True]


def test_digs_are_counted_by_way_class_band_both_and_instrument() -> None:
    tested = pd.DataFrame(
        {
            "true_length_m": [0.0, 29.9, 30.0, 59.9, 60.0, 199.9, 200.0, 5000.0],
            "cable_class": ["B", "A", "A", "A", "B", "B", "B", "B"],
            "instrument_id": ["I1", None, None, "I1", "I1", "I1", "I1", "I1"],
            "window_level": 0.8,
            "way": ["along_loop"] * 7 + ["by_class"],
            "half_width_m": [1.0, 2, 3, 4, 5, 6, 7, 8],
            "is_held": [True, False, True, True, False, True, True, True],
        }
    )
    table = summarise_coverage(tested, 0.9)
    own = table[table["way"] == "along_loop"]
    assert own[["grouped_by", "group_name", "tried", "held", "half_width_m"]].to_numpy().tolist() == [
        ["all", "all", 7, 5, 4.0],
        ["cable_class", "A", 3, 2, 3.0],
        ["cable_class", "B", 4, 3, 5.5],
        ["distance_band", "0 to 30 m", 2, 1, 1.5],
        ["distance_band", "100 to 200 m", 1, 1, 6.0],
        ["distance_band", "200 m and more", 1, 1, 7.0],
        ["distance_band", "30 to 60 m", 2, 2, 3.5],
        ["distance_band", "60 to 100 m", 1, 0, 5.0],
        ["class_and_band", "A, 0 to 30 m", 1, 0, 2.0],
        ["class_and_band", "A, 30 to 60 m", 2, 2, 3.5],
        ["class_and_band", "B, 0 to 30 m", 1, 1, 1.0],
        ["class_and_band", "B, 100 to 200 m", 1, 1, 6.0],
        ["class_and_band", "B, 200 m and more", 1, 1, 7.0],
        ["class_and_band", "B, 60 to 100 m", 1, 0, 5.0],
        ["instrument", "I1", 5, 4, 5.0],
        ["instrument", "not on record", 2, 1, 2.5],
    ]
    assert table.loc[table["way"] == "by_class", "group_name"].tolist() == [
        "all", "B", "200 m and more", "B, 200 m and more", "I1",
    ]  # fmt: skip
    wilson = stats.binomtest(5, 7).proportion_ci(0.9, "wilson")
    assert own.iloc[0][["held_share", "held_lo", "held_hi"]].tolist() == pytest.approx([5 / 7, *wilson])


def test_the_quantiles_of_each_way() -> None:
    """Ranks where fifty digs were asked so, Student's elsewhere, also where none was."""
    along = make_digs(60).assign(forward_error_m=np.arange(60, 0, -1.0), forward_se_m=2.0)
    table = fit_quantiles(along, (0.5, 0.99), 8.0, 0.1).set_index(["way", "window_level"])
    student = [stats.t.ppf(0.5 + 0.5 / 0.9 / 2, 8), stats.t.ppf(0.9995, 8)]
    assert table.index.tolist() == [(way, level) for way in ("along_loop", "by_class") for level in (0.5, 0.99)]
    assert table["quantile"].tolist() == pytest.approx([31 / 2, student[1], *student])  # ceil(61 x 0.5) = 31st
    assert table["window_method"].tolist() == ["conformal", "parametric", "parametric", "parametric"]
    assert table["digs"].tolist() == [60, 60, 0, 0]
