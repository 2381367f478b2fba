"""The tables of classes and instruments."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipelines.locating.class_and_instrument_tables import describe_classes, describe_instruments, describe_noise
from pipelines.locating.velocity import fit_velocity
from shared.settings import Settings
from tests.locating_fleets import Design, make_readings

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
    table = describe_instruments(fit, [*fit.readings.instruments, "Z9"], NOBODY, Settings()).set_index("instrument_id")
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
