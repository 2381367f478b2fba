"""The sheet of an instrument: how it stands on the as-of day, how it moved, its readings, windows and calibrations."""

from typing import Any

import pandas as pd

from pipelines.locating.instrument_levels import FALSE_ALARMS
from reports import style
from reports.figures.locating import chart_errors, chart_errors_in_time
from reports.figures.locating_settings import chart_levels
from reports.marts import Marts, judged
from reports.page import Exhibit, Page, Section
from reports.pages.locating_settings import WORDINGS, standing, why_open
from reports.pages.locating_settings import say as settle
from reports.pages.sheet import facts, find_row, lead, listing, one, say, with_limits
from shared.settings import Settings

INSTRUMENTS, DRIFT = "staging.instruments", "marts.instrument_drift"


def build(marts: Marts, settings: Settings, ident: str) -> Page:
    """The sheet of an instrument.

    Raises
    ------
    UserError
        There is no such instrument.

    Notes
    -----
    Checked by: tests/end_to_end/test_sheets.py (through render_sheet)
    """

    def own(table: str, column: str = "instrument_id") -> pd.DataFrame:
        return marts.read_only(table, column, [ident])

    row = find_row(marts, "marts.instrument_bias", "instrument_id", ident)
    bias, entered, drift = (
        one(marts, name, "instrument_id", ident) for name in ("marts.instrument_bias", INSTRUMENTS, DRIFT)
    )
    told, why = standing(bias, drift, settings), why_open(ident, row, judged(marts, "locating"))
    digs = own("marts.locating_errors").sort_values(["read_at", "job_id"], ignore_index=True)
    windows = own("marts.window_coverage", "group_name")
    windows = windows[windows["grouped_by"] == "instrument"]
    looked_at = int(marts.read(DRIFT)["drift_evidence"].notna().sum())
    now = (
        verdict(bias, entered, drift, why, settings, looked_at),
        in_levels(own("marts.instrument_levels"), bias, entered, settings),
        listing("instrument-settings", own("marts.setting_proposals"), wordings=WORDINGS),
        listing("instrument-waiting", own("marts.open_windows")),
    )
    listed = (
        readings(digs),
        in_time(digs),
        kinds(own("core.locating_readings")),
        listing("instrument-known", own("staging.known_lengths")),
        listing("instrument-windows", windows),
    )
    return Page(
        key="instrument",
        title=f"Instrument {ident}",
        question=say("instrument.question"),
        summary=(told, *filter(None, (settle(bool(why) and "open.alone", why=why), say(f"instrument.{bias.verdict}")))),
        sections=(Section(say.text("instrument.now"), now), Section(say.text("instrument.readings"), listed)),
    )


def verdict(bias: Any, entered: Any, drift: Any, why: str, settings: Settings, looked_at: int) -> Exhibit:
    """Scale and offset of the day and over all readings, movement, calibration, and what would settle the verdict."""
    values = {"drift": drift, "bias": bias, "needed": looked_at / FALSE_ALARMS, "looked_at": looked_at}
    day = style.date_words(settings.general.as_of)
    as_of = pd.Series(bias._asdict()).rename({"offset_m": "offset", "offset_as_of_m": "offset_as_of"})
    left = None if drift is None else drift.in_tolerance_until_on
    listed = (
        (f"Scale on {day}", with_limits(as_of, "scale_as_of", 4)),
        (f"Offset in metres on {day}", with_limits(as_of, "offset_as_of", 2)),
        ("Scale, mean of all its readings", with_limits(as_of, "scale", 4)),
        ("Offset in metres, mean of all its readings", with_limits(as_of, "offset", 2)),
        ("By its estimate in tolerance until", style.date_words(left) if left else say(f"until.{bias.verdict}")),
        ("Movement", say(f"movement.{bias.drift_verdict}", drift is not None and "movement.rate", **values)),
        ("Evidence of movement", say("movement.evidence" if drift is not None else "movement.none", **values)),
        ("Readings", style.number(bias.readings, 0)),
        ("To settle the verdict", why or say("instrument-facts.settled")),
        ("Last reading", style.date_words(bias.last_reading_at)),
        ("In service since", style.date_words(getattr(entered, "in_service_on", None))),
        ("Last calibrated", style.date_words(getattr(entered, "last_calibrated_on", None))),
        ("Settings proposed, to print and sign", lead("proposal", bias.instrument_id)),
    )
    return facts("instrument-facts", say("instrument-facts.finding", bias=bias, day=day), listed)


def in_levels(levels: pd.DataFrame, bias: Any, entered: Any, settings: Settings) -> Exhibit:
    """Scale and offset in time, beside the tolerance and the calibrations."""
    if levels.empty:
        return say.absent("instrument-levels")
    if len(levels) < 2 or bias.verdict == "not_separable":
        return say.nothing("instrument-levels")
    rows, terms = levels.sort_values("level_on", ignore_index=True), settings.locating
    calibrated = getattr(entered, "last_calibrated_on", None)
    days = [] if style.is_missing(calibrated) else [calibrated]
    finding = say("instrument-levels.finding", first=rows.iloc[0], last=rows.iloc[-1])
    chart = chart_levels(rows, days, tolerance_pct=terms.tolerance_pct, tolerance_m=terms.tolerance_m)
    return say.exhibit("instrument-levels", finding, rows, chart=chart, settings=settings)


def readings(digs: pd.DataFrame) -> Exhibit:
    """Error of every dig against its distance."""
    there = digs.dropna(subset=["error_m"])
    if there.empty:
        return say.absent("instrument-digs")
    middle = there[["error_m", "corrected_error_m"]].median()
    finding = say("instrument-digs.finding", n=len(there), middle=middle)
    return say.exhibit("instrument-digs", finding, digs, chart=chart_errors(there), n=len(there))


def in_time(digs: pd.DataFrame) -> Exhibit:
    """Error of every dig in time, as displayed and as corrected, in per cent of the distance."""
    there = digs.dropna(subset=["error_pct", "read_at"])
    if there.empty:
        return say.absent("instrument-time")
    there = there.assign(corrected_pct=100.0 * there["corrected_error_m"] / there["dug_distance_m"])
    spread = there[["error_pct", "corrected_pct"]].abs().median()
    finding = say("instrument-time.finding", n=len(there), spread=spread)
    return say.exhibit("instrument-time", finding, chart=chart_errors_in_time(there), n=len(there))


def kinds(others: pd.DataFrame) -> Exhibit:
    """Readings of every kind, and why some cannot be used."""
    rows = others.assign(unusable_because=others["unusable_because"].fillna("used"))
    rows = rows.groupby(["reading_kind", "unusable_because"], sort=True).size().reset_index(name="readings")
    return listing("instrument-kinds", rows)
