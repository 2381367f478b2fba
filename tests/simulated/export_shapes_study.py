"""Shapes that an invented utility exports in: each drafted, edited where the draft asks, loaded, and held equal.

python -m tests.simulated.export_shapes_study [--loops 60] [--seed 20260420] [--keep FOLDER] [SHAPE...]

One line a shape: its files, the tables loaded from them, lines drafted, lines changed by hand, rows loaded, and whether
every value in the warehouse is that of the canonical load. Tables that a shape does not write stand beside it in the
canonical form. Headings and words are invented, and are no system's. With LOOPWEAR_OPEN_DATA, or a folder open_data
beside the project, two open files follow, drafted from their own headings.
"""

from __future__ import annotations

import argparse
import difflib
import json
import os
import sqlite3
import tempfile
import time
import tomllib
import zipfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

import duckdb
import pandas as pd

from pipelines.intake.databases import is_sqlite
from pipelines.intake.draft import draft_mapping
from pipelines.intake.load import load_paths
from shared import dictionary, units
from shared.settings import Settings
from shared.store import Workspace, open_warehouse
from synthetic_data import truth
from synthetic_data.demo import make_utility
from synthetic_data.files import BOOK_COLUMNS

Tables = dict[str, pd.DataFrame]
CLOCK = "%Y-%m-%d %H:%M"

TICKET_BOOK = """
districts: Region=district_id, Region name=name, Time zone=timezone, Records since=recorded_from,
    Meters=customers_served
loops: Loop=loop_id, Region=district_id, Circuit=feeder_id, Station=substation, kV=voltage_kv, Open
    point=normal_open_terminal_id
terminals: Pad no=terminal_id, Loop=loop_id, Type=kind, Cust=customers, Tail=tail_m
sections: Cable no=section_id, Loop=loop_id, Seq=position, From pad=from_terminal_id, To pad=to_terminal_id,
    Length=length_m, Insul=insulation, Neutral type=neutral, Laid=installation, Size=conductor, Date
    installed=installed_on, Removed=retired_on
jobs: Ticket=job_id, State=status, Loop=loop_id, Cable no=section_id, Time off=reported_at, Crew sent=dispatched_at,
    On site=arrived_at, Section found=located_at, Time on=restored_at, Repair done=repaired_at, Filed=closed_at,
    Cust out=customers_interrupted, Gang=crew_id, How found=method, Set no=instrument_id, Vel=velocity_setting_pct,
    Tested from=test_terminal_id, Toward=toward_terminal_id, Distance shown=estimated_distance_m,
    Taped=dug_distance_m, How measured=dug_method, What failed=failed_component, Why=cause
test_shots: Ticket=job_id, Shot no=shot_no, Pad=terminal_id, Toward=toward_terminal_id, Outcome=result, Fault
    at=fault_distance_m
instruments: Set no=instrument_id, In use since=in_service_on
restoration_steps: Ticket=job_id, Switched=step_at, Customers back=customers_restored
"""
HEADINGS = {
    table: dict(pair.strip().split("=") for pair in listed.split(","))
    for table, _, listed in (line.partition(":") for line in TICKET_BOOK.replace("\n    ", " ").split("\n") if line)
}
"""Headings of the invented utility; only these columns are compared."""

FAULT_BOOK = {h: next((b for b, c in BOOK_COLUMNS.items() if c == name), h) for h, name in HEADINGS["jobs"].items()}
FAULT_BOOK |= {"Time off": "First call", "State": "Paper", "Vel": "Setting"}
"""The same for its older fault book, whose words are further from those of the trade."""
SHORT = (
    "TKT ST LP CBL T_OFF T_CREW T_ARR T_FND T_ON T_REP T_CLS N_OUT GNG MTHD SET_NO V_PCT PT_A PT_B D_EST D_DUG D_HOW "
    "PART CSE"
)
SHORT_NAMES = dict(zip(HEADINGS["jobs"], SHORT.split(), strict=True))
"""The same as a program would shorten them."""

WORDS = {
    "status": {"closed": "complete"},
    "method": {"arc_reflection": "arc", "pulse_reflection": "pulse", "surge": "thumper", "sectionalizing": "halving"},
    "cause": {
        "water_treeing": "treeing",
        "dig_in": "dug into",
        "neutral_corrosion": "corroded neutral",
        "unknown": "?",
    },
    "failed_component": {"splice": "joint"},
    "dug_method": {"taped": "tape", "wheeled": "wheel"},
    "insulation": {"TRXLPE": "TR-XLPE"},
    "installation": {"buried": "direct buried", "duct": "conduit"},
}
"""The utility's own words for codes."""


@dataclass(frozen=True)
class Shape:
    """One way to export: what writes it, and the lines of its draft that a person changes, each found once."""

    name: str
    write: Callable[[Path, Tables], None]
    tables: tuple[str, ...]
    edits: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Outcome:
    """What came of a shape."""

    name: str
    files: int
    tables: int
    drafted: int
    edited: int
    rows: int
    differences: tuple[str, ...]

    def __str__(self) -> str:
        verdict = "equal" if not self.differences else "NOT EQUAL: " + "; ".join(self.differences)
        return (
            f"{self.name:<34} {self.files:>2} files {self.tables} tables {self.drafted:>4} lines drafted "
            f"{self.edited} changed {self.rows:>5} rows {verdict}"
        )


def make_canonical(loops: int, seed: int) -> Tables:
    """The fleet as texts in the canonical form: lengths in whole tenths of a foot, stamps that no clock shows twice."""
    tables = make_utility(loops, seed).tables
    jobs = tables["jobs"]
    stamps = [c for c in jobs if dictionary.columns()[c].type == "instant"]
    doubtful = pd.Series(False, index=jobs.index)
    for name in stamps:
        local = jobs[name].dt.tz_convert(truth.ZONE).dt.tz_localize(None)
        doubtful |= jobs[name].notna() & local.dt.tz_localize(truth.ZONE, ambiguous="NaT", nonexistent="NaT").isna()
    kept = set(jobs.loc[~doubtful, "job_id"])
    found = {}
    for table, named in HEADINGS.items():
        frame = tables[table]
        if "job_id" in frame:
            frame = frame[frame["job_id"].isin(kept)]
        found[table] = pd.DataFrame({c: _texts(frame[c], c) for c in named.values()}).reset_index(drop=True)
    shots = found["test_shots"]
    found["test_shots"] = shots[shots["shot_no"].astype(int) <= 3].reset_index(drop=True)
    return found


def _texts(values: pd.Series, name: str) -> pd.Series:
    facts = dictionary.columns()[name]
    if facts.type == "instant":
        texts = values.dt.tz_convert(truth.ZONE).dt.strftime(CLOCK)
    elif facts.type == "date":
        texts = values.dt.strftime("%Y-%m-%d")
    elif facts.type == "integer":
        texts = values.astype("Int64").astype("string")
    elif facts.unit == "m":
        texts = values.map(lambda m: repr(round(round(m / units.M_PER_FT, 1) * units.M_PER_FT, 6)), na_action="ignore")
    else:
        texts = values.astype("string")
    return texts.astype(object).where(values.notna(), "")


def foreign(tables: Tables, table: str, *, feet: bool = False, stamps: str = CLOCK, days: str = "%Y-%m-%d",
            words: bool = True) -> pd.DataFrame:  # fmt: skip
    """A table under the utility's headings, in its words, units and forms of stamps."""
    shown = {}
    for heading, name in HEADINGS[table].items():
        facts, values = dictionary.columns()[name], tables[table][name]
        if facts.type in ("instant", "date") and values.ne("").any():
            moments = pd.to_datetime(
                values.where(values != ""), format=CLOCK if facts.type == "instant" else "%Y-%m-%d"
            )
            values = moments.dt.strftime(stamps if facts.type == "instant" else days).fillna("")
        elif facts.unit == "m" and feet:
            values = values.map(lambda t: f"{float(t) / units.M_PER_FT:.1f}" if t else "")
        elif words:
            values = values.replace(WORDS.get(name, {}))
        shown[heading] = values
    return pd.DataFrame(shown)


def moments(values: pd.Series) -> pd.Series:
    """Stamps as instants, empty where there is none."""
    local = pd.to_datetime(values.where(values != ""), format=CLOCK)
    return local.dt.tz_localize(truth.ZONE).dt.tz_convert("UTC")


REGISTER = ("districts", "loops", "terminals", "sections")


def write_plain(folder: Path, tables: Tables) -> None:
    for table, stem in (("loops", "rings"), ("terminals", "pads"), ("sections", "cable"), ("jobs", "tickets")):
        frame = foreign(tables, table, feet=True, stamps="%m/%d/%Y %I:%M %p", days="%m/%d/%Y")
        frame.rename(
            columns={
                "Length": "Length ft",
                "Tail": "Tail (ft)",
                "Distance shown": "Distance shown ft",
                "Taped": "Taped, feet",
            }
        ).to_csv(folder / f"{stem}.csv", index=False)


def write_comma(folder: Path, tables: Tables) -> None:
    for table, stem in (("sections", "cable list"), ("jobs", "fault list")):
        frame = foreign(tables, table, stamps="%d.%m.%Y %H.%M", days="%d.%m.%Y")
        for heading, name in HEADINGS[table].items():
            if dictionary.columns()[name].type == "number":
                frame[heading] = frame[heading].str.replace(".", ",")
        frame.rename(columns=FAULT_BOOK if table == "jobs" else {}).to_csv(
            folder / f"{stem}.csv", sep=";", index=False, encoding="cp1252"
        )


def write_sheet(
    book: pd.ExcelWriter,
    sheet: str,
    frame: pd.DataFrame,
    above: Iterable[str] = (),
    unit_row: dict[str, str] | None = None,
) -> None:
    rows: list[list[str]] = [[line] for line in above]
    rows.append(list(frame.columns))
    if unit_row:
        rows.append([unit_row.get(c, "") for c in frame.columns])
    rows += frame.to_numpy().tolist()
    pd.DataFrame(rows).to_excel(book, sheet_name=sheet, header=False, index=False)


def write_book(folder: Path, tables: Tables) -> None:
    """A workbook whose headings stand below eighteen rows of title, some of them blank, with a row of units."""
    above = (
        ["Cable fault book", "", "as kept by the district offices"] + ["", "A note on how the book is kept."] * 7 + [""]
    )
    with pd.ExcelWriter(folder / "fault book.xlsx") as book:
        units_of = {"Length": "ft", "Reader shows": "ft", "Hole dug at": "ft", "Setting": "%"}
        write_sheet(book, "Read me", pd.DataFrame({"This book": ["is kept by hand"]}))
        for table, sheet in (("sections", "Cable"), ("jobs", "Faults"), ("restoration_steps", "Switching")):
            frame = foreign(tables, table, feet=True, stamps="%d-%b-%Y %H:%M", days="%d-%b-%Y").rename(
                columns=FAULT_BOOK if table == "jobs" else {}
            )
            write_sheet(book, sheet, frame, above, units_of if table != "restoration_steps" else None)


def write_header_and_lines(folder: Path, tables: Tables) -> None:
    foreign(tables, "jobs").to_csv(folder / "ticket head.csv", index=False)
    lines = foreign(tables, "restoration_steps")
    lines.insert(1, "Line", lines.groupby("Ticket").cumcount() + 1)
    lines.to_csv(folder / "ticket lines.csv", index=False)


DIG = ("Taped", "How measured", "What failed", "Why", "Repair done")


def write_dig_sheet(folder: Path, tables: Tables) -> None:
    jobs = foreign(tables, "jobs")
    with pd.ExcelWriter(folder / "tickets.xlsx") as book:
        write_sheet(book, "Tickets", jobs.drop(columns=list(DIG)))
    digs = jobs[["Ticket", *DIG]].rename(columns={"Ticket": "For ticket"})
    digs[digs[list(DIG)].ne("").any(axis=1)].to_csv(folder / "digs.csv", index=False)


EVENTS = {"Crew sent": "sent", "On site": "arrived", "Section found": "section found", "Time on": "power back",
          "Repair done": "repair tested", "Filed": "paper closed"}  # fmt: skip


def write_events(folder: Path, tables: Tables) -> None:
    jobs = foreign(tables, "jobs")
    jobs.drop(columns=list(EVENTS)).to_csv(folder / "tickets.csv", index=False)
    log = jobs.melt("Ticket", list(EVENTS), "Event", "Stamp").replace({"Event": EVENTS})
    log[log["Stamp"] != ""].sort_values(["Ticket", "Stamp"]).to_csv(folder / "event log.csv", index=False)


def write_shot_columns(folder: Path, tables: Tables) -> None:
    shots = foreign(tables, "test_shots").set_index(["Ticket", "Shot no"]).unstack("Shot no", fill_value="")  # noqa: PD010 (texts, nothing to sum)
    shots.columns = [f"Shot{number} {heading.lower()}" for heading, number in shots.columns]
    wide = foreign(tables, "jobs").merge(shots.reset_index(), on="Ticket", how="left").fillna("")
    wide.to_csv(folder / "tickets with shots.csv", index=False)


def write_two_ids(folder: Path, tables: Tables) -> None:
    jobs = foreign(tables, "jobs")
    jobs.insert(
        1, "Where", [f"{a} / {b}" if b else f"{a}" for a, b in zip(jobs["Loop"], jobs["Cable no"], strict=True)]
    )
    jobs.drop(columns=["Loop", "Cable no"]).to_csv(folder / "tickets.csv", index=False)


def write_serials(folder: Path, tables: Tables) -> None:
    for table, stem in (("jobs", "tickets"), ("sections", "cable")):
        frame = foreign(tables, table)
        for heading, name in HEADINGS[table].items():
            kind = dictionary.columns()[name].type
            if kind in ("instant", "date"):
                local = pd.to_datetime(
                    frame[heading].where(frame[heading] != ""), format=CLOCK if kind == "instant" else "%Y-%m-%d"
                )
                days = (local - pd.Timestamp("1899-12-30")) / pd.Timedelta(days=1)
                frame[heading] = days.map(lambda d: f"{d:.6f}".rstrip("0").rstrip("."), na_action="ignore").fillna("")
        frame.to_csv(folder / f"{stem}.csv", index=False)


def write_epochs(folder: Path, tables: Tables) -> None:
    for table, stem, per_second in (("jobs", "tickets", 1000), ("restoration_steps", "switching", 1)):
        frame = foreign(tables, table)
        for heading, name in HEADINGS[table].items():
            if dictionary.columns()[name].type == "instant":
                seconds = (moments(tables[table][name]) - pd.Timestamp(0, tz="UTC")) / pd.Timedelta(seconds=1)
                frame[heading] = seconds.map(lambda s, k=per_second: str(int(s * k)), na_action="ignore").fillna("")
        frame.to_csv(folder / f"{stem}.csv", index=False)


def write_json(folder: Path, tables: Tables) -> None:
    jobs = foreign(tables, "jobs")
    items = [
        {
            "ticket": row["Ticket"],
            "state": row["State"],
            "place": {"loop": row["Loop"], "cable no": row["Cable no"] or None},
            "times": {h: row[h] or None for h in jobs if h in {"Time off", "Time on", *EVENTS}},
            "test": {
                h: row[h] or None for h in ("How found", "Set no", "Vel", "Tested from", "Toward", "Distance shown")
            },
            "dig": {h: row[h] or None for h in ("Taped", "How measured", "What failed", "Why")},
            "cust out": int(row["Cust out"]) if row["Cust out"] else None,
            "gang": row["Gang"],
        }
        for _, row in jobs.iterrows()
    ]
    written = {"made": "2026-01-02", "tickets": {"count": len(items), "items": items}}
    (folder / "tickets.json").write_text(json.dumps(written, indent=1), encoding="utf-8")


def write_html(folder: Path, tables: Tables) -> None:
    page = foreign(tables, "jobs", stamps="%m/%d/%Y %H:%M").rename(columns=FAULT_BOOK).to_html(index=False)
    (folder / "tickets.xls").write_text(f"<html><body><h1>Tickets</h1>{page}</body></html>", encoding="utf-8")


def write_sqlite(folder: Path, tables: Tables) -> None:
    with sqlite3.connect(folder / "faults.db") as db:
        for table, name in (("sections", "cable"), ("jobs", "ticket"), ("restoration_steps", "switching")):
            foreign(tables, table).rename(columns=SHORT_NAMES if table == "jobs" else {}).to_sql(name, db, index=False)
    db.close()


def write_zip(folder: Path, tables: Tables) -> None:
    jobs = foreign(tables, "jobs", stamps="%d/%m/%Y %H:%M").rename(columns=SHORT_NAMES)
    month = tables["jobs"]["reported_at"].str[:4]
    with zipfile.ZipFile(folder / "monthly.zip", "w") as parts:
        for name, rows in jobs.groupby(month):
            parts.writestr(f"parts/tickets_{name}.csv", rows.to_csv(index=False))


def write_parquet(folder: Path, tables: Tables) -> None:
    frames = {"tickets": foreign(tables, "jobs"), "switching": foreign(tables, "restoration_steps")}
    for (stem, frame), table in zip(frames.items(), ("jobs", "restoration_steps"), strict=True):
        for heading, name in HEADINGS[table].items():
            if dictionary.columns()[name].type == "instant":
                frame[heading] = moments(tables[table][name])
        with duckdb.connect() as con:
            con.execute("set TimeZone = 'Asia/Tokyo'")
            con.register("frame", frame)
            con.execute(f"copy frame to '{folder / stem}.parquet' (format parquet)")


def write_utf16(folder: Path, tables: Tables) -> None:
    for table, stem in (("jobs", "tickets"), ("sections", "cable"), ("loops", "rings")):
        foreign(tables, table, stamps="%Y/%m/%d %H:%M:%S", days="%Y/%m/%d").to_csv(
            folder / f"{stem}.txt", sep="\t", index=False, encoding="utf-16"
        )


def write_repeated(folder: Path, tables: Tables) -> None:
    """One file of lines, the ticket repeated on each of its steps."""
    jobs, steps = foreign(tables, "jobs"), foreign(tables, "restoration_steps")
    jobs.merge(steps, on="Ticket", how="left").fillna("").to_csv(folder / "tickets.csv", index=False)


def write_durations(folder: Path, tables: Tables) -> None:
    """Minutes after the report instead of stamps; day and hour of the report in two columns."""
    jobs = foreign(tables, "jobs")
    reported = moments(tables["jobs"]["reported_at"])
    for heading, name in (("On site", "arrived_at"), ("Time on", "restored_at")):
        minutes = (moments(tables["jobs"][name]) - reported) / pd.Timedelta(minutes=1)
        shown = minutes.map(lambda m: str(int(m)), na_action="ignore").fillna("")
        jobs[heading] = shown
    jobs = jobs.rename(columns={"On site": "Minutes to arrive", "Time on": "Minutes to restore"})
    jobs.to_csv(folder / "tickets.csv", index=False)


def fill(**lines: str) -> tuple[tuple[str, str], ...]:
    """Edits of columns that a draft leaves open."""
    return tuple((f'# {column} = "???"', f"{column} = {given}") for column, given in lines.items())


def fill_fault_book(unit: str) -> tuple[tuple[str, str], ...]:
    """What a person adds to the draft of a fault book."""
    return fill(
        customers_interrupted='"Homes without power"',
        test_terminal_id='"Pulse sent from"',
        toward_terminal_id='"Pulse sent toward"',
        estimated_distance_m=f'{{ from = "Reader shows", unit = "{unit}" }}',
    )


def fill_short(formats: str = "") -> tuple[tuple[str, str], ...]:
    """What a person adds to the draft of shortened names."""
    stamps = {
        "dispatched_at": "CREW",
        "arrived_at": "ARR",
        "located_at": "FND",
        "repaired_at": "REP",
        "closed_at": "CLS",
    }
    given = {column: f'{{ from = "T_{short}"{formats} }}' for column, short in stamps.items()}
    others = {
        "crew_id": "GNG",
        "velocity_setting_pct": "V_PCT",
        "test_terminal_id": "PT_A",
        "toward_terminal_id": "PT_B",
    }
    given |= {column: f'"{short}"' for column, short in others.items()}
    return fill(**given, estimated_distance_m='"D_EST"')


SHAPES = (
    Shape("feet, month first", write_plain, ("loops", "terminals", "sections", "jobs")),
    Shape("semicolons, decimal comma", write_comma, ("sections", "jobs"), fill_fault_book("m")),
    Shape("workbook, titles and units", write_book, ("sections", "jobs", "restoration_steps"), fill_fault_book("ft")),
    Shape("header and lines", write_header_and_lines, ("jobs", "restoration_steps")),
    Shape("tickets and dig sheet", write_dig_sheet, ("jobs",)),
    Shape("log of events", write_events, ("jobs",)),
    Shape("shots in columns", write_shot_columns, ("jobs", "test_shots")),
    Shape("two ids in one text", write_two_ids, ("jobs",)),
    Shape("serial days in text", write_serials, ("jobs", "sections")),
    Shape("seconds since 1970", write_epochs, ("jobs", "restoration_steps")),
    Shape("nested JSON", write_json, ("jobs",)),
    Shape("HTML table named .xls", write_html, ("jobs",), fill_fault_book("m")),
    Shape("SQLite", write_sqlite, ("sections", "jobs", "restoration_steps"), fill_short()),
    Shape("zip of parts", write_zip, ("jobs",), fill_short(', formats = ["%d/%m/%Y %H:%M"]')),
    Shape("Parquet with a zone", write_parquet, ("jobs", "restoration_steps")),
    Shape("UTF-16, tabs", write_utf16, ("jobs", "sections", "loops")),
    Shape("ticket repeated on its lines", write_repeated, ("jobs", "restoration_steps")),
    Shape("minutes after the report", write_durations, ("jobs",)),
)

COLUMNS = {table: tuple(named.values()) for table, named in HEADINGS.items()}
OPEN_FILES = ("water_mains.csv", "water_main_breaks.csv")
OPEN_MAPPING = Path(__file__).parents[2] / "pipelines/intake/mappings/examples/water_mains.toml"
OPEN_DAY = 'formats = ["%Y/%m/%d %H:%M:%S+00"]'
OPEN_EDITS = (
    (
        "# loops, from",
        """[[table]]
to = "districts"
files = "water_mains.csv"
[table.columns]
district_id = { value = "CITY" }
name = { value = "whole city" }
timezone = { value = "America/Toronto" }
recorded_from = { value = "1997-01-01" }""",
    ),
    *fill(
        district_id='{ value = "CITY" }',
        position='"WATMAINID"',
        neutral='{ value = "unknown" }',
        installation='{ value = "buried" }',
        restored_at=f'{{ from = "INCIDENT_DATE", {OPEN_DAY} }}',
        failed_component='{ from = "BREAK_TYPE", codes = { MAIN = "cable", SERVICE = "other" } }',
        cause=(
            '{ from = "BREAK_APPARENT_CAUSE", default = "unknown", codes = { AGE = "insulation_breakdown", '
            'CORROSION = "neutral_corrosion", "FAULTY INSTALL" = "workmanship", COMBINATION = "other", '
            'SOILS = "other", PRESSURE = "other" } }'
        ),
        notes='"BREAK_NATURE"',
    ),
    ('insulation = "MATERIAL"', 'insulation = { from = "MATERIAL", default = "other" }'),
    ('# timezone = "UTC"', 'timezone = "America/Toronto"'),
    (
        'status = "STATUS"',
        'status = { from = "STATUS", codes = { "REPAIR COMPLETED" = "closed", CANCELLED = "cancelled" } }',
    ),
    ("reported_at = ", f'reported_at = {{ from = "INCIDENT_DATE", {OPEN_DAY} }}'),
    ("normal_at = ", "# it says when the water was good again"),
    ("# [insulations]", "[insulations]"),
    *((f'# "{kind}" = ', f'{kind} = "{kind}"') for kind in ("CI", "DI", "PVC", "PVCO", "CPP", "AC", "HDPE")),
)
"""What a person changes in the draft of the two open files; the mapping of the example gives the reasons."""


def load(
    space: Path, paths: list[Path], mapping: Path | None, columns: dict[str, tuple[str, ...]] = COLUMNS
) -> tuple[Tables, int]:
    """Every table of the files as loaded, in order, and how many rows."""
    with open_warehouse(Workspace(space)) as con:
        report = load_paths(con, paths, Settings(), mapping)
        found = {}
        for table, names in columns.items():
            listed = ", ".join(f'"{c}"' for c in names)
            found[table] = con.execute(f"select {listed} from raw.{table} order by all").df()
    return found, sum(f.new + f.revised for f in report.files)


def compare(loaded: Tables, canonical: Tables) -> tuple[str, ...]:
    """What differs between two loads, value by value."""
    found = []
    for table, frame in canonical.items():
        other = loaded[table]
        if len(other) != len(frame):
            found.append(f"{table}: {len(other)} rows for {len(frame)}")
            continue
        for name in frame:
            same = (other[name] == frame[name]).fillna(False) | (other[name].isna() & frame[name].isna())
            if not same.all():
                row = same.idxmin()
                found.append(
                    f"{table}.{name}: {(~same).sum()} differ, such as {other[name][row]!r} for {frame[name][row]!r}"
                )
    return tuple(found)


def edit(text: str, edits: Iterable[tuple[str, str]]) -> tuple[str, int]:
    """A draft with lines changed by hand, and how many: each edit begins a line that stands once."""
    lines = text.splitlines()
    for begin, instead in edits:
        places = [i for i, line in enumerate(lines) if line.startswith(begin)]
        assert len(places) == 1, f"{len(places)} lines begin with {begin!r}"
        lines[places[0] : places[0] + 1] = instead.splitlines()
    before, after = text.splitlines(), lines
    changed = sum(
        d[0] in "+" and not d.startswith("+++") for d in difflib.unified_diff(before, after, n=0, lineterm="")
    )
    return "\n".join(after) + "\n", changed


def try_shape(shape: Shape, canonical: Tables, truth_loaded: Tables, folder: Path) -> Outcome:
    """Draft, edit, load and compare one shape."""
    export, rest = folder / "export", folder / "rest"
    for place in (export, rest):
        place.mkdir(parents=True)
    shape.write(export, canonical)
    for table, frame in canonical.items():
        if table not in shape.tables:
            frame.to_csv(rest / f"{table}.csv", index=False)
    paths = [export, rest]
    # a mapping names a database by itself
    files = [path for path in paths if not all(is_sqlite(p) for p in path.iterdir())]
    return draft_and_load(shape, len(list(export.iterdir())), paths, files, folder, truth_loaded, COLUMNS)


def draft_and_load(
    shape: Shape,
    files: int,
    drafted_from: list[Path],
    loaded_from: list[Path],
    folder: Path,
    truth_loaded: Tables,
    columns: dict[str, tuple[str, ...]],
) -> Outcome:
    text, edited = edit(draft_mapping(drafted_from, None, Settings()), shape.edits)
    mapping = folder / "ours.toml"
    mapping.write_text(text, encoding="utf-8")
    loaded, rows = load(folder / "workspace", loaded_from, mapping, columns)
    lines = sum(bool(line.strip()) and not line.startswith("#") for line in text.splitlines())
    blocks = [block["to"] for block in tomllib.loads(text)["table"]]
    return Outcome(shape.name, files, len(blocks), lines, edited, rows, compare(loaded, truth_loaded))


def try_open_data(data: Path, folder: Path) -> Outcome:
    """Draft, edit and load the two open files, held equal to the load by the example's mapping."""
    paths = [data / name for name in OPEN_FILES]
    columns = {t: dictionary.load_tables()[t].source_columns for t in ("districts", "loops", "sections", "jobs")}
    folder.mkdir(parents=True)
    held = load(folder / "by example", paths, OPEN_MAPPING, columns)[0]
    shape = Shape("two open files", lambda *_: None, (), OPEN_EDITS)
    return draft_and_load(shape, 2, paths, paths, folder, held, columns)


def find_open_data() -> Path | None:
    """The folder of the open files, if there is one."""
    given = os.environ.get("LOOPWEAR_OPEN_DATA")
    root = Path(__file__).parents[2]
    places = [Path(given)] if given else [root / "open_data", *sorted(root.parent.glob("*/open_data"))]
    return next((p for p in places if all((p / name).exists() for name in OPEN_FILES)), None)


def load_canonical(canonical: Tables, folder: Path) -> Tables:
    """The canonical load of all tables."""
    folder.mkdir(parents=True)
    for table, frame in canonical.items():
        frame.to_csv(folder / f"{table}.csv", index=False)
    return load(folder / "workspace", [folder], None)[0]


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("shapes", nargs="*")
    parser.add_argument("--loops", type=int, default=60)
    parser.add_argument("--seed", type=int, default=20260420)
    parser.add_argument("--keep", type=Path)
    args = parser.parse_args()
    canonical = make_canonical(args.loops, args.seed)
    with tempfile.TemporaryDirectory() as temporary:
        folder = args.keep or Path(temporary)
        loaded = load_canonical(canonical, folder / "canonical")
        for number, shape in enumerate(s for s in SHAPES if not args.shapes or s.name in args.shapes):
            start = time.process_time()
            try:
                outcome = try_shape(shape, canonical, loaded, folder / f"shape {number}")
            except Exception as fault:
                print(f"{shape.name:<34} FAILED {fault!r}"[:600], flush=True)
                continue
            print(outcome, f"({time.process_time() - start:.1f} s)", flush=True)
        data = find_open_data()
        if data and not args.shapes:
            print(try_open_data(data, folder / "open data"), flush=True)


if __name__ == "__main__":
    main()
