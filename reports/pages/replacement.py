"""Which loops to replace first: the page of the reliability engineer."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from reports import style
from reports.figures import replacement as figures
from reports.page import Answer, Exhibit, Page, Section, Table, absent
from reports.pages import loop_sheets, survival
from shared.intervals import poisson_limits

if TYPE_CHECKING:
    from reports.marts import Marts
    from shared.settings import Settings

QUESTION = "Which loops should be replaced first?"

LOOPS = "marts.loop_ranking"
SECTIONS = "marts.section_ranking"
PROGRAMME = "marts.programme"
BACKTEST = "marts.backtest"
CALIBRATION = "marts.backtest_calibration"

REMEDY = "load districts.csv, loops.csv, sections.csv and jobs.csv, then run: loopwear refresh"

SHOWN_LOOPS = 25


def build(marts: Marts, settings: Settings) -> Page:
    """The replacement page."""
    loops, sections = marts.read(LOOPS), marts.read(SECTIONS)
    return Page(
        key="replacement",
        title="Replacement",
        question=QUESTION,
        summary=answer(marts, settings).sentences,
        sections=(
            Section("The ranking", (*loop_sheets.ranking(marts, settings), reasons(loops))),
            loop_sheets.section(marts, settings),
            Section("What pays", (benefit(sections), programme(marts.read(PROGRAMME), settings))),
            Section(
                "Has it worked before?",
                (capture(marts.read(BACKTEST)), calibration(marts.read(CALIBRATION), settings)),
                "The same method on past dates, with only what was known then, against the rules people use.",
            ),
            survival.section(marts, settings),
        ),
    )


def answer(marts: Marts, settings: Settings) -> Answer:
    """The engineer's question in three sentences."""
    loops, backtest = loop_sheets.in_rank_order(marts.read(LOOPS)), marts.read(BACKTEST)
    link = {"link": "replacement.html", "link_text": "The ranking with its limits, its reasons and its back-test"}
    if loops.empty:
        return Answer(QUESTION, ("There is no ranking yet.", f"To do: {REMEDY}."), **link)
    top = loops.head(10)
    first = (
        f"{top.iloc[0]['loop_id']} ranks first, with {style.number(top.iloc[0]['expected_failures'], 1)} failures "
        f"expected in {style.number(settings.general.horizon_years)} years "
        f"({style.limits(top.iloc[0]['expected_failures_lo'], top.iloc[0]['expected_failures_hi'], 1)}) if nothing is "
        f"done; then {', '.join(top['loop_id'].iloc[1:5])}."
    )
    share_length = top["length_km"].sum() / loops["length_km"].sum()
    share_failures = top["expected_failures"].sum() / loops["expected_failures"].sum()
    second = (
        f"The first {len(top)} of {style.counted(len(loops), 'loop')} hold {style.percent(share_length, 1)} of the "
        f"length and {style.percent(share_failures, 1)} of the expected failures; the rank of the first may lie "
        f"anywhere from {style.number(top.iloc[0]['rank_lo'], 0)} to {style.number(top.iloc[0]['rank_hi'], 0)}."
    )
    third = (
        backtest_sentence(backtest) + " A ranking is a planning aid and says nothing about the state of any one cable."
    )
    return Answer(QUESTION, (first, second, third), **link)


def pool(backtest: pd.DataFrame, level: str) -> pd.DataFrame:
    """Back-test of one level with its past dates pooled: captured over total."""
    rows = backtest[backtest["level"] == level]
    pooled = rows.groupby(["rule", "length_fraction"], sort=True)[["failures_captured", "failures_total"]].sum()
    pooled = pooled.reset_index()
    pooled["capture_fraction"] = pooled["failures_captured"] / pooled["failures_total"].where(
        pooled["failures_total"] > 0
    )
    kept: pd.DataFrame = pooled.dropna(subset=["capture_fraction"])
    return kept


def at_tenth(pooled: pd.DataFrame) -> pd.DataFrame:
    """Capture of each rule at the share of length nearest to a tenth, best first."""
    if pooled.empty:
        return pooled
    fractions = sorted(pooled["length_fraction"].unique())
    nearest = min(fractions, key=lambda f: (abs(f - 0.10), f))
    rows: pd.DataFrame = pooled[pooled["length_fraction"] == nearest]
    return rows.sort_values(["capture_fraction", "rule"], ascending=[False, True]).reset_index(drop=True)


def backtest_sentence(backtest: pd.DataFrame) -> str:
    """What the back-test says about the model against the best simple rule."""
    rows = at_tenth(pool(backtest, "loop")) if len(backtest) else backtest
    named = rows.set_index("rule")["capture_fraction"] if len(rows) else pd.Series(dtype=float)
    others = named.drop(labels=["model", "random"], errors="ignore")
    if "model" not in named.index or others.empty:
        return "The ranking has not been tried on past dates yet."
    best = str(others.index[0])
    model, rival = float(named["model"]), float(others.iloc[0])
    share = style.percent(rows["length_fraction"].iloc[0])
    total = int(rows["failures_total"].iloc[0])
    outcome = "better than" if model > rival + 0.005 else "no better than" if model < rival - 0.005 else "level with"
    return (
        f"On past dates the worst {share} of the length by this ranking held {style.percent(model)} of the {total:,} "
        f"later failures, {outcome} the best simple rule ({figures.RULE_NAMES.get(best, best)}: "
        f"{style.percent(rival)})."
    )


def reasons(loops: pd.DataFrame) -> Exhibit:
    """Why the first loops rank where they do."""
    title = "Why they rank there"
    rows = loop_sheets.in_rank_order(loops)
    rows = rows[rows["reasons"].fillna("") != ""].head(SHOWN_LOOPS) if len(rows) else rows
    if rows.empty:
        return absent("reasons", title, (LOOPS,), "No reasons are on file for the ranking.", REMEDY)
    first = rows.iloc[0]
    lucky = rows[rows["failures_recorded"] > 2 * rows["expected_failures"]]
    finding = (
        f"{first['loop_id']} has failed {style.counted(first['failures_recorded'], 'time')} where its class alone "
        f"leads one to expect {style.number(first['expected_recorded'], 1)}. For {len(lucky)} of these {len(rows)} "
        "loops the record shows more than twice what is expected ahead: part of a long record is bad luck, and luck "
        "does not repeat."
    )
    return Exhibit(
        key="reasons",
        title=title,
        finding=finding,
        sources=(LOOPS,),
        definition="Failures on record beside those the class model expects over the same time in view.",
        count=f"{style.counted(len(rows), 'loop')}.",
        interval="None.",
        left_out="Loops further down: in the export.",
        tables=(
            Table(rows, ("rank", "loop_id", "failures_recorded", "expected_recorded", "multiplier", "reasons"), LOOPS),
        ),
    )


def benefit(sections: pd.DataFrame) -> Exhibit:
    """How much of the length repays its replacement."""
    title = "How much of the length repays its replacement"
    rows = sections.dropna(subset=["benefit_cost_ratio", "length_km"]) if len(sections) else sections
    if rows.empty:
        return absent("benefit", title, (SECTIONS,), "No section has a benefit over cost.", REMEDY)
    paying = rows[rows["benefit_cost_ratio"] >= 1]
    best = rows["benefit_cost_ratio"].max()
    finding = (
        f"{style.counted(len(paying), 'section')} of {len(rows):,}, "
        f"{style.quantity(float(paying['length_km'].sum()), 'km', 1)} of "
        f"{style.quantity(float(rows['length_km'].sum()), 'km', 1)}, {'returns' if len(paying) == 1 else 'return'} the "
        f"cost of replacement. The best section returns {style.number(best, 2)} of its cost."
    )
    top = loop_sheets.in_rank_order(rows).head(200)
    return Exhibit(
        key="benefit",
        title=title,
        finding=finding,
        sources=(SECTIONS,),
        definition="Benefit: present value of repairs and customer-minutes avoided over the life of the new cable, "
        "less its own failures. Cost: replacing the section. Prices and the value of a minute are settings.",
        count=f"{style.counted(len(rows), 'section')} in service.",
        interval="None: the ratio is a mean; its uncertainty follows the limits of the expected failures.",
        left_out="Reasons to replace that are not failures: new works, overload, safety. Mobilising on a loop is in "
        "the programme.",
        chart=figures.chart_benefit(rows),
        tables=(
            Table(
                top,
                (
                    "rank",
                    "section_id",
                    "loop_id",
                    "cable_class",
                    "installed_on",
                    "length_km",
                    "expected_failures",
                    "replacement_cost",
                    "avoided_cost",
                    "benefit_cost_ratio",
                ),
                SECTIONS,
                extra=len(rows) - len(top),
            ),
        ),
    )


def programme(rows: pd.DataFrame, settings: Settings) -> Exhibit:
    """What a programme under the budget buys."""
    title = "A programme under the budget"
    budget = style.money(settings.replacement.budget, settings.general.currency)
    if rows.empty:
        return absent(
            "programme",
            title,
            (PROGRAMME,),
            f"No section earns its place in a programme under {budget}.",
            "raise the budget or the value of a customer-minute with --budget or a settings file, then run: loopwear "
            "refresh",
        )
    rows = rows.sort_values(["programme_order", "section_id"]).reset_index(drop=True)
    cost = style.money(float(rows["cost"].sum()), settings.general.currency)
    net = float(rows["net_benefit"].sum())
    finding = (
        f"{cost} of {budget} replaces {style.quantity(float(rows['length_m'].sum()) / 1000, 'km', 1)} on "
        f"{style.counted(rows['loop_id'].nunique(), 'loop')} and avoids "
        f"{style.number(rows['avoided_failures'].sum(), 1)} failures in {style.number(settings.general.horizon_years)} "
        f"years. Over the life of the cable it returns {style.money(abs(net), settings.general.currency)} "
        f"{'more' if net >= 0 else 'less'} than it costs."
    )
    return Exhibit(
        key="programme",
        title=title,
        finding=finding,
        sources=(PROGRAMME,),
        definition="The sections that together avoid the most cost within the budget, a fixed cost for each loop "
        "included (integer programme). Work that does not return its cost is taken too, while money is left.",
        count=f"{style.counted(len(rows), 'section')}.",
        interval="None: built on mean figures.",
        left_out="What the budget, the crews and the permits of real years allow.",
        chart=figures.chart_programme(rows, settings.general.currency),
        tables=(
            Table(
                rows,
                (
                    "programme_order",
                    "loop_id",
                    "section_id",
                    "length_m",
                    "cost",
                    "avoided_failures",
                    "avoided_customer_minutes",
                    "net_benefit",
                ),
                PROGRAMME,
            ),
        ),
    )


def capture(backtest: pd.DataFrame) -> Exhibit:
    """The ranking against the rules people use."""
    title = "Later failures caught, by rule"
    rows = backtest[backtest["level"] == "loop"] if len(backtest) else backtest
    pooled = pool(backtest, "loop") if len(rows) else rows
    if pooled.empty:
        return absent(
            "capture",
            title,
            (BACKTEST,),
            "The ranking could not be tried on a past date: too few years are loaded.",
            "load older jobs and the register with retired sections, then run: loopwear refresh",
        )
    order = [rule for rule in figures.RULE_NAMES if rule in set(pooled["rule"])]
    shown = pooled.assign(place=pooled["rule"].map({r: i for i, r in enumerate(order)})).sort_values(
        ["place", "length_fraction"]
    )
    shown["rule"] = shown["rule"].map(figures.RULE_NAMES)
    origins = sorted(rows["origin"].unique())
    dates = ", ".join(f"{pd.Timestamp(o):%Y-%m-%d}" for o in origins)
    return Exhibit(
        key="capture",
        title=title,
        finding=backtest_sentence(backtest),
        sources=(BACKTEST,),
        definition="At each past date the loops are ordered by each rule with only what was known then; the curve "
        f"counts the failures of the following {style.number(rows['horizon_years'].iloc[0])} years on the length "
        "picked first.",
        count=f"{style.counted(pooled['failures_total'].max(), 'later failure')} after "
        f"{style.counted(len(origins), 'past date')}: {dates}.",
        interval="None drawn. Two rules a few percent apart cannot be told apart on so many failures.",
        left_out="Loops built after the date. Random is the mean of many draws.",
        chart=figures.chart_capture(pooled),
        tables=(
            Table(
                shown.reset_index(drop=True),
                ("rule", "length_fraction", "failures_captured", "failures_total", "capture_fraction"),
                BACKTEST,
            ),
        ),
    )


def calibration(deciles: pd.DataFrame, settings: Settings) -> Exhibit:
    """Whether as many failures came as were expected."""
    title = "Failures expected and failures seen"
    if deciles.empty:
        return absent(
            "calibration",
            title,
            (CALIBRATION,),
            "There is no past forecast to score.",
            "load older jobs and the register with retired sections, then run: loopwear refresh",
        )
    rows = deciles.sort_values(["origin", "decile"]).reset_index(drop=True)
    rows["observed_lo"], rows["observed_hi"] = poisson_limits(
        rows["observed"].to_numpy(), settings.general.interval_level
    )
    inside = int(((rows["expected"] >= rows["observed_lo"]) & (rows["expected"] <= rows["observed_hi"])).sum())
    expected, observed = float(rows["expected"].sum()), int(rows["observed"].sum())
    finding = (
        f"{style.number(expected, 0)} failures were expected and {observed:,} came, a ratio of "
        f"{style.number(observed / expected, 2)}. In {inside} of {len(rows)} tenths the expected number lies within "
        f"the limits of the count seen; {style.number(settings.general.interval_level * len(rows), 0)} would be usual."
    )
    return Exhibit(
        key="calibration",
        title=title,
        finding=finding,
        sources=(CALIBRATION,),
        definition="Cable ordered by expected failures per km and cut into tenths of the length, at each past date.",
        count=f"{observed:,} failures in {len(rows)} tenths.",
        interval=f"{style.percent(settings.general.interval_level)} exact Poisson limits of the count (Garwood 1936).",
        left_out="Failures whose section is unknown are shared out by expectation, so the single tenths lean a little "
        "to their forecast.",
        chart=figures.chart_calibration(rows),
        tables=(
            Table(
                rows,
                ("origin", "decile", "expected", "observed", "observed_lo", "observed_hi"),
                CALIBRATION,
                labels={"observed_lo": "Observed, low", "observed_hi": "Observed, high"},
            ),
        ),
    )
