"""The invented utility as tables and as files: what it would export, and the truth kept apart."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from shared import dictionary
from synthetic_data import truth
from synthetic_data.dirt import spoil_tables
from synthetic_data.failures import KINDS, History, draw_storm_days, make_history
from synthetic_data.files import FAULT_BOOK, FAULT_BOOK_UNTIL, locate_rows, write_canonical, write_fault_book
from synthetic_data.fleet import Fleet, make_fleet
from synthetic_data.jobs import STAMPS, Work, make_jobs, make_steps
from synthetic_data.network import Network, note_displays
from synthetic_data.readings import add_readings
from synthetic_data.shots import make_known_lengths, make_test_shots

DEFAULT_LOOPS = 900
DEFAULT_SEED = 20260101
DIRT_STREAM, WRITING_STREAM = 100, 101
MAPPING = Path(__file__).parent / "fault_book.toml"
"""How the fault book's columns become the dictionary's; a copy is written beside the book."""


@dataclass(frozen=True)
class DemoFiles:
    """What was written: the loads in order, each (paths, mapping or none), and the folder of the truth."""

    folder: Path
    loads: tuple[tuple[tuple[Path, ...], Path | None], ...]
    truth: Path


@dataclass(frozen=True)
class Utility:
    """The invented utility: canonical tables by name, and true tables by name."""

    tables: dict[str, pd.DataFrame]
    truths: dict[str, pd.DataFrame]


def _moment(seconds: pd.Series | np.ndarray) -> pd.Series:
    return pd.Series(pd.to_datetime(np.asarray(seconds, dtype=float), unit="s", utc=True)).astype("datetime64[us, UTC]")


def _day(seconds: pd.Series | np.ndarray) -> pd.Series:
    return pd.Series(pd.to_datetime(np.asarray(seconds, dtype=float), unit="s")).astype("datetime64[us]")


def _canonical(frame: pd.DataFrame, table: str) -> pd.DataFrame:
    """The dictionary's columns in the dictionary's order; those the frame lacks are empty."""
    names = dictionary.source_tables()[table].source_columns
    full = frame.reindex(columns=list(names)).reset_index(drop=True)
    empty = [n for n in names if dictionary.columns()[n].type == "text" and full[n].isna().all()]
    return full.astype(dict.fromkeys(empty, "str"))


def _district_tables(fleet: Fleet) -> dict[str, pd.DataFrame]:
    on_loops = fleet.terminals.groupby(fleet.loops["district_row"].to_numpy()[fleet.terminals["loop_row"]])["customers"]
    served = on_loops.sum().reindex(range(len(truth.DISTRICTS)), fill_value=0)
    # buried loops serve a part of the district; the rest hangs on overhead lines
    served = (served * 2.2).round().astype(int) + 100
    districts = pd.DataFrame(
        [
            {
                "district_id": d.district_id,
                "name": d.name,
                "timezone": truth.ZONE,
                "recorded_from": pd.Timestamp("2006-01-01"),
                "customers_served": int(served[row]),
            }
            for row, d in enumerate(truth.DISTRICTS)
        ]
    )
    by_year = pd.DataFrame(
        [
            {
                "district_id": d.district_id,
                "year": year,
                "customers_served": round(served[row] * 1.008 ** (year - 2025)),
            }
            for row, d in enumerate(truth.DISTRICTS)
            for year in range(2006, 2026)
        ]
    )
    return {"districts": districts, "customers_by_year": by_year}


def _register_tables(fleet: Fleet, history: History) -> dict[str, pd.DataFrame]:
    loops, s = fleet.loops, history.sections
    ids = np.array([d.district_id for d in truth.DISTRICTS])[loops["district_row"]]
    radial = loops["is_radial"].to_numpy()
    names = fleet.terminals["terminal_id"].to_numpy()
    first = loops["first_terminal"].to_numpy()
    loop_rows = pd.DataFrame(
        {
            "loop_id": loops["loop_id"],
            "district_id": ids,
            "feeder_id": [f"{d}-F{k:02d}" for d, k in zip(ids, loops["feeder"], strict=True)],
            "substation": [f"{d} station {(k + 3) // 4}" for d, k in zip(ids, loops["feeder"], strict=True)],
            "configuration": np.where(radial, "radial", "loop"),
            "voltage_kv": 12.47,
            "customers": fleet.terminals.groupby("loop_row")["customers"].sum().to_numpy(),
            "normal_open_terminal_id": np.where(radial, None, names[first + loops["open_at"].to_numpy()]),
        }
    )
    customers = fleet.terminals["customers"].to_numpy()
    facts = [truth.CLASSES[k] for k in s.cable_class]
    sections = pd.DataFrame(
        {
            "section_id": s.section_id,
            "loop_id": loops["loop_id"].to_numpy()[s.loop],
            "position": s.position,
            "from_terminal_id": names[first[s.loop] + s.position - 1],
            "to_terminal_id": names[first[s.loop] + s.position],
            "length_m": s.length_m,
            "insulation": [c.insulation for c in facts],
            "neutral": [c.neutral for c in facts],
            "installation": [c.installation for c in facts],
            "conductor": [c.conductor for c in facts],
            "installed_on": _day(s.installed),
            "retired_on": _day(s.retired),
            "retired_because": s.retired_because,
            "rejuvenated_on": _day(s.injected),
            "customers": customers[first[s.loop] + s.position],
        }
    ).sort_values(["loop_id", "position", "installed_on"], kind="stable")
    instruments = pd.DataFrame(
        [
            {
                "instrument_id": i.instrument_id,
                "in_service_on": pd.Timestamp(i.in_service_on),
                "last_calibrated_on": pd.Timestamp(i.last_calibrated_on) if i.last_calibrated_on else pd.NaT,
            }
            for i in truth.INSTRUMENTS
        ]
    )
    return {
        "loops": loop_rows,
        "terminals": fleet.terminals,
        "sections": sections,
        "instruments": instruments,
        "section_pieces": pd.DataFrame(),
    }


def _job_tables(work: Work, shots: pd.DataFrame, known: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """Closed jobs and what hangs on them; jobs whose paper was open at the extract are left out."""
    extract = truth.RECORDS_TO.astype(np.int64)
    closed = (work.jobs["closed_at"] < extract).to_numpy()
    jobs = work.jobs[closed].reset_index(drop=True).assign(revision=1, status="closed")
    for stamp in STAMPS:
        jobs[stamp] = _moment(jobs[stamp])
    kept = set(jobs["job_id"])
    steps = make_steps(work)
    steps = steps[steps["job_id"].isin(kept)].reset_index(drop=True)
    steps["step_at"] = _moment(steps["step_at"])
    if len(shots):
        shots = shots[shots["job_id"].isin(kept)].reset_index(drop=True)
        shots["shot_at"] = _moment(shots["shot_at"])
    return {"jobs": jobs, "test_shots": shots, "restoration_steps": steps, "known_lengths": known}


def _truth_tables(fleet: Fleet, history: History, work: Work) -> dict[str, pd.DataFrame]:
    s, e = history.sections, history.events
    sections = pd.DataFrame(
        {
            "section_id": s.section_id,
            "loop_id": fleet.loops["loop_id"].to_numpy()[s.loop],
            "cable_class": [truth.CLASSES[k].name for k in s.cable_class],
            "length_m": s.length_m,
            "installed_on": _day(s.installed),
            "retired_on": _day(s.retired),
            "rejuvenated_on": _day(s.injected),
            "loop_multiplier": fleet.loops["multiplier"].to_numpy()[s.loop],
            "section_multiplier": s.section_multiplier,
            "intensity_multiplier": s.factor,
            "velocity_pct": s.velocity_pct,
        }
    )
    failures = pd.DataFrame(
        {
            "job_id": work.jobs["job_id"],
            "section_id": s.section_id[e.section],
            "failed_at": _moment(e.at),
            "kind": np.array(KINDS, dtype=object)[e.kind],
            "offset_m": np.round(e.offset_m, 2),
            "setting_pct": work.jobs["setting_true_pct"],
            "route_m": np.round(work.jobs["route_m"], 2),
            "light_m": np.round(work.jobs["light_m"], 3),
        }
    )
    return {
        "classes": truth.classes_frame(),
        "instruments": truth.instruments_frame(),
        "sections": sections,
        "failures": failures,
    }


def make_utility(
    loops: int = DEFAULT_LOOPS, seed: int = DEFAULT_SEED, *, with_programmes: bool = True, with_stories: bool = True
) -> Utility:
    """Draw the invented utility, without errors in its data.

    Parameters
    ----------
    loops
        Number of loops, 10 or more.
    seed
        Same seed, same tables.
    with_programmes
        Whether cable was replaced and injected over the years.
    with_stories
        Whether districts and vintages differ in failures.

    Notes
    -----
    Each part has its own stream of randomness, so that a change in one leaves the others as they were.

    Checked by: tests/unit/test_synthetic_demo.py (through make_tables)
    """
    streams = [np.random.default_rng([seed, part]) for part in range(9)]
    fleet = make_fleet(loops, streams[0], with_stories=with_stories)
    storms = draw_storm_days(streams[1])
    history = make_history(fleet, storms, streams[2], with_programmes=with_programmes, with_stories=with_stories)
    network = Network(fleet, history)
    work = make_jobs(fleet, history, storms, streams[3])
    work = add_readings(fleet, history, work, network, streams[4])
    shots = make_test_shots(fleet, work, network, streams[5])
    known = make_known_lengths(network, history, streams[6])
    work = Work(
        note_displays(work.jobs, work.jobs["located_at"].to_numpy(), "estimated_distance_m", streams[8]), work.searches
    )
    if len(shots):
        shots = note_displays(shots, shots["shot_at"].to_numpy(), "fault_distance_m", streams[8])
    drawn = _district_tables(fleet) | _register_tables(fleet, history) | _job_tables(work, shots, known)
    tables = {name: _canonical(drawn[name], name) for name in dictionary.source_tables() if name in drawn}
    return Utility(tables, _truth_tables(fleet, history, work))


def make_tables(loops: int = DEFAULT_LOOPS, seed: int = DEFAULT_SEED, *, dirt: bool = False) -> dict[str, pd.DataFrame]:
    """Canonical frames by table name: instants in UTC, dates as timestamps without a zone, metres, percent of c.

    Parameters
    ----------
    loops, seed
        As in make_utility.
    dirt
        Whether the values carry the utility's errors (the errors of writing, such as month names, are in files only).

    Notes
    -----
    Checked by: tests/unit/test_synthetic_demo.py
    """
    tables = make_utility(loops, seed).tables
    return spoil_tables(tables, np.random.default_rng([seed, DIRT_STREAM]))[0] if dirt else tables


def write_demo(folder: Path, *, loops: int = DEFAULT_LOOPS, seed: int = DEFAULT_SEED) -> DemoFiles:
    """Write the files the utility would export, and the truth in a folder of its own.

    Checked by: tests/unit/test_synthetic_demo.py
    """
    utility = make_utility(loops, seed)
    tables, notes = spoil_tables(utility.tables, np.random.default_rng([seed, DIRT_STREAM]))
    export, hidden = folder / "export", folder / "truth"
    for place in (export, hidden):
        place.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng([seed, WRITING_STREAM])
    in_book = (tables["jobs"]["reported_at"] < FAULT_BOOK_UNTIL) & (tables["jobs"]["revision"] == 1)
    book = tables["jobs"][in_book].reset_index(drop=True)
    tables["jobs"] = tables["jobs"][~in_book].reset_index(drop=True)
    written: dict[Path, tuple[str, pd.DataFrame, int]] = {}
    for name, frame in tables.items():
        if len(frame):
            write_canonical(frame, name, export / f"{name}.csv", notes, rng)
            written[export / f"{name}.csv"] = (name, frame, 2)
    canonical = tuple(written)
    write_fault_book(book, export / FAULT_BOOK, notes, rng)
    # title, headings and units stand above the first job; the total is its last row
    listed = pd.concat([book, pd.DataFrame([{"job_id": "Total", "revision": 1}])], ignore_index=True)
    written[export / FAULT_BOOK] = ("jobs", listed, 4)
    mapping = export / MAPPING.name
    mapping.write_text(MAPPING.read_text(encoding="utf-8"), encoding="utf-8")
    truths = utility.truths | {"errors": locate_rows(notes.to_frame(), written)}
    for name, frame in truths.items():
        frame.to_csv(hidden / f"{name}.csv", index=False, lineterminator="\n")
    return DemoFiles(folder, ((canonical, None), ((export / FAULT_BOOK,), mapping)), hidden)
