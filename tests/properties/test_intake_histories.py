"""Random histories of a register and its jobs, load by load and at once, against a reckoning of their own."""

from __future__ import annotations

import datetime as dt
import os
import tempfile
from dataclasses import dataclass, field, replace
from pathlib import Path

import duckdb
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from pipelines import warehouse
from pipelines.intake.load import load_paths
from shared.settings import General, Settings
from shared.store import Workspace, open_warehouse, write_settings
from tests.cases.small_utility import Row, write_csv

EXAMPLES = 100 if os.environ.get("LOOPWEAR_FULL") == "1" else 6
AS_OF, RECORDED, LAID = dt.date(2024, 1, 1), dt.date(2002, 1, 1), dt.date(1984, 5, 1)
SETTINGS = Settings(general=General(as_of=AS_OF))
KINDS = ("replace", "split", "merge", "reopen", "correct", "restore", "mistake", "forget", "fail", "fail", "misname")
FOREVER = dt.date(9999, 1, 1)
INSULATIONS = ("XLPE", "EPR", "TRXLPE")
Events = list[tuple[str, int]]


@dataclass
class Service:
    """A section observed under one id: its cable, and from when to when."""

    name: str
    length_m: float
    insulation: str
    installed: dt.date
    begun: dt.date
    ended: dt.date = FOREVER
    made_of: tuple[Service, ...] = ()
    is_regrouped: bool = False

    def covers(self, day: dt.date) -> bool:
        return self.begun < day <= self.ended


@dataclass
class History:
    """What happened so far, the files that told of it, and what must come of it."""

    con: duckdb.DuckDBPyConnection
    folder: Path
    line: list[Service] = field(default_factory=list)
    past: list[Service] = field(default_factory=list)
    jobs: dict[str, Row] = field(default_factory=dict)
    truth: dict[str, Service | None] = field(default_factory=dict)
    successors: list[Row] = field(default_factory=list)
    registers: list[list[Row]] = field(default_factory=list)
    loads: int = 0

    def load(self, tables: dict[str, list[Row]], keys: str = "", as_newest: bool = False) -> None:
        """Load files; with the keys of a mapping's block where some are given."""
        self.loads += 1
        place = self.folder / f"load_{self.loads}"
        paths = [write_csv(place / f"{t}.csv", rows) for t, rows in tables.items() if rows]
        mapping = None
        if keys:
            columns = {t: "\n".join(f'{c} = "{c}"' for c in rows[0]) for t, rows in tables.items()}
            blocks = [
                f'[[table]]\nto = "{t}"\nfiles = "{t}.csv"\n{keys}\n[table.columns]\n{c}\n' for t, c in columns.items()
            ]
            mapping = place / "mapping.toml"
            mapping.write_text("\n".join(blocks))
        report = load_paths(self.con, paths, SETTINGS, mapping, as_newest=as_newest)
        assert sum(f.quarantined for f in report.files) == 0, report

    def tell(self) -> None:
        """Load the register of the day."""
        register = [section(s, position) for position, s in enumerate(self.line, start=1)]
        self.registers.append(register)
        self.load({"section_successors": self.successors, "sections": register})

    def leave(self, place: int, day: dt.date, is_regrouped: bool) -> Service:
        old = self.line.pop(place)
        old.ended, old.is_regrouped = day, is_regrouped
        self.past.append(old)
        return old

    def reach(self, name: str, day: dt.date) -> Service | None:
        """The one section in service on a day under a name, or made of what bore it, or of which that was made."""
        every = [*self.past, *self.line]
        own = [s for s in every if s.name == name]
        for s in own:
            if s.covers(day):
                return s
        kin = [s for s in every if any(_comes_of(s, o) or _comes_of(o, s) for o in own) and s.covers(day)]
        names = {s.name for s in kin}
        return kin[0] if len(names) == 1 else None


def _comes_of(new: Service, old: Service) -> bool:
    """Whether a section was made of one of an id, step by step; a replacement under an id hands on what its id does."""
    return any(part.name == old.name or _comes_of(part, old) for part in new.made_of)


def section(service: Service, position: int, *, name: str = "", is_ended: bool = False) -> Row:
    return {
        "section_id": name or service.name,
        "loop_id": "L1",
        "position": str(position),
        "length_m": repr(service.length_m),
        "insulation": service.insulation,
        "installed_on": str(service.installed),
        "retired_on": str(service.ended) if is_ended and service.ended < FOREVER else "",
    }


def fault(number: int, day: dt.date, name: str) -> Row:
    return {
        "job_id": f"J{number}",
        "revision": "1",
        "status": "closed",
        "loop_id": "L1",
        "section_id": name,
        "reported_at": f"{day} 10:00",
        "restored_at": f"{day} 14:00",
        "closed_at": f"{day} 16:00",
        "failed_component": "cable",
        "crew_id": "A",
    }


def happen(history: History, kind: str, choice: int, day: dt.date) -> None:
    """One event of a history, told as its source would tell it."""
    line, place = history.line, choice % len(history.line)
    names = sorted({s.name for s in (*history.past, *line)})
    if kind == "replace":
        old = history.leave(place, day, is_regrouped=False)
        kind_after = INSULATIONS[(INSULATIONS.index(old.insulation) + 1 + choice % 2) % 3]
        line.insert(place, Service(old.name, old.length_m + 3, kind_after, day, day, made_of=old.made_of))
        history.tell()
    elif kind == "split":
        old = history.leave(place, day, is_regrouped=True)
        share = (0.25, 0.5, 0.6)[choice % 3]
        for n, part in enumerate((share, 1 - share)):
            name = f"{old.name}{'ab'[n]}"
            new = Service(name, round(old.length_m * part, 6), old.insulation, old.installed, day, made_of=(old,))
            line.insert(place + n, new)
            history.successors.append({"old_id": old.name, "new_id": name, "kind": "split", "on": str(day)})
        history.tell()
    elif kind == "merge":
        pairs = [
            n
            for n in range(len(line) - 1)
            if (line[n].insulation, line[n].installed) == (line[n + 1].insulation, line[n + 1].installed)
        ]
        if not pairs:
            return
        n = pairs[choice % len(pairs)]
        olds = (history.leave(n, day, is_regrouped=True), history.leave(n, day, is_regrouped=True))
        name = f"M{day:%Y}"
        whole = Service(
            name, olds[0].length_m + olds[1].length_m, olds[0].insulation, olds[0].installed, day, made_of=olds
        )
        line.insert(n, whole)
        history.successors += [{"old_id": o.name, "new_id": name, "kind": "merged", "on": str(day)} for o in olds]
        history.tell()
    elif kind == "correct":
        line[place].length_m += 10 + choice % 7
        history.tell()
    elif kind == "restore" and len(history.registers) > 1:
        history.load({"sections": history.registers[choice % (len(history.registers) - 1)]})
    elif kind == "mistake":
        right = history.registers[-1]
        new = replace(line[place], insulation="HMWPE", installed=day)
        history.load({"sections": [section(new, place + 1)]})
        history.load({"sections": [right[place]]}, as_newest=True)
    elif kind in ("fail", "misname"):
        name = names[choice % len(names)] if kind == "misname" else line[place].name
        job = fault(len(history.jobs), day, name)
        history.jobs[job["job_id"]] = job
        history.truth[job["job_id"]] = history.reach(name, day)
        history.load({"jobs": [job]})
    elif kind in ("reopen", "forget") and history.jobs:
        jobs = history.jobs
        name = sorted(jobs)[choice % len(jobs)]
        if kind == "forget":
            left = [job for job in jobs.values() if job["job_id"] != name and job["status"] == "closed"]
            if not left:
                return
            keys = f'snapshot = true\ngone = "close"\ntaken_on = "{day}"'
            is_standing = jobs[name]["status"] == "closed"
            history.load({"jobs": left}, keys)
            jobs[name] |= {"status": "cancelled"} if is_standing else {}
        elif jobs[name]["status"] == "closed":
            revision = int(jobs[name]["revision"]) + 1
            history.load({"jobs": [jobs[name] | {"status": "open", "revision": str(revision)}]})
            jobs[name] = jobs[name] | {"status": "open", "revision": str(revision)}
        elif jobs[name]["status"] == "open":
            jobs[name] = jobs[name] | {
                "status": "closed",
                "revision": str(int(jobs[name]["revision"]) + 1),
                "crew_id": "B",
            }
            history.load({"jobs": [jobs[name]]})


def expected(history: History) -> tuple[dict[str, float], dict[str, str | None]]:
    """Km-years by section, and the section of each job that counts (none: its loop alone)."""
    names = final_names(history)
    km_years = {}
    for service in (*history.past, *history.line):
        start = max(service.installed, RECORDED, service.begun)
        end = min(service.ended, AS_OF)
        days = max((end - start).days, 0)
        km_years[names[id(service)]] = service.length_m / 1000 * days / 365.25
    led = {}
    for job, service in history.truth.items():
        if history.jobs[job]["status"] == "closed":
            led[job] = None if service is None else names[id(service)]
    return km_years, led


def final_names(history: History) -> dict[int, str]:
    """What each section is called in the end: one replaced under its id bears the day of it."""
    return {id(s): s.name if s.ended == FOREVER or s.is_regrouped else f"{s.name}@{s.ended}"
            for s in (*history.past, *history.line)}  # fmt: skip


def found(con: duckdb.DuckDBPyConnection) -> tuple[dict[str, float], dict[str, str | None]]:
    write_settings(con, SETTINGS)
    warehouse.build_models(con, "staging")
    warehouse.build_models(
        con, "core", only={"core.half_loops", "core.default_dates", "core.section_exposure", "core.failures"}
    )
    exposure = con.execute("select section_id, exposure_km_years from core.section_exposure").fetchall()
    failures = con.execute("select job_id, section_id, is_counted, why_not from core.failures").fetchall()
    assert {row[3] for row in failures} <= {None, "loop_only"}
    return dict(exposure), {job: name for job, name, *_ in failures}


FIRST = {
    "districts": [{"district_id": "D1", "timezone": "America/Chicago", "recorded_from": str(RECORDED)}],
    "loops": [{"loop_id": "L1", "district_id": "D1"}],
}


def begin(folder: Path) -> History:
    history = History(open_warehouse(Workspace(folder / "workspace")), folder)
    history.line = [Service(f"S{n}", 100.0 + 20 * n, "XLPE", LAID, LAID) for n in range(1, 4)]
    history.load(FIRST)
    history.tell()
    return history


@settings(
    max_examples=EXAMPLES,
    deadline=None,
    suppress_health_check=list(HealthCheck),
    derandomize=True,
    phases=[Phase.explicit, Phase.generate],  # a failing history is short enough to read, and shrinking takes minutes
)
@given(st.lists(st.tuples(st.sampled_from(KINDS), st.integers(0, 100)), min_size=4, max_size=12))
def test_a_random_history_comes_to_the_same_load_by_load_and_at_once(events: Events) -> None:
    with tempfile.TemporaryDirectory() as folder:
        history = begin(Path(folder) / "came")
        for number, (kind, choice) in enumerate(events):
            happen(history, kind, choice, dt.date(2004 + number, 1 + choice % 12, 1 + choice % 27))
        km_years, led = expected(history)
        exposure, failures = found(history.con)
        assert failures == led
        assert exposure == pytest.approx(km_years, rel=1e-12)
        history.con.close()

        at_once = History(open_warehouse(Workspace(Path(folder) / "known" / "workspace")), Path(folder) / "known")
        names = final_names(history)
        rows = [
            section(s, n, name=names[id(s)], is_ended=True) for n, s in enumerate((*history.past, *history.line), 1)
        ]
        closed = [job for job in history.jobs.values() if job["status"] != "open"]  # an open one was never closed
        at_once.load(FIRST | {"section_successors": history.successors, "sections": rows, "jobs": closed})
        exposure, failures = found(at_once.con)
        assert failures == led
        assert exposure == pytest.approx(km_years, rel=1e-12)
        at_once.con.close()
