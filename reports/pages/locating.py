"""Whether the velocity settings are right: the page of the calibration lead."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from reports import style
from reports.figures import locating as figures
from reports.page import Answer, Exhibit, Page, Section, Table, absent
from reports.pages import locating_digs as digs
from reports.pages import locating_settings as setting

if TYPE_CHECKING:
    from reports.marts import Marts
    from shared.settings import Settings

QUESTION = "Are the velocity settings right?"

ERRORS = "marts.locating_errors"
VELOCITIES = "marts.velocity_by_class"
BIAS = "marts.instrument_bias"

REMEDY = setting.REMEDY

VERDICTS = {
    "in_tolerance": "in tolerance",
    "out_of_tolerance": "out of tolerance",
    "too_few_readings": "not decided yet",
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
        card=setting.card(marts),
        sections=(
            Section(
                "Settings",
                (setting.proposals(marts), class_velocities(velocities, settings), setting.reads_long(marts)),
                "An instrument measures time. The distance it shows is right only where the velocity it stands on is.",
            ),
            Section(
                "Instruments",
                (instruments(bias, settings), digs.spread(errors), setting.drift(marts), setting.season(marts)),
                "What is left when the velocity of every class is right belongs to the instrument: an offset, the "
                "same at any distance, and a scale, which grows with it.",
            ),
            Section(
                "Digs",
                (
                    digs.error_by_distance(errors),
                    digs.coverage(marts),
                    digs.called_sections(errors),
                    digs.register_lengths(marts),
                ),
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
    first = setting.headline(marts.read(setting.PROPOSALS))
    out = bias[bias["verdict"] == "out_of_tolerance"]
    open_ones = bias[bias["verdict"].isin(("too_few_readings", "not_separable"))]
    second = (
        f"{len(out)} of {style.counted(len(bias), 'instrument')} {'reads' if len(out) == 1 else 'read'} out of "
        "tolerance"
        + (f" once the setting is right ({', '.join(out['instrument_id'])})" if 0 < len(out) <= 6 else "")
        + (f"; for {len(open_ones)} the readings cannot say." if len(open_ones) else ".")
        + drift_words(marts.read(setting.DRIFT))
    )
    third = digs.gain_words(errors) + " A new setting is a proposal, to be confirmed on a run of known length."
    return Answer(QUESTION, (first + ".", second, third), **link)


def drift_words(drift: pd.DataFrame) -> str:
    """Instruments that drift, for the answer; nothing where none does."""
    moving = drift[drift["is_drifting"].astype(bool)] if len(drift) else drift
    if moving.empty:
        return ""
    named = ", ".join(
        f"{r.instrument_id} by {style.number(r.drift_pct_per_year, 1)} % a year "
        f"({style.limits(r.drift_lo, r.drift_hi, 1)})"
        for r in moving.head(3).itertuples()
    )
    rest = f" and {len(moving) - 3} more" if len(moving) > 3 else ""
    return f" Drifting: {named}{rest}."


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
    counts = {
        "within tolerance of the cable's own velocity": len(judged) - len(fast) - len(slow),
        "too fast": len(fast),
        "too slow": len(slow),
        "not decided yet": len(rows) - len(judged),
    }
    parts = ", ".join(f"{words} on {n}" for words, n in counts.items() if n)
    finding = f"Of {style.counted(len(rows), 'class', 'classes')} the median setting is {parts}."
    if len(fast) or len(slow):
        listed = pd.concat([fast, slow]).sort_values("cable_class")
        finding += " " + " ".join(
            f"{r.cable_class}: set {style.number(r.setting_median_pct, 2)}, fitted "
            f"{style.number(r.velocity_fitted_pct, 2)} ({style.limits(r.velocity_lo, r.velocity_hi, 2)}) % of c."
            for r in listed.itertuples()
        )
    unjudged = len(rows) - len(judged)
    more = (
        (
            "This is the velocity of the cable itself. Cable lies longer than its route, so the setting that agrees "
            "with a tape is lower; that one is proposed above and on the field card."
        ),
        *((edge_words(rows),) if unjudged else ()),
    )
    return Exhibit(
        key="velocities",
        title=title,
        finding=finding,
        more=more,
        sources=(VELOCITIES,),
        definition="One regression of all readings: time shown = sum over classes of length times slowness, with an "
        "offset and a scale for each instrument. Velocity in percent of the velocity of light. Too fast reads far.",
        count=f"{style.counted(rows['readings'].sum(), 'reading')} over "
        f"{style.counted(len(rows), 'class', 'classes')}.",
        interval=f"{style.percent(settings.general.interval_level)} limits of the weighted, robust regression.",
        left_out="Usual bands (common practice, no source): extruded about 48 to 60 % of c, paper-insulated about 38 "
        f"to 48. Tolerance: the larger of {style.number(settings.locating.tolerance_pct)} % and "
        f"{style.quantity(settings.locating.tolerance_m, 'm')}. The season is shown further down.",
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
                wordings={"verdict": VERDICTS},
            ),
        ),
    )


def edge_words(rows: pd.DataFrame) -> str:
    """Why a row has no verdict yet, in words: how many more readings, at the edge, or not separable."""
    name = "cable_class" if "cable_class" in rows else "instrument_id"
    parts = []
    for row in rows.to_dict("records"):
        if row["verdict"] == "not_separable":
            other = "instrument" if name == "cable_class" else "cable class"
            parts.append(f"{row[name]}: cannot be told apart from the only {other} it was read with")
        elif row["verdict"] == "too_few_readings" and not style.is_missing(row["readings_needed"]):
            parts.append(f"{row[name]}: about {int(row['readings_needed'])} more readings would decide it")
        elif row["verdict"] == "too_few_readings" and row["readings"]:
            parts.append(f"{row[name]}: more readings alone would not decide it")
        elif row["verdict"] == "too_few_readings":
            parts.append(f"{row[name]}: no usable reading")
    return "Not decided: " + "; ".join(parts) + "." if parts else ""


def cure_words(row: Any, settings: Settings) -> str:
    """What to do about an instrument out of tolerance, by which of its two errors passes the tolerance."""
    causes = []
    if abs(row.offset_m) > settings.locating.tolerance_m:
        causes.append("the zero and the length of lead it is set to")
    if abs(row.scale - 1) > settings.locating.tolerance_pct / 100:
        causes.append("its time base")
    return (
        f"Have {' and '.join(causes) or 'it'} checked on a run of known length; until then the field card takes both "
        "errors off."
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
        f"{r.instrument_id}: offset {style.quantity(r.offset_m, 'm', 1)} ({style.quantity(r.offset_lo, 'm', 1)} to "
        f"{style.quantity(r.offset_hi, 'm', 1)}), scale {style.number(r.scale, 3)} "
        f"({style.limits(r.scale_lo, r.scale_hi, 3)}) over {style.counted(r.readings, 'reading')}. "
        + cure_words(r, settings)
        for r in out.itertuples()
    ) + tuple(filter(None, (edge_words(rows),)))
    return Exhibit(
        key="instruments",
        title=title,
        finding=finding,
        more=more,
        sources=(BIAS,),
        definition="Offset: error at no distance, as a length. Scale: shown over true distance once the velocity is "
        "right; 1.01 reads 1 % far. The shaded band is the tolerance.",
        count=f"{style.counted(rows['readings'].sum(), 'reading')} over {style.counted(len(rows), 'instrument')}.",
        interval=f"{style.percent(settings.general.interval_level)} limits; instruments with few readings are drawn "
        "towards no error (random effects), so that three readings condemn nobody.",
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
                wordings={"verdict": VERDICTS},
            ),
        ),
    )
