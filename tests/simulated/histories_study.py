"""Histories recorded two ways, as changes in time and as known at the end: the same failures, exposure and ranking.

python -m tests.simulated.histories_study [--loops 24] [--seed 5] [--only NAME ...]

Of an invented fleet one section, and what happens to it, is recorded twice: load by load as a utility would come to
know of it, and at once as its register tells it in the end. Prints of each history what the loads said, the failures
counted, the km-years observed, and the largest relative difference of any figure of the ranking of loops; exits 1 where
any two differ. Where it can, the second way names for each job the very cable that failed: so the first is held to the
truth too.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from pipelines.intake.load import load_paths
from pipelines.refresh import STEPS, Refresh
from pipelines.validation.file_results import say_results
from shared.settings import Settings
from shared.store import Workspace, open_warehouse, read_model
from synthetic_data.demo import make_tables

DAY = pd.Timestamp("2015-06-01")
"""The day of the change."""
BEFORE, AFTER = ("2008-05-10", "2011-06-10", "2013-07-10"), ("2017-03-10", "2019-05-10")
"""Days of the failures of the section, on either side of it."""
TAKEN = ("core", "survival", "ranking")
Tables = dict[str, pd.DataFrame]


@dataclass
class Step:
    """Files loaded together, with the keys of a mapping's block where one is needed."""

    tables: Tables
    keys: str = ""
    as_newest: bool = False


@dataclass
class Recorded:
    """One history, recorded both ways."""

    came: list[Step]
    known: Tables
    keys: str = ""
    settled: str = ""


@dataclass
class Fleet:
    """The fleet, the section that the histories are about, and those beside it on its loop."""

    tables: Tables
    section: pd.Series
    after: pd.Series
    jobs: pd.DataFrame = field(default_factory=pd.DataFrame)

    @property
    def id(self) -> str:
        return str(self.section["section_id"])

    def with_sections(self, *changed: pd.Series, without: Iterable[str] = ()) -> pd.DataFrame:
        """The register with rows changed or added, and others left out."""
        register = self.tables["sections"]
        gone = {*without, *(row["section_id"] for row in changed)}
        kept = register[~register["section_id"].isin(gone)]
        if not changed:
            return kept
        return pd.concat([kept, pd.DataFrame(list(changed))[register.columns]], ignore_index=True)

    def named(self, before: str | None, after: str | None = None) -> pd.DataFrame:
        """All jobs, those of the section under the ids given; without one they are left out."""
        own = self.jobs.assign(section_id=[before] * len(BEFORE) + [after if after else before] * len(AFTER))
        return pd.concat([self.tables["jobs"], own], ignore_index=True)

    def base(self, **tables: pd.DataFrame) -> Tables:
        return {**self.tables, "jobs": self.named(self.id), **tables}

    def until(self, day: pd.Timestamp = DAY, **tables: pd.DataFrame) -> Tables:
        """What was known before a day."""
        found = self.base(**tables)
        jobs = found["jobs"]
        return found | {"jobs": jobs[pd.to_datetime(jobs["reported_at"]).dt.tz_convert(None) < day]}


def make_fleet(loops: int, seed: int) -> Fleet:
    """A fleet, with five failures of its own on the second section of a loop, whose neighbours have none."""
    tables = make_tables(loops, seed)
    tables = {k: tables[k] for k in ("districts", "customers_by_year", "loops", "terminals", "sections", "instruments",
                                     "jobs")}  # fmt: skip
    register = tables["sections"]
    whole = register.groupby("loop_id").filter(lambda s: s["retired_on"].isna().all() and s["position"].is_unique)
    loop = whole.loc[whole["installed_on"].lt("2000-01-01"), "loop_id"].mode()[0]
    section, after = (register[(register["loop_id"] == loop) & (register["position"] == n)].iloc[0] for n in (2, 3))
    jobs = tables["jobs"]
    jobs = jobs[~jobs["section_id"].isin([section["section_id"], after["section_id"]])]
    template = jobs[jobs["failed_component"].eq("cable") & jobs["section_id"].notna()].iloc[0]
    moments = [c for c in jobs.columns if c.endswith("_at")]
    own = []
    for number, day in enumerate((*BEFORE, *AFTER)):
        row = template.copy()
        moved = pd.Timestamp(day, tz="UTC") + pd.Timedelta(hours=15) - row["reported_at"]
        row[moments] = row[moments] + moved
        row[["job_id", "loop_id"]] = f"H{number}", loop
        row[["test_terminal_id", "toward_terminal_id"]] = section["from_terminal_id"], section["to_terminal_id"]
        row[["dug_distance_m", "estimated_distance_m", "far_end_distance_m", "far_end_terminal_id"]] = np.nan
        own.append(row)
    return Fleet({**tables, "jobs": jobs}, section, after, pd.DataFrame(own))


def row(section: pd.Series, **cells: object) -> pd.Series:
    return pd.Series({**section.to_dict(), **cells})


def successors(*rows: tuple[str, str, str]) -> pd.DataFrame:
    return pd.DataFrame([(*r, DAY) for r in rows], columns=["old_id", "new_id", "kind", "on"])


def new_cable(fleet: Fleet, **cells: object) -> pd.Series:
    laid = {"insulation": "EPR", "neutral": "jacketed", "installed_on": DAY, **cells}
    return row(fleet.section, **laid)


def earlier(fleet: Fleet) -> pd.Series:
    return row(fleet.section, section_id=f"{fleet.id}@{DAY:%Y-%m-%d}", retired_on=DAY)


# ------------------------------------------------------------------ the histories


def replaced(f: Fleet) -> Recorded:
    """A cable replaced under its id."""
    now = f.with_sections(new_cable(f))
    known = f.with_sections(new_cable(f), earlier(f))
    return Recorded(
        [Step(f.until()), Step({"sections": now}), Step({"jobs": f.named(f.id)})],
        f.base(sections=known, jobs=f.named(f"{f.id}@2015-06-01", f.id)),
    )


def replaced_twice(f: Fleet) -> Recorded:
    """A cable replaced under its id, and its successor as well, in 2018."""
    first, second = new_cable(f), new_cable(f, insulation="TRXLPE", installed_on=pd.Timestamp("2018-02-01"))
    middle = row(first, section_id=f"{f.id}@2018-02-01", retired_on=pd.Timestamp("2018-02-01"))
    jobs = f.named(f"{f.id}@2015-06-01", f"{f.id}@2018-02-01")
    jobs.loc[jobs["job_id"] == "H4", "section_id"] = f.id
    return Recorded(
        [
            Step(f.until()),
            Step({"sections": f.with_sections(first)}),
            Step(f.until(pd.Timestamp("2018-01-01"), sections=f.with_sections(first))),
            Step({"sections": f.with_sections(second)}),
            Step({"jobs": f.named(f.id)}),
        ],
        f.base(sections=f.with_sections(second, middle, earlier(f)), jobs=jobs),
    )


def replaced_and_corrected(f: Fleet) -> Recorded:
    """A replacement whose day and length are put right a year later."""
    wrong = new_cable(f, installed_on=pd.Timestamp("2015-07-15"), length_m=float(f.section["length_m"]) + 40)
    return Recorded(
        [
            Step(f.until()),
            Step({"sections": f.with_sections(wrong)}),
            Step({"sections": f.with_sections(new_cable(f))}),
            Step({"jobs": f.named(f.id)}),
        ],
        f.base(sections=f.with_sections(new_cable(f), earlier(f)), jobs=f.named(f"{f.id}@2015-06-01", f.id)),
    )


def told_late(f: Fleet) -> Recorded:
    """All jobs are loaded before the register tells of the replacement: failures lie on both sides of its day."""
    return Recorded(
        [Step(f.base()), Step({"sections": f.with_sections(new_cable(f))})],
        f.base(sections=f.with_sections(new_cable(f), earlier(f)), jobs=f.named(f"{f.id}@2015-06-01", f.id)),
    )


def corrected(f: Fleet) -> Recorded:
    """A wrong insulation corrected, by the word of the mapping."""
    right = f.with_sections(row(f.section, insulation="EPR"))
    return Recorded(
        [Step(f.until()), Step({"sections": right}, 'changed_cable = "correction"'), Step({"jobs": f.named(f.id)})],
        f.base(sections=right),
    )


def restored(f: Fleet) -> Recorded:
    """A replacement recorded by mistake, taken back by the earlier file as the newest."""
    return Recorded(
        [
            Step(f.until()),
            Step({"sections": f.with_sections(new_cable(f))}),
            Step({"sections": f.tables["sections"]}, as_newest=True),
            Step({"jobs": f.named(f.id)}),
        ],
        f.base(),
    )


def older_file(f: Fleet) -> Recorded:
    """The register of before the replacement loaded again by mistake: it is not taken."""
    history = replaced(f)
    history.came.insert(2, Step({"sections": f.tables["sections"]}))
    return history


def parts_of(f: Fleet, one: str, other: str) -> tuple[list[pd.Series], pd.DataFrame]:
    """The section in two parts, the positions after it moved on; and the terminals with the new one."""
    between, length = f"{f.id}-TX", float(f.section["length_m"])
    here = [
        row(f.section, section_id=one, length_m=0.4 * length, to_terminal_id=between),
        row(f.section, section_id=other, length_m=0.6 * length, from_terminal_id=between,
            position=f.section["position"] + 1),
    ]  # fmt: skip
    register = f.tables["sections"]
    moved = register[(register["loop_id"] == f.section["loop_id"]) & (register["position"] > f.section["position"])]
    here += [row(r, position=r["position"] + 1) for _, r in moved.iterrows()]
    terminals = f.tables["terminals"]
    near = terminals[terminals["terminal_id"] == f.section["from_terminal_id"]].iloc[0]
    return here, pd.concat([terminals, pd.DataFrame([row(near, terminal_id=between, customers=0)])], ignore_index=True)


def split(f: Fleet) -> Recorded:
    """A section split under new ids; the jobs of later name a part."""
    here, terminals = parts_of(f, f"{f.id}a", f"{f.id}b")
    gone = row(f.section, retired_on=DAY)
    told = successors((f.id, f"{f.id}a", "split"), (f.id, f"{f.id}b", "split"))
    return Recorded(
        [
            Step(f.until()),
            Step({"sections": f.with_sections(*here), "terminals": terminals, "section_successors": told}),
            Step({"jobs": f.named(f.id, f"{f.id}b")}),
        ],
        f.base(sections=f.with_sections(*here, gone), terminals=terminals, section_successors=told,
               jobs=f.named(f"{f.id}b")),
    )  # fmt: skip


def split_keeping_the_id(f: Fleet) -> Recorded:
    """A section split, one part of which keeps the id."""
    here, terminals = parts_of(f, f.id, f"{f.id}b")
    told = successors((f.id, f.id, "split"), (f.id, f"{f.id}b", "split"))
    return Recorded(
        [
            Step(f.until()),
            Step({"sections": f.with_sections(*here), "terminals": terminals, "section_successors": told}),
            Step({"jobs": f.named(f.id)}),
        ],
        f.base(sections=f.with_sections(*here, earlier(f)), terminals=terminals, section_successors=told),
    )


def merged(f: Fleet) -> Recorded:
    """Two sections merged; a job of later names one that is no more."""
    whole = row(f.section, section_id=f"{f.id}m", length_m=float(f.section["length_m"] + f.after["length_m"]),
                to_terminal_id=f.after["to_terminal_id"])  # fmt: skip
    register = f.tables["sections"]
    moved = register[(register["loop_id"] == f.section["loop_id"]) & (register["position"] > f.after["position"])]
    here = [whole, *(row(r, position=r["position"] - 1) for _, r in moved.iterrows())]
    told = successors((f.id, f"{f.id}m", "merged"), (f.after["section_id"], f"{f.id}m", "merged"))
    gone = [row(one, retired_on=DAY) for one in (f.section, f.after)]
    return Recorded(
        [
            Step(f.until()),
            Step({"sections": f.with_sections(*here), "section_successors": told}),
            Step({"jobs": f.named(f.id)}),
        ],
        f.base(sections=f.with_sections(*here, *gone), section_successors=told, jobs=f.named(f.id, f"{f.id}m")),
    )


def renumbered(f: Fleet) -> Recorded:
    """The cable gets another id; the register of the end knows no other."""
    now = row(f.section, section_id="R-1")
    register = f.with_sections(now, without=[f.id])
    return Recorded(
        [
            Step(f.until()),
            Step({"sections": register, "section_successors": successors((f.id, "R-1", "renumbered"))}),
            Step({"jobs": f.named(f.id, "R-1")}),
        ],
        f.base(sections=register, jobs=f.named("R-1")),
    )


def replaced_under_another_id(f: Fleet) -> Recorded:
    """A cable replaced under another id; jobs go on to name the old one."""
    new, gone = new_cable(f, section_id="N-1"), row(f.section, retired_on=DAY)
    told = successors((f.id, "N-1", "replaced"))
    return Recorded(
        [
            Step(f.until()),
            Step({"sections": f.with_sections(f.section, new), "section_successors": told}),
            Step({"jobs": f.named(f.id)}),
        ],
        f.base(sections=f.with_sections(gone, new), jobs=f.named(f.id, "N-1")),
    )


def section_gone(f: Fleet) -> Recorded:
    """A section that the register of the day no longer has, closed by the word of the mapping."""
    gone = row(f.section, retired_on=DAY, retired_because="unknown")
    whole = f.with_sections(without=[f.id])
    return Recorded(
        [
            Step(f.until()),
            Step({"sections": whole}, 'snapshot = true\ngone = "close"\ntaken_on = "2015-06-01"'),
            Step({"jobs": f.named(f.id)}),
        ],
        f.base(sections=f.with_sections(gone)),
    )


def loop_lost(f: Fleet) -> Recorded:
    """A loop that the register of the day no longer has: its sections are retired."""
    loop = f.section["loop_id"]
    loops, register = f.tables["loops"], f.tables["sections"]
    gone = [row(r, retired_on=DAY) for _, r in register[register["loop_id"] == loop].iterrows()]
    keys = 'snapshot = true\ngone = "close"\ntaken_on = "2015-06-01"'
    return Recorded(
        [Step(f.until()), Step({"loops": loops[loops["loop_id"] != loop]}, keys), Step({"jobs": f.named(f.id)})],
        f.base(sections=f.with_sections(*gone)),
    )


def jobs_deleted(f: Fleet) -> Recorded:
    """Two jobs that the whole export of today no longer has, cancelled by the word of the mapping."""
    jobs = f.named(f.id)
    left = jobs[~jobs["job_id"].isin(["H1", "H3"])]
    return Recorded(
        [Step(f.base()), Step({"jobs": left}, 'snapshot = true\ngone = "close"\ntaken_on = "2025-12-31"')],
        f.base(jobs=left),
    )


def reopened_and_closed(f: Fleet) -> Recorded:
    """A job opened again and closed on another section; another one left open."""
    jobs = f.named(f.id)
    again = jobs["job_id"].isin(["H1", "H3"])
    opened = jobs[again].assign(status="open", revision=2)
    final = jobs[jobs["job_id"] == "H1"].assign(revision=3, section_id=f.after["section_id"])
    known = pd.concat([jobs[~again], final], ignore_index=True)
    return Recorded([Step(f.base()), Step({"jobs": opened}), Step({"jobs": final})], f.base(jobs=known))


def moved_to_another_loop(f: Fleet) -> Recorded:
    """The open point moves: the last section of a loop is fed from another, and its row says so."""
    register, loops = f.tables["sections"], f.tables["loops"]
    other = next(x for x in register["loop_id"].unique() if x != f.section["loop_id"])
    last = int(register.loc[register["loop_id"] == other, "position"].max())
    now = f.with_sections(row(f.section, loop_id=other, position=last + 1))
    opened = loops.assign(
        normal_open_terminal_id=loops["normal_open_terminal_id"].where(
            loops["loop_id"] != f.section["loop_id"], f.section["to_terminal_id"]
        )
    )
    return Recorded(
        [Step(f.until()), Step({"sections": now, "loops": opened}), Step({"jobs": f.named(f.id)})],
        f.base(sections=now, loops=opened),
    )


def job_corrected(f: Fleet) -> Recorded:
    """A job corrected by a person, of which the source says the row anew; the end knows it right."""
    jobs = f.named(f.id)
    of = pd.DataFrame([{"job_id": "H1", "column": "section_id", "slip": "wrong_section", "value_now": f.id,
                        "value_proposed": f.after["section_id"], "decision": "apply", "grounds": "dug"}])  # fmt: skip
    anew = jobs[jobs["job_id"] == "H1"].assign(repair_cost=7000.0)
    known = jobs.assign(section_id=jobs["section_id"].where(jobs["job_id"] != "H1", f.after["section_id"]),
                        repair_cost=jobs["repair_cost"].where(jobs["job_id"] != "H1", 7000.0))  # fmt: skip
    return Recorded([Step(f.base()), Step({"corrections": of}), Step({"jobs": anew})], f.base(jobs=known))


HISTORIES: tuple[Callable[[Fleet], Recorded], ...] = (
    replaced, replaced_twice, replaced_and_corrected, told_late, corrected, restored, older_file, split,
    split_keeping_the_id, merged, renumbered, replaced_under_another_id, section_gone, loop_lost, jobs_deleted,
    reopened_and_closed, moved_to_another_loop, job_corrected,
)  # fmt: skip


# ------------------------------------------------------------------ recording and comparing


def write(folder: Path, tables: Tables) -> list[Path]:
    """Frames as canonical files: instants in UTC, days as days."""
    folder.mkdir(parents=True)
    paths = []
    for name, frame in tables.items():
        told = frame.copy()
        for column in told.columns:
            values = told[column]
            if column.endswith("_at"):
                told[column] = pd.to_datetime(values, utc=True).dt.strftime("%Y-%m-%d %H:%M:%SZ")
            elif column.endswith("_on") or column in ("on", "recorded_from"):
                told[column] = pd.to_datetime(values).dt.strftime("%Y-%m-%d")
        paths.append(folder / f"{name}.csv")
        told.to_csv(paths[-1], index=False)
    return paths


def mapping_of(folder: Path, tables: Tables, keys: str) -> Path:
    """A mapping that takes every column under its own name, with the keys of a block."""
    blocks = []
    for name, frame in tables.items():
        columns = "\n".join(f'{c} = "{c}"' for c in frame.columns)
        blocks.append(f'[[table]]\nto = "{name}"\nfiles = "{name}.csv"\n{keys}\n[table.columns]\n{columns}\n')
    path = folder / "mapping.toml"
    path.write_text("\n".join(blocks), encoding="utf-8")
    return path


@dataclass
class Answers:
    """What a way of recording comes to."""

    failures: pd.DataFrame
    exposure: pd.DataFrame
    ranking: pd.DataFrame
    said: list[str]


def answer(folder: Path, steps: list[Step]) -> Answers:
    """Load the steps in order, fit and rank."""
    said: list[str] = []
    space = Workspace(folder / "workspace")
    con = open_warehouse(space)
    for number, step in enumerate(steps):
        place = folder / f"load_{number}"
        paths = write(place, step.tables)
        mapping = mapping_of(place, step.tables, step.keys) if step.keys else None
        report = load_paths(con, paths, Settings(), mapping, as_newest=step.as_newest)
        kept_out = [f for f in report.files if f.quarantined and number]
        said += say_results([r for r in report.broken if r.rule in SAID]) + [f"{f.file}: kept out" for f in kept_out]
    run = Refresh(con, space, Settings())
    for name in TAKEN:
        STEPS[name](run)
    failures = read_model(con, "core.failures", columns=("job_id", "section_id", "loop_id", "cable_class", "failed_on",
                                                         "is_counted", "why_not"))  # fmt: skip
    exposure = read_model(con, "core.section_exposure", columns=("section_id", "loop_id", "cable_class", "in_view_from",
                                                                 "in_view_to", "exposure_km_years"))  # fmt: skip
    ranking = read_model(con, "marts.loop_ranking")
    con.close()
    return Answers(failures, exposure, ranking, said)


SAID = ("older_state", "cable_replaced", "job_reopened", "gone_from_snapshot")


def difference(one: pd.DataFrame, other: pd.DataFrame) -> float:
    """Largest relative difference of any number; infinite where rows, texts or days differ."""
    if len(one) != len(other):
        return float("inf")
    worst = 0.0
    for name in one.columns:
        a, b = one[name], other[name]
        if pd.api.types.is_numeric_dtype(a) and not pd.api.types.is_bool_dtype(a):
            x, y = a.to_numpy(float), b.to_numpy(float)
            apart = np.abs(x - y) / np.maximum(np.abs(x), 1e-12)
            worst = max(worst, float(np.nanmax(np.where(x == y, 0.0, apart), initial=0.0)))
            if (np.isnan(x) != np.isnan(y)).any():
                return float("inf")
        elif not a.astype(object).where(a.notna(), None).equals(b.astype(object).where(b.notna(), None)):
            return float("inf")
    return worst


def compare(history: Callable[[Fleet], Recorded], fleet: Fleet) -> tuple[Answers, dict[str, float]]:
    """Record a history both ways; what the first way came to, and the largest differences."""
    recorded = history(fleet)
    with tempfile.TemporaryDirectory() as folder:
        came = answer(Path(folder) / "came", recorded.came)
        known = answer(Path(folder) / "known", [Step(recorded.known)])
    pairs = {name: (getattr(came, name), getattr(known, name)) for name in ("failures", "exposure", "ranking")}
    return came, {name: difference(one, other) for name, (one, other) in pairs.items()}


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--loops", type=int, default=24)
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--only", nargs="*", default=[])
    given = parser.parse_args()
    fleet = make_fleet(given.loops, given.seed)
    wrong = 0
    for history in HISTORIES:
        name = history.__name__
        if given.only and name not in given.only:
            continue
        came, apart = compare(history, fleet)
        own = came.failures[came.failures["job_id"].str.startswith("H")]
        named = ", ".join(
            own["section_id"].fillna("its loop alone") + own["why_not"].fillna("").map(lambda w: w and f" ({w})")
        )
        print(f"{name}: {(history.__doc__ or '').strip()}")
        for line in came.said:
            print(f"    said: {line}")
        print(
            f"    {int(came.failures['is_counted'].sum())} failures counted, "
            f"{came.exposure['exposure_km_years'].sum():.2f} km-years; the section's jobs on {named}"
        )
        print("    largest difference between the two ways: " + ", ".join(f"{k} {v:.1e}" for k, v in apart.items()))
        wrong += any(v > 1e-9 for v in apart.values())
        sys.stdout.flush()
    print(f"{wrong} histories differ" if wrong else "every history comes to the same both ways")
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
