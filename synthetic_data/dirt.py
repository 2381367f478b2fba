"""The errors a utility's records carry, put in one by one and noted in a table of their own.

Values are spoiled here; slips of writing (month names, mixed date orders, totals rows) are made where files are
written. Every error says which rule of the data dictionary should find it; an empty rule means that no single row
gives it away, and only a comparison with other data can.
"""

from functools import partial

import numpy as np
import pandas as pd

from shared.units import M_PER_FT
from synthetic_data import truth
from synthetic_data.notes import Notes, pick_rows
from synthetic_data.register_dirt import lose_sections, spoil_register

# shares of rows; invented, but each kind is one that utilities know
LATE_BOOKED, VELOCITY_HALVED, RESTORED_IS_CLOSED = 0.012, 0.008, 0.04
DUPLICATED, CORRECTED, REOPENED = 0.04, 0.01, 0.01
BACK_FILLED, FEET_FOR_METRES, WRONG_TERMINAL = 0.05, 0.03, 0.03
CAUSE_UNKNOWN, SPLICE_AS_CABLE, DIG_IN_AS_AGEING = 0.24, 0.15, 0.02
SECTION_MISSING_EARLY, SECTION_MISSING_LATE = 0.12, 0.04
BOTH_HALVES, CREW_VARIANT, REPAIR_AT_MIDNIGHT = 0.03, 0.08, 0.03
CLOCK_JOBS = 9


def _local(moments: pd.Series) -> pd.Series:
    local: pd.Series = moments.dt.tz_convert(truth.ZONE).dt.tz_localize(None)
    return local


def spoil_tables(tables: dict[str, pd.DataFrame], rng: np.random.Generator) -> tuple[dict[str, pd.DataFrame], Notes]:
    """Put the errors into canonical tables.

    Parameters
    ----------
    tables
        Clean canonical tables; they are not changed.
    rng
        Source of randomness.

    Returns
    -------
    tuple
        The spoiled tables and the notes of what was done.

    Notes
    -----
    Checked by: tests/unit/test_synthetic_dirt.py
    """
    notes = Notes()
    spoiled = dict(tables)
    spoiled = _move_to_clock_changes(spoiled, rng)
    jobs = spoiled["jobs"].copy()
    taken = np.zeros(len(jobs), dtype=bool)
    for slip in (_write_utc_as_local, _close_in_one_go, _halve_velocity, _read_in_feet_or_backwards):
        taken = slip(jobs, taken, notes, rng)
    _mislabel(jobs, spoiled["loops"], spoiled["restoration_steps"], notes, rng)
    _forget_hours(jobs, taken, notes, rng)
    spoiled["jobs"] = pd.concat([jobs, *_write_twice(jobs, tables["jobs"], taken, notes, rng)], ignore_index=True)
    spoiled = spoil_register(spoiled, notes, rng)
    return lose_sections(spoiled, notes, rng), notes


def clock_changes(years: range) -> tuple[dict[int, pd.Timestamp], dict[int, pd.Timestamp]]:
    """Moments (UTC) at which the clock goes forward and back, by year, from 2007's rule on."""
    forward, back = {}, {}
    for year in years:
        march = pd.date_range(f"{year}-03-08", f"{year}-03-14", freq="D")
        november = pd.date_range(f"{year}-11-01", f"{year}-11-07", freq="D")
        forward[year] = march[march.day_of_week == 6][0].tz_localize("UTC") + pd.Timedelta(hours=8)
        back[year] = november[november.day_of_week == 6][0].tz_localize("UTC") + pd.Timedelta(hours=7)
    return forward, back


def _move_to_clock_changes(tables: dict[str, pd.DataFrame], rng: np.random.Generator) -> dict[str, pd.DataFrame]:
    """Move a few jobs of the same season into the nights on which the clock is changed.

    Two in three fall into the hour that the autumn clock shows twice. What their texts cannot say is noted when
    they are written.
    """
    jobs = tables["jobs"].copy()
    forward, back = clock_changes(range(2008, 2025))
    shifts = pd.Series(pd.Timedelta(0), index=jobs["job_id"]).astype("timedelta64[us]")
    rows = np.arange(len(jobs))
    for number in range(CLOCK_JOBS):
        year = int(rng.integers(2008, 2025))
        moment = forward[year] if number % 3 == 0 else back[year] - pd.Timedelta(minutes=45)
        aim = moment + pd.Timedelta(minutes=int(rng.integers(2, 40)))
        away = (jobs["located_at"] - aim).abs()
        near = rows[(away < pd.Timedelta(days=60)).to_numpy() & (shifts == pd.Timedelta(0)).to_numpy()]
        if len(near):
            row = int(rng.choice(near))
            shifts.iloc[row] = aim - jobs["located_at"].iloc[row]
    moved = dict(tables)
    stamps = [c for c in jobs.columns if c.endswith("_at")]
    moved["jobs"] = jobs.assign(**{c: jobs[c] + shifts.to_numpy() for c in stamps})
    for table, column in (("restoration_steps", "step_at"), ("test_shots", "shot_at")):
        if len(tables[table]):
            own = tables[table]["job_id"].map(shifts)
            moved[table] = tables[table].assign(**{column: tables[table][column] + own.to_numpy()})
    return moved


def _write_utc_as_local(jobs: pd.DataFrame, taken: np.ndarray, notes: Notes, rng: np.random.Generator) -> np.ndarray:
    """One mobile feed wrote UTC into the local field from March 2011 to October 2012: arrived and located run late."""
    span = jobs["reported_at"].between(pd.Timestamp("2011-03-01", tz="UTC"), pd.Timestamp("2012-11-01", tz="UTC"))
    rows = pick_rows(rng, span & ~taken, LATE_BOOKED, of=len(jobs))
    for column in ("arrived_at", "located_at"):
        wrong = jobs[column].dt.tz_localize(None).dt.tz_localize(truth.ZONE, ambiguous="NaT", nonexistent="NaT")
        wrong = wrong.dt.tz_convert("UTC").fillna(jobs[column])
        late = wrong > jobs["restored_at"]
        rule = np.where((column == "located_at") & late.iloc[rows], "restored_before_located", "")
        notes.put("utc_written_as_local", "jobs", jobs, rows, column, wrong.iloc[rows], rule)
    taken[rows] = True
    return taken


def _close_in_one_go(jobs: pd.DataFrame, taken: np.ndarray, notes: Notes, rng: np.random.Generator) -> np.ndarray:
    rows = pick_rows(rng, ~taken, RESTORED_IS_CLOSED, of=len(jobs))
    closed = jobs["closed_at"].iloc[rows]
    notes.put("restored_set_to_closed", "jobs", jobs, rows, "restored_at", closed, "restored_equals_closed")
    taken[rows] = True
    return taken


def _halve_velocity(jobs: pd.DataFrame, taken: np.ndarray, notes: Notes, rng: np.random.Generator) -> np.ndarray:
    """The half velocity in a column of whole velocities."""
    rows = pick_rows(rng, jobs["velocity_setting_pct"].notna() & ~taken, VELOCITY_HALVED, of=len(jobs))
    halved = (jobs["velocity_setting_pct"].iloc[rows] / 2).round(2)
    notes.put("velocity_halved", "jobs", jobs, rows, "velocity_setting_pct", halved, "velocity_out_of_range")
    taken[rows] = True
    return taken


def _read_in_feet_or_backwards(
    jobs: pd.DataFrame, taken: np.ndarray, notes: Notes, rng: np.random.Generator
) -> np.ndarray:
    """Feet in a column of metres, the wrong end, the estimate filled in after the dig."""
    shown = jobs["estimated_distance_m"].notna() & ~taken
    both = shown & jobs["dug_distance_m"].notna()
    free = np.ones(len(jobs), dtype=bool)

    rows = pick_rows(rng, both, BACK_FILLED)
    dug = jobs["dug_distance_m"].iloc[rows]
    notes.put("estimate_back_filled", "jobs", jobs, rows, "estimated_distance_m", dug, "estimate_equals_dug")
    free[rows] = False

    slips = {i.instrument_id: i.unit_slips or FEET_FOR_METRES for i in truth.INSTRUMENTS}
    rate = jobs["instrument_id"].map(slips).fillna(0).to_numpy(dtype=float)
    rows = np.flatnonzero(shown & free & (rng.random(len(jobs)) < rate))
    feet = (jobs["estimated_distance_m"].iloc[rows] / M_PER_FT).round(1)
    notes.put("feet_for_metres", "jobs", jobs, rows, "estimated_distance_m", feet)
    free[rows] = False

    rows = pick_rows(rng, shown & free & jobs["toward_terminal_id"].notna(), WRONG_TERMINAL)
    ends = jobs[["test_terminal_id", "toward_terminal_id"]].iloc[rows]
    notes.put("wrong_terminal", "jobs", jobs, rows, "test_terminal_id", ends["toward_terminal_id"])
    jobs.loc[rows, "toward_terminal_id"] = ends["test_terminal_id"]
    return taken


def _mislabel(
    jobs: pd.DataFrame, loops: pd.DataFrame, steps: pd.DataFrame, notes: Notes, rng: np.random.Generator
) -> None:
    """Causes, components, sections, crews and customers as a clerk writes them."""
    put = partial(notes.put, table="jobs", rows=jobs)
    rows = pick_rows(rng, jobs["failed_component"] == "splice", SPLICE_AS_CABLE)
    put("splice_logged_as_cable", places=rows, column="failed_component", written="cable")
    rows = pick_rows(rng, jobs["cause"] == "dig_in", DIG_IN_AS_AGEING)
    put("dig_in_coded_as_ageing", places=rows, column="cause", written="insulation_breakdown")
    rows = pick_rows(rng, ~jobs["cause"].isin(["dig_in"]), CAUSE_UNKNOWN)
    put("cause_unknown", places=rows, column="cause", written="unknown")
    early = (jobs["reported_at"] < pd.Timestamp("2012-01-01", tz="UTC")).to_numpy()
    missing = rng.random(len(jobs)) < np.where(early, SECTION_MISSING_EARLY, SECTION_MISSING_LATE)
    put("section_missing", places=np.flatnonzero(missing), column="section_id", written=None)
    rows = pick_rows(rng, np.ones(len(jobs), dtype=bool), CREW_VARIANT)
    crews = jobs["crew_id"].iloc[rows].astype(str)
    forms = [crews.str.lower().str.replace("-", ""), crews.str.replace("-", " "), crews.str.replace("-", "-0")]
    spelt = np.choose(rng.integers(0, 3, len(rows)), [f.to_numpy() for f in forms])
    put("crew_spelling", places=rows, column="crew_id", written=spelt)
    on_loop = jobs["loop_id"].map(loops.set_index("loop_id")["customers"])
    rows = pick_rows(rng, on_loop > jobs["customers_interrupted"], BOTH_HALVES)
    stepped = jobs["job_id"].iloc[rows].isin(steps["job_id"])
    rule = np.where(stepped, "steps_not_adding_up", "")
    both = on_loop.iloc[rows].astype(int).to_numpy()
    put(
        "both_halves_counted",
        places=rows,
        column="customers_interrupted",
        written=both,
        rule=rule,
        found_in="restoration_steps",
    )


def _forget_hours(jobs: pd.DataFrame, taken: np.ndarray, notes: Notes, rng: np.random.Generator) -> None:
    """Repair dates without the hour, written as midnight."""
    rows = pick_rows(rng, ~taken, REPAIR_AT_MIDNIGHT)
    midnight = _local(jobs["repaired_at"]).dt.floor("D").dt.tz_localize(truth.ZONE).dt.tz_convert("UTC")
    midnight = midnight.astype(jobs["repaired_at"].dtype)
    notes.put("repaired_without_hour", "jobs", jobs, rows, "repaired_at", midnight.iloc[rows])


def _write_twice(
    jobs: pd.DataFrame, clean: pd.DataFrame, taken: np.ndarray, notes: Notes, rng: np.random.Generator
) -> list[pd.DataFrame]:
    """Rows that come on top: the call's ticket beside the alarm's, corrected revisions, re-opened jobs."""
    stamps = [c for c in jobs.columns if c.endswith("_at")]
    readings = [
        "instrument_id",
        "velocity_setting_pct",
        "test_terminal_id",
        "toward_terminal_id",
        "estimated_distance_m",
        "far_end_distance_m",
        "far_end_terminal_id",
        "dug_distance_m",
        "dug_method",
        "pulse_ns",
        "range_m",
        "sampling_m",
    ]
    free = ~taken

    rows = pick_rows(rng, free, DUPLICATED)
    again = jobs.iloc[rows].copy()
    again["reported_at"] -= pd.to_timedelta(rng.integers(1, 13, len(rows)), unit="min").to_numpy()
    again[readings] = jobs[readings].iloc[:0].reindex(again.index)
    again["job_id"] = again["job_id"] + "-B"
    notes.add(
        "entered_twice",
        "jobs",
        again,
        "job_id",
        again["job_id"].to_numpy(),
        "possible_duplicate",
        jobs["job_id"].iloc[rows].to_numpy(),
        is_extra=True,
    )
    free[rows] = False

    rows = pick_rows(rng, free, CORRECTED)
    better = jobs.iloc[rows].assign(revision=2)
    for column in ("cause", "section_id", "failed_component", "estimated_distance_m"):
        better[column] = clean[column].iloc[rows].to_numpy()
    notes.add("corrected_later", "jobs", better, "revision", 2, is_extra=True)
    free[rows] = False

    early = jobs["closed_at"] < pd.Timestamp("2025-10-01", tz="UTC")
    rows = pick_rows(
        rng, free & early & jobs["dug_distance_m"].notna() & jobs["section_id"].notna(), REOPENED, of=len(jobs)
    )
    later = jobs.iloc[rows].copy()
    delay = pd.to_timedelta(rng.integers(3, 26, len(rows)), unit="D").to_numpy()
    for stamp in stamps:
        later[stamp] = later[stamp] + delay
    later["job_id"] = later["job_id"] + "-R"
    later["dug_distance_m"] = (later["dug_distance_m"] + rng.uniform(-1.5, 1.5, len(rows))).clip(lower=0.1).round(1)
    notes.add(
        "opened_again",
        "jobs",
        later,
        "job_id",
        later["job_id"].to_numpy(),
        "possible_reopened",
        jobs["job_id"].iloc[rows].to_numpy(),
        is_extra=True,
    )
    return [again, better, later]
