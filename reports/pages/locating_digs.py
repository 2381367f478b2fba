"""Locating page: what the digs say of single readings, before and after correction, and of the register."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from reports import style
from reports.figures import locating as figures
from reports.figures.locating_settings import chart_coverage
from reports.page import Exhibit, Table, absent, largest
from reports.pages.locating_settings import REMEDY

if TYPE_CHECKING:
    from reports.marts import Marts

ERRORS = "marts.locating_errors"
COVERAGE = "marts.window_coverage"
LENGTHS = "marts.register_lengths"
METHOD_NAMES = {"parametric": "Student's t", "conformal": "conformal, from the errors of earlier digs"}
LISTED = 60
"""Contradicted lengths printed; the export holds all."""


def gain_words(errors: pd.DataFrame) -> str:
    """What the correction does to the typical error, in a sentence."""
    both = errors.dropna(subset=["error_m", "corrected_error_m"]) if len(errors) else errors
    if both.empty:
        return "No dig has both a displayed and a corrected distance."
    before, after = both["error_m"].abs().median(), both["corrected_error_m"].abs().median()
    return (
        f"Over {style.counted(len(both), 'dig')} half of the displayed distances are off by more than "
        f"{style.quantity(before, 'm', 1)}, of the corrected ones by more than {style.quantity(after, 'm', 1)}."
    )


def spread(errors: pd.DataFrame) -> Exhibit:
    """Error of each instrument before and after correction."""
    title = "Error by instrument, as displayed and as corrected"
    rows = errors.dropna(subset=["instrument_id", "error_m", "corrected_error_m"]) if len(errors) else errors
    if rows.empty:
        return absent("spread", title, (ERRORS,), "No dig names its instrument.", REMEDY)
    grouped = rows.groupby("instrument_id", sort=True)
    table = pd.DataFrame(
        {
            "readings": grouped.size(),
            "error_lo": grouped["error_m"].quantile(0.1),
            "error_median": grouped["error_m"].median(),
            "error_hi": grouped["error_m"].quantile(0.9),
            "corrected_lo": grouped["corrected_error_m"].quantile(0.1),
            "corrected_median": grouped["corrected_error_m"].median(),
            "corrected_hi": grouped["corrected_error_m"].quantile(0.9),
        }
    ).reset_index()
    far = table[table["error_median"].abs() > table["corrected_median"].abs()]
    worst = largest(table, "error_median")
    finding = (
        f"The middle error of {worst['instrument_id']} is furthest from zero: "
        f"{style.quantity(worst['error_median'], 'm', 1)} as displayed, "
        f"{style.quantity(worst['corrected_median'], 'm', 1)} corrected. The correction brings the middle error nearer "
        f"to zero for {len(far)} of {style.counted(len(table), 'instrument')}."
    )
    return Exhibit(
        key="spread",
        title=title,
        finding=finding,
        sources=(ERRORS,),
        definition="Estimated minus dug distance; positive reads far. Mark: median. Bar: middle 80 % of the digs.",
        count=f"{style.counted(len(rows), 'dig')} with an instrument.",
        interval="The bar is the spread of single digs, not the uncertainty of the median.",
        left_out="Digs that do not name the instrument. The correction is fitted to these same digs.",
        chart=figures.chart_spread(table),
        tables=(
            Table(
                table,
                (
                    "instrument_id",
                    "readings",
                    "error_lo",
                    "error_median",
                    "error_hi",
                    "corrected_lo",
                    "corrected_median",
                    "corrected_hi",
                ),
                ERRORS,
                labels={
                    "error_lo": "Displayed, 10th percentile [m]",
                    "error_median": "Displayed, median [m]",
                    "error_hi": "Displayed, 90th percentile [m]",
                    "corrected_lo": "Corrected, 10th percentile [m]",
                    "corrected_median": "Corrected, median [m]",
                    "corrected_hi": "Corrected, 90th percentile [m]",
                },
            ),
        ),
    )


def error_by_distance(errors: pd.DataFrame) -> Exhibit:
    """Error against distance."""
    title = "Error against distance"
    rows = errors.dropna(subset=["error_m", "dug_distance_m"]) if len(errors) else errors
    if rows.empty:
        return absent("errors", title, (ERRORS,), "No job has both a displayed and a dug distance.", REMEDY)
    middle = rows["error_m"].median()
    reach = figures.reach_of(rows)
    beyond = int((rows["error_m"].abs() > reach).sum() + (rows["corrected_error_m"].abs() > reach).sum())
    finding = gain_words(errors) + (
        f" The displayed distance reads {'far' if middle > 0 else 'short'} by {style.quantity(abs(middle), 'm', 1)} in "
        "the middle."
    )
    return Exhibit(
        key="errors",
        title=title,
        finding=finding,
        sources=(ERRORS,),
        definition="Estimated minus dug distance of each job, in metres: an offset lifts all points alike, a wrong "
        "velocity tilts them.",
        count=f"{style.counted(len(rows), 'dig')}; a mark names its job.",
        interval="None: single digs are shown.",
        left_out=f"Jobs without a dug distance. {beyond} of {2 * len(rows)} marks lie beyond the chart and stand at "
        "its edge as triangles; the table has their figures.",
        chart=figures.chart_errors(rows),
        tables=(
            Table(
                rows.reset_index(drop=True),
                (
                    "job_id",
                    "loop_id",
                    "cable_class",
                    "instrument_id",
                    "velocity_setting_pct",
                    "estimated_distance_m",
                    "dug_distance_m",
                    "error_m",
                    "corrected_distance_m",
                    "corrected_error_m",
                ),
                ERRORS,
                filters=("cable_class", "instrument_id"),
            ),
        ),
    )


def called_sections(errors: pd.DataFrame) -> Exhibit:
    """How often the reading falls in the section that was dug."""
    title = "Was the right section called?"
    rows = errors.dropna(subset=["section_called_right"]) if len(errors) else errors
    if rows.empty:
        return absent("called", title, (ERRORS,), "No reading can be laid along its sections.", REMEDY)
    counts = (
        rows.assign(right=rows["section_called_right"].astype(bool))
        .groupby("cable_class", sort=True)["right"]
        .agg(["size", "sum"])
    )
    table = counts.reset_index().rename(columns={"size": "readings", "sum": "right"})
    table["share"] = table["right"] / table["readings"]
    share = table["right"].sum() / table["readings"].sum()
    finding = (
        f"The displayed distance falls in the section that was dug in {style.percent(share)} of "
        f"{style.counted(table['readings'].sum(), 'dig')}."
    )
    missed = rows[~rows["section_called_right"].astype(bool)]
    both = rows.dropna(subset=["corrected_section_right"])
    if len(both):
        before, after = (both[name].astype(bool).mean() for name in ("section_called_right", "corrected_section_right"))
        finding += (
            f" Corrected, it falls there in {style.percent(after)} of the {style.counted(len(both), 'dig')} that can "
            f"be corrected, against {style.percent(before)} of the same digs as displayed."
        )
    if missed["into_wrong_section_m"].notna().any():
        finding += (
            " Where the wrong section was called, the reading lay "
            f"{style.quantity(missed['into_wrong_section_m'].median(), 'm', 1)} outside the right one in the middle."
        )
    return Exhibit(
        key="called",
        title=title,
        finding=finding,
        sources=(ERRORS,),
        definition="The displayed distance is laid along the sections from the test terminal; it is right where it "
        "ends in the section that failed.",
        count=f"{style.counted(len(rows), 'dig')}.",
        interval="None.",
        left_out="Jobs whose sections do not join up from the test terminal.",
        tables=(
            Table(
                table,
                ("cable_class", "readings", "right", "share"),
                ERRORS,
                labels={"right": "Right section", "share": "Share"},
            ),
        ),
    )


def coverage(marts: Marts) -> Exhibit:
    """Whether dig windows held what they promise."""
    title = "Do the windows hold?"
    rows = marts.read(COVERAGE)
    used = rows[rows["is_used"].astype(bool)] if len(rows) else rows
    if used.empty:
        return absent("coverage", title, (COVERAGE,), "Fewer than fifty digs: no window can be back-tested.", REMEDY)
    overall = used[used["grouped_by"] == "all"].sort_values("window_level")
    finding = "; ".join(
        f"windows of {style.percent(r.window_level)} held {style.percent(r.held_share)} of "
        f"{style.counted(r.tried, 'dig')} (half width {style.quantity(r.half_width_m, 'm', 1)} in the middle)"
        for r in overall.itertuples()
    )
    drawn = used[used["grouped_by"].isin(("all", "distance_band"))].copy()
    drawn["start"] = drawn["group_name"].str.extract(r"^(\d+)")[0].astype(float).fillna(-1.0)
    drawn = drawn.sort_values(["start", "window_level"], ignore_index=True)
    method = str(used["window_method"].iloc[0])
    promised = used["window_level"]
    missed = used[
        (used["grouped_by"] == "distance_band") & ((used["held_hi"] < promised) | (used["held_lo"] > promised))
    ].sort_values("window_level")
    return Exhibit(
        key="coverage",
        title=title,
        finding=finding[:1].upper() + finding[1:] + ".",
        more=tuple(
            f"At {r['group_name']} windows of {style.percent(r['window_level'])} held {style.percent(r['held_share'])} "
            f"({style.number(100 * r['held_lo'], 0)} to {style.percent(r['held_hi'])}): "
            + ("take the next wider one." if r["held_share"] < r["window_level"] else "wider than they need be.")
            for r in missed.to_dict("records")
        ),
        sources=(COVERAGE,),
        definition="Each past dig against the window it would have had at its time: everything fitted anew, at five "
        f"moments, to the readings before. Method in use: {METHOD_NAMES.get(method, method)}, the one of two whose "
        "shares lie nearer to those promised.",
        count=f"{style.counted(overall['tried'].max(), 'dig')}; the first sixth only begins the fit, the fifty digs "
        "after it the errors.",
        interval="Wilson limits of the shares.",
        left_out="Digs without a setting on record; estimates that only copy the dug distance. Gross errors are in: no "
        "window holds them.",
        chart=chart_coverage(drawn),
        tables=(
            Table(
                rows,
                (
                    "grouped_by",
                    "group_name",
                    "window_level",
                    "window_method",
                    "is_used",
                    "tried",
                    "held",
                    "held_share",
                    "held_lo",
                    "held_hi",
                    "half_width_m",
                ),
                COVERAGE,
            ),
        ),
    )


def register_lengths(marts: Marts) -> Exhibit:
    """Sections whose length the readings contradict."""
    title = "Lengths of the register that readings contradict"
    rows = marts.read(LENGTHS).sort_values(["evidence_se", "section_id"], ascending=[False, True], ignore_index=True)
    if rows.empty:
        return absent(
            "register",
            title,
            (LENGTHS,),
            "No far-end or two-ended reading contradicts a length of the register.",
            "nothing, if such readings are loaded (far_end_distance_m of jobs, test_shots); else load them",
        )
    slips = rows[rows["likely_slip"].fillna("") != ""]
    where = slips.groupby("loop_id").size().sort_values(ascending=False, kind="stable")
    finding = f"{style.counted(len(rows), 'section')} do not have the length that the register gives."
    if len(slips):
        finding += (
            f" {len(slips)} of them look like a slip of units, on {style.counted(len(where), 'loop')}: check these "
            "first."
        )
    return Exhibit(
        key="register",
        title=title,
        finding=finding,
        sources=(LENGTHS,),
        definition="Readings of cable ends, and from both ends of a section, imply a length at the fitted velocity. "
        "Over a path of several sections the difference is shared by least squares. Listed where it is more than "
        "three standard errors, 5 % and 3 m; strongest evidence first.",
        count=f"{style.counted(rows['readings'].sum(), 'reading')} over {style.counted(len(rows), 'section')}.",
        interval="90 % limits by least squares; readings that disagree widen them.",
        left_out="Sections no such reading passes. A single reading may be the one that is wrong: look at the "
        "readings column before the register is changed.",
        tables=(
            Table(
                rows.head(LISTED),
                (
                    "section_id",
                    "loop_id",
                    "cable_class",
                    "readings",
                    "length_m",
                    "implied_length_m",
                    "implied_lo",
                    "implied_hi",
                    "difference_pct",
                    "evidence_se",
                    "likely_slip",
                ),
                LENGTHS,
                extra=max(0, len(rows) - LISTED),
                filters=("cable_class",),
            ),
        ),
    )
