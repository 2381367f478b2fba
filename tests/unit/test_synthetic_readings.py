"""What the invented instruments show."""

import numpy as np
import pandas as pd
import pytest

from pipelines.locating.resolution import blind_zone_m
from synthetic_data import truth
from synthetic_data.demo import make_utility
from synthetic_data.network import show

DISPLAY = ["pulse_ns", "range_m", "sampling_m"]


def test_an_instrument_shows_time_times_its_setting_plus_its_offset(monkeypatch):
    quiet = truth.Instrument("Q", 60.0, 4.0, 0.0, "2000-01-01", None)
    monkeypatch.setattr(truth, "INSTRUMENTS", (quiet,))
    shown = show(np.array([200.0]), np.array([0]), np.array([60.0]), np.array([0.0]), np.random.default_rng(1))
    assert shown[0] == 0.60 * 200.0 + 4.0


def test_a_drift_grows_from_its_year_on(monkeypatch):
    drifting = truth.Instrument("Q", 50.0, 0.0, 0.0, "2000-01-01", None, drift_from=2019.0, drift_per_year=0.01)
    monkeypatch.setattr(truth, "INSTRUMENTS", (drifting,))
    at = np.array([(year - 1970) * 365.25 * 86400 for year in (2018.0, 2019.0, 2024.0)])
    light, zero = np.full(3, 200.0), np.zeros(3, dtype=int)
    shown = show(light, zero, np.full(3, 50.0), at, np.random.default_rng(1))
    np.testing.assert_allclose(shown, [100.0, 100.0, 105.0])


def test_readings_follow_the_measurement_model():
    """Shown minus setting x true time, offset taken off, is the instrument's noise (R-04 before its drift)."""
    utility = make_utility(300, 4)
    jobs = utility.tables["jobs"].merge(utility.truths["failures"], on="job_id", suffixes=("", "_true"))
    for facts in truth.INSTRUMENTS:
        own = jobs[(jobs["instrument_id"] == facts.instrument_id) & (jobs["reported_at"].dt.year < 2019)]
        clean = (own["estimated_distance_m"] - facts.offset_m) / (own["setting_pct"] / 100 * own["light_m"]) - 1
        far = clean[own["light_m"] > 80]
        if len(far) > 20:
            assert abs(far.mean()) < 4 * facts.noise / np.sqrt(len(far)) + 0.001, facts.instrument_id
            assert 0.6 < far.std() / facts.noise < 1.5, facts.instrument_id


def test_only_one_instrument_reads_the_new_class_and_it_reads_no_other():
    utility = make_utility(300, 5)
    jobs = utility.tables["jobs"].merge(utility.truths["sections"][["section_id", "cable_class"]], on="section_id")
    read = jobs[jobs["instrument_id"].notna()]
    new = truth.CLASSES[truth.TRXLPE].name
    assert set(read.loc[read["cable_class"] == new, "instrument_id"]) == {"R-06"}
    assert set(read.loc[read["instrument_id"] == "R-06", "cable_class"]) == {new}


def test_the_path_to_the_fault_is_longer_than_its_route_by_tail_and_slack():
    """True time as cable at the section's own velocity, against what is dug: 2 m of tail and 2 % of slack."""
    utility = make_utility(300, 6)
    jobs = utility.tables["jobs"].drop(columns="section_id").merge(utility.truths["failures"], on="job_id")
    jobs = jobs.merge(utility.truths["sections"][["section_id", "velocity_pct"]], on="section_id")
    cable = jobs["light_m"] * jobs["velocity_pct"] / 100
    near = jobs["route_m"].between(20, 80)
    excess = (cable - 1.02 * jobs["route_m"])[near]
    assert len(excess) > 50
    assert abs(excess.median() - truth.TAIL_MEAN_M) < 0.5


def test_the_display_is_noted_by_some_instruments_and_shows_what_its_pulse_leaves_free():
    tables = make_utility(120, 7).tables
    for table, fault in (("jobs", "estimated_distance_m"), ("test_shots", "fault_distance_m")):
        rows = tables[table]
        noted = rows[rows["pulse_ns"].notna()]
        assert 20 < len(noted) < 0.8 * len(rows)
        assert set(noted["instrument_id"]) == {"R-01", "R-02", "R-04"}
        marks = noted[[fault, "far_end_distance_m"]]
        assert (blind_zone_m(noted["pulse_ns"], noted["velocity_setting_pct"]) < marks.min(axis=1)).all()
        assert (marks.max(axis=1) <= noted["range_m"]).all()
        assert noted["sampling_m"].to_numpy() == pytest.approx(noted["range_m"] / 1000)
        assert noted["pulse_ns"].nunique() > 2


def test_noting_displays_draws_from_a_stream_of_its_own(monkeypatch):
    with_them = make_utility(30, 8).tables
    monkeypatch.setattr("synthetic_data.demo.note_displays", lambda readings, *_: readings)
    without = make_utility(30, 8).tables
    for name, frame in with_them.items():
        pd.testing.assert_frame_equal(
            frame.drop(columns=DISPLAY, errors="ignore"), without[name].drop(columns=DISPLAY, errors="ignore")
        )
