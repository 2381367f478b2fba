"""Errors of the register: lost sections, dates, lengths, open points."""

import numpy as np
import pandas as pd

from shared.units import M_PER_FT
from synthetic_data.notes import Notes, pick_rows

DATE_MISSING, DATE_DEFAULT, TRXLPE_TOO_EARLY = 0.18, 0.02, 0.005
LENGTH_OFF, OPEN_POINT_MOVED = 0.04, 0.03
SUBDIVISION = "OB"
SUBDIVISION_SHARE = 0.04
SNAPSHOTS_FROM, KEPT_FROM = pd.Timestamp("2010-01-01"), pd.Timestamp("2017-01-01")
KEPT_BETWEEN = 0.70


def spoil_register(tables: dict[str, pd.DataFrame], notes: Notes, rng: np.random.Generator) -> dict[str, pd.DataFrame]:
    """Put errors into sections and loops; the tables given are not changed.

    Checked by: tests/unit/test_synthetic_dirt.py (through spoil_tables)
    """
    sections, loops = tables["sections"].copy(), tables["loops"].copy()
    _spoil_dates(sections, notes, rng)
    _spoil_lengths(sections, loops, notes, rng)
    _move_open_points(loops, notes, rng)
    return tables | {"sections": sections, "loops": loops}


def _spoil_dates(sections: pd.DataFrame, notes: Notes, rng: np.random.Generator) -> None:
    old = (sections["installed_on"] < pd.Timestamp("1985-01-01")).to_numpy()
    # dates go missing by the loop, with the drawing they stood on
    drawn = pd.Series(rng.random(sections["loop_id"].nunique()), index=sections["loop_id"].unique())
    rank = sections["loop_id"].map(drawn).to_numpy()
    cut = np.quantile(rank[old], DATE_MISSING) if old.any() else 0.0
    rows = np.flatnonzero(old & (rank < cut))
    notes.add("install_date_missing", "sections", sections.iloc[rows], "installed_on", None, "install_date_missing")
    sections.loc[rows, "installed_on"] = pd.NaT

    known = sections["installed_on"].notna()
    known &= sections["installed_on"] < pd.Timestamp("1990-01-01")
    rows = pick_rows(rng, known, DATE_DEFAULT, of=len(sections))
    notes.add(
        "install_date_default", "sections", sections.iloc[rows], "installed_on", "1970-01-01", "install_date_default"
    )
    sections.loc[rows, "installed_on"] = pd.Timestamp("1970-01-01")

    rows = pick_rows(rng, (sections["insulation"] == "TRXLPE") & sections["retired_on"].isna(), TRXLPE_TOO_EARLY)
    early = pd.to_datetime(pd.Series(rng.integers(1972, 1981, len(rows))).astype(str) + "-06-15").to_numpy()
    early = early.astype("datetime64[us]")
    notes.put("install_date_impossible", "sections", sections, rows, "installed_on", early, "install_date_impossible")


def _spoil_lengths(sections: pd.DataFrame, loops: pd.DataFrame, notes: Notes, rng: np.random.Generator) -> None:
    """Feet of one subdivision imported as metres; elsewhere lengths read off the wrong drawing."""
    own = loops[(loops["district_id"] == SUBDIVISION) & (loops["configuration"] == "loop")]
    by_feeder = sections["loop_id"].map(own.set_index("loop_id")["feeder_id"])
    wanted = SUBDIVISION_SHARE * len(sections)
    chosen: list[str] = []
    for feeder in sorted(by_feeder.dropna().unique()):
        if by_feeder.isin(chosen).sum() < 0.75 * wanted:
            chosen.append(feeder)
    rows = np.flatnonzero(by_feeder.isin(chosen))
    feet = (sections["length_m"].iloc[rows] / M_PER_FT).round(1)
    notes.put("length_in_feet", "sections", sections, rows, "length_m", feet)

    rows = pick_rows(rng, ~by_feeder.isin(chosen), LENGTH_OFF, of=len(sections))
    factor = np.exp(rng.choice([-1, 1], len(rows)) * rng.uniform(0.08, 0.35, len(rows)))
    off = (sections["length_m"].iloc[rows] * factor).round(1)
    notes.put("length_off", "sections", sections, rows, "length_m", off)


def _move_open_points(loops: pd.DataFrame, notes: Notes, rng: np.random.Generator) -> None:
    """The register's open point is not where the loop has been open since."""
    rows = pick_rows(rng, loops["normal_open_terminal_id"].notna(), OPEN_POINT_MOVED)
    stem = loops["normal_open_terminal_id"].iloc[rows].str.slice(stop=-2)
    number = loops["normal_open_terminal_id"].iloc[rows].str.slice(start=-2).astype(int) + rng.choice(
        [-1, 1], len(rows)
    )
    moved = stem + number.map("{:02d}".format)
    notes.put("open_point_moved", "loops", loops, rows, "normal_open_terminal_id", moved)


def lose_sections(tables: dict[str, pd.DataFrame], notes: Notes, rng: np.random.Generator) -> dict[str, pd.DataFrame]:
    """Drop what the register no longer holds: all retired before its first snapshot, some of those soon after.

    Failures on them stay in the jobs, pointing at sections that nobody knows any more.
    """
    sections = tables["sections"]
    gone = (sections["retired_on"] < SNAPSHOTS_FROM).to_numpy()
    soon = ((sections["retired_on"] >= SNAPSHOTS_FROM) & (sections["retired_on"] < KEPT_FROM)).to_numpy()
    gone = gone | (soon & (rng.random(len(sections)) >= KEPT_BETWEEN))
    lost = sections[gone]
    notes.add("section_lost", "sections", lost, "section_id", None)
    for table in ("jobs", "known_lengths"):
        orphans = tables[table][tables[table]["section_id"].isin(lost["section_id"])]
        notes.add("section_lost", table, orphans, "section_id", orphans["section_id"].to_numpy(), "section_unknown")
    return tables | {"sections": sections[~gone].reset_index(drop=True)}
