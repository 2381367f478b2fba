"""Windows in forward order: nothing later is used, and on plain readings they hold what they promise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from pipelines.locating.as_of import FitAsOf, fit_as_of, years_after
from pipelines.locating.correction import ALONG, BY_CLASS, Register, place_digs
from pipelines.locating.coverage import backtest_windows
from pipelines.locating.forward import COLUMNS, ORIGINS, foresee_digs
from pipelines.locating.readings import Readings, keep_readings
from pipelines.locating.season import season_shift, take_season_off
from shared.settings import Settings
from tests.locating_fleets import Design, make_readings

DESIGN = Design(classes=2, instruments=4, dug=100, far_end=10, known=2, planted_zero_m={1: 4.0})


def make_history(design: Design = DESIGN) -> tuple[Readings, pd.DataFrame, Register]:
    """Readings a day apart, each dug one in a long section of its class with a tail of its own."""
    readings, _ = make_readings(design, np.random.default_rng(12))
    days = np.random.default_rng(13).permutation(len(readings))
    read_at = pd.Series(pd.Timestamp("2012-01-01", tz="UTC") + pd.to_timedelta(days, unit="D"))
    names = np.array(readings.classes)[readings.part_class]
    route = readings.length_m - readings.tail_m
    facts = pd.DataFrame({"read_at": read_at, "insulation": "XLPE", "true_length_m": route})
    runs = pd.DataFrame(
        {
            "reading_id": readings.reading_id, "section_id": "S1", "cable_class": names, "cable_from_m": 0.0,
            "run_from_m": 0.0, "run_to_m": 500.0, "near_tail_m": readings.tail_m, "far_tail_m": 0.0, "direction": 1,
        }
    )[readings.is_dug]  # fmt: skip
    table = pd.DataFrame(
        {"reading_id": readings.reading_id, "read_at": read_at, "cable_class": names, "sampling_m": np.nan}
    )
    return (
        readings,
        facts,
        Register(table, runs, pd.DataFrame(columns=["section_id", "from_m", "to_m"]), Settings().locating),
    )


def fit_before(readings: Readings, facts: pd.DataFrame, as_of: pd.Timestamp) -> FitAsOf:
    nothing = pd.Series(dtype=object)
    return fit_as_of(
        readings, facts, as_of, nothing, pd.Series([2.0]), tails_recorded=True, usual_tail_m=2.0, coverage=0.90
    )


def foresee(readings: Readings, facts: pd.DataFrame, register: Register) -> pd.DataFrame:
    return foresee_digs(readings, facts, register, fit_before)


def test_windows_made_beforehand_hold_what_they_promise() -> None:
    readings, facts, register = make_history()
    found = foresee(readings, facts, register)
    assert tuple(found.columns) == COLUMNS
    assert found["origin_at"].nunique() == ORIGINS
    assert found.groupby("way").size().to_dict() == {
        way: pytest.approx(800 * ORIGINS / (ORIGINS + 1), abs=2) for way in (ALONG, BY_CLASS)
    }
    dates = dict(zip(readings.reading_id, facts["read_at"], strict=True))
    digs = found.assign(read_at=found["reading_id"].map(dates))
    assert (digs["read_at"] >= digs["origin_at"]).all()
    held = backtest_windows(digs, (0.5, 0.8, 0.95)).groupby(["way", "window_level"])["is_held"].mean()
    for (_, coverage), share in held.items():
        assert share == pytest.approx(coverage, abs=3.5 * (coverage * (1 - coverage) / 600) ** 0.5)


def test_what_comes_later_changes_nothing_of_what_was_foreseen() -> None:
    readings, facts, register = make_history(replace(DESIGN, dug=50))
    before = foresee(readings, facts, register)
    last = before["origin_at"].max()
    late = (facts["read_at"] >= last).to_numpy()
    changed = replace(readings, time_m=np.where(late, 1.3 * readings.time_m, readings.time_m))
    after = foresee(changed, facts, register)
    early = before["origin_at"] < last
    pd.testing.assert_frame_equal(before[early], after[early])
    assert not np.allclose(before.loc[~early, "forward_error_m"], after.loc[~early, "forward_error_m"])


def test_too_few_digs_are_not_foreseen() -> None:
    """Six parts of 50 digs are enough; a dig less leaves 49 for the first."""
    readings, facts, register = make_history(replace(DESIGN, dug=38))
    dug = np.flatnonzero(readings.is_dug)
    for digs, rows in ((299, 0), (300, 2 * 250)):
        kept = np.isin(np.arange(len(readings)), dug[digs:], invert=True)
        found = foresee(keep_readings(readings, kept), facts[kept].reset_index(drop=True), register)
        assert len(found) == rows
        assert tuple(found.columns) == COLUMNS


def test_each_part_is_foreseen_by_the_readings_before_it_as_of_its_start() -> None:
    """Six parts of 50 digs in order of time, undated ones left out; digs of one moment in order of their names.

    The season is off, the drift of I000 goes on to the day of each dig, and I002, which has read nothing before the
    last part, is an instrument not seen before.
    """
    design = Design(classes=1, instruments=3, dug=105, far_end=12, known=0)
    readings, facts, register = make_history(design)
    facts["read_at"] = facts["read_at"].dt.floor("2D")
    undated = np.flatnonzero(readings.is_dug)[[3, 40, 77, 150]]
    facts.loc[undated, "read_at"] = pd.NaT
    digs = facts.assign(reading_id=readings.reading_id)[readings.is_dug].dropna(subset=["read_at"])
    digs = digs.sort_values(["read_at", "reading_id"])
    cuts = np.linspace(0, len(digs), 7).astype(int)
    start = digs["read_at"].iloc[cuts[-2]]
    early = (facts["read_at"] < start).to_numpy()
    instrument = np.where((readings.instrument == 2) & early, 1, readings.instrument)
    day = facts["read_at"].dt.day_of_year.fillna(1).to_numpy()
    years = years_after(facts["read_at"], start)
    drift = np.where(readings.instrument == 0, 0.06 * np.nan_to_num(years), 0.0)
    season = 0.06 * np.cos(2 * np.pi * (day - 45) / 365.25)
    readings = replace(readings, instrument=instrument, time_m=readings.time_m * (1 + season) * (1 + drift))
    found = foresee(readings, facts, register)
    for k, part in found[found["way"] == ALONG].groupby("origin_at"):
        place = int(np.flatnonzero(digs["read_at"].iloc[cuts[1:-1]] == k)[0])
        own = digs.iloc[cuts[place + 1] : cuts[place + 2]]
        assert sorted(part["reading_id"]) == sorted(own["reading_id"])
    assert (part["origin_at"] == start).all()
    fit = fit_before(keep_readings(readings, early), facts[early], start)
    assert fit.season["is_carried"].tolist() == [True]
    assert fit.levels.rate[0] != 0
    rows = np.flatnonzero(np.isin(readings.reading_id, own["reading_id"]))
    later = take_season_off(readings, season_shift(fit.season, facts["insulation"], facts["read_at"]))
    group = np.where(readings.instrument[rows] == 2, -1, readings.instrument[rows])
    moved = fit.levels.shift(group, years[rows])
    assert moved[0][group == 0] == pytest.approx(fit.levels.rate[0] * years[rows][group == 0])
    for way in (ALONG, BY_CLASS):
        _, placed = place_digs(fit.effects, later, rows, register, way, years[rows], moved)
        told = found[(found["way"] == way) & (found["origin_at"] == start)].set_index("reading_id")
        told = told.loc[readings.reading_id[rows]]
        error = placed.corrected_m - facts["true_length_m"].to_numpy()[rows]
        assert told["forward_error_m"].to_numpy() == pytest.approx(error)
        assert told["forward_se_m"].to_numpy() == pytest.approx(placed.se_m)
        assert (told["freedom"].iloc[0], told["wrong_share"].iloc[0]) == (fit.fit.freedom, fit.fit.noise.wrong_share)


def test_digs_whose_way_is_unknown_are_asked_by_class_alone() -> None:
    readings, facts, register = make_history(replace(DESIGN, dug=38))
    unknown = replace(register, runs=register.runs.iloc[::2])
    found, every = foresee(readings, facts, unknown), foresee(readings, facts, register)
    by_way = {way: set(own["reading_id"]) for way, own in found.groupby("way")}
    assert by_way[ALONG] == by_way[BY_CLASS] & set(unknown.runs["reading_id"])
    assert len(by_way[BY_CLASS]) == (every["way"] == BY_CLASS).sum()
