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
from pipelines.locating.window import (
    DigWindow,
    correct_along,
    find_dig_window,
    half_width_along,
    interpolate_quantile,
    read_way,
    window_half_width,
)
from shared import dictionary
from shared.errors import UserError
from shared.settings import Settings
from shared.store import write_table
from tests.conftest import warehouse_maker
from tests.locating_fleets import Design, make_readings


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    readings, truth = make_readings(Design(planted_zero_m={0: 4.0}), np.random.default_rng(31))
    fit = fit_velocity(readings, tails_recorded=True)
    con = warehouse_maker(tmp_path_factory.mktemp("window"))({}, build=("staging",))
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


@pytest.fixture
def fitted(made):
    """The warehouse that is made once; what a test writes into it is taken back."""
    made[0].begin()
    yield made
    made[0].rollback()


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
    assert plain.note == ""
    assert "readings of XLPE are 1.0% long" in winter.note


def a_line(slope: float, constant: float, **variances: float) -> pd.Series:
    names = (
        "constant_variance",
        "line_covariance",
        "slope_variance",
        "noise_constant_variance",
        "noise_growing_variance",
    )
    return pd.Series({"slope": slope, "constant_m": constant, **dict.fromkeys(names, 0.0), **variances})


def test_half_width_over_two_classes_written_out() -> None:
    first = a_line(
        1.0, 0.0, constant_variance=9.0, line_covariance=0.01, slope_variance=1e-4, noise_growing_variance=4e-4
    )
    last = a_line(
        0.8, 0.0, constant_variance=0.5, line_covariance=-0.02, slope_variance=4e-4, noise_growing_variance=9e-4
    )
    last["noise_constant_variance"] = 0.3
    variance = 0.5 + 0.3 + 2 * 30 * 0.01 - 2 * 50 * 0.02 + (30 * 0.01 + 50 * 0.02) ** 2 + (30 * 0.02 + 50 * 0.03) ** 2
    assert half_width_along([(first, 30.0), (last, 50.0)], 1.7) == pytest.approx(1.7 * variance**0.5 / 0.8)
    assert half_width_along([(a_line(1.0, 0.0, line_covariance=-0.1), 10.0)], 1.7) == 0  # never less than nothing


def test_the_time_left_is_walked_class_by_class() -> None:
    way = [(a_line(1.0, 2.0), 30.0), (a_line(2.0, 99.0), 20.0), (a_line(0.5, 99.0), 10.0)]

    def walked(time: float) -> list[float]:
        return [length for _, length in correct_along(time, way)]

    assert walked(1.5) == [0.0]
    assert walked(22.0) == [20.0]
    assert walked(32.0) == [30.0]  # 30 m in the first, none of the second
    assert walked(33.0) == [30.0, 0.5]
    assert walked(2 + 30 + 40 + 10) == [30.0, 20.0, 20.0]  # beyond the last length it goes on
    assert [line["slope"] for line, _ in correct_along(33.0, way)] == [1.0, 2.0]


def test_a_window_in_words() -> None:
    window = DigWindow("A", "", 53.0, 100.0, 98.0, 95.0, 101.0, 0.8, ((0.5, 96.5, 99.5), (0.8, 95.0, 101.0)), 0, 0, "")
    lines = [
        "displayed 100.0 m (328 ft) at 53.0 % of c, an instrument not stated, A",
        "corrected 98.0 m (322 ft) along the route from the terminal tested from",
        "50% window 96.5 m (317 ft) to 99.5 m (326 ft)",
        "80% window 95.0 m (312 ft) to 101.0 m (331 ft)",
        "back-test: no past dig of this class to try it on",
    ]
    assert window.describe().split("\n") == lines
    told = replace(window, instrument_id="I1", held=3, tried=4, note="As said.").describe().split("\n")
    assert told[0].endswith("53.0 % of c, I1, A")
    assert told[4:] == ["back-test: windows of 80% held 3 of 4 past digs of this class (75%)", "As said."]


def test_windows_are_those_of_the_levels_about_the_corrected_distance(fitted) -> None:
    con, fit, _ = fitted
    settings = Settings().override("locating", window_coverage=0.9)
    found = find_dig_window(con, settings, cable_class="class 0", distance_m=9.0, velocity_pct=53)
    assert [level for level, *_ in found.windows] == [0.5, 0.8, 0.9, 0.95]
    assert (found.lo_m, found.hi_m) == found.windows[2][1:]
    assert (found.coverage, found.held, found.tried, found.instrument_id, found.distance_m) == (0.9, 0, 0, "", 9.0)
    line = fit_lines(fit).set_index(["instrument_id", "cable_class"]).loc[("", "class 0")]
    corrected = (9.0 - line["constant_m"]) / line["slope"]
    assert found.corrected_m == pytest.approx(corrected)
    for level, low, high in found.windows:
        half = window_half_width(line, corrected, fit.quantile(level))
        assert (low, high) == (
            pytest.approx(max(corrected - half, 0), abs=1e-3),
            pytest.approx(corrected + half, abs=1e-3),
        )
    near = find_dig_window(con, settings, cable_class="class 0", distance_m=0.5, velocity_pct=53)
    assert [low for _, low, _ in near.windows][-1] == 0


def test_only_the_windows_in_use_of_the_class_and_level_count_in_the_back_test(fitted) -> None:
    con, *_ = fitted
    row = con.execute("from marts.window_coverage").df().iloc[0]
    others = [
        {},
        {"tried": 7, "held": 5},
        {"group_name": "class 2"},
        {"grouped_by": "instrument"},
        {"is_used": False},
        {"window_level": 0.5},
    ]
    write_table(con, "marts.window_coverage", pd.DataFrame([{**row, **other} for other in others]))
    found = find_dig_window(con, Settings(), cable_class="class 0", distance_m=40.0, velocity_pct=53)
    assert (found.held, found.tried) == (46, 57)


def test_notes_follow_one_another(fitted) -> None:
    con, *_ = fitted
    found = find_dig_window(con, Settings(), cable_class="class 0", distance_m=40.0, on=date(2024, 2, 14))
    assert found.note == (
        "Setting not stated: taken as 53.0 % of c, the median in use on the class. "
        "Instrument not stated: its own error widens the window."
    )


@pytest.mark.parametrize(("instrument", "cable_class"), [("I001", "class 1"), ("I002", "class 0"), (None, "class 0")])
def test_a_median_of_another_pair_or_none_is_not_taken(fitted, instrument: str | None, cable_class: str) -> None:
    con, *_ = fitted
    write_table(
        con,
        "marts.setting_proposals",
        pd.DataFrame(
            {
                "instrument_id": ["I001", "I002", ""],
                "cable_class": ["class 0"] * 3,
                "setting_median_pct": [56.0, np.nan, 57.0],
            }
        ).reindex(columns=dictionary.tables()["marts.setting_proposals"].columns),
    )
    asked = {"cable_class": cable_class, "distance_m": 40.0, "instrument_id": instrument}
    if cable_class == "class 1":
        with pytest.raises(UserError, match="no setting is on record for the class"):
            find_dig_window(con, Settings(), **asked)
    else:
        assert find_dig_window(con, Settings(), **asked).velocity_pct == 53.0


def test_bounds_of_what_can_be_asked(fitted) -> None:
    con, *_ = fitted
    asked = {"cable_class": "class 0", "instrument_id": "I001"}
    for distance, velocity, refused in [
        (0.001, 53, None),
        (0.0, 53, "distance"),
        (99_999.0, 53, None),
        (100_000.0, 53, "distance"),
        (40.0, 30, None),
        (40.0, 80, None),
        (40.0, 29.9, "velocity"),
        (40.0, 80.1, "velocity"),
    ]:
        if refused:
            with pytest.raises(UserError, match=f"{refused} .* is out of bounds"):
                find_dig_window(con, Settings(), **asked, distance_m=distance, velocity_pct=velocity)
        else:
            found = find_dig_window(con, Settings(), **asked, distance_m=distance, velocity_pct=velocity)
            assert found.velocity_pct == velocity
    for length in (0.0, -1.0):
        with pytest.raises(UserError, match=r"length .* of 'class 1' is out of bounds"):
            find_dig_window(
                con, Settings(), **asked, distance_m=40.0, velocity_pct=53, passed_before=(("class 1", length),)
            )


def test_a_drift_or_season_the_other_way_is_called_short(fitted) -> None:
    con, *_ = fitted
    columns = dictionary.tables()["marts.instrument_drift"].columns
    drift = {"instrument_id": "I001", "is_drifting": True, "drift_pct_per_year": -0.6, "last_ewma_pct": -2.5}
    rows = pd.DataFrame([{**drift, "drift_from_at": pd.Timestamp("2019-12-02", tz="UTC")}])
    write_table(con, "marts.instrument_drift", rows.reindex(columns=columns))
    con.execute("insert into staging.sections (section_id, cable_class, insulation) values ('S1', 'class 0', 'XLPE')")
    season = {"insulation": "XLPE", "season_pct": 2.0, "reads_longest_day": 45, "is_carried": True}
    write_table(
        con, "marts.season", pd.DataFrame([season]).reindex(columns=dictionary.tables()["marts.season"].columns)
    )
    asked = {"distance_m": 90.0, "velocity_pct": 53, "instrument_id": "I001", "on": date(2024, 8, 14)}
    found = find_dig_window(con, Settings(), cable_class="class 0", **asked)
    shift = 0.02 * np.cos(2 * np.pi * (227 - 45) / 365.25)
    plain = find_dig_window(
        con, Settings(), cable_class="class 0", **{**asked, "on": None, "distance_m": 90 / (1 + shift)}
    )
    assert found.corrected_m == pytest.approx(plain.corrected_m)
    assert found.note.startswith("Season: readings of XLPE are 2.0% short on 2024-08-14. I001 drifts by -0.60% a year")
    assert "its latest readings are 2.5% short of this correction" in found.note
    # the season is that of the class the reading ends in; a class without insulation on record has none
    mixed = find_dig_window(con, Settings(), cable_class="class 2", passed_before=(("class 0", 30.0),), **asked)
    assert mixed.note.startswith("The data carry no season for this class. I001 drifts")
    near = find_dig_window(con, Settings(), cable_class="class 2", passed_before=(("class 0", 300.0),), **asked)
    assert near.corrected_m == pytest.approx(found.corrected_m)


def test_a_length_that_is_no_number_is_refused() -> None:
    for text in ("A=b", "=", "A="):
        with pytest.raises(UserError, match="has no length") as fault:
            read_way([text, "C"])
        assert "give all classes but the last as CLASS=METRES" in str(fault.value)
    assert read_way(["A=b=5", "C"]) == ((("A=b", 5.0),), "C")
    assert read_way(["C"]) == ((), "C")
