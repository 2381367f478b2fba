"""The tables of classes and instruments."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from pipelines.locating import class_and_instrument_tables
from pipelines.locating.class_and_instrument_tables import (
    count_known_runs_by_others,
    describe_classes,
    describe_instruments,
    describe_noise,
)
from pipelines.locating.identifiability import condition_number
from pipelines.locating.instrument_levels import still_levels
from pipelines.locating.velocity import VelocityFit, fit_velocity
from pipelines.locating.verdicts import judge
from shared.settings import Settings
from tests.locating_fleets import Design, as_it_stands, made_up_fit, make_readings, mixture_covariance

NOBODY = pd.Series(dtype="datetime64[us, UTC]")


@pytest.fixture(scope="module")
def fitted():
    readings, truth = make_readings(Design(dug=40, planted_zero_m={1: 5.0}), np.random.default_rng(61))
    return fit_velocity(readings, tails_recorded=True), truth


def test_bias_points_are_setting_less_fitted_and_the_route_is_slower_by_the_slack(fitted) -> None:
    fit, truth = fitted
    table = describe_classes(fit, pd.Series([60.0, 53.0, np.nan], index=list(fit.readings.classes)), Settings())
    assert table["bias_points"].iloc[:2].to_numpy() == pytest.approx(
        (table["setting_median_pct"] - table["velocity_fitted_pct"]).iloc[:2].to_numpy(), rel=1e-12
    )
    assert table["verdict"].iloc[0] == "out_of_tolerance"
    assert table["verdict"].iloc[2] == "too_few_readings"  # no setting on record to judge
    assert (table["velocity_fitted_pct"] / table["velocity_route_pct"]).to_numpy() == pytest.approx(1.02, abs=0.006)
    assert table["velocity_fitted_pct"].to_numpy() == pytest.approx(truth.velocity_pct, abs=0.5)


def test_a_setting_is_judged_by_how_far_it_lies_from_the_fit_on_either_side(fitted) -> None:
    fit, _ = fitted
    names = list(fit.readings.classes)
    right = describe_classes(fit, pd.Series(np.nan, index=names), Settings())["velocity_fitted_pct"].to_numpy()
    told = [
        describe_classes(fit, pd.Series(right * share, index=names), Settings())["verdict"].tolist()
        for share in (1.0, 0.9, 1.1)
    ]
    assert told == [["in_tolerance"] * 3, ["out_of_tolerance"] * 3, ["out_of_tolerance"] * 3]


def test_a_planted_offset_is_found_and_no_good_instrument_is_condemned(fitted) -> None:
    fit, _ = fitted
    table = describe_instruments(as_it_stands(fit), [*fit.readings.instruments, "Z9"], NOBODY, Settings()).set_index(
        "instrument_id"
    )
    assert table.loc["I001", "verdict"] == "out_of_tolerance"
    assert table.loc["I001", "offset_lo"] > 3.0
    assert (table.drop(["I001", "Z9"])["verdict"] != "out_of_tolerance").all()
    assert table.loc["Z9", "readings"] == 0
    assert table.loc["Z9", "verdict"] == "too_few_readings"


def test_slack_and_noise_are_told(fitted) -> None:
    fit, _ = fitted
    terms = describe_noise(fit).set_index("term")["term_value"]
    assert terms["slack_pct"] == pytest.approx(2.0, abs=0.6)
    assert terms["growing_noise_pct"] == pytest.approx(2.5, abs=0.5)
    assert terms["readings"] == len(fit.readings)
    assert 1 < terms["rounds"] < 60  # it settled before it had to stop


T = stats.t.ppf(0.95, 12)  # the made-up fit has 12 degrees of freedom
OF_I2 = ((180 + 60) * 1.02 + (104 + 120 + 20) * 0.95) / (180 + 60 + 104 + 120 + 20)


def know_scales(monkeypatch, lasting: list[float], links: list[tuple[int, int, bool]] | None = None) -> None:
    """How well others know the slowness of each instrument's classes, and who is tied to which class."""
    monkeypatch.setattr(class_and_instrument_tables, "common_scale_sd", lambda _: np.array(lasting))
    edges = [(0, 0, True), (1, 0, True), (1, 1, True)] if links is None else links
    table = pd.DataFrame(edges, columns=["instrument", "cable_class", "is_shared"])
    monkeypatch.setattr(
        class_and_instrument_tables, "link_classes_and_instruments", lambda _: table.astype({"is_shared": bool})
    )


def deviation(fit: VelocityFit, fixed: list[float], random: list[float], group: int) -> float:
    return mixture_covariance(fit, np.array(fixed), np.array(random), np.array(fixed), np.array(random), group) ** 0.5


def test_rows_of_instruments_written_out(monkeypatch) -> None:
    know_scales(monkeypatch, [0.004, 0.006])
    fit = made_up_fit()
    fit = replace(fit, right=np.array([0.9, 0.4, 0.8, 0.5, 0.2, 0.7]))
    last = pd.Series({"I1": pd.Timestamp("2020-05-01", tz="UTC")})
    # I1 has drifted: its scale stands 0.004 and its time zero 0.2 m above their means over the readings
    levels = replace(
        still_levels(2), mean_shift=np.array([[0.004, 0.2], [0.0, 0.0]]), evidence=np.array([80.0, 0.3]),
        chance=np.array([[0.02, 0.9, 0.08], [0.97, 0.02, 0.01]]),
    )  # fmt: skip
    fit = replace(fit, moved=np.array([[[3e-6, 1e-5], [1e-5, 0.04]], np.zeros((2, 2))]))
    found = as_it_stands(fit, levels)
    table = describe_instruments(found, ["I2", "I1", "I3"], last, Settings()).set_index("instrument_id")
    assert table["drift_verdict"].tolist() == ["steady", "drifting", "cannot_tell"]
    assert table["is_drifting"].tolist() == [False, True, False]
    assert table.index.tolist() == ["I2", "I1", "I3"]
    assert table["readings"].tolist() == [3, 2, 0]
    assert (
        table.loc["I3", "verdict"],
        table.loc["I3", "verdict_reason"],
        table.loc["I3"].drop(["readings", "verdict", "verdict_reason", "is_drifting", "drift_verdict"]).isna().all(),
    ) == ("too_few_readings", "no_reading", True)
    assert table.loc["I1", "last_reading_at"] == last["I1"] and pd.isna(table.loc["I2", "last_reading_at"])
    assert table["noise_ratio"].tolist()[:2] == pytest.approx([1.2, 0.9])
    assert table["wrong_readings"].tolist()[:2] == [0, 1]
    # the ends of the middle four fifths of what was dug: 102 and 200 m; 104 and 80 m, with the bend at 150 m
    told = {"I1": (0, 1.02, 0.01, 0.5, [111.8, 150, 190.2]), "I2": (1, OF_I2, -0.02, 3.2, [82.4, 101.6])}
    for name, (group, slowness, scale, zero, distances) in told.items():
        row, at = table.loc[name], np.array(distances)
        scale_se, zero_se = deviation(fit, [0] * 4, [1, 0], group), deviation(fit, [0] * 4, [0, 1], group) / slowness
        shift, moved = levels.mean_shift[group], fit.moved[group]
        offset = (zero - shift[1]) / slowness
        assert row[["offset_m", "offset_lo", "offset_hi"]].tolist() == pytest.approx(
            [offset, offset - T * zero_se, offset + T * zero_se]
        )
        mean = 1 + scale - shift[0]
        assert row[["scale", "scale_lo", "scale_hi"]].tolist() == pytest.approx(
            [mean, mean - T * scale_se, mean + T * scale_se]
        )
        # as of the day the movement adds its own uncertainty
        scale_se, zero_se = (scale_se**2 + moved[0, 0]) ** 0.5, (zero_se**2 + moved[1, 1] / slowness**2) ** 0.5
        assert row[["offset_as_of_m", "offset_as_of_lo", "offset_as_of_hi"]].tolist() == pytest.approx(
            [zero / slowness, zero / slowness - T * zero_se, zero / slowness + T * zero_se]
        )
        assert row[["scale_as_of", "scale_as_of_lo", "scale_as_of_hi"]].tolist() == pytest.approx(
            [1 + scale, 1 + scale - T * scale_se, 1 + scale + T * scale_se]
        )
        way = np.column_stack([at, np.full(len(at), 1 / slowness)])
        still = np.array([deviation(fit, [0] * 4, [each, 1 / slowness], group) for each in at])
        se = np.sqrt(still**2 + np.einsum("mi,ij,mj->m", way, moved, way))
        # what others know of the classes, against the spread of instruments: 0.25 x 0.01 + 0.75 x 0.02
        lasting = at * ((0.004, 0.006)[group] ** -2 + 0.0175**-2) ** -0.5
        expected = judge(
            scale * at + zero / slowness,
            se,
            np.minimum(lasting, 0.99 * se),
            np.maximum(0.02 * at, 3),
            12.0,
            0.9,
            {"I1": 2, "I2": 3}[name],
        )
        assert row["verdict"] == expected.verdict
        assert (None if pd.isna(row["readings_needed"]) else row["readings_needed"]) == expected.readings_needed


def test_an_instrument_is_not_separable_where_its_classes_are_known_worse_than_the_tolerance(monkeypatch) -> None:
    fit = made_up_fit()
    for share, verdict in ((1.01, True), (0.99, False)):
        know_scales(monkeypatch, [share * 0.02 / T, 0.001])
        row = describe_instruments(as_it_stands(fit), ["I1"], NOBODY, Settings()).iloc[0]
        assert (row["verdict"] == "not_separable") == verdict
        assert row[["scale", "scale_lo", "scale_hi"]].isna().all() == verdict
        assert row[["offset_m", "offset_lo", "offset_hi"]].notna().all()
        assert not verdict or pd.isna(row["readings_needed"])


def test_readings_by_others_tie_a_class_and_tell_its_velocity() -> None:
    """n of (own + n) must reach 3 + a tenth of all; and growing noise / root n must pass tolerance / quantile."""
    fit = made_up_fit()
    fit = replace(fit, noise=replace(fit.noise, growing=0.025))
    told = int(np.ceil((0.025 * T / 0.02) ** 2))
    assert told == 5
    assert [count_known_runs_by_others(fit, own, Settings()) for own in (3, 60, 600)] == [told, 10, 70]


def test_an_instrument_that_may_have_moved_is_told_to_read_a_known_run_now(monkeypatch) -> None:
    know_scales(monkeypatch, [0.001, 0.001])
    fit = made_up_fit()
    for moved, reason in ((0.0, False), (0.01, True)):
        varied = replace(fit, moved=np.tile(np.diag([moved**2, 0.0]), (2, 1, 1)))
        table = describe_instruments(as_it_stands(varied, still_levels(2)), ["I2"], NOBODY, Settings())
        row = table.iloc[0]
        assert (row["verdict_reason"] == "readings_now") == reason
        assert (not pd.isna(row["tests_needed"])) == reason


def test_the_number_an_instrument_still_needs(monkeypatch) -> None:
    """Variance (0.012 D)^2 + (0.4 / 0.5)^2 on a cable of slowness 0.5; others leave (0.004 D)^2 or so for good."""
    know_scales(monkeypatch, [0.004, 0.006])
    fit = made_up_fit()
    one = replace(
        fit.points[0],
        random=np.array([[0.002, 0.1], [0.0, 0.0]]),
        within=np.array([np.diag([0.012**2, 0.4**2])] * 2),
        carried=np.zeros((2, 2, 4)),
    )
    state = replace(
        fit.state, slowness=np.array([0.5, 0.95]), scale=np.array([0.002, 0.0]), zero_m=np.array([0.1, 0.0])
    )
    fit = replace(fit, points=(one, one), state=state, readings=replace(fit.readings, is_dug=np.zeros(6, dtype=bool)))
    row = describe_instruments(as_it_stands(fit), ["I1"], NOBODY, Settings()).iloc[0]
    at = np.array([111.8, 150.0, 190.2])  # none was dug: all lengths
    room = ((np.maximum(3, 0.02 * at) - 0.002 * at - 0.1 / 0.5) / T) ** 2
    lasting = at**2 / (0.004**-2 + 0.0175**-2)
    needed = 2 * (((0.012 * at) ** 2 + 0.8**2 - lasting) / (room - lasting) - 1)
    assert (row["verdict"], row["readings_needed"]) == ("too_few_readings", np.ceil(needed.max()))
    assert 1 < needed.max() < 50


def test_rows_of_classes_written_out(monkeypatch) -> None:
    know_scales(monkeypatch, [0.004, 0.006])
    fit = made_up_fit()
    table = describe_classes(fit, pd.Series({"B": 56.0, "A": 52.0}), Settings()).set_index("cable_class")
    assert table["readings"].tolist() == [4, 4]
    assert table["instruments"].tolist() == [2, 1]  # r4 has none on record
    assert table["setting_median_pct"].tolist() == [52.0, 56.0]
    # dug on A: 102, 200, 80; on B: 104, 80
    told = {"A": (0, 1.02, 52.0, [84.4, 150, 180.4], 2), "B": (1, 0.95, 56.0, [82.4, 101.6], 2)}
    for name, (k, slowness, in_use, distances, who) in told.items():
        row, at = table.loc[name], np.array(distances)
        cable, route = np.eye(4)[k], 1.02 * np.eye(4)[k] + slowness * np.eye(4)[2]
        se, route_se = deviation(fit, list(cable), [0, 0], -1), deviation(fit, list(route), [0, 0], -1)
        along = slowness * 1.02
        assert row[["velocity_fitted_pct", "velocity_lo", "velocity_hi"]].tolist() == pytest.approx(
            [53 / slowness, 53 / (slowness + T * se), 53 / (slowness - T * se)]
        )
        assert row[["velocity_route_pct", "velocity_route_lo", "velocity_route_hi"]].tolist() == pytest.approx(
            [53 / along, 53 / (along + T * route_se), 53 / (along - T * route_se)]
        )
        assert row["bias_points"] == pytest.approx(in_use - 53 / slowness)
        each = in_use / 53 * at
        lasting = each * slowness * 0.0175 / who**0.5
        expected = judge(
            each * slowness - at,
            each * se,
            np.minimum(lasting, 0.99 * each * se),
            np.maximum(0.02 * at, 3),
            12.0,
            0.9,
            4,
        )
        assert row["verdict"] == expected.verdict
        assert (None if pd.isna(row["readings_needed"]) else row["readings_needed"]) == expected.readings_needed
    # hardly known: half of the slowness of the reference at least
    wide = tuple(replace(point, inverse=point.inverse * 1e6) for point in fit.points)
    loose = describe_classes(replace(fit, points=wide), pd.Series({"B": 56.0}), Settings())
    assert loose["velocity_hi"].tolist() == loose["velocity_route_hi"].tolist() == [106.0, 106.0]
    assert pd.isna(loose["setting_median_pct"].iloc[0])
    assert loose["verdict"].tolist() == ["too_few_readings"] * 2
    assert loose["readings_needed"].isna().tolist() == [True, True]


def test_the_number_a_class_still_needs(monkeypatch) -> None:
    know_scales(monkeypatch, [0.004, 0.006])
    fit = made_up_fit()
    one = replace(fit.points[0], inverse=np.diag([0.014**2, 0.014**2, 1e-12, 1e-12]))
    fit = replace(fit, points=(one, one), scale_sd=np.array([0.004, 0.008]))
    row = describe_classes(fit, pd.Series({"A": 51.5}), Settings()).iloc[0]
    at = np.array([84.4, 150, 180.4])
    each = 51.5 / 53 * at
    room = ((np.maximum(3, 0.02 * at) - np.abs(each * 1.02 - at)) / T) ** 2
    lasting = (each * 1.02 * 0.007) ** 2 / 2
    needed = 4 * (((0.014 * each) ** 2 - lasting) / (room - lasting) - 1)
    assert (row["verdict"], row["readings_needed"]) == ("too_few_readings", np.ceil(needed.max()))
    assert 1 < needed.max() < 50


def test_of_what_stays_for_good_a_hundredth_of_the_error_is_left_to_further_readings(monkeypatch) -> None:
    """At 100 m alone, error 0.995 of what clears, 0.99 of it for good: (1 - 0.99^2) / (0.995^2 - 0.99^2)."""
    know_scales(monkeypatch, [0.011, 0.011])
    fit = made_up_fit()
    factor = (1 - 0.99**2) / (0.995**2 - 0.99**2)
    readings = replace(fit.readings, length_m=np.full(6, 100.0))
    se = 0.0093
    scale = 0.03 - T * 0.995 * se
    one = replace(
        fit.points[0],
        random=np.array([[scale, 0.0], [0.0, 0.0]]),
        within=np.array([np.diag([se**2, 1e-12])] * 2),
        carried=np.zeros((2, 2, 4)),
    )
    state = replace(fit.state, scale=np.array([scale, 0.0]), zero_m=np.zeros(2))
    row = describe_instruments(
        as_it_stands(replace(fit, points=(one, one), state=state, readings=readings)), ["I1"], NOBODY, Settings()
    ).iloc[0]
    assert row["readings_needed"] == np.ceil(2 * (factor - 1)) == 3
    each = 52.5 / 53 * 100
    se = (3 - (each * 1.02 - 100)) / (T * 0.995) / each
    one = replace(fit.points[0], inverse=np.diag([se**2, 1.0, 1.0, 1.0]))
    row = describe_classes(replace(fit, points=(one, one), readings=readings), pd.Series({"A": 52.5}), Settings()).iloc[
        0
    ]
    assert row["readings_needed"] == np.ceil(4 * (factor - 1)) == 5


def test_a_class_of_one_instrument_that_nobody_else_pins_down_gets_no_number(monkeypatch) -> None:
    fit, in_use = made_up_fit(), pd.Series({"A": 52.0, "B": 56.0})
    known = fit.readings.instrument
    alone = replace(fit, readings=replace(fit.readings, instrument=np.where(known < 0, 1, known)))
    limit = 0.02 / T
    cases = [
        (fit, [1.01 * limit, 0.0], [(0, 0, False), (1, 0, True), (1, 1, True)], [True, False]),
        (fit, [0.99 * limit, 0.0], [(0, 0, False), (1, 0, True), (1, 1, True)], [False, False]),
        (fit, [1.01 * limit, 0.0], [(0, 0, True), (1, 0, False), (1, 1, False)], [False, False]),
        (fit, [0.0, 1.01 * limit], [], [False, False]),  # A is read by I1 too, B by an instrument not on record
        (alone, [0.0, 1.01 * limit], [], [False, True]),
        (alone, [0.0, 1.01 * limit], [(1, 1, True)], [False, False]),
    ]
    for made, lasting, links, expected in cases:
        know_scales(monkeypatch, lasting, links)
        table = describe_classes(made, in_use, Settings())
        assert (table["verdict"] == "not_separable").tolist() == expected
        velocities = table[[c for c in table if c.startswith("velocity_") or c == "bias_points"]]
        assert velocities.isna().all(axis=1).tolist() == velocities.isna().any(axis=1).tolist() == expected
        assert table[["setting_median_pct", "readings"]].notna().all(axis=None)


def test_terms_of_the_noise_written_out() -> None:
    fit = made_up_fit()
    terms = describe_noise(fit).set_index("term")["term_value"].to_dict()
    assert terms == pytest.approx(
        {
            "constant_noise_m": 0.6,
            "growing_noise_pct": 3.0,
            "paced_noise_pct": 5.0,
            "register_noise_pct": 1.5,
            "wrong_share_pct": 4.0,
            "slack_pct": 2.0,
            "tail_m": 0.3,
            "instrument_scale_sd_pct": 25 * 0.01 + 75 * 0.02,
            "instrument_offset_sd_m": 0.25 * 0.4 + 0.75 * 0.8,
            "condition_number": condition_number(fit),
            "readings": 6.0,
            "rounds": 17.0,
        }
    )
    assert np.isnan(describe_noise(replace(fit, has_slack=False)).set_index("term").loc["slack_pct", "term_value"])
