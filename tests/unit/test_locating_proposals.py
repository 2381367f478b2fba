"""Settings proposed, and what can be said without a setting."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from pipelines.locating import proposals
from pipelines.locating.placing import place_readings
from pipelines.locating.proposals import describe_reads_long, line_of, propose_settings
from pipelines.locating.velocity import fit_velocity
from pipelines.locating.verdicts import judge
from pipelines.locating.ways import Ways
from shared.settings import Settings
from tests.locating_fleets import Design, as_it_stands, made_up_fit, make_readings, mixture_covariance


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
    table = propose_settings(fit, digs_of(readings, truth, fit, {0: 60.0}), Settings())
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
    table = propose_settings(fit, digs_of(readings, truth, fit, {}), Settings()).set_index("instrument_id")
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


@pytest.mark.parametrize(("instrument", "group"), [("I1", 0), ("I2", 1)])
def test_the_line_of_a_pair_written_out(instrument: str, group: int) -> None:
    """Time = constant + slope x distance along the route, with its covariance over the points."""
    fit = made_up_fit()
    scale, zero = (0.01, -0.02)[group], (0.5, 3.2)[group]
    for k, slowness in enumerate((1.02, 0.95)):
        constant, slope = np.array([0.0, 0, 0, 1]), np.zeros(4)
        slope[k], slope[2] = 1.02 * (1 + scale), (1 + scale) * slowness
        views = ((constant, np.array([0.0, 1.0])), (slope, np.array([1.02 * slowness, 0.0])))
        found = line_of(fit, instrument, "AB"[k])
        assert found[:2] == pytest.approx((0.3 + zero, (1 + scale) * 1.02 * slowness))
        expected = [mixture_covariance(fit, *a, *b, group) for a in views for b in views]
        assert found[2].ravel() == pytest.approx(expected)
        # the windows' arithmetic is another route to the same line and limits
        at, effects = np.array([1.0, 70.0]), as_it_stands(fit).effects
        cable = np.array([0.0, 200.0])  # beyond a tail that is not on record
        way = Ways(np.zeros(2, dtype=np.int64), np.array([k, k]), cable, np.zeros(2), cable == 0, 1)
        quiet = dict.fromkeys(effects.terms, 0.0)
        placed = place_readings(
            replace(effects, terms=quiet), way, np.array([found[0] + 70 * found[1]]), np.array([group + 1]),
            years=np.zeros(1), moved=(np.zeros(1), np.zeros(1)), further_variance_m2=np.zeros(1), is_tail_known=True,
        )  # fmt: skip
        assert placed.corrected_m[0] == pytest.approx(70)
        assert placed.se_m[0] * found[1] == pytest.approx(np.sqrt(at @ found[2] @ at))


def test_a_proposal_written_out(monkeypatch) -> None:
    """12 degrees of freedom; every figure from the line of the pair, and the verdict from the setting in use."""

    def know_line(slope_variance: float) -> None:
        lines = {("I1", "A"): (3.0, 1.04, np.array([[0.3, -0.002], [-0.002, slope_variance]]))}
        monkeypatch.setattr(proposals, "line_of", lambda _, *pair: lines[pair])

    know_line(0.01**2)
    length = np.array([60.0, 100.0, 180.0])
    digs = pd.DataFrame(
        {
            "instrument_id": ["I1", "I1", "I1", None],
            "cable_class": "A",
            "velocity_setting_pct": [50.0, 52.0, 58.0, 70.0],
            "displayed_distance_m": [64.0, 91.0, 186.0, 900.0],
            "true_length_m": [*length, 80.0],
            "left_out_error_m": [2.0, -5.0, -3.0, 70.0],
        }
    )
    fit, t = made_up_fit(), stats.t.ppf(0.95, 12)
    table = propose_settings(fit, digs, Settings())
    assert len(table) == 1
    row = table.iloc[0]
    assert row[["instrument_id", "cable_class", "digs", "setting_median_pct"]].tolist() == ["I1", "A", 3, 52.0]
    assert row["setting_proposed_pct"] == pytest.approx(53 / 1.04)
    assert row["setting_proposed_lo"] == pytest.approx(53 / (1.04 + t * 0.01))
    assert row["setting_proposed_hi"] == pytest.approx(53 / (1.04 - t * 0.01))
    assert row["reads_long_pct"] == pytest.approx(100 * (52 * 1.04 / 53 - 1))
    assert (row["error_before_m"], row["error_after_m"]) == (6.0, 3.0)
    at = np.array([68.0, 150.0, 164.0])  # a tenth from the ends of the lengths, and where 2 % are 3 m
    error = 52 / 53 * (3 + 1.04 * at) - at
    se = 52 / 53 * np.sqrt(0.3 - 2 * at * 0.002 + at**2 * 0.0001)
    expected = judge(error, se, np.zeros(3), np.maximum(0.02 * at, 3.0), 12.0, 0.90, 3)
    assert (row["verdict"], row["readings_needed"]) == (expected.verdict, expected.readings_needed)
    assert expected.readings_needed is not None and expected.readings_needed > 0
    # a slope that is hardly known: half of the slowness of the reference at least
    know_line(1.0)
    wide = propose_settings(fit, digs, Settings()).iloc[0]
    assert wide["setting_proposed_hi"] == pytest.approx(53 / 0.5)
    nothing = propose_settings(fit, digs.iloc[3:], Settings())
    assert nothing.empty and list(nothing.columns) == list(table.columns)


def test_how_far_an_instrument_reads_from_what_was_dug() -> None:
    """Five digs are the fewest whose ends hold 90 %: 1 - 2 / 2^5 = 0.94, of four 0.875."""
    true, shown = np.array([100.0, 50.0, 200.0, 100.0, 10.0]), np.array([103.0, 60.0, 190.0, 101.0, 10.0])
    digs = pd.DataFrame(
        {
            "instrument_id": ["B"] * 5 + ["A"] * 4 + [None],
            "true_length_m": [*true, *true[:4], 10.0],
            "displayed_distance_m": [*shown, *shown[:4], 12.0],
            "velocity_setting_pct": [53.0, np.nan, 53, 53, np.nan] + [np.nan] * 5,
        }
    )
    table = describe_reads_long(digs, 0.90)
    assert table["instrument_id"].tolist() == ["A", "B", "not on record"]
    assert table["digs"].tolist() == [4, 5, 1]
    assert table["settings_known"].tolist() == [0, 3, 0]
    assert table["median_error_m"].tolist() == pytest.approx([2.0, 1.0, 2.0])  # of 3, 10, -10, 1 and 0
    assert table["reads_long_pct"].tolist() == pytest.approx([2.0, 1.0, 20.0])  # of 3, 20, -5, 1 and 0 %
    assert table["reads_long_lo"].tolist() == pytest.approx([np.nan, -5.0, np.nan], nan_ok=True)
    assert table["reads_long_hi"].tolist() == pytest.approx([np.nan, 20.0, np.nan], nan_ok=True)
    empty = describe_reads_long(digs.iloc[:0], 0.90)
    assert empty.empty and list(empty.columns) == list(table.columns)
