"""dig-window: the same arithmetic as the fit, and errors in words."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest

from pipelines.locating.class_and_instrument_tables import describe_classes
from pipelines.locating.correction import fit_lines
from pipelines.locating.coverage import fit_quantiles
from pipelines.locating.velocity import fit_velocity
from pipelines.locating.window import find_dig_window, interpolate_quantile, read_way, window_half_width
from shared import dictionary
from shared.errors import UserError
from shared.settings import Settings
from shared.store import write_table
from tests.locating_fleets import Design, make_readings


@pytest.fixture
def fitted(make_warehouse):
    readings, truth = make_readings(Design(planted_zero_m={0: 4.0}), np.random.default_rng(31))
    fit = fit_velocity(readings, tails_recorded=True)
    con = make_warehouse({}, build=("staging",))
    digs = pd.DataFrame({"forward_error_m": [1.0, -2.0], "forward_se_m": [2.0, 2.0]})
    in_use = pd.Series([53.0, np.nan], index=["class 0", "class 1"])
    write_table(con, "fitted.locating_lines", fit_lines(fit))
    write_table(con, "fitted.window_quantiles", fit_quantiles(digs, "parametric", (0.5, 0.8, 0.95), fit.freedom, 0.0))
    write_table(con, "marts.velocity_by_class", describe_classes(fit, in_use, Settings()))
    write_table(
        con,
        "marts.window_coverage",
        pd.DataFrame(
            [
                {
                    "grouped_by": "cable_class",
                    "group_name": "class 0",
                    "window_level": 0.8,
                    "window_method": "parametric",
                    "is_used": True,
                    "tried": 50,
                    "held": 41,
                    "held_share": 0.82,
                    "held_lo": 0.7,
                    "held_hi": 0.9,
                    "half_width_m": 2.0,
                }
            ]
        ),
    )
    return con, fit, truth


def test_a_reading_is_corrected_by_setting_offset_and_slack(fitted) -> None:
    con, _fit, truth = fitted
    found = find_dig_window(
        con, Settings(), cable_class="class 0", distance_m=100.0, instrument_id="I000", velocity_pct=56
    )
    # time in metres at 53 %, less the offset, over slowness x (1 + slack) x (1 + scale)
    right = (100 * 53 / 56 - truth.zero_m[0]) / (53 / truth.velocity_pct[0] * 1.02 * (1 + truth.scale[0]))
    assert found.corrected_m == pytest.approx(right, abs=1.2)
    widths = [high - low for _, low, high in found.windows]
    assert widths == sorted(widths)
    assert (found.held, found.tried) == (41, 50)
    assert "41 of 50 past digs" in found.describe()
    assert "(328 ft)" in found.describe()


def test_an_instrument_not_stated_widens_the_window(fitted) -> None:
    con, *_ = fitted
    known = find_dig_window(
        con, Settings(), cable_class="class 0", distance_m=40.0, instrument_id="I001", velocity_pct=53
    )
    unknown = find_dig_window(con, Settings(), cable_class="class 0", distance_m=40.0, velocity_pct=53)
    assert unknown.hi_m - unknown.lo_m > known.hi_m - known.lo_m
    assert "Instrument not stated" in unknown.note


def test_without_a_setting_the_median_in_use_is_taken_and_said(fitted) -> None:
    con, *_ = fitted
    found = find_dig_window(con, Settings(), cable_class="class 0", distance_m=40.0, instrument_id="I001")
    assert found.velocity_pct == 53.0
    assert found.note == "Setting not stated: taken as 53.0 % of c, the median in use on the class."


def test_a_setting_not_stated_is_the_median_of_the_instrument(fitted) -> None:
    con, *_ = fitted
    write_table(
        con,
        "marts.setting_proposals",
        pd.DataFrame(
            {"instrument_id": ["I001", "I002"], "cable_class": ["class 0"] * 2, "setting_median_pct": [56.0, 51.0]}
        ).reindex(columns=dictionary.tables()["marts.setting_proposals"].columns),
    )
    asked = {"cable_class": "class 0", "distance_m": 40.0, "instrument_id": "I001"}
    found = find_dig_window(con, Settings(), **asked)
    assert found == replace(
        find_dig_window(con, Settings(), **asked, velocity_pct=56.0),
        note="Setting not stated: taken as 56.0 % of c, the median of I001 on the class.",
    )


def test_the_window_of_a_drifting_instrument_says_how_far_it_may_be_off(fitted) -> None:
    con, *_ = fitted
    write_table(
        con,
        "marts.instrument_drift",
        pd.DataFrame(
            {
                "instrument_id": ["I001", "I002"],
                "is_drifting": [True, False],
                "drift_pct_per_year": [0.6, 0.1],
                "last_ewma_pct": [2.5, 0.2],
                "drift_from_at": pd.to_datetime(["2019-12-02", None], utc=True),
            }
        ).reindex(columns=dictionary.tables()["marts.instrument_drift"].columns),
    )
    asked = {"cable_class": "class 0", "distance_m": 41.0, "velocity_pct": 53.0}
    found = find_dig_window(con, Settings(), **asked, instrument_id="I001")
    away = 0.025 * found.corrected_m
    assert found.note == (
        "I001 drifts by 0.60% a year since 2019-12-02: its latest readings are 2.5% long of this correction, "
        f"{away:.1f} m ({away / 0.3048:.0f} ft) here. The windows do not take that off; have it checked on a run of "
        "known length."
    )
    assert find_dig_window(con, Settings(), **asked, instrument_id="I002").note == ""


@pytest.mark.parametrize(
    ("asked", "text"),
    [
        (
            {"cable_class": "clas 0", "distance_m": 40.0},
            "no reading passed the class 'clas 0'\n  where: --class\n  to do: did you mean 'class 0'",
        ),
        (
            {"cable_class": "class 0", "distance_m": 40.0, "instrument_id": "X9"},
            "unknown instrument 'X9'\n  where: --instrument\n  to do: known: I000, I001, I002, I003, I004, I005",
        ),
        (
            {"cable_class": "class 0", "distance_m": -1.0},
            "distance -1.0 is out of bounds\n  where: --distance\n  to do: give metres above 0",
        ),
        (
            {"cable_class": "class 0", "distance_m": 40.0, "velocity_pct": 160.0},
            "velocity 160.0 is out of bounds\n  where: --velocity\n  to do: give percent of c, 30 to 80",
        ),
        (
            {"cable_class": "class 1", "distance_m": 40.0},
            "no setting is on record for the class\n  where: --velocity\n  to do: give the setting in percent of c",
        ),
    ],
)
def test_what_cannot_be_answered_is_said(fitted, asked, text) -> None:
    con, *_ = fitted
    with pytest.raises(UserError) as fault:
        find_dig_window(con, Settings(), **asked)
    if "did you mean" in text:
        assert str(fault.value).startswith(text.split("did you")[0])
    else:
        assert str(fault.value) == text


def test_before_any_refresh_it_says_so(make_warehouse) -> None:
    con = make_warehouse({}, build=("staging",))
    with pytest.raises(UserError, match="no velocities are fitted yet"):
        find_dig_window(con, Settings(), cable_class="A", distance_m=10.0)
    write_table(
        con,
        "fitted.locating_lines",
        pd.DataFrame(
            columns=[
                "instrument_id",
                "cable_class",
                "readings",
                "constant_m",
                "slope",
                "constant_variance",
                "line_covariance",
                "slope_variance",
                "noise_constant_variance",
                "noise_growing_variance",
            ]
        ),
    )
    write_table(
        con,
        "fitted.window_quantiles",
        pd.DataFrame(
            columns=["window_level", "quantile", "quantile_parametric", "quantile_conformal", "digs", "window_method"]
        ),
    )
    with pytest.raises(UserError, match="no velocity could be fitted"):
        find_dig_window(con, Settings(), cable_class="A", distance_m=10.0)


def test_half_width_written_out() -> None:
    line = pd.Series(
        {
            "constant_variance": 0.04,
            "line_covariance": -0.0001,
            "slope_variance": 1e-6,
            "slope": 1.02,
            "noise_constant_variance": 0.09,
            "noise_growing_variance": 0.0007,
        }
    )
    variance = 0.04 - 2 * 100 * 0.0001 + 100**2 * 1e-6 + 0.09 + 100**2 * 0.0007
    assert window_half_width(line, 100.0, 1.3) == pytest.approx(1.3 * variance**0.5 / 1.02)


def test_levels_between_those_tabled_follow_the_normal_scale() -> None:
    quantiles = pd.Series([0.67449, 1.28155, 1.95996], index=[0.5, 0.8, 0.95])
    assert interpolate_quantile(quantiles, 0.90) == pytest.approx(1.64485, abs=1e-4)  # normal table


def test_a_way_of_one_class_cut_in_two_is_the_same_way(fitted) -> None:
    con, *_ = fitted
    asked = {"distance_m": 90.0, "instrument_id": "I001", "velocity_pct": 53}
    whole = find_dig_window(con, Settings(), cable_class="class 0", **asked)
    cut = find_dig_window(con, Settings(), cable_class="class 0", passed_before=(("class 0", 30.0),), **asked)
    assert cut.corrected_m == pytest.approx(whole.corrected_m)
    assert [*cut.windows[1]] == pytest.approx([*whole.windows[1]])


def test_several_classes_each_take_the_time_of_their_own_velocity(fitted) -> None:
    con, fit, _ = fitted
    asked = {"distance_m": 90.0, "instrument_id": "I001", "velocity_pct": 53}
    found = find_dig_window(con, Settings(), cable_class="class 1", passed_before=(("class 0", 30.0),), **asked)
    lines = fit_lines(fit).set_index(["instrument_id", "cable_class"])
    first, second = lines.loc[("I001", "class 0")], lines.loc[("I001", "class 1")]
    right = 30 + (90 - first["constant_m"] - 30 * first["slope"]) / second["slope"]
    assert found.corrected_m == pytest.approx(right)
    assert found.cable_class == "class 0 then class 1"
    # a fault in the first class: nothing of the second is passed
    near = find_dig_window(con, Settings(), cable_class="class 1", passed_before=(("class 0", 300.0),), **asked)
    alone = find_dig_window(con, Settings(), cable_class="class 0", **asked)
    assert near.windows == alone.windows
    assert (near.held, near.tried) == (41, 50)


def test_the_classes_of_a_way_are_read_with_their_lengths() -> None:
    assert read_way(["A/b=60", "C/d=5.5", "E/f"]) == ((("A/b", 60.0), ("C/d", 5.5)), "E/f")
    with pytest.raises(UserError, match="'A/b' has no length"):
        read_way(["A/b", "C/d"])


def test_the_season_is_taken_off_on_a_given_day(fitted) -> None:
    con, *_ = fitted
    con.execute("insert into staging.sections (section_id, cable_class, insulation) values ('S1', 'class 0', 'XLPE')")
    write_table(
        con,
        "marts.season",
        pd.DataFrame(
            [
                {
                    "insulation": "XLPE",
                    "readings": 900,
                    "season_pct": 1.0,
                    "season_lo": 0.5,
                    "season_hi": 1.5,
                    "reads_longest_day": 45,
                    "season_p_value": 0.001,
                    "is_carried": True,
                }
            ]
        ),
    )
    asked = {"cable_class": "class 0", "distance_m": 101.0, "instrument_id": "I001", "velocity_pct": 53}
    winter = find_dig_window(con, Settings(), on=date(2024, 2, 14), **asked)
    plain = find_dig_window(con, Settings(), **{**asked, "distance_m": 100.0})
    assert winter.corrected_m == pytest.approx(plain.corrected_m)
    assert "readings of XLPE are 1.0% long" in winter.note
