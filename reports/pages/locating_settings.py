"""Locating page: which instrument stands on which setting, what it should be, and the field card."""

from __future__ import annotations

import datetime as dt
import itertools
from typing import TYPE_CHECKING, Any

import pandas as pd

from reports import style
from reports.figures import locating_settings as figures
from reports.page import Exhibit
from reports.words import Words
from shared import dictionary
from shared.units import VELOCITY_PCT

if TYPE_CHECKING:
    from reports.marts import Judged, Marts
    from shared.settings import Settings

say = Words("locating")

PROPOSALS = "marts.setting_proposals"
BIAS = "marts.instrument_bias"
READS_LONG = "marts.reads_long"
DRIFT = "marts.instrument_drift"
DRIFT_CHART = "marts.drift_chart"
SEASON = "marts.season"

VARIANCES = (
    "constant_variance",
    "line_covariance",
    "slope_variance",
    "noise_constant_variance",
    "noise_growing_variance",
)
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


def why_open(name: str, row: dict[str, Any], found: Judged) -> str:
    """What is missing to judge a class or an instrument, by its name and its row; nothing where it is judged."""
    why = found.of("open_because", name)
    what = row.get("cable_class") or found.of("dug_most", name) or say("open.its_class")
    other = say("open.its_class" if "instrument_id" in row else "open.the_instrument")
    n = say(not style.is_missing(row.get("tests_needed")) and "open.n", row=row)
    return say(bool(why) and f"open.{why}", other=other, what=what, row=row, n=n)


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
    has_left = drift is not None and not style.is_missing(drift.in_tolerance_until_on) and bias.verdict != "in_tolerance"
    return " ".join((*said, say(has_left and "standing.left", **values))).strip()


def standings(marts: Marts, names: list[str], settings: Settings) -> list[str]:
    """How each of some instruments stands."""
    bias, drift = ({r.instrument_id: r for r in marts.read(name).itertuples()} for name in (BIAS, DRIFT))
    return [standing(bias[name], drift.get(name), settings) for name in names if name in bias]


def proposals(marts: Marts, settings: Settings, found: Judged) -> Exhibit:
    """Settings in use and proposed."""
    rows, bias = marts.read(PROPOSALS), marts.read(BIAS)
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
        wordings={"verdict": say.text("verdicts")},
        to={"setting_proposed_pct": [f"proposal:{name}" for name in rows["instrument_id"]]},
        digs=rows["digs"].sum(),
    )


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


def drift(marts: Marts, settings: Settings, found: Judged) -> Exhibit:
    """Instruments that drift, and the verdict on each."""
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
    rows = marts.read(SEASON)
    if rows.empty:
        return say.absent("season")
    shown = rows[rows["is_carried"].astype(bool)].to_dict("records")
    swings = "; ".join(say("season.one", row=row, day=day_words(row["reads_longest_day"])) for row in shown)
    finding = say("season.finding" if shown else "season.none", swings=swings)
    return say.exhibit("season", finding, rows, readings=rows["readings"].sum())


LOOPS_ON_CARD = 1_000
"""Loops that a card holds at most, for its weight on a phone; a card of one district has its own."""


def card(marts: Marts, own: Marts) -> dict[str, Any] | None:
    """What the field card shows, and the facts its calculator needs; nothing where nothing is fitted.

    Parameters
    ----------
    marts
        The tables of everything: the calculator knows every class and instrument.
    own
        The tables of the districts chosen, whose loops the card holds.
    """
    if "cable_class" not in marts.read("fitted.locating_lines"):
        return None
    facts = card_facts(marts, own)
    if not facts["lines"]:
        return None
    texts = dictionary.caveats()
    return {
        "proposed": [_proposed_row(r) for r in marts.read("marts.velocity_by_class").itertuples()],
        "slack_words": say("card.slack" if facts["slack"] else "card.no_slack", slack=facts["slack"]),
        "cautions": (texts["no_permission_to_dig"], texts["setting_is_a_proposal"], texts["slope_and_offset_absorb"]),
        "without_loops": "" if facts["loops"] else say("card.without_loops", most=LOOPS_ON_CARD),
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


def card_facts(marts: Marts, own: Marts) -> dict[str, Any]:
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
        "loops": loop_chains(own, classes),
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

    None where there are more than LOOPS_ON_CARD. Names that begin with the loop's own are written without it, to keep
    the page small.
    """
    sections, terminals = marts.read("staging.sections"), marts.read("staging.terminals")
    if sections.empty or not classes or sections["loop_id"].nunique() > LOOPS_ON_CARD:
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
