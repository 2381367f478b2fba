"""The sheet of an instrument: its readings with distance and error, its scale, its drift and its calibrations."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from reports import style
from reports.figures.locating import chart_errors, chart_errors_in_time
from reports.page import Page, Section
from reports.pages.sheet import facts, find_row, listing, one, say, with_limits

INSTRUMENTS, DRIFT = "staging.instruments", "marts.instrument_drift"

if TYPE_CHECKING:
    from reports.marts import Marts
    from reports.page import Exhibit
    from shared.settings import Settings


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
    del settings

    def own(table: str, column: str = "instrument_id") -> pd.DataFrame:
        return marts.read_only(table, column, [ident])

    bias = find_row(marts, "marts.instrument_bias", "instrument_id", ident)
    entered, drift = (one(marts, name, "instrument_id", ident) for name in (INSTRUMENTS, DRIFT))
    digs = own("marts.locating_errors").sort_values(["read_at", "job_id"], ignore_index=True)
    windows = own("marts.window_coverage", "group_name")
    windows = windows[windows["grouped_by"] == "instrument"]
    now = (verdict(bias, entered, drift), listing("instrument-settings", own("marts.setting_proposals")))
    listed = (
        readings(digs),
        in_time(digs, drift),
        kinds(own("core.locating_readings")),
        listing("instrument-known", own("staging.known_lengths")),
        listing("instrument-windows", windows),
    )
    return Page(
        key="instrument",
        title=f"Instrument {ident}",
        question=say("instrument.question"),
        summary=(say("instrument.summary", bias=bias, verdict=bias["verdict"]),),
        sections=(Section(say.text("instrument.now"), now), Section(say.text("instrument.readings"), listed)),
    )


def verdict(bias: dict[str, Any], entered: Any, drift: Any) -> Exhibit:
    """Offset, scale and verdict, drift and calibration."""
    row = pd.Series(bias).rename({"offset_m": "offset"})
    moves = drift is not None and drift.is_drifting
    listed = (
        ("Offset in metres", with_limits(row, "offset", 2)),
        ("Scale", with_limits(row, "scale", 4)),
        ("Readings", style.number(bias["readings"], 0)),
        ("More readings needed for a verdict", style.number(bias["readings_needed"], 0)),
        ("Last reading", style.date_words(bias["last_reading_at"])),
        ("In service since", style.date_words(getattr(entered, "in_service_on", None))),
        ("Last calibrated", style.date_words(getattr(entered, "last_calibrated_on", None))),
        ("Drift", say("instrument-facts.drift" if moves else "instrument-facts.no_drift", drift=drift)),
    )
    return facts("instrument-facts", say("instrument-facts.finding", bias=bias, verdict=bias["verdict"]), listed)


def readings(digs: pd.DataFrame) -> Exhibit:
    """Error of every dig against its distance."""
    there = digs.dropna(subset=["error_m"])
    if there.empty:
        return say.absent("instrument-digs")
    middle = there[["error_m", "corrected_error_m"]].median()
    finding = say("instrument-digs.finding", n=len(there), middle=middle)
    return say.exhibit("instrument-digs", finding, digs, chart=chart_errors(there), n=len(there))


def in_time(digs: pd.DataFrame, drift: Any) -> Exhibit:
    """Error of every dig in time, in per cent of the distance."""
    there = digs.dropna(subset=["error_pct", "read_at"])
    if there.empty:
        return say.absent("instrument-time")
    is_moving = drift is not None and bool(drift.is_drifting)
    finding = say("instrument-time.moving" if is_moving else "instrument-time.finding", drift=drift, n=len(there))
    return say.exhibit("instrument-time", finding, chart=chart_errors_in_time(there), n=len(there))


def kinds(others: pd.DataFrame) -> Exhibit:
    """Readings of every kind, and why some cannot be used."""
    rows = others.assign(unusable_because=others["unusable_because"].fillna("used"))
    rows = rows.groupby(["reading_kind", "unusable_because"], sort=True).size().reset_index(name="readings")
    return listing("instrument-kinds", rows)
