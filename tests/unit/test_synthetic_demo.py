"""Tables and files of the demo: the same seed gives the same bytes, and all of them hold together."""

import filecmp

import numpy as np
import pandas as pd
import pytest

from shared import dictionary
from synthetic_data import truth
from synthetic_data.demo import make_tables, make_utility, write_demo


@pytest.fixture(scope="module")
def tables():
    return make_tables(80, 3)


def test_tables_are_canonical(tables):
    assert set(tables) == set(dictionary.source_tables())
    for name, facts in dictionary.source_tables().items():
        assert list(tables[name].columns) == list(facts.source_columns)
        required = [c for c in facts.required if c in facts.source_columns]
        assert tables[name][required].notna().all().all(), name


def test_codes_are_those_of_the_dictionary(tables):
    for name, frame in tables.items():
        for column in frame.columns:
            listed = dictionary.columns()[column].codes
            if listed:
                assert set(frame[column].dropna()) <= set(dictionary.codes()[listed]), (name, column)


def test_references_hold(tables):
    sections, terminals, loops = (set(tables[t].iloc[:, 0]) for t in ("sections", "terminals", "loops"))
    jobs = tables["jobs"]
    assert set(jobs["section_id"]) <= sections
    assert set(jobs["loop_id"]) <= loops
    for column in ("test_terminal_id", "toward_terminal_id", "far_end_terminal_id"):
        assert set(jobs[column].dropna()) <= terminals
    for table in ("test_shots", "restoration_steps"):
        assert set(tables[table]["job_id"]) <= set(jobs["job_id"])


def test_the_time_line_of_every_job_is_in_order(tables):
    jobs = tables["jobs"]
    for earlier, later in (
        ("reported_at", "dispatched_at"), ("dispatched_at", "arrived_at"), ("arrived_at", "located_at"),
        ("located_at", "restored_at"), ("located_at", "pinpointed_at"), ("pinpointed_at", "repaired_at"),
        ("repaired_at", "normal_at"), ("normal_at", "closed_at"), ("restored_at", "closed_at"),
    ):
        assert (jobs[later] >= jobs[earlier]).all(), (earlier, later)
    assert (jobs["closed_at"] < pd.Timestamp("2026-01-01", tz="UTC")).all()


def test_steps_add_up_and_the_last_is_the_restoration(tables):
    jobs = tables["jobs"].set_index("job_id")
    steps = tables["restoration_steps"].groupby("job_id")
    total = steps["customers_restored"].sum()
    assert (total == jobs["customers_interrupted"].reindex(total.index)).all()
    # restored_at may follow the last step by the walk back to the fault, never precede it
    assert (steps["step_at"].max() <= jobs["restored_at"].reindex(total.index)).all()
    assert (tables["restoration_steps"]["customers_restored"] > 0).all()


def test_the_same_seed_gives_the_same_bytes(tmp_path):
    first, second = (write_demo(tmp_path / name, loops=60, seed=9) for name in ("a", "b"))
    for part in ("export", "truth"):
        names = sorted(p.name for p in (first.folder / part).iterdir())
        assert names == sorted(p.name for p in (second.folder / part).iterdir())
        match, _, _ = filecmp.cmpfiles(first.folder / part, second.folder / part, names, shallow=False)
        assert sorted(match) == names
    other = write_demo(tmp_path / "c", loops=60, seed=10)
    assert (other.folder / "export/jobs.csv").read_bytes() != (first.folder / "export/jobs.csv").read_bytes()


def test_the_truth_is_apart_from_what_is_loaded(tmp_path):
    files = write_demo(tmp_path, loops=60, seed=9)
    loaded = {path for paths, _ in files.batches for path in paths}
    assert all(path.parent == tmp_path / "export" and path.exists() for path in loaded)
    assert {p.name for p in files.truth.iterdir()} == {
        "classes.csv", "instruments.csv", "sections.csv", "failures.csv", "errors.csv",
    }


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
