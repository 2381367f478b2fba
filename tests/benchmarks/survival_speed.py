"""What do the survival figures of a large fleet cost, beside a general library and as the fleet grows?

python -m tests.benchmarks.survival_speed beside PYTHON [SECTIONS]    PYTHON: an interpreter with lifelines
python -m tests.benchmarks.survival_speed grow [SECTIONS]             then five times as many
python -m tests.benchmarks.survival_speed whole [SECTIONS] [JOBS]     both steps of a refresh, and their memory

The fleet is invented: 20 classes whose failures follow a power law of age, loops of ten sections with multipliers
of variance 0.5, records that begin in 2000, one section in twelve retired.
"""

from __future__ import annotations

import json
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line has it

import numpy as np
import pandas as pd

from pipelines.survival.cells import aggregate_cells
from pipelines.survival.curves import PowerLawCurves, expect_between
from pipelines.survival.frailty import fit_dispersion
from pipelines.survival.power_law import fit_power_law, summarise_classes

CLASSES = 20
AS_OF = np.datetime64("2025-01-01")
RECORDED = np.datetime64("2000-01-01")
YEAR = 365.25

LIFELINES = """
import json, sys, time
import numpy as np
from lifelines import WeibullFitter
rows = np.load(sys.argv[1])
found, began = [], time.process_time()
for one in range(int(rows["classes"])):
    own = rows["cable_class"] == one
    fit = WeibullFitter().fit(rows["leave"][own], rows["failed"][own], entry=rows["enter"][own])
    found.append([float(fit.rho_), float(fit.lambda_)])
print(json.dumps({"seconds": time.process_time() - began, "found": found}))
"""


@dataclass(frozen=True)
class Fleet:
    """Sections of one kilometre as arrays, and their failures; ages in years, dates as days."""

    cable_class: np.ndarray
    loop: np.ndarray
    km: np.ndarray
    installed: np.ndarray
    retired: np.ndarray
    enter: np.ndarray
    leave: np.ndarray
    failure_section: np.ndarray
    failure_age: np.ndarray


def make_fleet(sections: int, seed: int = 1, failures_per_century: float = 1.0) -> Fleet:
    """A fleet of known truth: shapes 1.5 to 3, every class at the same mean rate."""
    rng = np.random.default_rng(seed)
    cable_class = rng.integers(0, CLASSES, sections)
    loop = np.arange(sections) // 10
    installed = np.datetime64("1965-01-01") + rng.integers(0, 55 * 365, sections).astype("timedelta64[D]")
    life = rng.integers(1, 60 * 365, sections).astype("timedelta64[D]")
    retired = np.where(rng.random(sections) < 1 / 12, installed + life, np.datetime64("2100-01-01"))
    enter = np.maximum((RECORDED - installed).astype(float), 0.0) / YEAR
    leave = np.maximum((np.minimum(retired, AS_OF) - installed).astype(float) / YEAR, enter)
    shape = np.linspace(1.5, 3.0, CLASSES)[cable_class]
    frailty = rng.gamma(2.0, 0.5, loop[-1] + 1)[loop] if sections else np.zeros(0)
    # of a power law with Lambda(40) = 0.4 centuries x the rate asked for
    scale = 40.0 / (0.4 * failures_per_century) ** (1.0 / shape)
    low, high = (enter / scale) ** shape, (leave / scale) ** shape
    count = rng.poisson(frailty * (high - low))
    of = np.repeat(np.arange(sections), count)
    age = scale[of] * (low[of] + rng.random(len(of)) * (high - low)[of]) ** (1.0 / shape[of])
    return Fleet(cable_class, loop, np.ones(sections), installed, retired, enter, leave, of, age)


def fit_ours(fleet: Fleet) -> np.ndarray:
    """Cells by class and age, a power law of each class with its limits, and a multiplier of each loop."""
    columns = columns_of(fleet)
    aggregate_cells(*columns)
    fits = fit_classes(*columns)
    curves = PowerLawCurves(fits[:, 0], fits[:, 1] ** -fits[:, 0], np.zeros(CLASSES))
    expected = np.bincount(fleet.loop, expect_between(curves, fleet.cable_class, fleet.enter, fleet.leave))
    seen = np.bincount(fleet.loop[fleet.failure_section], minlength=len(expected)).astype(float)
    k = 1.0 / max(fit_dispersion(seen, expected), 1e-6)
    assert ((k + seen) / (k + expected) > 0).all()  # the multipliers
    return fits


def fit_classes(cable_class: np.ndarray, *ages: np.ndarray) -> np.ndarray:
    """Shape and scale of each class, shape (classes, 2)."""
    laws = [fit_power_law(of_class, 0.9) for of_class in summarise_classes(cable_class, CLASSES, *ages)]
    return np.array([(law.shape, law.scale_years) for law in laws if law is not None])


def columns_of(fleet: Fleet) -> tuple[np.ndarray, ...]:
    """Class, ages and km of the sections, class, ages and weights of the failures."""
    of, age = fleet.failure_section, fleet.failure_age
    return fleet.cable_class, fleet.enter, fleet.leave, fleet.km, fleet.cable_class[of], age, np.ones(len(age))


def write_rows(fleet: Fleet, file: Path) -> None:
    """The fleet as counting-process rows: a section is cut at each of its failures."""
    order = np.lexsort((fleet.failure_age, fleet.failure_section))
    section, age = fleet.failure_section[order], fleet.failure_age[order]
    first = np.r_[True, section[1:] != section[:-1]] if len(section) else np.zeros(0, bool)
    begins = np.where(first, fleet.enter[section], np.r_[0.0, age[:-1]])
    last = fleet.enter.copy()
    np.maximum.at(last, section, age)
    rows = {
        "cable_class": np.r_[fleet.cable_class[section], fleet.cable_class],
        "enter": np.r_[begins, last],
        "leave": np.r_[age, fleet.leave],
        "failed": np.r_[np.ones(len(section)), np.zeros(len(last))],
    }
    seen = rows["leave"] > rows["enter"]
    np.savez(file, classes=CLASSES, **{name: values[seen] for name, values in rows.items()})


def fit_theirs(python: str, file: Path) -> tuple[float, np.ndarray]:
    """Seconds that the library's fits alone took, and its shapes and scales."""
    done = subprocess.run([python, "-c", LIFELINES, str(file)], capture_output=True, text=True, check=True)
    said: dict[str, Any] = json.loads(done.stdout)
    return said["seconds"], np.array(said["found"])


def time_once(work: Callable[[], object]) -> float:
    """Seconds by the clock."""
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


def spend_once(work: Callable[[], object]) -> float:
    """Seconds of the processor, all threads together: what others do on the machine is not in them."""
    began = time.process_time()
    work()
    return time.process_time() - began


def beside(python: str, sections: int = 1_000_000, rounds: int = 3) -> float:
    """Ours in turn with WeibullFitter(entry) of lifelines; the fits must agree before a time counts."""
    fleet = make_fleet(sections)
    ours, theirs = [], []
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "rows.npz"
        write_rows(fleet, file)
        _, found = fit_theirs(python, file)
        apart = np.abs(found / fit_ours(fleet) - 1).max()  # before any time counts; both have loaded what they need
        assert apart < 1e-3, f"the two fits differ by {apart:.1e}"
        for _ in range(rounds):
            ours.append(spend_once(lambda: fit_ours(fleet)))
            theirs.append(fit_theirs(python, file)[0])
    ratio = statistics.median(theirs) / statistics.median(ours)
    print(f"{sections:,} sections, {len(fleet.failure_age):,} failures, {CLASSES} classes, {rounds} rounds in turn:")
    print(
        f"  ours (cells, power laws with limits, multipliers) {statistics.median(ours):.3f} s of the processor; "
        f"lifelines' Weibull with entry {statistics.median(theirs):.2f} s: {ratio:.0f} times as much. Shapes and "
        f"scales agree to {apart:.0e}."
    )
    return ratio


def grow(sections: int = 1_000_000, rounds: int = 3) -> float:
    """Cost of five times as many sections over the cost of as many."""
    small, large = make_fleet(sections), make_fleet(5 * sections, seed=2)
    seconds: dict[str, list[float]] = {"small": [], "large": []}
    fit_ours(small)  # loads what it needs
    for _ in range(rounds):
        seconds["small"].append(spend_once(lambda: fit_ours(small)))
        seconds["large"].append(spend_once(lambda: fit_ours(large)))
    once, five = (statistics.median(s) for s in seconds.values())
    print(f"{sections:,} sections {once:.3f} s, {5 * sections:,} sections {five:.3f} s: {five / once:.1f} times")
    return five / once


def whole(sections: int = 1_000_000, jobs: int = 1_000_000) -> dict[str, float]:
    """Seconds of the steps survival and replacement on a warehouse of so many sections and about so many jobs."""
    from pipelines.survival import step as survival
    from pipelines.warehouse import load_macros
    from shared.settings import Settings
    from shared.store import Workspace, open_warehouse
    from tests.replacement_fleets import run_replacement

    settings = Settings().override("general", as_of=AS_OF.astype(object))
    seconds = {}
    with tempfile.TemporaryDirectory() as folder:
        # in a process of its own: what drawing takes is no part of the peak
        given = [sys.executable, "-m", "tests.benchmarks.survival_speed", "draw", folder, str(sections), str(jobs)]
        subprocess.run(given, check=True)
        con = open_warehouse(Workspace(Path(folder)), settings)
        load_macros(con)
        for name, step in (("survival", survival.run), ("replacement", run_replacement)):
            expected = time.process_time()
            seconds[name] = time_once(lambda step=step: step(con, settings))  # type: ignore[misc]
            expected, peak = time.process_time() - expected, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            print(
                f"  {name}: {seconds[name]:.1f} s ({expected:.1f} s of the processor), peak so far {peak:,.0f} MB",
                flush=True,
            )
        count = con.execute("select count(*) from core.failures").fetchone()
        con.close()
    print(f"{sections:,} sections and {count[0] if count else 0:,} jobs: {sum(seconds.values()):.1f} s for both steps")
    return seconds


def draw(folder: str, sections: int, jobs: int) -> None:
    """Make a warehouse of an invented fleet in a folder."""
    from shared.settings import Settings
    from shared.store import Workspace, open_warehouse, write_settings, write_table

    settings = Settings().override("general", as_of=AS_OF.astype(object))
    with open_warehouse(Workspace(Path(folder)), settings) as con:
        write_settings(con, settings)
        for name, frame in draw_tables(sections, jobs).items():
            write_table(con, name, frame)


def draw_tables(sections: int, jobs: int) -> dict[str, pd.DataFrame]:
    """The tables of staging and core that both steps read, of an invented fleet with about so many jobs."""
    fleet = make_fleet(sections, failures_per_century=jobs / (0.19 * sections))
    number = np.arange(sections)
    kind = np.char.add("class ", fleet.cable_class.astype(str))
    begins, ends = np.maximum(fleet.installed, RECORDED), np.minimum(fleet.retired, AS_OF)
    gone = fleet.retired <= AS_OF
    frame = pd.DataFrame(
        {
            "section_id": np.char.add("s", number.astype(str)),
            "loop_id": np.char.add("l", fleet.loop.astype(str)),
            "half_loop_id": np.char.add("h", (number // 5).astype(str)),
            "district_id": np.char.add("d", (fleet.loop % 10).astype(str)),
            "position": number % 10 + 1,
            "cable_class": kind,
            "insulation": "XLPE",
            "neutral": "bare",
            "installation": "buried",
            "conductor": "Al",
            "length_m": 100.0,
            "length_km": 0.1,
            "installed_on": fleet.installed,
            "is_installed_on_known": True,
            "retired_on": np.where(gone, fleet.retired, np.datetime64("NaT")),
            "rejuvenated_on": np.datetime64("NaT"),
            "customers": 12,
            "recorded_from": RECORDED,
            "in_view_from": begins,
            "in_view_to": ends,
            "exposure_years": fleet.leave - fleet.enter,
            "exposure_km_years": 0.1 * (fleet.leave - fleet.enter),
        }
    )
    of, age = fleet.failure_section, fleet.failure_age
    failed = fleet.installed[of] + np.ceil(age * YEAR).astype("timedelta64[D]")
    failures = (
        frame[["section_id", "loop_id", "district_id", "cable_class"]]
        .iloc[of]
        .reset_index(drop=True)
        .assign(
            job_id=np.char.add("j", np.arange(len(of)).astype(str)),
            failed_on=failed,
            closed_on=failed,
            age_years=age,
            cause="age",
            failed_component="cable",
            is_counted=True,
            why_not=None,
        )
    )
    stages = failures[["job_id", "loop_id", "district_id"]].assign(
        configuration="loop", customers_interrupted=40, customer_minutes=4000.0
    )
    loops = pd.DataFrame({"loop_id": frame["loop_id"].unique(), "configuration": "loop", "customers": 120})
    drawn = {
        "core.section_exposure": frame,
        "core.failures": failures,
        "core.job_stages": stages,
        "staging.sections": frame.assign(retired_because=np.where(gone, "other", None)),
        "staging.jobs": failures[["job_id"]].assign(repair_cost=9000.0),
        "staging.loops": loops,
        "staging.test_shots": pd.DataFrame({"job_id": pd.Series(dtype=str)}),
        "staging.decisions": pd.DataFrame({"decision_id": pd.Series(dtype=str)}),
        "staging.terminals": pd.DataFrame({"terminal_id": pd.Series(dtype=str)}),
    }
    return {name: _with_all_columns(name, part) for name, part in drawn.items()}


def _with_all_columns(name: str, frame: pd.DataFrame) -> pd.DataFrame:
    from shared import dictionary

    return frame.reindex(columns=list(dictionary.tables()[name].columns))


WAYS: dict[str, Callable[..., object]] = {"beside": beside, "grow": grow, "whole": whole, "draw": draw}

if __name__ == "__main__":
    way, *given = sys.argv[1:]
    WAYS[way](*(int(text) if text.isdecimal() else text for text in given))
