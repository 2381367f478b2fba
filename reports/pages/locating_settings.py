"""Locating page: which instrument stands on which setting, and what it should be."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Any

import pandas as pd

from reports import style
from reports.figures import locating_settings as figures
from reports.page import Exhibit
from reports.words import Words
from shared.units import VELOCITY_PCT

if TYPE_CHECKING:
    from reports.marts import Judged, Marts

say = Words("locating")

PROPOSALS = "marts.setting_proposals"
READS_LONG = "marts.reads_long"
DRIFT = "marts.instrument_drift"
DRIFT_CHART = "marts.drift_chart"
SEASON = "marts.season"

DRAWN = 24
"""Pairs of instrument and class that are drawn; the table holds all."""


def headline(proposals: pd.DataFrame, found: Judged) -> str:
    """Which instrument stands on a wrong setting, in one sentence."""
    n_out, n_pairs = int(proposals["verdict"].eq("out_of_tolerance").sum()), len(proposals)
    if not n_out or found["worst_setting"] is None:
        return say("headline.none_out" if n_pairs else "headline.nothing", n_pairs=n_pairs)
    pairs = proposals["instrument_id"] + ", " + proposals["cable_class"]
    worst: Any = proposals[pairs.eq(found["worst_setting"])].iloc[0]
    reads = found.of("setting_reads", found["worst_setting"])
    return say(
        "headline.worst", worst=worst, size=abs(worst["reads_long_pct"]), reads=reads, n_out=n_out, n_pairs=n_pairs
    )


def proposals(marts: Marts, found: Judged) -> Exhibit:
    """Settings in use and proposed."""
    rows = marts.read(PROPOSALS)
    if rows.empty:
        return say.absent("proposals")
    rows["pair"] = rows["instrument_id"] + ", " + rows["cable_class"]
    drawn = rows.sort_values(["digs", "pair"], ascending=[False, True]).head(DRAWN)
    n_open = int(rows["verdict"].eq("too_few_readings").sum())
    return say.exhibit(
        "proposals",
        headline(rows, found) + ".",
        rows,
        chart=figures.chart_proposals(drawn.sort_values("pair", ignore_index=True)),
        more=(say("proposals.gain", found=found), say(n_open and "proposals.open", n_open=n_open)),
        digs=rows["digs"].sum(),
    )


def class_settings(velocities: pd.DataFrame) -> Exhibit:
    """The setting proposed for each class, in every convention."""
    if velocities.empty:
        return say.absent("class_settings")
    proposed = velocities["velocity_route_pct"]
    others = {name: proposed / each for name, each in VELOCITY_PCT.items() if "_" in name}
    edges = zip(velocities["velocity_route_lo"], velocities["velocity_route_hi"], strict=True)
    rows = velocities.assign(
        limits=[style.MISSING if style.is_missing(lo) else style.limits(lo, hi, 2) for lo, hi in edges], **others
    )
    return say.exhibit("class_settings", say("class_settings.finding", n_rows=len(rows)), rows)


def reads_long(marts: Marts, found: Judged) -> Exhibit:
    """How far each instrument reads, whatever its setting."""
    rows = marts.read(READS_LONG)
    if rows.empty:
        return say.absent("reads_long")
    unset = rows[rows["instrument_id"].map(found["settings_on_record"] or {}).eq("few")]
    finding = say(
        "reads_long.finding" if len(unset) else "reads_long.most_known",
        names=", ".join(unset["instrument_id"]),
        reads="; ".join(say("reads_long.one", row=row) for row in unset.itertuples()),
    )
    return say.exhibit("reads_long", finding, rows, digs=rows["digs"].sum())


def drift(marts: Marts, found: Judged) -> Exhibit:
    """Instruments that drift."""
    rows, chart_rows = marts.read(DRIFT), marts.read(DRIFT_CHART)
    if rows.empty:
        return say.absent("drift")
    moving = rows[rows["drift_verdict"].isin(("drifting", "stepped"))]
    charts = rows["instrument_id"].map(found["drift_chart"] or {})
    finding = say(
        "drift.finding" if len(moving) else "drift.none",
        *["drift.latest"] * (len(moving) > 0),
        n_rows=len(rows),
        moves="; ".join(say("drift.one", row=row) for row in moving.itertuples()),
    )
    drawn = moving["instrument_id"].tolist()[:4]
    others = [i for i in rows.sort_values("readings", ascending=False)["instrument_id"] if i not in drawn]
    drawn += others[: max(0, 3 - len(drawn))]
    unsure = ", ".join(rows.loc[rows["drift_verdict"] == "cannot_tell", "instrument_id"])
    alarms = ", ".join(rows.loc[charts.eq("false_alarm"), "instrument_id"])
    return say.exhibit(
        "drift",
        finding,
        rows,
        chart=figures.chart_drift(chart_rows[chart_rows["instrument_id"].isin(drawn)], moving),
        more=(say(bool(unsure) and "drift.open", names=unsure), say(bool(alarms) and "drift.alarms", names=alarms)),
        readings=rows["readings"].sum(),
        drawn=", ".join(sorted(drawn)),
    )


def day_words(day_of_year: int) -> str:
    """A day of the year as people say it: '19 February'."""
    day = dt.date(2001, 1, 1) + dt.timedelta(days=int(day_of_year) - 1)
    return f"{day.day} {day:%B}"


def season(marts: Marts) -> Exhibit:
    """The season in the readings."""
    rows = marts.read(SEASON)
    if rows.empty:
        return say.absent("season")
    shown = rows[rows["is_carried"].astype(bool)].to_dict("records")
    swings = "; ".join(say("season.one", row=row, day=day_words(row["reads_longest_day"])) for row in shown)
    finding = say("season.finding" if shown else "season.none", swings=swings)
    return say.exhibit("season", finding, rows, readings=rows["readings"].sum())
