"""Settings proposed, and what can be said without a setting."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipelines.locating.correction import fit_lines
from pipelines.locating.proposals import describe_reads_long, propose_settings
from pipelines.locating.velocity import fit_velocity
from shared.settings import Settings
from tests.locating_fleets import Design, make_readings


def digs_of(readings, truth, fit, setting: dict[int, float]) -> pd.DataFrame:
    dug = np.flatnonzero(readings.is_dug)
    k = readings.part_class[np.searchsorted(readings.part_row, dug)]
    pct = np.array([setting.get(i, 53.0) for i in readings.instrument[dug]])
    return pd.DataFrame(
        {
            "instrument_id": np.array(readings.instruments)[readings.instrument[dug]],
            "cable_class": np.array(readings.classes)[k],
            "velocity_setting_pct": pct,
            "displayed_distance_m": readings.time_m[dug] * pct / 53.0,
            "true_length_m": truth.route_m[dug],
            "left_out_error_m": (fit.residual_m / (1 - fit.leverage))[dug],
        }
    )


def test_the_instrument_on_a_wrong_setting_is_named_with_the_right_one() -> None:
    readings, truth = make_readings(Design(classes=2, planted_zero_m={}), np.random.default_rng(21))
    fit = fit_velocity(readings, tails_recorded=True)
    table = propose_settings(fit, fit_lines(fit), digs_of(readings, truth, fit, {0: 60.0}), Settings())
    # along the route: the velocity of the cable less 2 % of slack, over the instrument's own scale
    right = truth.velocity_pct[0] / 1.02 / (1 + truth.scale[0])
    row = table[(table["instrument_id"] == "I000") & (table["cable_class"] == "class 0")].iloc[0]
    assert row["setting_proposed_pct"] == pytest.approx(right, abs=0.6)
    assert row["reads_long_pct"] == pytest.approx(100 * (60 / right - 1), abs=1.2)
    assert row["verdict"] == "out_of_tolerance"
    assert row["error_after_m"] < 0.6 * row["error_before_m"]


def test_instrument_and_class_that_cannot_be_told_apart_still_get_a_proposal() -> None:
    readings, truth = make_readings(
        Design(classes=2, instruments=2, reads=((0,), (1,)), dug=40), np.random.default_rng(22)
    )
    fit = fit_velocity(readings, tails_recorded=True)
    table = propose_settings(fit, fit_lines(fit), digs_of(readings, truth, fit, {}), Settings()).set_index(
        "instrument_id"
    )
    for i in (0, 1):
        right = truth.velocity_pct[i] / 1.02 / (1 + truth.scale[i])
        row = table.loc[f"I00{i}"]
        assert row["setting_proposed_lo"] - 0.3 < right < row["setting_proposed_hi"] + 0.3


def test_reads_long_with_order_statistic_limits() -> None:
    # ranks 2 and 9 of ten: the 90 % limits of a median in Conover's table (coverage 0.978; 3 and 8 have 0.891)
    error = np.array([1.0, 2, 3, 4, 5, 6, 7, 8, 9, 10])
    digs = pd.DataFrame(
        {
            "instrument_id": "A",
            "true_length_m": 100.0,
            "displayed_distance_m": 100 + error,
            "velocity_setting_pct": np.nan,
        }
    )
    row = describe_reads_long(digs, 0.90).iloc[0]
    assert (row["reads_long_pct"], row["reads_long_lo"], row["reads_long_hi"]) == pytest.approx((5.5, 2.0, 9.0))
    assert (row["digs"], row["settings_known"]) == (10, 0)


def test_three_digs_have_no_limits() -> None:
    digs = pd.DataFrame(
        {
            "instrument_id": [None] * 3,
            "true_length_m": 100.0,
            "displayed_distance_m": [105.0, 106.0, 107.0],
            "velocity_setting_pct": np.nan,
        }
    )
    row = describe_reads_long(digs, 0.90).iloc[0]
    assert row["instrument_id"] == "not on record"
    assert np.isnan(row["reads_long_lo"])
