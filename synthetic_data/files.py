"""Tables to files as the utility would export them, with its slips of writing, and where each row came to stand."""

from pathlib import Path

import numpy as np
import pandas as pd

from shared import dictionary, units
from synthetic_data import truth
from synthetic_data.dirt import clock_changes
from synthetic_data.notes import Notes, pick_rows, row_keys

FAULT_BOOK = "fault_book.csv"
FAULT_BOOK_UNTIL = pd.Timestamp("2011-01-01", tz=truth.ZONE)
MONTH_NAMES, MIXED_ORDER, TRAILING_BLANKS = 0.06, 0.02, 0.01
HALF_FT_PER_US = units.VELOCITY_PCT["half_ft_per_us"]

BOOK_CODES = {
    "method": {
        "arc_reflection": "arc",
        "pulse_reflection": "pulse",
        "surge": "thump",
        "sectionalizing": "halving",
        "visual": "seen",
    },
    "dug_method": {"taped": "tape", "wheeled": "wheel", "paced": "steps", "gps": "gps"},
    "failed_component": {"cable": "cable", "splice": "joint", "termination": "cable end", "elbow": "elbow"},
    "cause": {
        "insulation_breakdown": "aged",
        "water_treeing": "trees",
        "neutral_corrosion": "neutral gone",
        "workmanship": "bad work",
        "moisture": "wet",
        "overload": "overload",
        "lightning": "storm",
        "dig_in": "dug into",
        "unknown": "?",
    },
}
"""The fault book's own words for the dictionary's codes."""

BOOK_COLUMNS = {
    "Job number": "job_id",
    "Loop": "loop_id",
    "Stretch": "section_id",
    "Line crew": "crew_id",
    "Crew sent": "dispatched_at",
    "Crew arrived": "arrived_at",
    "Stretch found": "located_at",
    "Last customer back": "restored_at",
    "Spot marked": "pinpointed_at",
    "Repair tested": "repaired_at",
    "Back to normal": "normal_at",
    "Paper closed": "closed_at",
    "Homes without power": "customers_interrupted",
    "Found by": "method",
    "Reader": "instrument_id",
    "Half velocity set": "velocity_setting_pct",
    "Pulse sent from": "test_terminal_id",
    "Pulse sent toward": "toward_terminal_id",
    "Reader shows": "estimated_distance_m",
    "Cable end shows": "far_end_distance_m",
    "Cable end is at": "far_end_terminal_id",
    "Hole dug at": "dug_distance_m",
    "Hole measured by": "dug_method",
    "Part that failed": "failed_component",
    "Foreman's reason": "cause",
    "Pulses sent": "test_shots",
    "Stormy day": "major_event",
    "Money spent": "repair_cost",
}
BOOK_UNITS = {
    "Half velocity set": "ft/us",
    "Reader shows": "ft",
    "Cable end shows": "ft",
    "Hole dug at": "ft",
    "Money spent": "dollars",
}


def write_canonical(frame: pd.DataFrame, table: str, path: Path, notes: Notes, rng: np.random.Generator) -> None:
    """Write one table under the dictionary's own names: local clock times to the minute, empty for unknown."""
    texts = pd.DataFrame({name: _text(frame[name], name) for name in frame.columns})
    _note_clock_changes(frame, texts, table, notes)
    if table == "jobs":
        _leave_blanks(texts, notes, rng)
    texts.to_csv(path, index=False, lineterminator="\n")


def _text(values: pd.Series, name: str) -> pd.Series:
    kind = dictionary.columns()[name].type
    texts = values
    if kind == "instant" and values.notna().any():
        texts = values.dt.tz_convert(truth.ZONE).dt.strftime("%Y-%m-%d %H:%M")
    elif kind == "date" and values.notna().any():
        texts = values.dt.strftime("%Y-%m-%d")
    elif kind == "integer":
        texts = values.astype("Int64")
    return texts


def _note_clock_changes(frame: pd.DataFrame, texts: pd.DataFrame | None, table: str, notes: Notes) -> None:
    """Stamps in the hour that the autumn clock shows twice; in spring, with texts given, a watch not put forward."""
    forward, back = clock_changes(range(2007, 2026))
    required = dictionary.source_tables()[table].required
    for name in (n for n in frame.columns if dictionary.columns()[n].type == "instant"):
        rule = "required_clock_change" if name in required else "clock_change"
        year = frame[name].dt.year
        twice = frame[name] - year.map(back)
        rows = np.flatnonzero((twice >= pd.Timedelta(hours=-1)) & (twice < pd.Timedelta(hours=1)))
        local = frame[name].iloc[rows].dt.tz_convert(truth.ZONE).dt.strftime("%Y-%m-%d %H:%M")
        notes.add("clock_shown_twice", table, frame.iloc[rows], name, local, rule)
        skipped = frame[name] - year.map(forward)
        rows = np.flatnonzero((skipped >= pd.Timedelta(0)) & (skipped < pd.Timedelta(hours=1)))
        if len(rows) and texts is not None:
            unmoved = (frame[name].iloc[rows] - pd.Timedelta(hours=6)).dt.strftime("%Y-%m-%d %H:%M")
            notes.add("watch_not_put_forward", table, frame.iloc[rows], name, unmoved, rule)
            texts.loc[texts.index[rows], name] = unmoved.to_numpy()


def _leave_blanks(texts: pd.DataFrame, notes: Notes, rng: np.random.Generator) -> None:
    for name in ("section_id", "crew_id"):
        rows = pick_rows(rng, texts[name].notna(), TRAILING_BLANKS)
        padded = texts[name].iloc[rows].astype(str) + "  "
        notes.add("trailing_blanks", "jobs", texts.iloc[rows], name, padded)
        texts.loc[texts.index[rows], name] = padded


def write_fault_book(jobs: pd.DataFrame, path: Path, notes: Notes, rng: np.random.Generator) -> None:
    """Write the older jobs as the paper book's copy: its own headings, feet, half velocities, split dates.

    A title stands above the headings and the units below them; the last row is a total. Some dates name the
    month, some were typed day first.
    """
    n = len(jobs)
    draw = rng.random(n)
    day_first, named = draw < MIXED_ORDER, (draw >= MIXED_ORDER) & (draw < MIXED_ORDER + MONTH_NAMES)
    form = np.select([day_first, named], ["%d/%m/%Y %H:%M", "%d-%b-%Y %H:%M"], "%m/%d/%Y %H:%M")
    book = pd.DataFrame({title: _book_text(jobs[name], name, form) for title, name in BOOK_COLUMNS.items()})
    reported = _stamp(jobs["reported_at"], form)
    book.insert(1, "First call, day", reported.str.slice(stop=-6))
    book.insert(2, "First call, hour", reported.str.slice(start=-5))
    _note_clock_changes(jobs, None, "jobs", notes)
    notes.add("month_named", "jobs", jobs[named], "reported_at", reported[named])
    swapped = jobs[day_first]
    notes.add("day_before_month", "jobs", swapped, "reported_at", reported[day_first], _rule_for_swapped(swapped))
    total = pd.DataFrame(
        [
            {
                "Job number": "Total",
                "Homes without power": f"{int(jobs['customers_interrupted'].sum()):,}",
                "Money spent": f"{jobs['repair_cost'].sum():,.0f}",
            }
        ]
    ).reindex(columns=book.columns)
    units_row = pd.DataFrame([{c: BOOK_UNITS.get(c, "") for c in book.columns}])
    written = pd.concat([units_row, book, total], ignore_index=True)
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write(f"{truth.UTILITY}: fault book, 2006 to 2010\n")
        written.to_csv(file, index=False, lineterminator="\n")
    notes.add(
        "totals_row", "jobs", pd.DataFrame([{"job_id": "Total", "revision": 1}]), "loop_id", "", "required_missing"
    )


def _rule_for_swapped(jobs: pd.DataFrame) -> list[str]:
    """A day past the twelfth cannot be read as a month: the row is refused where the stamp is required."""
    past = {c: (jobs[c].dt.tz_convert(truth.ZONE).dt.day > 12).to_numpy() for c in jobs.columns if c.endswith("_at")}
    lost = past["reported_at"] | past["restored_at"]
    any_lost = np.logical_or.reduce(list(past.values())) if len(jobs) else np.zeros(0, dtype=bool)
    return [
        "required_unreadable" if a else "value_unreadable" if b else "" for a, b in zip(lost, any_lost, strict=True)
    ]


def _stamp(moments: pd.Series, form: np.ndarray) -> pd.Series:
    local = moments.dt.tz_convert(truth.ZONE)
    texts = pd.Series("", index=moments.index)
    for one in sorted({str(f) for f in form}):
        texts = texts.where(form != one, local.dt.strftime(one))
    return texts.where(moments.notna())


def _book_text(values: pd.Series, name: str, form: np.ndarray) -> pd.Series:
    facts = dictionary.columns()[name]
    if facts.type == "instant":
        return _stamp(values, form)
    if facts.unit == "m":
        return (values / units.M_PER_FT).map("{:,.1f}".format, na_action="ignore")
    if name == "velocity_setting_pct":
        return (values / HALF_FT_PER_US).map("{:.1f}".format, na_action="ignore")
    if name == "repair_cost":
        return values.map("{:,.0f}".format, na_action="ignore")
    if name == "major_event":
        return values.map({True: "yes", False: ""})
    return values.replace(BOOK_CODES[name]) if name in BOOK_CODES else values


def locate_rows(notes: pd.DataFrame, written: dict[Path, tuple[str, pd.DataFrame, int]]) -> pd.DataFrame:
    """Add to each error the file and the row it came to stand in, as a spreadsheet counts rows.

    Parameters
    ----------
    notes
        Errors.
    written
        By file: its table, its rows in order, and the row number of the first.
    """
    places = pd.concat(
        [
            pd.DataFrame(
                {
                    "table": table,
                    "key": row_keys(table, rows),
                    "revision": rows.get("revision", 1),
                    "file": path.name,
                    "row_number": np.arange(len(rows)) + first,
                }
            )
            for path, (table, rows, first) in written.items()
        ],
        ignore_index=True,
    )
    return notes.merge(
        places.drop_duplicates(["table", "key", "revision"]), how="left", on=["table", "key", "revision"]
    )
