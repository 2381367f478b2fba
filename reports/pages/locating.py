"""Whether the velocity settings are right: the page of the calibration lead."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from reports import style
from reports.figures import locating as figures
from reports.page import Answer, Exhibit, Page, Section, Table, absent, largest

if TYPE_CHECKING:
    from reports.marts import Marts
    from shared.settings import Settings

QUESTION = "Are the velocity settings right?"

ERRORS = "marts.locating_errors"
VELOCITIES = "marts.velocity_by_class"
BIAS = "marts.instrument_bias"

REMEDY = (
    "load jobs.csv with test_terminal_id, estimated_distance_m, velocity_setting_pct, instrument_id and "
    "dug_distance_m, and the sections of those loops, then run: loopwear refresh"
)

VERDICTS = {
    "in_tolerance": "in tolerance",
    "out_of_tolerance": "out of tolerance",
    "too_few_readings": "too few readings",
    "not_separable": "not separable from its cable class",
}


def build(marts: Marts, settings: Settings) -> Page:
    """The locating page."""
    errors, velocities, bias = marts.read(ERRORS), marts.read(VELOCITIES), marts.read(BIAS)
    return Page(
        key="locating",
        title="Locating",
        question=QUESTION,
        summary=answer(marts, settings).sentences,
        sections=(
            Section(
                "Cable classes",
                (class_velocities(velocities, settings),),
                "An instrument measures time. The distance it shows is right only where the velocity it stands on is.",
            ),
            Section(
                "Instruments",
                (instruments(bias, settings), spread(errors)),
                "What is left when the velocity of every class is right belongs to the instrument: an offset, the same "
                "at any distance, and a scale, which grows with it.",
            ),
            Section(
                "Digs",
                (error_by_distance(errors), called_sections(errors)),
                "Each dig tells the true distance of one fault. Together they tell what a reading is worth.",
            ),
        ),
    )


def answer(marts: Marts, settings: Settings) -> Answer:
    """The calibration lead's question in three sentences."""
    del settings
    velocities, bias, errors = marts.read(VELOCITIES), marts.read(BIAS), marts.read(ERRORS)
    link = {"link": "locating.html", "link_text": "By cable class, instrument and dig"}
    if velocities.empty:
        return Answer(QUESTION, ("There are no digs with a reading to answer from yet.", f"To do: {REMEDY}."), **link)
    judged = velocities[velocities["verdict"].isin(("in_tolerance", "out_of_tolerance"))]
    wrong = judged[judged["verdict"] == "out_of_tolerance"]
    first = (
        f"The median setting in use is out of tolerance for {len(wrong)} of "
        f"{style.counted(len(judged), 'cable class', 'cable classes')} "
        "with enough readings"
    )
    if len(wrong):
        worst = largest(wrong, "bias_points")
        first += (
            f"; furthest off is {worst.cable_class}: set to {style.number(worst.setting_median_pct, 1)} % of c, fitted "
            f"{style.number(worst.velocity_fitted_pct, 1)} % ({style.limits(worst.velocity_lo, worst.velocity_hi, 1)})"
        )
    out = bias[bias["verdict"] == "out_of_tolerance"]
    open_ones = bias[bias["verdict"].isin(("too_few_readings", "not_separable"))]
    second = (
        f"{len(out)} of {style.counted(len(bias), 'instrument')} {'reads' if len(out) == 1 else 'read'} out of "
        "tolerance"
        + (f" ({', '.join(out['instrument_id'])})" if 0 < len(out) <= 6 else "")
        + f"; for {len(open_ones)} the readings cannot say."
    )
    third = gain_words(errors) + " A new setting is a proposal, to be confirmed on a run of known length."
    return Answer(QUESTION, (first + ".", second, third), **link)


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


def class_velocities(velocities: pd.DataFrame, settings: Settings) -> Exhibit:
    """Fitted velocity of each class beside the setting in use."""
    title = "Velocity fitted and velocity set"
    if velocities.empty:
        return absent(
            "velocities", title, (VELOCITIES,), "No velocity can be fitted: no reading has been dug up.", REMEDY
        )
    rows = velocities.sort_values(["readings", "cable_class"], ascending=[False, True]).reset_index(drop=True)
    judged = rows[rows["verdict"].isin(("in_tolerance", "out_of_tolerance"))]
    fast = judged[(judged["verdict"] == "out_of_tolerance") & (judged["bias_points"] > 0)]
    slow = judged[(judged["verdict"] == "out_of_tolerance") & (judged["bias_points"] < 0)]
    finding = (
        f"Of {style.counted(len(judged), 'class', 'classes')} that can be judged, {len(fast)} "
        f"{'is' if len(fast) == 1 else 'are'} "
        f"set too fast and {len(slow)} too slow."
    )
    if len(fast) or len(slow):
        listed = pd.concat([fast, slow]).sort_values("cable_class")
        finding += " " + " ".join(
            f"{r.cable_class}: set {style.number(r.setting_median_pct, 2)}, fitted "
            f"{style.number(r.velocity_fitted_pct, 2)} "
            f"({style.limits(r.velocity_lo, r.velocity_hi, 2)}) % of c."
            for r in listed.itertuples()
        )
    unjudged = len(rows) - len(judged)
    more = (
        (f"For {style.counted(unjudged, 'further class', 'further classes')} the readings cannot say.",)
        if unjudged
        else ()
    )
    return Exhibit(
        key="velocities",
        title=title,
        finding=finding,
        more=more,
        sources=(VELOCITIES,),
        definition="One regression of all readings: time shown = sum over classes of length times slowness, with an "
        "offset and "
        "a scale for each instrument. Velocity in percent of the velocity of light. Too fast reads far.",
        count=f"{style.counted(rows['readings'].sum(), 'reading')} over "
        f"{style.counted(len(rows), 'class', 'classes')}.",
        interval=f"{style.percent(settings.general.interval_level)} limits of the weighted, robust regression.",
        left_out=f"Tolerance: the larger of {style.number(settings.locating.tolerance_pct)} % and "
        f"{style.quantity(settings.locating.tolerance_m, 'm')}. Change of velocity with temperature is not fitted.",
        chart=figures.chart_velocities(rows),
        tables=(
            Table(
                rows,
                (
                    "cable_class",
                    "readings",
                    "velocity_fitted_pct",
                    "velocity_lo",
                    "velocity_hi",
                    "setting_median_pct",
                    "bias_points",
                    "verdict",
                ),
                VELOCITIES,
            ),
        ),
    )


def instruments(bias: pd.DataFrame, settings: Settings) -> Exhibit:
    """Offset and scale of every instrument."""
    title = "Offset and scale of the instruments"
    if bias.empty:
        return absent("instruments", title, (BIAS,), "No instrument has a reading that was dug up.", REMEDY)
    rows = bias.sort_values("instrument_id").reset_index(drop=True)
    parts = []
    for verdict, words in VERDICTS.items():
        named = rows[rows["verdict"] == verdict]["instrument_id"].tolist()
        if named:
            listed = f" ({', '.join(named)})" if len(named) <= 8 else ""
            parts.append(f"{len(named)} {words}{listed}")
    finding = f"Of {style.counted(len(rows), 'instrument')}: {', '.join(parts)}."
    out = rows[rows["verdict"] == "out_of_tolerance"]
    more = tuple(
        f"{r.instrument_id}: offset {style.quantity(r.offset_m, 'm', 1)}, scale {style.number(r.scale, 3)} "
        f"({style.limits(r.scale_lo, r.scale_hi, 3)}) over {style.counted(r.readings, 'reading')}."
        for r in out.itertuples()
    )
    return Exhibit(
        key="instruments",
        title=title,
        finding=finding,
        more=more,
        sources=(BIAS,),
        definition="Offset: error at no distance, as a length. Scale: shown over true distance once the velocity is "
        "right; "
        "1.01 reads 1 % far. The shaded band is the tolerance.",
        count=f"{style.counted(rows['readings'].sum(), 'reading')} over {style.counted(len(rows), 'instrument')}.",
        interval=f"{style.percent(settings.general.interval_level)} limits; instruments with few readings are drawn "
        "towards "
        "no error (random effects), so that three readings condemn nobody.",
        left_out="Instruments without a usable reading. Where a class is read by one instrument alone the two cannot "
        "be told apart.",
        chart=figures.chart_instruments(
            rows, tolerance_m=settings.locating.tolerance_m, tolerance_pct=settings.locating.tolerance_pct
        ),
        tables=(
            Table(
                rows,
                (
                    "instrument_id",
                    "readings",
                    "offset_m",
                    "offset_lo",
                    "offset_hi",
                    "scale",
                    "scale_lo",
                    "scale_hi",
                    "verdict",
                    "readings_needed",
                    "last_reading_at",
                ),
                BIAS,
            ),
        ),
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
        f"The middle error of {worst['instrument_id']} is furthest from nought: "
        f"{style.quantity(worst['error_median'], 'm', 1)} "
        f"as displayed, {style.quantity(worst['corrected_median'], 'm', 1)} corrected. The correction brings the "
        "middle "
        f"error nearer to nought for {len(far)} of {style.counted(len(table), 'instrument')}."
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
    finding = gain_words(errors) + (
        f" The displayed distance reads {'far' if middle > 0 else 'short'} by {style.quantity(abs(middle), 'm', 1)} "
        "in the middle."
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
        left_out="Jobs without a dug distance. The furthest 1 % may lie outside the chart; they are in the table.",
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
    return Exhibit(
        key="called",
        title=title,
        finding=finding,
        sources=(ERRORS,),
        definition="The displayed distance is laid along the sections from the test terminal; it is right where it "
        "ends in the section "
        "that failed.",
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
