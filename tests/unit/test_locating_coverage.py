"""Quantiles and back-test of dig windows."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats

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


def test_quantiles_at_their_ends() -> None:
    assert conformal_quantile(np.arange(1.0, 5.0), 0.80) == 4.0  # ceil(5 x 0.80) = 4th of four
    assert conformal_quantile(np.arange(1.0, 5.0), 0.81) == math.inf
    # 0.9 of 0.95 right ones; never above 0.999
    assert parametric_quantile(0.9, 7, 0.05) == pytest.approx(stats.t.ppf(0.5 + 0.9 / 0.95 / 2, 7))
    assert parametric_quantile(0.95, 7, 0.3) == pytest.approx(stats.t.ppf(0.9995, 7))


def test_each_dig_is_tried_on_the_errors_before_it() -> None:
    """Written out dig by dig, from a table in no order, with moments that fall together."""
    digs = make_digs(90)
    rng = np.random.default_rng(5)
    digs["read_at"] = digs["read_at"].to_numpy()[np.arange(90) // 3 * 3]
    digs["forward_se_m"] = rng.uniform(1, 4, 90)
    digs["freedom"] = np.where(np.arange(90) < 70, 5.0, 9.0)
    digs["wrong_share"] = np.where(np.arange(90) < 60, 0.02, 0.05)
    tested = backtest_windows(digs.sample(frac=1, random_state=3), (0.5, 0.8))
    assert len(tested) == 2 * 2 * 40
    found = tested.set_index(["reading_id", "window_level", "window_method"])[["half_width_m", "is_held"]]
    score = (digs["forward_error_m"] / digs["forward_se_m"]).abs()
    for i, level in ((i, level) for i in range(50, 90) for level in (0.5, 0.8)):
        row = digs.iloc[i]
        quantile = {
            "conformal": np.sort(score[:i])[math.ceil((i + 1) * level) - 1],
            "parametric": stats.t.ppf(0.5 + level / (1 - row["wrong_share"]) / 2, row["freedom"]),
        }
        for method, each in quantile.items():
            half, held = found.loc[(row["reading_id"], level, method)]
            assert (half, held) == (pytest.approx(each * row["forward_se_m"]), score[i] <= each)


def test_an_error_on_the_limit_is_held() -> None:
    digs = make_digs(51).assign(forward_error_m=2.0)
    tested = backtest_windows(digs, (0.5,)).set_index("window_method")["is_held"]
    assert tested.to_dict() == {"parametric": False, "conformal": True}


def test_digs_are_counted_by_class_band_and_instrument() -> None:
    tested = pd.DataFrame(
        {
            "true_length_m": [0.0, 49.9, 50.0, 99.9, 100.0, 199.9, 200.0, 5000.0],
            "cable_class": ["B", "A", "A", "A", "B", "B", "B", "B"],
            "instrument_id": ["I1", None, None, "I1", "I1", "I1", "I1", "I1"],
            "window_level": 0.8,
            "window_method": ["conformal"] * 7 + ["parametric"],
            "half_width_m": [1.0, 2, 3, 4, 5, 6, 7, 8],
            "is_held": [True, False, True, True, False, True, True, True],
        }
    )
    table = summarise_coverage(tested, "conformal", 0.9)
    own = table[table["is_used"]]
    assert table["is_used"].tolist() == (table["window_method"] == "conformal").tolist()
    assert own[["grouped_by", "group_name", "tried", "held", "half_width_m"]].to_numpy().tolist() == [
        ["all", "all", 7, 5, 4.0],
        ["cable_class", "A", 3, 2, 3.0],
        ["cable_class", "B", 4, 3, 5.5],
        ["distance_band", "0 to 50 m", 2, 1, 1.5],
        ["distance_band", "100 to 200 m", 2, 1, 5.5],
        ["distance_band", "200 m and more", 1, 1, 7.0],
        ["distance_band", "50 to 100 m", 2, 2, 3.5],
        ["instrument", "I1", 5, 4, 5.0],
        ["instrument", "not on record", 2, 1, 2.5],
    ]
    assert table.loc[~table["is_used"], "group_name"].tolist() == ["all", "B", "200 m and more", "I1"]
    wilson = stats.binomtest(5, 7).proportion_ci(0.9, "wilson")
    assert own.iloc[0][["held_share", "held_lo", "held_hi"]].tolist() == pytest.approx([5 / 7, *wilson])


def test_the_method_is_that_whose_worst_level_misses_least() -> None:
    def chosen(conformal: tuple[int, int], parametric: tuple[int, int]) -> str:
        """Held of a hundred at 50 and 80 %."""
        pairs = [("conformal", 0.5), ("conformal", 0.8), ("parametric", 0.5), ("parametric", 0.8)]
        held = [*conformal, *parametric]
        parts = [
            pd.DataFrame({"window_method": m, "window_level": p, "is_held": np.arange(100) < h})
            for (m, p), h in zip(pairs, held, strict=True)
        ]
        return choose_method(pd.concat(parts))

    assert chosen((46, 80), (50, 75)) == "conformal"  # misses 4 and 0 against 0 and 5
    assert chosen((44, 80), (50, 75)) == "parametric"
    assert chosen((55, 75), (55, 75)) == "parametric"  # neither is better


def test_the_quantiles_in_use_and_their_candidates() -> None:
    digs = pd.DataFrame({"forward_error_m": [-9.0, 2.0, 4.0, -6.0], "forward_se_m": [3.0, 2.0, 2.0, 1.5]})  # 3, 1, 2, 4
    table = fit_quantiles(digs, "conformal", (0.5, 0.95), 8.0, 0.1)
    normal = [stats.t.ppf(0.5 + 0.5 / 0.9 / 2, 8), stats.t.ppf(0.9995, 8)]
    assert table["quantile"].tolist() == pytest.approx([3.0, normal[1]])  # ceil(5 x 0.5) = third of four
    assert table["quantile_parametric"].tolist() == pytest.approx(normal)
    assert table["quantile_conformal"].tolist() == pytest.approx([3.0, np.nan], nan_ok=True)
    assert table["window_method"].tolist() == ["conformal", "parametric"]
    assert (table["digs"].tolist(), table["window_level"].tolist()) == ([4, 4], [0.5, 0.95])
    assert fit_quantiles(digs, "parametric", (0.5,), 8.0, 0.1)["quantile"].tolist() == pytest.approx(normal[:1])
