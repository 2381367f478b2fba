"""Which readings enter the fit, as arrays: the door between the tables and the model."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shared.arrays import Booleans, Floats, Integers

REFERENCE_PCT = 53.0
"""Velocity, in percent of c, at which times are written as distances, so that every slowness is near one.

Common practice, no source: a usual factory setting for extruded cable. It cancels out of every result.
"""


@dataclass(frozen=True)
class Readings:
    """Usable readings, sorted by instrument, run and id.

    Parameters
    ----------
    reading_id
        Key of each reading, shape (n,).
    time_m
        One-way time as the distance it would be at REFERENCE_PCT, metres, shape (n,).
    length_m
        True length, metres, shape (n,): along the route where dug, of cable otherwise. Known tails are in it.
    tail_m
        Part of length_m that is recorded tails, metres, shape (n,).
    tails
        Tails passed, on record or not: 1 for a dug reading and 2 more for each terminal on its way; 0 for the others,
        whose lengths are of cable.
    zero_errors
        How many times the time-zero error enters: 2 where readings from both ends were added.
    is_dug, is_paced, is_satellite, is_register
        What the true length is: dug up; of these paced out, placed by satellite; taken from the register.
    part_row, part_class, part_m
        Path split over classes: row, class and length of each part, shape (parts,).
    instrument
        Index into instruments, -1 where the instrument is not on record.
    run
        Readings of one run share the cable's own deviation; index, shape (n,).
    """

    reading_id: NDArray[np.str_]
    time_m: Floats
    length_m: Floats
    tail_m: Floats
    tails: Floats
    zero_errors: Floats
    is_dug: Booleans
    is_paced: Booleans
    is_satellite: Booleans
    is_register: Booleans
    part_row: Integers
    part_class: Integers
    part_m: Floats
    instrument: Integers
    run: Integers
    classes: tuple[str, ...]
    instruments: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.time_m)


def select_readings(readings: pd.DataFrame, paths: pd.DataFrame, runs: pd.DataFrame | None = None) -> Readings:
    """Usable readings of core.locating_readings with their paths of core.locating_paths, as arrays.

    Parameters
    ----------
    readings, paths
        The two tables.
    runs
        core.locating_runs, for the terminals that a dug reading passes; none: it passes none.

    Returns
    -------
    Readings
        Empty where nothing is usable.

    Notes
    -----
    Readings of one job, and of one known section, by one instrument form a run.

    Checked by: tests/unit/test_locating_readings.py
    """
    used = readings[readings["is_usable"].astype(bool)].copy()
    used["instrument_id"] = used["instrument_id"].fillna("").astype(str)
    used["run_name"] = used["job_id"].fillna(used["section_id"]).fillna(used["reading_id"]).astype(str)
    used = used.sort_values(["instrument_id", "run_name", "reading_id"], kind="stable").reset_index(drop=True)
    row_of = pd.Series(used.index.to_numpy(), index=used["reading_id"].to_numpy())
    parts = paths[paths["reading_id"].isin(row_of.index)].copy()
    parts["row"] = row_of.reindex(parts["reading_id"]).to_numpy()
    parts = parts.sort_values(["row", "cable_class"], kind="stable").reset_index(drop=True)
    classes = tuple(sorted(parts["cable_class"].unique()))
    instruments = tuple(sorted(i for i in used["instrument_id"].unique() if i))
    code = {name: number for number, name in enumerate(instruments)}
    run_key = used["instrument_id"] + "\x1f" + used["run_name"]
    dug = (used["reading_kind"] == "dug").to_numpy(bool)
    by = used["dug_method"].fillna("unknown").to_numpy(str)
    part_row = parts["row"].to_numpy(np.int64)
    part_m = (parts["length_m"] + parts["tail_m"].fillna(0.0)).to_numpy(float)
    return Readings(
        reading_id=used["reading_id"].to_numpy(str),
        time_m=used["displayed_distance_m"].to_numpy(float)
        * REFERENCE_PCT
        / used["velocity_setting_pct"].to_numpy(float),
        length_m=np.bincount(part_row, weights=part_m, minlength=len(used)).astype(float),
        tail_m=used["tail_m"].fillna(0.0).to_numpy(float),
        tails=np.where(dug, 1.0 + 2.0 * _count_passed(used, runs), 0.0),
        zero_errors=used["zero_errors"].to_numpy(float),
        is_dug=dug,
        is_paced=dug & (by == "paced"),
        is_satellite=dug & np.isin(by, ("gps", "map")),
        is_register=used["reading_kind"].isin(["far_end", "two_ended"]).to_numpy(bool),
        part_row=part_row,
        part_class=np.searchsorted(np.array(classes, dtype=str), parts["cable_class"].to_numpy(str)).astype(np.int64),
        part_m=part_m,
        instrument=used["instrument_id"].map(code).fillna(-1).to_numpy(np.int64),
        run=pd.factorize(run_key)[0].astype(np.int64),
        classes=classes,
        instruments=instruments,
    )


def _count_passed(used: pd.DataFrame, runs: pd.DataFrame | None) -> Floats:
    """Terminals on the way of each reading, that tested from left out, shape (n,)."""
    if runs is None:
        return np.zeros(len(used))
    lengths = used.set_index("reading_id")["true_length_m"]
    is_passed = runs["run_to_m"] < runs["reading_id"].map(lengths)
    counts = is_passed.groupby(runs["reading_id"]).sum()
    # beyond the register's last metre no further terminal is known
    most = runs.groupby("reading_id").size() - 1
    return np.asarray(counts.clip(upper=most).reindex(used["reading_id"]).fillna(0.0), dtype=float)


def keep_readings(readings: Readings, kept: Booleans) -> Readings:
    """Some of the readings; classes and instruments stay numbered as they were, read or not."""
    place = np.cumsum(kept) - 1
    inside = kept[readings.part_row]
    by_row = {
        name: getattr(readings, name)[kept]
        for name in (
            "reading_id",
            "time_m",
            "length_m",
            "tail_m",
            "tails",
            "zero_errors",
            "is_dug",
            "is_paced",
            "is_satellite",
            "is_register",
            "instrument",
        )
    }
    return replace(
        readings,
        **by_row,
        part_row=place[readings.part_row[inside]],
        part_class=readings.part_class[inside],
        part_m=readings.part_m[inside],
        run=pd.factorize(readings.run[kept])[0].astype(np.int64),
    )
