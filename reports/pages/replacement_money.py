"""What pays: how much of the length repays its replacement, the plan by year, what a failure avoided costs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reports import style
from reports.figures import replacement_money as figures
from reports.page import Exhibit, Section, Table, absent
from reports.pages import loop_sheets
from shared import dictionary

if TYPE_CHECKING:
    from reports.marts import Marts
    from shared.settings import Settings

SECTIONS = "marts.section_ranking"
PROGRAMME = "marts.programme"
YEARS = "marts.programme_years"
CURVE = "marts.cost_curve"
INPUTS = "marts.input_sensitivity"
FIGURES = "marts.replacement_figures"

REMEDY = "load districts.csv, loops.csv, sections.csv and jobs.csv, then run: loopwear refresh"
NOTHING_GAINS = (
    "raise the budget or the value of a customer-minute with --budget or a settings file, then run: loopwear refresh"
)


def section(marts: Marts, settings: Settings) -> Section:
    """The part of the replacement page that speaks of money."""
    amounts = marts.read(FIGURES).set_index("figure")["amount"].astype(float)
    sections, work = marts.read(SECTIONS), marts.read(PROGRAMME)
    years, curve = in_order(marts.read(YEARS), "plan_year"), in_order(marts.read(CURVE), "curve_point")
    head = loop_sheets.in_rank_order(marts.read(loop_sheets.LOOPS))["loop_id"].head(loop_sheets.SHOWN_LOOPS).tolist()
    return Section(
        "What pays",
        (
            benefit(sections, amounts), programme(work, amounts, settings, head), plan(years, amounts, settings),
            cost_curve(curve, years, settings), inputs(marts.read(INPUTS), settings),
        ),
    )  # fmt: skip


def in_order(rows: pd.DataFrame, key: str) -> pd.DataFrame:
    return rows.sort_values(key).reset_index(drop=True)


def budget_words(settings: Settings) -> str:
    """The budget of one year in words."""
    terms = settings.replacement
    if terms.budget_km > 0:
        return style.quantity(terms.budget_km, "km", 1)
    return style.money(terms.budget, settings.general.currency)


def benefit(sections: pd.DataFrame, amounts: pd.Series) -> Exhibit:
    """How much of the length repays its replacement, and from which failure rate."""
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
        f"{rates_sentence(rows)}{injection_sentence(amounts)}"
    )
    top = rows.sort_values(["benefit_cost_ratio", "section_id"], ascending=[False, True]).head(200)
    return Exhibit(
        key="benefit",
        title=title,
        finding=finding,
        sources=(SECTIONS, FIGURES),
        definition="Benefit: present value of repairs and customer-minutes avoided over the life of the new cable, "
        "less its own failures. Cost: replacing the section. Prices and the value of a minute are settings. The rate "
        "at which replacing pays: that of new cable, and what a km costs over what a failure costs, times the present "
        "value of one a year.",
        count=f"{style.counted(len(rows), 'section')} in service.",
        interval="None: the ratio is a mean; its uncertainty follows the limits of the expected failures.",
        left_out="Reasons to replace that are not failures: new works, overload, safety. Mobilising on a loop is in "
        "the programme.",
        chart=figures.chart_benefit(rows),
        tables=(
            Table(
                top.reset_index(drop=True),
                (
                    "section_id", "rank", "loop_id", "cable_class", "installed_on", "length_km",
                    "expected_rate_per_100km_year", "pays_above_per_100km_year", "replacement_cost", "avoided_cost",
                    "benefit_cost_ratio",
                ),
                SECTIONS,
                extra=len(rows) - len(top),
            ),
        ),
    )  # fmt: skip


def rates_sentence(rows: pd.DataFrame) -> str:
    """From which failure rates replacing pays, and how far below them the sections stay."""
    known = rows[np.isfinite(rows["pays_above_per_100km_year"].astype(float)) & (rows["pays_above_per_100km_year"] > 0)]
    if known.empty:
        return ""
    low, high = known["pays_above_per_100km_year"].quantile([0.05, 0.95])
    reach = known["expected_rate_per_100km_year"] / known["pays_above_per_100km_year"]
    unit = "1/(100 km year)"
    passing = int((reach > 1).sum())
    return (
        f" For nine sections in ten replacing pays above a rate that lies between {style.quantity(low, unit, 0)} and "
        f"{style.quantity(high, unit, 0)}, by how the cable lies and whom it serves: "
        f"{style.counted(passing, 'section')} {'passes its own' if passing == 1 else 'pass their own'}, "
        f"{int((reach > 0.5).sum()):,} reach half of it, and the median section {style.percent(reach.median())}."
    )


def injection_sentence(amounts: pd.Series) -> str:
    """On how many sections injecting pays."""
    if "sections_injectable" not in amounts or not amounts["sections_injectable"]:
        return ""
    return (
        f" Of {style.counted(amounts['sections_injectable'], 'section')} that can be injected, injecting returns its "
        f"cost on {int(amounts['sections_paying_injected']):,}."
    )


def programme(rows: pd.DataFrame, amounts: pd.Series, settings: Settings, head: list[str]) -> Exhibit:
    """What the first year of the plan does and buys; head: the loops that rank first."""
    title, currency = "The first year's work", settings.general.currency
    first = rows[rows["plan_year"] == 1] if len(rows) else rows
    if first.empty:
        return absent(
            "programme", title, (PROGRAMME,),
            f"No section earns its place in a programme under {budget_words(settings)}.", NOTHING_GAINS,
        )  # fmt: skip
    first = first.sort_values(["programme_order", "section_id"]).reset_index(drop=True)
    spent = float(first["cost"].sum() + first["mobilising_cost"].sum())
    net = float(first["net_benefit"].sum() - first["mobilising_cost"].sum())
    gap = amounts.get("programme_gap", np.nan)
    finding = (
        f"{style.money(spent, currency)} {work_words(first)} on {style.counted(first['loop_id'].nunique(), 'loop')} "
        f"and avoids {style.number(first['avoided_failures'].sum(), 1)} failures in "
        f"{style.number(settings.general.horizon_years)} years. While it lasts it returns "
        f"{style.money(abs(net), currency)} {'more' if net >= 0 else 'less'} than it costs."
        f"{without_injection_sentence(first, amounts)}"
        f" The budget is {budget_words(settings)} a year; it is proven that no other choice of this work within it "
        f"avoids {style.percent(gap, 3)} more cost or above."
        f"{off_the_list_sentence(first, head)}"
    )
    return Exhibit(
        key="programme",
        title=title,
        finding=finding,
        sources=(PROGRAMME, FIGURES),
        definition="The work that avoids the most cost within the budget, a fixed cost for each loop opened included "
        "(integer programme with a proven limit). Whether a section suits injection or replacement is settled before, "
        "by what money is worth over all years of the plan. Work that does not return its cost is taken too, while "
        "money is left. A section's net benefit is before mobilising, that of the whole after it. "
        "Injected may be polyethylene cable, directly buried, not injected before, not solid inside.",
        count=f"{style.counted(len(first), 'section')}.",
        interval="None: built on mean figures. What other inputs would change is shown below.",
        left_out="What the crews and the permits of real years allow; splices and neutrals that forbid injection.",
        chart=figures.chart_programme(first, currency),
        tables=(
            Table(
                first,
                (
                    "programme_order", "loop_id", "section_id", "action", "length_m", "cost", "mobilising_cost",
                    "avoided_failures", "avoided_customer_minutes", "net_benefit",
                ),
                PROGRAMME,
                extra=len(rows) - len(first),
            ),
        ),
    )  # fmt: skip


def off_the_list_sentence(work: pd.DataFrame, first_loops: list[str]) -> str:
    """How far the work lies on the loops that rank first, and why not on all of them."""
    if not first_loops:
        return ""
    with_work = len(set(first_loops) & set(work["loop_id"]))
    return (
        f" Of the {len(first_loops)} loops that rank first, {with_work} have work in it: the ranking goes by "
        "failures per km, the work by what they cost beside the price, section by section."
    )


def work_words(work: pd.DataFrame) -> str:
    """What is done to how much: 'replaces 4.9 km and injects 30.1 km'."""
    parts = []
    for action, verb in (("replace", "replaces"), ("inject", "injects")):
        length = float(work.loc[work["action"] == action, "length_m"].sum()) / 1000
        if length > 0:
            parts.append(f"{verb} {style.quantity(length, 'km', 1)}")
    return " and ".join(parts)


def without_injection_sentence(work: pd.DataFrame, amounts: pd.Series) -> str:
    """How much of what is avoided rests on what injection is said to do."""
    if "replaced_only_failures" not in amounts or not (work["action"] == "inject").any():
        return ""
    return (
        f" Were nothing injected, the same budget would replace {style.quantity(amounts['replaced_only_km'], 'km', 1)} "
        f"and avoid {style.number(amounts['replaced_only_failures'], 1)}: the rest rests on the settings of injection, "
        "which your own records must bear out."
    )


def plan(years: pd.DataFrame, amounts: pd.Series, settings: Settings) -> Exhibit:
    """What is replaced, injected and left waiting, year by year."""
    title = "The plan by year"
    if years.empty or not (years["sections_replaced"] + years["sections_injected"]).sum():
        return absent("plan", title, (YEARS,), "There is no plan: no work gains anything.", NOTHING_GAINS)
    first, last = years.iloc[0], years.iloc[-1]
    horizon = style.number(settings.general.horizon_years)
    finding = (
        f"In {style.counted(len(years), 'year')}, each of {budget_words(settings)}, "
        f"{style.quantity(float(years['replaced_km'].sum()), 'km', 1)} are replaced, "
        f"{style.quantity(float(years['injected_km'].sum()), 'km', 1)} injected, and "
        f"{style.quantity(float(last['waiting_km']), 'km', 0)} wait. The work avoids "
        f"{style.number(years['avoided_failures'].sum(), 0)} failures, each year's counted over the {horizon} years "
        f"after it: {style.number(first['avoided_failures'], 1)} by the first year's work"
        + (f", {style.number(last['avoided_failures'], 1)} by the last's. " if len(years) > 1 else ". ")
        + f"On {int(last['waiting_paying']) or 'none'} of the {int(last['sections_waiting']):,} sections that wait "
        "would work return its cost by the last year. "
        f"{together_sentence(years, amounts)}"
    )  # fmt: skip
    return Exhibit(
        key="plan",
        title=title,
        finding=finding,
        sources=(YEARS, FIGURES),
        definition="First each section's action is settled by what money is worth over all years: injection buys more "
        "for a little money, but the section is then done. Then each year spends its budget as well as it can on what "
        "the years before have left; what is not chosen waits, grows a year older and is discounted a year more. A "
        "section is worked on once. Every loop opened in a year bears its mobilising in that year.",
        count=f"{style.counted(years['sections_replaced'].sum(), 'section')} replaced, "
        f"{int(years['sections_injected'].sum()):,} injected, {int(last['sections_waiting']):,} waiting at the end.",
        interval="None: built on mean figures. The gap of a year is proven, not estimated.",
        left_out="What is learned meanwhile: only the first year is to be acted on, the rest is planned anew by then.",
        chart=figures.chart_years(years),
        tables=(
            Table(
                years,
                (
                    "plan_year", "spent", "loops", "sections_replaced", "replaced_km", "sections_injected",
                    "injected_km", "avoided_failures", "avoided_cost", "net_benefit", "sections_waiting", "waiting_km",
                    "waiting_paying", "gap",
                ),
                YEARS,
            ),
        ),
    )  # fmt: skip


def together_sentence(years: pd.DataFrame, amounts: pd.Series) -> str:
    """How far at most the years chosen one after another fall short."""
    gain, bound = amounts.get("plan_gain", np.nan), amounts.get("plan_bound", np.nan)
    if len(years) < 2 or not gain > 0 or style.is_missing(bound):
        return ""
    return (
        "The years are chosen one after another: chosen together they could avoid at most "
        f"{style.percent(bound / gain - 1, 1)} more cost."
    )


def cost_curve(curve: pd.DataFrame, years: pd.DataFrame, settings: Settings) -> Exhibit:
    """What one more failure avoided costs as the budget grows."""
    title, currency = "What one more failure avoided costs", settings.general.currency
    rows = curve.dropna(subset=["marginal_cost_per_failure_avoided"]) if len(curve) else curve
    if rows.empty:
        return absent("cost_curve", title, (CURVE,), "There is no curve: no work gains anything.", NOTHING_GAINS)
    first = years.iloc[0] if len(years) else None
    spent = float(first["spent"]) if first is not None else settings.replacement.budget
    near = rows.iloc[int((rows["spent"] - spent).abs().argmin())]
    start, end = rows.iloc[0], rows.iloc[-1]

    def cost(row: pd.Series) -> str:
        return style.money(float(row["marginal_cost_per_failure_avoided"]), currency)

    worth = float(near["marginal_cost_per_failure_avoided"] * near["marginal_return"])
    finding = (
        f"At about {style.money(float(near['spent']), currency)}, one more failure avoided costs {cost(near)} and is "
        f"worth {style.money(worth, currency)}. The first {style.number(start['avoided_failures'], 1)} avoided "
        f"cost {cost(start)} each; at {style.money(float(end['spent']), currency)}, where the curve ends, one more "
        f"costs {cost(end)}. "
        + paying_sentence(rows, currency)
    )  # fmt: skip
    return Exhibit(
        key="cost_curve",
        title=title,
        finding=finding,
        sources=(CURVE, YEARS),
        definition="The best work of one year alone for less and for more money. The first year of the plan avoids "
        "less than that: it leaves to later years what they will replace, where a year alone would inject. "
        "One more costs: money over failures avoided since the point before. Failures are counted over the horizon, "
        "while the worth of one is that of all it stands for while the work lasts.",
        count=f"{style.counted(len(rows), 'point')}, the last with {int(end['sections_replaced']):,} sections replaced "
        f"and {int(end['sections_injected']):,} injected.",
        interval="None: built on mean figures. Each point is exact: no other work avoids more cost for its money.",
        left_out="Budgets beyond twice those of the whole plan. A loop is opened or not, so points lie unevenly.",
        chart=figures.chart_cost_curve(rows, first, currency),
        tables=(
            Table(
                rows,
                (
                    "curve_point", "spent", "avoided_failures", "cost_per_failure_avoided",
                    "marginal_cost_per_failure_avoided", "marginal_return", "sections_replaced", "sections_injected",
                    "loops", "avoided_cost", "net_benefit",
                ),
                CURVE,
            ),
        ),
    )  # fmt: skip


def paying_sentence(rows: pd.DataFrame, currency: str) -> str:
    """Up to where on the curve money returns itself."""
    paying = rows[rows["marginal_return"] >= 1]
    if paying.empty:
        return "Nowhere on it does money return itself, mobilising included."
    last = paying.iloc[-1]
    return (
        f"Up to {style.money(float(last['spent']), currency)} money returns itself or more, mobilising included; "
        "beyond, less."
    )


def inputs(moved: pd.DataFrame, settings: Settings) -> Exhibit:
    """Which inputs the net benefit hangs on, and whether the work stays the same."""
    title, currency = "Which inputs it hangs on", settings.general.currency
    if moved.empty or not (moved["swing"] > 0).any():
        return absent("inputs", title, (INPUTS,), "No input moves anything: no work is chosen.", NOTHING_GAINS)
    rows = moved.sort_values(["swing", "input"], ascending=[False, True]).reset_index(drop=True)
    names = dictionary.codes()["input"]
    top, price = rows.iloc[0], rows[rows["input"] != "expected_failures_of_sections"].iloc[0]
    kept = rows[["share_kept_at_low", "share_kept_at_high"]].min(axis=1)
    least = rows.iloc[int(kept.fillna(2.0).argmin())]

    paying = int(rows["programme_paying"].iloc[0])
    moved_paying = rows[["programme_paying_at_low", "programme_paying_at_high"]].to_numpy(dtype=float)

    def ends(row: pd.Series) -> str:
        values = sorted((float(row["net_benefit_at_low"]), float(row["net_benefit_at_high"])))
        return f"from {signed(values[0], currency)} to {signed(values[1], currency)}"

    finding = (
        f"The first year's net benefit moves most with the {names[top['input']]}: {ends(top)}, where it stands at "
        f"{signed(float(top['net_benefit']), currency)}. "
        + (f"Of the inputs that move all sections alike, the {names[price['input']]} comes first: {ends(price)}. "
           if price["input"] != top["input"] else "")
        + f"{style.counted(paying, 'section')} of the work {'returns its' if paying == 1 else 'return their'} own "
        f"cost; with one input moved between {int(moved_paying.min()):,} and {int(moved_paying.max()):,}. At least "
        f"{style.percent(kept.min())} of the length now chosen is chosen again, whichever moves; least for the "
        f"{names[least['input']]}."
    )  # fmt: skip
    return Exhibit(
        key="inputs",
        title=title,
        finding=finding,
        sources=(INPUTS,),
        definition="One input is moved, every section is valued again and the first year's work chosen anew. Prices "
        f"move by {style.percent(settings.replacement.sensitivity_price_share)}, the discount rate by 2 points, lives "
        "by 10 years; the value of a minute, the failures of new cable and those left after injection are halved and "
        "doubled. Every section at its own limit at once is further than chance takes them together.",
        count=f"{style.counted(len(rows), 'input')}, each at two values.",
        interval=f"{style.percent(settings.general.interval_level)} limits for the expected failures; the other ends "
        "are chosen, not estimated.",
        left_out="Inputs moved together.",
        chart=figures.chart_inputs(rows, currency),
        tables=(
            Table(
                rows,
                (
                    "input", "input_standing", "input_low", "input_high", "net_benefit_at_low", "net_benefit_at_high",
                    "swing", "sections_paying_at_low", "sections_paying_at_high", "programme_paying_at_low",
                    "programme_paying_at_high", "share_kept_at_low", "share_kept_at_high",
                ),
                INPUTS,
            ),
        ),
    )  # fmt: skip


def signed(amount: float, currency: str) -> str:
    """Money with its sign before the currency: 'minus USD 1.45 million'."""
    return f"{'minus ' if amount < 0 else ''}{style.money(abs(amount), currency)}"
