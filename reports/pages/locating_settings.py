"""Locating page: which instrument stands on which setting, and what it should be."""

import datetime as dt
from collections.abc import Mapping
from typing import Any

import pandas as pd

from reports import style
from reports.figures import locating_settings as figures
from reports.marts import Judged, Marts
from reports.page import Exhibit
from reports.words import Words
from shared.settings import Settings
from shared.units import VELOCITY_PCT

say = Words("locating")

DRIFT = "marts.instrument_drift"

WORDINGS = {"verdict": say.text("verdicts"), "verdict_reason": say.text("reasons")}
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


def why_open(name: str, row: Mapping[Any, Any], found: Judged) -> str:
    """What is missing to judge a class or an instrument, by its name and its row; nothing where it is judged."""
    why = found.of("open_because", name)
    what = row.get("cable_class") or found.of("dug_most", name) or say("open.its_class")
    is_class = "instrument_id" not in row
    other = say("open.the_instrument" if is_class else "open.its_class")
    own = say("open.by_the_same" if is_class else "open.of_its_own")
    n = say(not style.is_missing(row.get("tests_needed")) and "open.n", row=row)
    return say(bool(why) and f"open.{why}", other=other, own=own, what=what, row=row, n=n)


def standing(bias: Any, drift: Any, settings: Settings) -> str:
    """Verdict, figures and movement of an instrument as one statement, each with its day.

    Parameters
    ----------
    bias, drift
        Its rows of instrument_bias and instrument_drift as named tuples; no drift: too few readings for one.

    Notes
    -----
    The one place that says how an instrument stands, for the page, its sheet and the sheet of its proposals.

    Checked by: tests/unit/test_locating_page.py
    """
    values = {"row": bias, "drift": drift, "as_of": settings.general.as_of}
    is_known = bias.readings > 0 and bias.verdict != "not_separable"
    said = [say(f"standing.{bias.verdict}", is_known and "standing.figures", **values)]
    if bias.readings:
        said.append(say(f"standing.{bias.drift_verdict}", **values))
    # of one that is called steady the day would contradict that
    is_open = bias.verdict != "in_tolerance" and bias.drift_verdict != "steady"
    has_left = is_open and drift is not None and not style.is_missing(drift.in_tolerance_until_on)
    return " ".join((*said, say(has_left and "standing.left", **values))).strip()


def standings(marts: Marts, names: list[str], settings: Settings) -> list[str]:
    """How each of some instruments stands."""
    bias, drift = (
        {r.instrument_id: r for r in marts.read(name).itertuples()} for name in ("marts.instrument_bias", DRIFT)
    )
    return [standing(bias[name], drift.get(name), settings) for name in names if name in bias]


def proposals(marts: Marts, settings: Settings, found: Judged) -> Exhibit:
    """Settings in use and proposed."""
    rows, bias = marts.read("marts.setting_proposals"), marts.read("marts.instrument_bias")
    if rows.empty:
        return say.absent("proposals")
    rows["pair"] = rows["instrument_id"] + ", " + rows["cable_class"]
    drawn = rows.sort_values(["digs", "pair"], ascending=[False, True]).head(DRAWN)
    missing = rows.loc[rows["verdict"].eq("too_few_readings"), "verdict_reason"].value_counts()
    parts = "; ".join(say(f"undecided.{why}", n=n) for why, n in sorted(missing.items()))
    moving = bias[bias["instrument_id"].isin(rows["instrument_id"]) & bias["drift_verdict"].ne("steady")]
    moves = "; ".join(
        say("proposals.moves", code=code, names=", ".join(own["instrument_id"]))
        for code, own in moving.groupby("drift_verdict", sort=False)
    )
    return say.exhibit(
        "proposals",
        headline(rows, found) + ".",
        rows,
        chart=figures.chart_proposals(drawn.sort_values("pair", ignore_index=True)),
        more=(
            *standings(marts, rows.loc[rows["pair"].eq(found["worst_setting"]), "instrument_id"].tolist(), settings),
            say("proposals.gain", found=found),
            say(len(missing) > 0 and "proposals.open", n_open=missing.sum(), parts=parts),
            say(len(moving) > 0 and "proposals.moving", moves=moves, as_of=settings.general.as_of),
        ),
        wordings=WORDINGS,
        to={"setting_proposed_pct": [f"proposal:{name}" for name in rows["instrument_id"]]},
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
    rows = marts.read("marts.reads_long")
    if rows.empty:
        return say.absent("reads_long")
    unset = rows[rows["instrument_id"].map(found["settings_on_record"] or {}).eq("few")]
    finding = say(
        "reads_long.finding" if len(unset) else "reads_long.most_known",
        names=", ".join(unset["instrument_id"]),
        reads="; ".join(say("reads_long.one", row=row) for row in unset.itertuples()),
    )
    return say.exhibit("reads_long", finding, rows, digs=rows["digs"].sum())


def drift(marts: Marts, settings: Settings, found: Judged) -> Exhibit:
    """Instruments that drift, and the verdict on each."""
    rows, chart_rows = marts.read(DRIFT), marts.read("marts.drift_chart")
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
    unsure = rows.loc[rows["drift_verdict"] == "cannot_tell", "instrument_id"].tolist()
    alarms = ", ".join(rows.loc[charts.eq("false_alarm"), "instrument_id"])
    return say.exhibit(
        "drift",
        finding,
        rows,
        chart=figures.chart_drift(chart_rows[chart_rows["instrument_id"].isin(drawn)], moving),
        more=(
            *standings(marts, moving["instrument_id"].tolist(), settings),
            say(bool(unsure) and "drift.open", names=", ".join(unsure), n=len(unsure)),
            say(bool(alarms) and "drift.alarms", names=alarms),
        ),
        readings=rows["readings"].sum(),
        drawn=", ".join(sorted(drawn)),
    )


def day_words(day_of_year: int) -> str:
    """A day of the year as people say it: '19 February'."""
    day = dt.date(2001, 1, 1) + dt.timedelta(days=int(day_of_year) - 1)
    return f"{day.day} {day:%B}"


def season(marts: Marts) -> Exhibit:
    """The season in the readings."""
    rows = marts.read("marts.season")
    if rows.empty:
        return say.absent("season")
    shown = rows[rows["is_carried"].astype(bool)].to_dict("records")
    swings = "; ".join(say("season.one", row=row, day=day_words(row["reads_longest_day"])) for row in shown)
    finding = say("season.finding" if shown else "season.none", swings=swings)
    return say.exhibit("season", finding, rows, readings=rows["readings"].sum())
