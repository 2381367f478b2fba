"""Cost and benefit: how much cable is worth replacing, the plan by year, what a failure avoided costs."""

import numpy as np
import pandas as pd

from pipelines.ranking.costs import KINDS
from reports import style
from reports.figures import replacement_money as figures
from reports.marts import Judged, Marts, judged
from reports.page import Exhibit, Section
from reports.pages import replacement_ranking
from reports.words import Words
from shared.settings import Settings

say = Words("replacement")

SECTIONS = "marts.section_ranking"
PROGRAMME = "marts.programme"


def section(marts: Marts, settings: Settings) -> Section:
    """The part of the replacement page that speaks of money."""
    found = judged(marts, "replacement")
    figures_ = marts.read("marts.replacement_figures").set_index("figure")
    amounts, explained = figures_["amount"].astype(float), figures_["explained"]
    sections, work, options = marts.read(SECTIONS), marts.read(PROGRAMME), marts.read("marts.section_options")
    years, curve = (
        in_order(marts.read("marts.programme_years"), "plan_year"),
        in_order(marts.read("marts.cost_curve"), "curve_point"),
    )
    ranked = replacement_ranking.in_rank_order(marts.read("marts.loop_ranking"))
    head = ranked["loop_id"].head(replacement_ranking.SHOWN_LOOPS).tolist()
    made = (
        benefit(sections, options, amounts, explained, settings, found),
        best_year(options, settings),
        programme(work, amounts, settings, head, found),
        plan(years, settings, found),
        decisions(marts.read("marts.decisions"), amounts, settings),
        limits(marts.read("marts.programme_limits"), years),
        trajectory(marts.read("marts.budget_curve"), settings),
        cost_curve(curve, years, settings, found),
    )
    return Section("Cost and benefit", made)


def in_order(rows: pd.DataFrame, key: str) -> pd.DataFrame:
    return rows.sort_values(key).reset_index(drop=True)


def budget_words(settings: Settings) -> str:
    """The budget of one year in words."""
    terms = settings.replacement
    if terms.budget_km > 0:
        return style.quantity(terms.budget_km, "km", 1)
    return style.money(terms.budget, settings.general.currency)


def benefit(
    sections: pd.DataFrame,
    options: pd.DataFrame,
    amounts: pd.Series,
    explained: pd.Series,
    settings: Settings,
    found: Judged,
) -> Exhibit:
    """How much cable is worth replacing, and from which failure rate."""
    rows = sections.dropna(subset=["benefit_cost_ratio", "length_km"]) if len(sections) else sections
    if rows.empty:
        return say.absent("benefit")
    rows = rows.merge(options.drop(columns="loop_id"), on="section_id", how="left")
    grows = bool(rows["benefit_cost_growing"].notna().any())
    growing = rows["benefit_cost_growing"] >= 1
    values = {
        "settings": settings,
        "currency": settings.general.currency,
        "repair_cost": amounts.get("repair_cost", np.nan),
        "new_rate": amounts.get("new_cable_rate_per_100km_year", np.nan),
        "new_from": explained.get("new_cable_rate_per_100km_year", style.MISSING),
    }
    finding = say(
        grows and "benefit.growing",
        "benefit.flat" if grows else "benefit.finding",
        found["pays_above_lo"] is not None and "benefit.rates",
        bool(amounts.get("sections_injectable")) and "benefit.injecting",
        n_rows=len(rows),
        length_km=float(rows["length_km"].sum()),
        best=rows["benefit_cost_ratio"].max(),
        paying=int(growing.sum()),
        paying_km=float(rows.loc[growing, "length_km"].sum()),
        best_growing=rows["benefit_cost_growing"].max(),
        found=found,
        amounts=amounts,
        settings=settings,
    )
    by = ["benefit_cost_growing", "benefit_cost_ratio", "section_id"]
    top = rows.sort_values(by, ascending=[False, False, True]).head(200)
    return say.exhibit(
        "benefit",
        finding,
        top,
        extra=len(rows) - len(top),
        chart=figures.chart_benefit(rows),
        n_rows=len(rows),
        more=(
            say(
                "benefit.rests_on",
                any(getattr(settings.replacement, f"{kind}_interruption_cost") for kind in KINDS) and "benefit.by_kind",
                "injection_left" in amounts and "benefit.injection_left",
                amounts=amounts,
                **values,
            ),
        ),
        **values,
    )


def best_year(options: pd.DataFrame, settings: Settings) -> Exhibit:
    """In which year each section is best replaced, and why what pays waits."""
    if options.empty:
        return say.absent("best_year")
    waits, why = options["wait_years"], options["why_waiting"]
    finding = say(
        "best_year.finding",
        "best_year.waiting" if why.notna().any() else "best_year.none_waiting",
        now=int(waits.eq(0).sum()),
        later=int(waits.gt(0).sum()),
        never=int(waits.isna().sum()),
        settings=settings,
        n_waiting=int(why.notna().sum()),
        n_budget=int(why.eq("budget").sum()),
        n_later=int(why.eq("later_year").sum()),
    )
    order = ["why_waiting", "cost_of_waiting", "section_id"]
    rows = options.sort_values(order, ascending=[True, False, True], na_position="last").head(200)
    return say.exhibit(
        "best_year",
        finding,
        rows.reset_index(drop=True),
        extra=len(options) - len(rows),
        n_rows=len(options),
        settings=settings,
        chart=figures.chart_best_year(options, settings.replacement.cable_life_years),
    )


def trajectory(budgets: pd.DataFrame, settings: Settings) -> Exhibit:
    """Failures a year over the coming years, with nothing done and by budget."""
    if budgets.empty:
        return say.absent("trajectory")
    rows = budgets.sort_values(["budget_share", "years_of_plan"]).reset_index(drop=True)
    last = rows[rows["years_of_plan"].eq(rows["years_of_plan"].max())].set_index("budget_share")
    finding = say(
        "trajectory.finding",
        first=rows.iloc[0],
        undone=last.loc[0.0],
        half=last.loc[0.5],
        whole=last.loc[1.0],
        twice=last.loc[2.0],
        years=int(rows["years_of_plan"].max()),
        budget=budget_words(settings),
    )
    return say.exhibit(
        "trajectory", finding, rows, chart=figures.chart_trajectory(rows), settings=settings, n_rows=len(rows)
    )


def programme(rows: pd.DataFrame, amounts: pd.Series, settings: Settings, head: list[str], found: Judged) -> Exhibit:
    """What the first year of the plan does and buys; head: the loops that rank first."""
    currency = settings.general.currency
    first = rows[rows["plan_year"] == 1] if len(rows) else rows
    if first.empty:
        return say.absent("programme", budget=budget_words(settings))
    first = first.sort_values(["programme_order", "section_id"]).reset_index(drop=True)
    spent = float(first["cost"].sum() + first["mobilising_cost"].sum())
    with_work = len(set(head) & set(first["loop_id"]))
    replaced_only = amounts.get("replaced_only_failures", np.inf)
    rests_on_injection = bool((first["action"] == "inject").any() and replaced_only < first["avoided_failures"].sum())
    finding = say(
        "programme.finding",
        "programme_benefit_cost_lo" in amounts and "programme.returns",
        rests_on_injection and "programme.without_injection",
        "programme.budget",
        bool(head) and "programme.first_loops",
        spent=spent,
        currency=currency,
        work=work_words(first),
        n_loops=first["loop_id"].nunique(),
        avoided_failures=first["avoided_failures"].sum(),
        settings=settings,
        found=found,
        amounts=amounts,
        budget=budget_words(settings),
        gap=amounts.get("plan_gap", np.nan),
        n_head=len(head),
        with_work=with_work,
    )
    return say.exhibit(
        "programme",
        finding,
        first,
        extra=len(rows) - len(first),
        chart=figures.chart_programme(first, currency),
        n_first=len(first),
        settings=settings,
    )


def decisions(rows: pd.DataFrame, amounts: pd.Series, settings: Settings) -> Exhibit:
    """Every decision, what became of it in the plan, and what it costs."""
    if rows.empty:
        return say.absent("decisions")
    dearest = rows.sort_values(["cost_of_it", "decision_id"], ascending=[False, True]).iloc[0]
    finding = say(
        "decisions.finding",
        dearest["cost_of_it"] > 0 and "decisions.dearest",
        n=len(rows),
        honoured=int(rows["outcome"].eq("honoured").sum()),
        conflicts=int(rows["outcome"].eq("conflict").sum()),
        amounts=amounts,
        most=dearest,
        currency=settings.general.currency,
    )
    return say.exhibit("decisions", finding, rows, n=len(rows), sections=int(rows["sections_decided"].sum()))


def limits(rows: pd.DataFrame, years: pd.DataFrame) -> Exhibit:
    """What the work takes of every limit, and what one unit more would bring."""
    budgeted = "km" if len(years) and years["budget"].isna().all() else "money"
    is_budget = rows["limited"].eq(budgeted) & rows["district_id"].isna() & ~rows["is_least"].astype(bool)
    beside = rows[~is_budget] if len(rows) else rows
    if beside.empty:
        return say.absent("limits")
    binding = beside[beside["price"] > 0]
    finding = say("limits.finding", n=len(beside), bind=len(binding), most=float(beside["price"].max()))
    return say.exhibit("limits", finding, rows, n=len(rows))


def work_words(work: pd.DataFrame, decimals: int = 1) -> str:
    """What is done to how much: 'replaces 4.9 km and injects 30.1 km'."""
    parts = []
    for action, verb in (("replace", "replaces"), ("inject", "injects")):
        length = float(work.loc[work["action"] == action, "length_m"].sum()) / 1000
        if length > 0:
            parts.append(f"{verb} {style.quantity(length, 'km', decimals)}")
    return " and ".join(parts)


def plan(years: pd.DataFrame, settings: Settings, found: Judged) -> Exhibit:
    """What is replaced, injected and left waiting, year by year."""
    if years.empty or not (years["sections_replaced"] + years["sections_injected"]).sum():
        return say.absent("plan")
    first, last = years.iloc[0], years.iloc[-1]
    finding = say(
        "plan.finding",
        "plan.several_years" if len(years) > 1 else "plan.one_year",
        "plan.waiting",
        n_years=len(years),
        budget=budget_words(settings),
        replaced_km=float(years["replaced_km"].sum()),
        injected_km=float(years["injected_km"].sum()),
        avoided_failures=years["avoided_failures"].sum(),
        settings=settings,
        first=first,
        last=last,
        paying=int(last["waiting_paying"]) or "none",
        found=found,
    )
    return say.exhibit(
        "plan",
        finding,
        years,
        chart=figures.chart_years(years),
        sections_replaced=years["sections_replaced"].sum(),
        sections_injected=int(years["sections_injected"].sum()),
        sections_waiting=int(last["sections_waiting"]),
    )


def cost_curve(curve: pd.DataFrame, years: pd.DataFrame, settings: Settings, found: Judged) -> Exhibit:
    """What one more failure avoided costs as the budget grows."""
    currency = settings.general.currency
    rows = curve.dropna(subset=["marginal_cost_per_failure_avoided"]) if len(curve) else curve
    if rows.empty or found["curve_near"] is None:
        return say.absent("cost_curve")
    first = years.iloc[0] if len(years) else None
    near = rows[rows["curve_point"].eq(found["curve_near"])].iloc[0]
    finding = say(
        "cost_curve.finding",
        "cost_curve.never_returns" if found["curve_returns_until"] is None else "cost_curve.returns",
        near=near,
        currency=currency,
        found=found,
        start=rows.iloc[0],
        end=rows.iloc[-1],
    )
    return say.exhibit(
        "cost_curve",
        finding,
        rows,
        chart=figures.chart_cost_curve(rows, first, currency),
        n_rows=len(rows),
        sections_replaced=int(rows["sections_replaced"].iloc[-1]),
        sections_injected=int(rows["sections_injected"].iloc[-1]),
    )
