"""Locating page: which instrument stands on which setting, what it should be, and the field card."""

from __future__ import annotations

import datetime as dt
import itertools
from typing import TYPE_CHECKING, Any

import pandas as pd

from reports import style
from reports.figures import locating_settings as figures
from reports.page import Exhibit, Table, absent
from shared import dictionary
from shared.units import VELOCITY_PCT

if TYPE_CHECKING:
    from reports.marts import Marts

PROPOSALS = "marts.setting_proposals"
READS_LONG = "marts.reads_long"
DRIFT = "marts.instrument_drift"
DRIFT_CHART = "marts.drift_chart"
SEASON = "marts.season"

REMEDY = (
    "load jobs.csv with test_terminal_id, estimated_distance_m, velocity_setting_pct, instrument_id and "
    "dug_distance_m, and the sections of those loops, then run: loopwear refresh"
)
VARIANCES = (
    "constant_variance",
    "line_covariance",
    "slope_variance",
    "noise_constant_variance",
    "noise_growing_variance",
)
DRIFT_LABELS = {
    "is_drifting": "Drifts",
    "ewma_out_at": "Average first out",
    "cusum_out_at": "Sum first out",
    "drift_from_at": "Drifts since",
    "drift_pct_per_year": "Drift a year",
    "last_ewma_pct": "Average now",
}
SEASON_LABELS = {
    "season_pct": "Swing",
    "season_lo": "Swing, low",
    "season_hi": "Swing, high",
    "season_p_value": "Chance without a season",
    "is_carried": "Taken off",
}
DRAWN = 24
"""Pairs of instrument and class that are drawn; the table holds all."""


def worst_pairs(proposals: pd.DataFrame) -> pd.DataFrame:
    """Pairs out of tolerance, those that put most metres into digs first."""
    out = proposals[proposals["verdict"] == "out_of_tolerance"].copy()
    weight = out["reads_long_pct"].abs() * out["digs"] ** 0.5
    return out.assign(weight=weight).sort_values(
        ["weight", "instrument_id", "cable_class"], ascending=[False, True, True], ignore_index=True
    )


def headline(proposals: pd.DataFrame) -> str:
    """Which instrument stands on a wrong setting, in one sentence."""
    if proposals.empty:
        return "No dig names both its instrument and its setting, so no setting can be judged"
    out = worst_pairs(proposals)
    if out.empty:
        return f"None of {style.counted(len(proposals), 'pair')} of instrument and class is out of tolerance"
    worst = out.iloc[0]
    far = "far" if worst["reads_long_pct"] > 0 else "short"
    return (
        f"{worst['instrument_id']} stands on {style.number(worst['setting_median_pct'], 1)} % of c on "
        f"{worst['cable_class']}, where {style.number(worst['setting_proposed_pct'], 1)} % "
        f"({style.limits(worst['setting_proposed_lo'], worst['setting_proposed_hi'], 1)}) would agree with the tape: "
        f"it reads {style.number(abs(worst['reads_long_pct']), 1)} % {far}. {len(out)} of "
        f"{style.counted(len(proposals), 'pair')} of instrument and class "
        f"{'is' if len(out) == 1 else 'are'} out of tolerance"
    )


def proposals(marts: Marts) -> Exhibit:
    """Settings in use and proposed."""
    title = "Settings in use and settings proposed"
    rows = marts.read(PROPOSALS)
    if rows.empty:
        return absent("proposals", title, (PROPOSALS,), "No dig names its instrument and its setting.", REMEDY)
    rows["pair"] = rows["instrument_id"] + ", " + rows["cable_class"]
    drawn = rows.sort_values(["digs", "pair"], ascending=[False, True]).head(DRAWN)
    drawn = drawn.sort_values("pair", ignore_index=True)
    before = (rows["error_before_m"] * rows["digs"]).sum() / rows["digs"].sum()
    after = (rows["error_after_m"] * rows["digs"]).sum() / rows["digs"].sum()
    undecided = rows[rows["verdict"] == "too_few_readings"]
    more = [
        (
            "Had the proposals and the offsets been followed, the usual error would have been "
            f"{style.quantity(after, 'm', 1)} in place of {style.quantity(before, 'm', 1)} (median by pair, weighted "
            "by digs; each dig left out of its own correction)."
        )
    ]
    if len(undecided):
        more.append(
            f"For {style.counted(len(undecided), 'pair')} it cannot be decided yet: the limits of the error lie across "
            "the edge of the tolerance. The table says how many more digs would settle it, where some 500 would."
        )
    return Exhibit(
        key="proposals",
        title=title,
        finding=headline(rows) + ".",
        more=tuple(more),
        sources=(PROPOSALS,),
        definition="Proposed: the setting at which this instrument's display agrees with the distance taped along the "
        "route; the instrument's own scale and the cable's slack are in it. Verdict: the setting in use, with the "
        "instrument's offset, over the distances dug.",
        count=f"{style.counted(rows['digs'].sum(), 'dig')} over {style.counted(len(rows), 'pair')}.",
        interval="Limits of the mixed model (restricted likelihood, Student).",
        left_out="Digs without a setting on record. It is a proposal also where instrument and class cannot be told "
        "apart: only their product is needed for it.",
        chart=figures.chart_proposals(drawn),
        tables=(
            Table(
                rows,
                (
                    "instrument_id",
                    "cable_class",
                    "digs",
                    "setting_median_pct",
                    "setting_proposed_pct",
                    "setting_proposed_lo",
                    "setting_proposed_hi",
                    "reads_long_pct",
                    "verdict",
                    "readings_needed",
                    "error_before_m",
                    "error_after_m",
                ),
                PROPOSALS,
                filters=("instrument_id", "cable_class"),
            ),
        ),
    )


def reads_long(marts: Marts) -> Exhibit:
    """How far each instrument reads, whatever its setting."""
    title = "Reads long by, whatever the setting"
    rows = marts.read(READS_LONG)
    if rows.empty:
        return absent("reads_long", title, (READS_LONG,), "No job has both a displayed and a dug distance.", REMEDY)
    unset = rows[rows["settings_known"] < 0.5 * rows["digs"]]
    finding = (
        f"For {', '.join(unset['instrument_id'])} most settings are not on record, so only this can be said: reads "
        + "; ".join(
            f"{style.number(r.reads_long_pct, 1)} % long ({style.limits(r.reads_long_lo, r.reads_long_hi, 1)}, "
            f"{style.counted(r.digs, 'dig')})"
            for r in unset.itertuples()
        )
        + ". It mixes setting, offset, tails and slack."
        if len(unset)
        else "The settings of most digs are on record, so the figures above say more than these. They mix setting, "
        "offset, tails and slack: a mean of percent errors is no measure of velocity."
    )
    return Exhibit(
        key="reads_long",
        title=title,
        finding=finding,
        sources=(READS_LONG,),
        definition="Median of displayed over dug, less one.",
        count=f"{style.counted(rows['digs'].sum(), 'dig')}.",
        interval="Order statistics of the median (binomial): no form of the errors is assumed.",
        left_out="Estimates that only copy the dug distance.",
        tables=(Table(rows, tuple(rows.columns), READS_LONG),),
    )


def drift(marts: Marts) -> Exhibit:
    """Instruments that drift."""
    title = "Drift of the instruments"
    rows, chart_rows = marts.read(DRIFT), marts.read(DRIFT_CHART)
    if rows.empty:
        return absent("drift", title, (DRIFT,), "No instrument has twelve right readings.", REMEDY)
    moving = rows[rows["is_drifting"].astype(bool)]
    if len(moving):
        finding = (
            "; ".join(
                f"{r.instrument_id} drifts by {style.number(r.drift_pct_per_year, 2)} % a year "
                f"({style.limits(r.drift_lo, r.drift_hi, 2)}) from {style.date_words(r.drift_from_at)}"
                for r in moving.itertuples()
            )
            + f"; of {style.counted(len(rows), 'instrument')} no other does."
        )
        finding += "".join(
            f" The latest readings of {r['instrument_id']} stand {style.number(abs(r['last_ewma_pct']), 1)} % "
            f"{'long' if r['last_ewma_pct'] > 0 else 'short'} of what its correction expects: have it checked on a run "
            "of known length."
            for r in moving.to_dict("records")
        )
        drawn = moving["instrument_id"].tolist()[:4]
    else:
        finding = f"None of {style.counted(len(rows), 'instrument')} drifts."
        drawn = []
    others = [i for i in rows.sort_values("readings", ascending=False)["instrument_id"] if i not in drawn]
    drawn += others[: max(0, 3 - len(drawn))]
    alarms = rows[~rows["is_drifting"].astype(bool) & (rows["ewma_out_at"].notna() | rows["cusum_out_at"].notna())]
    more = (
        (
            (
                f"A chart of {', '.join(alarms['instrument_id'])} has gone out at some time without a drift that "
                "stands: over hundreds of readings a chart gives a false alarm now and then."
            ),
        )
        if len(alarms)
        else ()
    )
    return Exhibit(
        key="drift",
        title=title,
        finding=finding,
        more=more,
        sources=(DRIFT, DRIFT_CHART),
        definition="Moving average (weight 0.2, limits 2.86 standard errors of it) of each reading's error, the offset "
        "taken off, each reading cut at three standard errors. Drift: a level, then a straight line from the moment "
        "that fits best. Also charted: the cumulative sum (slack 0.5, limit 5 standard errors).",
        count=f"{style.counted(rows['readings'].sum(), 'reading')} of {style.counted(len(rows), 'instrument')}; "
        f"drawn: {', '.join(sorted(drawn))}.",
        interval="Weighted least squares given the start; called a drift only if it stands over all starts tried.",
        left_out="Readings that are grossly wrong; instruments with fewer than twelve readings.",
        chart=figures.chart_drift(chart_rows[chart_rows["instrument_id"].isin(drawn)], moving),
        tables=(Table(rows, tuple(rows.columns), DRIFT, labels=DRIFT_LABELS),),
    )


def day_words(day_of_year: int) -> str:
    """A day of the year as people say it: '19 February'."""
    day = dt.date(2001, 1, 1) + dt.timedelta(days=int(day_of_year) - 1)
    return f"{day.day} {day:%B}"


def season(marts: Marts) -> Exhibit:
    """The season in the readings."""
    title = "Season"
    rows = marts.read(SEASON)
    if rows.empty:
        return absent("season", title, (SEASON,), "No insulation has readings enough over the year.", REMEDY)
    shown = rows[rows["is_carried"].astype(bool)]
    finding = (
        "; ".join(
            f"{r['insulation']} swings by {style.number(r['season_pct'], 2)} % either way "
            f"({style.limits(r['season_lo'], r['season_hi'], 2)}), reading longest about "
            f"{day_words(r['reads_longest_day'])}"
            for r in shown.to_dict("records")
        )
        + "."
        if len(shown)
        else "The data show no season."
    )
    return Exhibit(
        key="season",
        title=title,
        finding=finding,
        sources=(SEASON,),
        definition="Cosine and sine of the day of the year, fitted to what the model leaves. Warm soil makes extruded "
        "insulation faster, so it reads short in late summer (common practice, no source).",
        count=f"{style.counted(rows['readings'].sum(), 'reading')}.",
        interval="F-test of the two terms; limits of the swing from their joint spread.",
        left_out="Where the data carry it, it is taken off every reading before the fit and off the corrected "
        "distances; the field card and loopwear dig-window take it off where they are told the day of the reading. It "
        "is small beside the scatter of a single reading.",
        tables=(Table(rows, tuple(rows.columns), SEASON, labels=SEASON_LABELS),),
    )


def card(marts: Marts) -> dict[str, Any] | None:
    """What the field card shows, and the facts its calculator needs; nothing where nothing is fitted."""
    facts = card_facts(marts)
    if not facts["lines"]:
        return None
    texts = dictionary.caveats()
    return {
        "proposed": [_proposed_row(r) for r in marts.read("marts.velocity_by_class").itertuples()],
        "slack_words": f" (the cable is {style.number(100 * facts['slack'], 1)} % longer than its route)"
        if facts["slack"]
        else "; the cable's slack against its route is in them",
        "cautions": (texts["no_permission_to_dig"], texts["setting_is_a_proposal"], texts["slope_and_offset_absorb"]),
        "facts": facts,
    }


def _proposed_row(row: Any) -> list[str]:
    """Setting of a class in every convention; dashes where class and instrument cannot be told apart."""
    proposed = row.velocity_route_pct
    others = ("m_per_us", "half_m_per_us", "ft_per_us", "half_ft_per_us")
    if style.is_missing(proposed):
        return [row.cable_class, style.number(row.setting_median_pct, 1), "not separable", "", "", "", "", ""]
    return [
        row.cable_class,
        style.number(row.setting_median_pct, 1),
        style.number(proposed, 1),
        style.limits(row.velocity_route_lo, row.velocity_route_hi, 1),
        *(style.number(proposed / VELOCITY_PCT[other], 1) for other in others),
    ]


def card_facts(marts: Marts) -> dict[str, Any]:
    """Lines, quantiles, back-test, settings and loops, as plain lists and numbers for the calculator."""
    lines = marts.read("fitted.locating_lines")
    quantiles = marts.read("fitted.window_quantiles")
    coverage = marts.read("marts.window_coverage")
    velocities = marts.read("marts.velocity_by_class")
    terms = marts.read("fitted.locating_noise")
    slack = terms.loc[terms["term"] == "slack_pct", "term_value"]
    used = coverage[coverage["is_used"].astype(bool)] if len(coverage) else coverage
    classes = sorted(lines["cable_class"].unique())
    usual = velocities.sort_values("readings")["cable_class"].tail(1).tolist()
    return {
        "classes": classes,
        "lines": [
            [
                str(r["instrument_id"] or ""),
                classes.index(r["cable_class"]),
                round(r["constant_m"], 4),
                round(r["slope"], 6),
                *(float(f"{r[name]:.5g}") for name in VARIANCES),
            ]
            for r in lines.to_dict("records")
        ],
        "quantiles": [[r["window_level"], round(r["quantile"], 4)] for r in quantiles.to_dict("records")],
        "held": [
            [r["group_name"], r["window_level"], int(r["held"]), int(r["tried"])]
            for r in used.to_dict("records")
            if r["grouped_by"] in ("cable_class", "all")
        ],
        "settings": {
            r["cable_class"]: round(r["setting_median_pct"], 2)
            for r in velocities.to_dict("records")
            if not style.is_missing(r["setting_median_pct"])
        },
        "own_settings": own_settings(marts, classes),
        "drifts": {
            r["instrument_id"]: [
                round(r["drift_pct_per_year"], 2),
                round(r["last_ewma_pct"], 2),
                f"{r['drift_from_at']:%Y-%m-%d}",
            ]
            for r in marts.read(DRIFT).to_dict("records")
            if r["is_drifting"]
        },
        "usual": next((classes.index(c) for c in usual if c in classes), 0),
        "slack": round(float(slack.iloc[0]) / 100, 5) if len(slack) and not style.is_missing(slack.iloc[0]) else 0.0,
        "seasons": class_seasons(marts, classes),
        "loops": loop_chains(marts, classes),
    }


def own_settings(marts: Marts, classes: list[str]) -> dict[str, float]:
    """Median setting of each instrument on each class it was read on, by 'instrument|place of the class'."""
    return {
        f"{r['instrument_id']}|{classes.index(r['cable_class'])}": round(r["setting_median_pct"], 2)
        for r in marts.read(PROPOSALS).to_dict("records")
        if r["cable_class"] in classes and not style.is_missing(r["setting_median_pct"])
    }


def class_seasons(marts: Marts, classes: list[str]) -> list[list[float] | None]:
    """For each class the share by which it swings and the day of the year it reads longest; none where none is seen."""
    season, sections = marts.read(SEASON), marts.read("staging.sections")
    carried = season[season["is_carried"].astype(bool)]
    swings = {
        r["insulation"]: [round(r["season_pct"] / 100, 6), int(r["reads_longest_day"])]
        for r in carried.to_dict("records")
    }
    insulation = sections.groupby("cable_class")["insulation"].min()
    return [swings.get(insulation.get(name)) for name in classes]


def loop_chains(marts: Marts, classes: list[str]) -> list[Any]:
    """Loops with cable in service, each as [loop, [first terminal, tail], [section, class, length, terminal, tail]...].

    Names that begin with the loop's own are written without it, to keep the page small.
    """
    sections, terminals = marts.read("staging.sections"), marts.read("staging.terminals")
    if sections.empty or not classes:
        return []
    in_service = sections[sections["retired_on"].isna() & sections["cable_class"].isin(classes)]
    columns = ["loop_id", "section_id", "from_terminal_id", "to_terminal_id", "cable_class", "length_m"]
    rows = (
        in_service.sort_values(["loop_id", "position", "section_id"])
        .drop_duplicates(["loop_id", "position"], keep="last")
        .dropna(subset=columns[:4])[columns]
    )
    tails = dict(zip(terminals["terminal_id"], terminals["tail_m"].fillna(0.0), strict=True))
    place = {name: number for number, name in enumerate(classes)}
    found: list[Any] = []
    for loop, own in itertools.groupby(rows.itertuples(index=False, name=None), key=lambda row: str(row[0])):
        parts = list(own)
        if any(before[3] != after[2] for before, after in itertools.pairwise(parts)):
            continue

        def short(name: str, prefix: str = loop) -> str:
            return "~" + name.removeprefix(prefix) if name.startswith(prefix) else name

        first = parts[0][2]
        found.append(
            [
                loop,
                [short(first), tails.get(first, 0.0)],
                *(
                    [short(section), place[cable], round(length, 1), short(to), tails.get(to, 0.0)]
                    for _, section, _, to, cable, length in parts
                ),
            ]
        )
    return found
