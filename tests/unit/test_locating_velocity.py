"""The fit on hard inputs: few, odd or one-sided readings give wide limits or no number, never a bold wrong one."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pandas as pd
import pytest

from pipelines.locating.estimates import describe_classes, describe_instruments
from pipelines.locating.readings import Readings
from pipelines.locating.velocity import fit_velocity
from shared.settings import Settings
from tests.locating_fleets import Design, make_readings

SETTINGS = Settings()
NOBODY = pd.Series(dtype="datetime64[us, UTC]")


def keep(readings: Readings, rows: np.ndarray) -> Readings:
    """Some rows of a set of readings."""
    place = np.full(len(readings), -1)
    place[rows] = np.arange(len(rows))
    inside = place[readings.part_row] >= 0
    by_row = {
        f.name: getattr(readings, f.name)[rows]
        for f in fields(readings)
        if f.name not in ("part_row", "part_class", "part_m", "classes", "instruments")
    }
    return replace(
        readings,
        **{**by_row, "run": np.arange(len(rows))},
        part_row=place[readings.part_row[inside]],
        part_class=readings.part_class[inside],
        part_m=readings.part_m[inside],
    )


def classes_of(readings: Readings, *, tails_recorded: bool = True) -> pd.DataFrame:
    in_use = pd.Series(53.0, index=list(readings.classes))
    return describe_classes(fit_velocity(readings, tails_recorded=tails_recorded), in_use, SETTINGS)


def test_one_reading_gives_limits_that_say_how_little_it_is() -> None:
    readings, _truth = make_readings(
        Design(classes=1, instruments=1, dug=1, far_end=0, known=0), np.random.default_rng(2)
    )
    row = classes_of(readings).iloc[0]
    assert row["verdict"] in ("too_few_readings", "not_separable")
    fit = fit_velocity(readings)
    contrast = np.eye(1, 3)
    se = float(np.sqrt(fit.variance(contrast, np.zeros((1, 2)), np.array([-1]))[0]))
    assert fit.quantile(0.9) * se > 0.02  # more than a point of c either way


def test_all_readings_at_one_distance_leave_slope_and_offset_open() -> None:
    readings, _ = make_readings(Design(classes=1, instruments=4, dug=20, far_end=0, known=0), np.random.default_rng(3))
    spread = classes_of(readings, tails_recorded=False).iloc[0]
    same = replace(
        readings,
        length_m=np.full(len(readings), 80.0),
        part_m=np.full(len(readings), 80.0),
        time_m=readings.time_m / readings.length_m * 80.0,
    )
    held = classes_of(same, tails_recorded=False).iloc[0]
    assert held["velocity_hi"] - held["velocity_lo"] > 1.5 * (spread["velocity_hi"] - spread["velocity_lo"])


def test_every_instrument_on_its_own_class_is_not_separable() -> None:
    design = Design(classes=3, instruments=3, reads=((0,), (1,), (2,)), dug=30)
    readings, _ = make_readings(design, np.random.default_rng(4))
    table = classes_of(readings)
    assert set(table["verdict"]) == {"not_separable"}
    assert table["velocity_fitted_pct"].isna().all()
    bias = describe_instruments(fit_velocity(readings), list(readings.instruments), NOBODY, SETTINGS)
    assert set(bias["verdict"]) == {"not_separable"}
    assert bias["scale"].isna().all() and bias["offset_m"].notna().all()


def test_no_dug_distance_at_all_still_gives_the_velocity_of_the_cable() -> None:
    readings, truth = make_readings(Design(dug=0, far_end=20, known=5), np.random.default_rng(5))
    table = classes_of(readings)
    assert table["velocity_fitted_pct"].to_numpy() == pytest.approx(truth.velocity_pct, abs=0.6)
    assert (table["velocity_route_pct"] == table["velocity_fitted_pct"]).all()


def test_a_tenth_of_gross_errors_hardly_moves_the_fit() -> None:
    clean, _truth = make_readings(Design(), np.random.default_rng(6))
    dirty, dirty_truth = make_readings(Design(wrong_share=0.1), np.random.default_rng(6))
    assert dirty_truth.is_wrong.sum() > 20
    before, after = classes_of(clean), classes_of(dirty)
    assert after["velocity_fitted_pct"].to_numpy() == pytest.approx(before["velocity_fitted_pct"].to_numpy(), abs=0.25)
    fit = fit_velocity(dirty, tails_recorded=True)
    far_off = dirty_truth.is_wrong & (np.abs(dirty.time_m / fit_line(fit, dirty) - 1) > 0.25) & (dirty.length_m > 15)
    assert (fit.right[far_off] < 0.5).all()
    assert (fit.right[~dirty_truth.is_wrong] > 0.5).mean() > 0.985


def fit_line(fit, readings):
    return readings.time_m - fit.residual_m


def test_paced_digs_are_found_to_be_noisier() -> None:
    readings, _ = make_readings(Design(dug=40, paced_share=0.3), np.random.default_rng(7))
    assert 0.025 < fit_velocity(readings, tails_recorded=True).noise.paced < 0.06


def test_an_instrument_of_three_readings_is_not_condemned_for_a_metre_or_two() -> None:
    readings, _ = make_readings(Design(instruments=6, planted_zero_m={5: 6.0}), np.random.default_rng(8))
    rows = np.concatenate(
        [np.flatnonzero(readings.instrument < 5), np.flatnonzero((readings.instrument == 5) & readings.is_dug)[:3]]
    )
    bias = describe_instruments(
        fit_velocity(keep(readings, rows), tails_recorded=True), list(readings.instruments), NOBODY, SETTINGS
    ).set_index("instrument_id")
    assert bias.loc["I005", "readings"] == 3
    # drawn towards the others, and its limits wider than theirs
    assert bias.loc["I005", "offset_m"] < 6.0
    assert bias.loc["I005", "offset_hi"] - bias.loc["I005", "offset_lo"] > 2 * (
        bias.loc["I000", "offset_hi"] - bias.loc["I000", "offset_lo"]
    )


def test_an_instrument_not_on_record_is_used_without_effects_of_its_own() -> None:
    readings, truth = make_readings(Design(), np.random.default_rng(9))
    unknown = replace(readings, instrument=np.where(readings.instrument == 2, -1, readings.instrument))
    fit = fit_velocity(unknown, tails_recorded=True)
    assert 53 / fit.state.slowness == pytest.approx(truth.velocity_pct, abs=0.6)


def test_the_same_readings_in_another_order_give_the_same_figures() -> None:
    readings, _ = make_readings(Design(mixed_share=0.3), np.random.default_rng(10))
    shuffled = keep(readings, np.random.default_rng(1).permutation(len(readings)))
    ours, theirs = fit_velocity(readings), fit_velocity(shuffled)
    assert ours.state.slowness == pytest.approx(theirs.state.slowness, rel=1e-9)
    assert ours.state.zero_m == pytest.approx(theirs.state.zero_m, abs=1e-7)


def test_a_part_of_a_path_cut_in_two_changes_nothing() -> None:
    readings, _ = make_readings(Design(mixed_share=0.3), np.random.default_rng(11))
    # the second half of every part is written as a part of its own
    cut = replace(
        readings,
        part_row=np.concatenate([readings.part_row, readings.part_row]),
        part_class=np.concatenate([readings.part_class, readings.part_class]),
        part_m=np.concatenate([readings.part_m / 2, readings.part_m / 2]),
    )
    assert fit_velocity(cut).state.slowness == pytest.approx(fit_velocity(readings).state.slowness, rel=1e-6)
