"""Locating page: what the digs say of single readings, before and after correction, and of the register."""

import pandas as pd

from reports.figures import locating as figures
from reports.figures.locating_settings import chart_coverage
from reports.marts import Judged, Marts
from reports.page import Exhibit, largest
from reports.words import Words

say = Words("locating")

LISTED = 60
"""Contradicted lengths printed; the export holds all."""


SPREAD = ("readings", "error_lo", "error_median", "error_hi", "corrected_lo", "corrected_median", "corrected_hi")


def gain_words(found: Judged) -> str:
    """What the correction does to the typical error, in a sentence."""
    return say("gain.finding" if found["gain_digs"] else "gain.none", found=found)


def spread(errors: pd.DataFrame, found: Judged) -> Exhibit:
    """Error of each instrument before and after correction."""
    rows = errors.dropna(subset=["instrument_id", "error_m", "corrected_error_m"]) if len(errors) else errors
    if rows.empty or not found["middle_error"]:
        return say.absent("spread")
    table = pd.DataFrame({name: found[f"spread_{name}"] for name in SPREAD}).sort_index()
    table = table.astype({"readings": int}).rename_axis("instrument_id").reset_index()
    nearer = sum(code == "nearer" for code in found["middle_error"].values())
    return say.exhibit(
        "spread",
        say("spread.finding", worst=largest(table, "error_median"), nearer=nearer, n_table=len(table)),
        table,
        chart=figures.chart_spread(table),
        n_rows=len(rows),
    )


def error_by_distance(errors: pd.DataFrame, found: Judged) -> Exhibit:
    """Error against distance."""
    rows = errors.dropna(subset=["error_m", "dug_distance_m"]) if len(errors) else errors
    if rows.empty:
        return say.absent("errors")
    reach = figures.reach_of(rows)
    beyond = int((rows["error_m"].abs() > reach).sum() + (rows["corrected_error_m"].abs() > reach).sum())
    return say.exhibit(
        "errors",
        f"{gain_words(found)} {say('errors.finding', found=found)}",
        rows,
        chart=figures.chart_errors(rows),
        beyond=beyond,
        marks=2 * len(rows),
    )


def called_sections(errors: pd.DataFrame, found: Judged) -> Exhibit:
    """How often the reading falls in the section that was dug."""
    rows = errors.dropna(subset=["section_called_right"]) if len(errors) else errors
    if rows.empty or not found["called_readings"]:
        return say.absent("called")
    figures_of = {"readings": "called_readings", "right": "called_right", "share": "called_share"}
    table = pd.DataFrame({name: found[figure] for name, figure in figures_of.items()}).sort_index()
    table = table.astype({"readings": int, "right": int}).rename_axis("cable_class").reset_index()
    contradictions = "; ".join(
        say(f"called.{code}", n=n) for code, n in sorted((found["contradictions_of"] or {}).items())
    )
    finding = say(
        "called.finding",
        found["corrected_digs"] and "called.corrected",
        found["into_wrong_section"] is not None and "called.missed",
        found["contradictions"] and "called.contradictions",
        parts=contradictions,
        found=found,
        readings=table["readings"].sum(),
    )
    return say.exhibit("called", finding, table, n_rows=len(rows))


def coverage(marts: Marts, found: Judged) -> Exhibit:
    """Whether dig windows held what they promise."""
    rows = marts.read("marts.window_coverage")
    if rows.empty:
        return say.absent("coverage")
    overall = rows[rows["grouped_by"] == "all"].sort_values(["way", "window_level"])
    finding = "; ".join(say("coverage.level", row=row) for row in overall.itertuples())
    drawn = rows[rows["grouped_by"].isin(("all", "distance_band"))].copy()
    drawn["start"] = drawn["group_name"].str.extract(r"^(\d+)")[0].astype(float).fillna(-1.0)
    drawn = drawn.sort_values(["way", "start", "window_level"], ignore_index=True)
    drawn["group_name"] = drawn["group_name"] + drawn["way"].map(say.text("coverage.ways"))
    bands = rows[rows["grouped_by"] == "distance_band"].sort_values(["way", "window_level"]).to_dict("records")
    held = ((row, found.of("windows_held", f"{row['way']} {row['group_name']} {row['window_level']}")) for row in bands)
    return say.exhibit(
        "coverage",
        f"{finding[:1].upper()}{finding[1:]}.",
        rows,
        chart=chart_coverage(drawn),
        more=tuple(say("coverage.band", f"coverage.{how}", row=row) for row, how in held if how != "as_promised"),
        tried=overall["tried"].max(),
    )


def register_lengths(marts: Marts) -> Exhibit:
    """Sections whose length the readings contradict."""
    rows = marts.read("marts.register_lengths").sort_values(
        ["evidence_se", "section_id"], ascending=[False, True], ignore_index=True
    )
    if rows.empty:
        return say.absent("register")
    slips = rows[rows["likely_slip"].fillna("") != ""]
    finding = say(
        "register.finding",
        len(slips) > 0 and "register.slips",
        n_rows=len(rows),
        n_slips=len(slips),
        n_loops=slips["loop_id"].nunique(),
    )
    return say.exhibit(
        "register",
        finding,
        rows.head(LISTED),
        extra=max(0, len(rows) - LISTED),
        readings=rows["readings"].sum(),
        n_rows=len(rows),
    )
