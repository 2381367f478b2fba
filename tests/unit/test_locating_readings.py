"""From the tables to arrays: what enters the fit, in which order, with which units."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipelines.locating.readings import keep_readings, select_readings
from tests.locating_fleets import six_readings


def tables() -> tuple[pd.DataFrame, pd.DataFrame]:
    readings = pd.DataFrame(
        [
            ("J2:dug", "dug", "J2", "S1", "I2", 56.0, 112.0, 2.0, "paced", 1, True),
            ("J1:dug", "dug", "J1", "S1", "I1", 53.0, 100.0, 0.0, "taped", 1, True),
            ("J1:far_end", "far_end", "J1", "S1", "I1", 53.0, 150.0, 0.0, None, 1, True),
            ("J3:dug", "dug", "J3", "S1", None, 50.0, 80.0, 0.0, "gps", 1, True),
            ("J4:dug", "dug", "J4", "S1", "I1", np.nan, 80.0, 0.0, "taped", 1, False),
        ],
        columns=[
            "reading_id",
            "reading_kind",
            "job_id",
            "section_id",
            "instrument_id",
            "velocity_setting_pct",
            "displayed_distance_m",
            "tail_m",
            "dug_method",
            "zero_errors",
            "is_usable",
        ],
    )
    paths = pd.DataFrame(
        [
            ("J2:dug", "B", 60.0, 0.0),
            ("J2:dug", "A", 40.0, 2.0),
            ("J1:dug", "A", 99.0, 0.0),
            ("J1:far_end", "A", 150.0, 0.0),
            ("J3:dug", "A", 80.0, 0.0),
            ("J4:dug", "C", 80.0, 0.0),
        ],
        columns=["reading_id", "cable_class", "length_m", "tail_m"],
    )
    return readings, paths


def test_readings_become_arrays_in_order_of_instrument_run_and_id() -> None:
    found = select_readings(*tables())
    assert found.reading_id.tolist() == ["J3:dug", "J1:dug", "J1:far_end", "J2:dug"]
    assert found.instruments == ("I1", "I2")
    assert found.instrument.tolist() == [-1, 0, 0, 1]
    assert found.classes == ("A", "B")  # the class of the reading that cannot be used is not there
    assert found.length_m == pytest.approx([80, 99, 150, 60 + 40 + 2])
    # the display at 56 % would have shown 53/56 of it at the reference velocity
    assert found.time_m[3] == pytest.approx(112 * 53 / 56)
    assert found.run[1] == found.run[2] != found.run[3]
    assert found.is_paced.tolist() == [False, False, False, True]
    assert found.is_satellite.tolist() == [True, False, False, False]
    assert found.is_register.tolist() == [False, False, True, False]
    assert list(zip(found.part_row, found.part_class, found.part_m, strict=True))[3:] == [(3, 0, 42.0), (3, 1, 60.0)]


def test_the_order_of_the_tables_does_not_matter() -> None:
    readings, paths = tables()
    ours, theirs = select_readings(readings, paths), select_readings(readings[::-1], paths[::-1])
    assert ours.reading_id.tolist() == theirs.reading_id.tolist()
    assert ours.part_m.tolist() == theirs.part_m.tolist()


def test_nothing_usable_gives_no_reading() -> None:
    readings, paths = tables()
    found = select_readings(readings.assign(is_usable=False), paths)
    assert (len(found), found.classes, found.instruments, found.part_m.tolist()) == (0, (), (), [])
    alone = select_readings(readings.assign(is_usable=readings["reading_id"].eq("J4:dug")), paths)
    assert (alone.reading_id.tolist(), alone.classes) == (["J4:dug"], ("C",))


def test_what_is_not_on_record_has_its_place() -> None:
    """Runs are those of a job, else of a section, else of the reading, each by one instrument; no tail is none."""
    readings, paths = tables()
    rows = [
        ("J5:dug", "dug", "J5", "S1", "I1", 40.0, 53.0, 3.0, "map", 1, True),
        ("J5:far", "far_end", "J5", "S1", "I2", 53.0, 61.0, np.nan, "paced", 1, True),
        ("J5:two", "two_ended", "J5", "S1", "I1", 53.0, 62.0, np.nan, None, 2, True),
        ("J6:dug", "dug", "J6", "S1", "I1", 53.0, 63.0, np.nan, None, 1, True),
        ("K1", "known_length", None, "S9", "I1", 53.0, 64.0, np.nan, "gps", 1, True),
        ("K2", "known_length", None, "S9", "I1", 53.0, 65.0, np.nan, None, 1, True),
        ("K3", "known_length", None, None, "I1", 53.0, 66.0, np.nan, None, 1, True),
        ("K4", "known_length", None, None, "I1", 53.0, 67.0, np.nan, None, 1, True),
    ]
    found = select_readings(
        pd.DataFrame(rows[::-1], columns=readings.columns),
        pd.DataFrame([(row[0], "A", 50.0, np.nan) for row in rows], columns=paths.columns),
    )
    order = ["J5:dug", "J5:two", "J6:dug", "K3", "K4", "K1", "K2", "J5:far"]
    assert found.reading_id.tolist() == order
    assert found.run.tolist() == [0, 0, 1, 2, 3, 4, 4, 5]
    assert found.instrument.tolist() == [0] * 7 + [1]
    assert found.length_m.tolist() == [50.0] * 8
    assert found.tail_m.tolist() == [3.0] + [0.0] * 7
    assert found.zero_errors.tolist() == [1, 2, 1, 1, 1, 1, 1, 1]
    assert found.time_m.tolist() == pytest.approx([53 * 53 / 40, 62, 63, 66, 67, 64, 65, 61])
    told = {
        "is_dug": ["J5:dug", "J6:dug"],
        "is_paced": [],
        "is_satellite": ["J5:dug"],
        "is_register": ["J5:two", "J5:far"],
    }
    assert {name: found.reading_id[getattr(found, name)].tolist() for name in told} == told


def test_some_readings_are_kept_with_all_that_is_theirs() -> None:
    readings, rows = six_readings(), [1, 3, 5]
    found = keep_readings(readings, np.isin(np.arange(6), rows))
    for name in ("reading_id", "time_m", "length_m", "tail_m", "zero_errors", "instrument"):
        assert getattr(found, name).tolist() == getattr(readings, name)[rows].tolist()
    for name in ("is_dug", "is_paced", "is_satellite", "is_register"):
        assert getattr(found, name).tolist() == getattr(readings, name)[rows].tolist()
    assert (found.part_row.tolist(), found.part_class.tolist()) == ([0, 1, 1, 2, 2], [0, 0, 1, 0, 1])
    assert found.part_m.tolist() == [200, 180, 120, 60, 20]
    assert (found.run.tolist(), found.classes, found.instruments) == ([0, 1, 2], ("A", "B"), ("I1", "I2"))
