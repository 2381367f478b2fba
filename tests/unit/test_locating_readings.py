"""From the tables to arrays: what enters the fit, in which order, with which units."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipelines.locating.readings import select_readings


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
