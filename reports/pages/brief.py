"""The committee's brief, two printed sides: every number in it leads to the figure that it is taken from."""

import datetime as dt
import re
from dataclasses import replace
from typing import Any

import pandas as pd
from markupsafe import Markup

from reports import style
from reports.figures.replacement_evaluation import RULE_NAMES
from reports.marts import Judged, Marts, judged
from reports.page import cautions_of
from reports.pages.reference import Part, Reference
from reports.pages.replacement_evaluation import capture_values, in_rule_order
from reports.pages.replacement_money import budget_words, in_order
from reports.pages.sheet import grid
from reports.words import Cited, Words
from shared.settings import Settings

say = Words("brief")

SOURCES = ("marts.programme", "marts.programme_years", "marts.section_options", "marts.budget_curve",
           "marts.backtest_summary", "marts.calibration_summary", "marts.forecast_score")  # fmt: skip
"""Tables whose cautions and limits the brief carries."""

SCENARIO = ("replaced_km", "injected_km", "spent", "avoided_failures", "sections_paying", "sections_changed")
"""Columns of scenario_comparison that stand in the brief beside what each scenario changes."""

SCENARIOS = 8
"""Scenarios that the brief has room for; the appendix has all."""

NOTHING = Markup("")
NO_SCENARIOS = pd.DataFrame(columns=["scenario", "changed_setting", "from_value", "to_value", *SCENARIO])

YEAR = ("plan_year", "replaced_km", "injected_km", "loops", "spent", "avoided_failures", "avoided_cost", "net_benefit")
"""Columns of programme_years in the answer's table."""

NAMED_LOOPS = 6
"""Loops of the first year's work that the answer names."""

TITLES = {"replacement": "Replacement", "data_quality": "Data quality", "settings": "Settings", "appendix": "Appendix"}
"""Pages that the brief leads to."""


def build(marts: Marts, settings: Settings, scenarios: pd.DataFrame = NO_SCENARIOS) -> Reference:
    """The brief.

    Parameters
    ----------
    scenarios
        Rows of scenario_comparison of every comparison on file; none: nothing was compared.

    Notes
    -----
    A number is given to the words as Cited, with the page and the figure that hold it; a sentence whose figure is not
    there is left out.

    Checked by: tests/end_to_end/test_brief.py
    """
    found = judged(marts, "replacement")
    amounts = marts.read("marts.replacement_figures")
    money = Judged(zip(amounts["figure"], amounts["amount"].astype(float), strict=True))
    parts = (
        answer(marts, settings, money),
        sure(marts, found, money),
        cost(marts, settings, money),
        tried(marts, settings, found, scenarios),
        change(marts, settings, found, money),
        unknown(marts, found),
    )
    told = tuple(with_figures(part) for part in parts if part.paragraphs or part.body)
    cautions, limits = (tuple(cautions_of(SOURCES, is_safety=is_safety)) for is_safety in (True, False))
    title, question = say("brief.title"), say("brief.question")
    return Reference("brief", title, question, (), told, cautions=cautions, limits=limits, is_dense=True)


def part_of(key: str, *sentences: str, body: Markup = NOTHING) -> Part:
    """A part with the title of its key, and the sentences that say anything."""
    return Part(key, say(f"{key}.title"), tuple(filter(None, sentences)), body=body)


CITED_PLACE = re.compile(r'⟪([^⟫]+)⟫|href="page:([^"]+)"')


def places_of(*parts: Part) -> list[str]:
    """Page and figure of everything that parts cite, each once, in the order of the text."""
    text = " ".join(" ".join((*part.paragraphs, part.body)) for part in parts)
    return list(dict.fromkeys(one or other for one, other in CITED_PLACE.findall(text)))


def with_figures(part: Part) -> Part:
    """A part with the figures that it cites named beneath it, each once: on paper a link does not show."""
    titles: dict[str, list[str]] = {}
    for place in places_of(part):
        page, _, exhibit = place.partition("#")
        titles.setdefault(page, []).append(title_of(page, exhibit))
    listed = "; ".join(
        say("brief.on_page", page=TITLES[page], titles=", ".join(names)) for page, names in titles.items()
    )
    return replace(part, source=say(bool(listed) and "brief.figures", listed=listed))


def title_of(page: str, exhibit: str) -> str:
    """Title of a figure of a page."""
    if page == "settings":
        return f"[{exhibit}]"
    return str(say.text(f"parts.{exhibit}")[0] if page == "appendix" else Words(page).text(f"{exhibit}.title"))


def cite(exhibit: str, value: Any, page: str = "replacement") -> Cited:
    """A value with the figure that holds it; of a frame's row every field is cited so."""
    return Cited(value, f"{page}#{exhibit}")


def heads_of(key: str, settings: Settings) -> list[str]:
    """Headings of a part's table, with the currency."""
    return [head.format(currency=settings.general.currency) for head in say.text(f"{key}.heads")]


def answer(marts: Marts, settings: Settings, money: Judged) -> Part:
    """What to replace and inject in which years, and what it buys."""
    years, work = in_order(marts.read("marts.programme_years"), "plan_year"), marts.read("marts.programme")
    options = marts.read("marts.section_options")
    if years.empty or work.empty:
        return part_of("answer", say("answer.none"))
    first = work[work["plan_year"].eq(1)].sort_values("programme_order")
    loops = first["loop_id"].drop_duplicates()
    curve = marts.read("marts.budget_curve").query("budget_share == 1").sort_values("years_of_plan")
    reached = curve[curve["years_of_plan"].le(len(years))]
    assert settings.general.as_of is not None
    values = {
        "plan": cite("plan", years.sum(numeric_only=True)),
        "last": cite("plan", years.iloc[-1]),
        "n": cite("plan", len(years)),
        "begins": settings.general.as_of + dt.timedelta(days=1),
        "currency": settings.general.currency,
        "settings": cite("general", {"horizon_years": settings.general.horizon_years}, "settings"),
        "money": cite("programme", money),
        "worth": cite("benefit", money),
        "in_all": cite("benefit", len(options)),
        "n_loops": cite("programme", len(loops)),
        "loops": cite("programme", ", ".join(loops.head(NAMED_LOOPS))),
    }
    path = {"first": row_of(reached), "last": row_of(reached, -1)}
    rounded = years.assign(avoided_failures=[style.number(n, 1) for n in years["avoided_failures"]])
    rows = [[cite("plan", row[name]) for name in YEAR] for row in rounded.to_dict("records")]
    return part_of(
        "answer",
        say("answer.work", "answer.buys", **values),
        say({"sections_paying", "sections_paying_injected"} <= set(money) and "answer.pays", **values),
        say(len(reached) > 0 and "answer.path", **{name: cite("trajectory", row) for name, row in path.items()}),
        say("plan_benefit_cost_lo" in money and "answer.returns", **values),
        say(len(first) > 0 and "answer.first", **values),
        body=grid(say("answer.title"), heads_of("answer", settings), rows),
    )


def sure(marts: Marts, found: Judged, money: Judged) -> Part:
    """Limits, the plan's gap, and how past forecasts came out."""
    tenths, scores = marts.read("marts.calibration_summary"), marts.read("marts.forecast_score")
    whole = scores[scores["grouped_by"].eq("all")].sort_values("origin")
    tried = marts.read("marts.ranking_sensitivity").query("variant != 'as_it_is'").sort_values(["top_stay", "variant"])
    sets = marts.read("marts.before_after")
    treated = sets[sets["grouped_by"].eq("injected_in") & sets["group_name"].eq("all years")]
    treated = treated[treated["effect_verdict"].ne("too_few")]
    judged_money = cite("programme", money)
    return part_of(
        "sure",
        say(
            len(tenths) > 0 and "sure.calibration",
            whole=cite("calibration", row_of(tenths.sort_values("decile"))),
            found=cite("calibration", found),
        ),
        say(
            len(whole) > 0 and "sure.last",
            last=cite("past_forecasts", row_of(whole, -1)),
            last_day=row_of(whole, -1).get("origin"),
            inside=cite("past_forecasts", int(whole["is_inside"].sum()) if len(whole) else 0),
            n=cite("past_forecasts", len(whole)),
        ),
        say("programme_benefit_cost_lo" in money and "sure.first_year", money=judged_money),
        say("plan_gap" in money and "sure.gap", money=judged_money),
        say(len(tried) > 0 and "sure.order", worst=cite("sensitivity", row_of(tried))),
        say(len(treated) > 0 and "sure.injected", row=cite("before_after", row_of(treated))),
    )


def row_of(rows: pd.DataFrame, place: int = 0) -> dict[str, Any]:
    """A row as a dict; an empty one where there is none."""
    return {str(name): value for name, value in rows.iloc[place].to_dict().items()} if len(rows) else {}


def cost(marts: Marts, settings: Settings, money: Judged) -> Part:
    """Years, budget, mobilising and prices."""
    years, work, terms = marts.read("marts.programme_years"), marts.read("marts.programme"), settings.replacement
    first = work[work["plan_year"].eq(1)]
    values = {"currency": settings.general.currency, "money": cite("benefit", money)}
    prices = ("cost_per_m_buried", "cost_per_m_duct", "cost_per_m_injected", "customer_minute_value")
    in_use = cite("benefit", {name: getattr(terms, name) for name in prices})
    return part_of(
        "cost",
        say(
            len(years) > 0 and "cost.spent",
            plan=cite("plan", years.sum(numeric_only=True)),
            n=cite("plan", len(years)),
            budget=cite("plan", budget_words(settings)),
            **values,
        ),
        say(len(first) > 0 and "cost.mobilising", first=cite("programme", first.sum(numeric_only=True)), **values),
        say("repair_cost" in money and "cost.prices", terms=in_use, **values),
    )


def tried(marts: Marts, settings: Settings, found: Judged, scenarios: pd.DataFrame) -> Part:
    """The simple rules on past dates, lost or won, and the scenarios compared."""
    shown = in_rule_order(marts.read("marts.backtest_summary"), "length")
    shown = shown[shown["length_fraction"].sub(0.1).abs().lt(1e-9)] if len(shown) else shown
    by_money = capture_values(found, "cost")
    rows = [
        [
            RULE_NAMES[str(row.rule)] if row.rule != "model" else say.text("tried.own"),
            cite("capture", held_words(row, "capture_fraction", "capture")),
            cite("capture", held_words(row, "difference_to_model", "difference")),
            "" if style.is_missing(row.verdict) else str(row.verdict).replace("_", " "),
        ]
        for row in shown.itertuples(index=False)
    ]
    return part_of(
        "tried",
        say(
            "tried.rules" if len(shown) else "tried.untried",
            n_dates=cite("capture", shown["origins"].max() if len(shown) else 0),
            capture=found.of("capture", "length"),
        ),
        say(
            by_money["capture"] is not None and "tried.money",
            money=cite("capture_by_money", by_money),
            rule=by_money["rule"],
        ),
        say("tried.scenarios" if len(scenarios) else "tried.no_scenarios"),
        body=grid(say("tried.title"), heads_of("tried", settings), rows)
        + grid(say("appendix.scenarios"), heads_of("scenarios", settings), scenario_rows(scenarios)),
    )


def held_words(row: Any, name: str, limits: str) -> str:
    """A share of the failures in percent with its limits: '36 % (30 to 44)'."""
    value = getattr(row, name)
    if style.is_missing(value):
        return style.MISSING
    lo, hi = (100 * getattr(row, f"{limits}_{end}") for end in ("lo", "hi"))
    return f"{style.number(100 * value, 0)} ({style.limits(lo, hi, 0)})"


def scenario_rows(scenarios: pd.DataFrame) -> list[list[object]]:
    """The first scenarios as a whole, each with every setting that it changes."""
    rows = scenarios.fillna({"changed_setting": ""})
    alone = rows[rows["changed_setting"].ne("")].astype("str")
    said = alone["changed_setting"] + " " + alone["from_value"] + " to " + alone["to_value"]
    changed = said.groupby(alone["scenario"]).agg("; ".join).to_dict()
    whole = rows[rows["changed_setting"].eq("")].drop_duplicates("scenario").head(SCENARIOS)
    return [
        [
            row["scenario"],
            cite("scenarios", changed.get(row["scenario"], ""), "appendix"),
            *(cite("scenarios", row[name], "appendix") for name in SCENARIO),
        ]
        for row in whole.to_dict("records")
    ]


def change(marts: Marts, settings: Settings, found: Judged, money: Judged) -> Part:
    """Budget, prices, growth, injection and decisions: how far each moves the answer."""
    budgets, curve = marts.read("marts.budget_curve"), marts.read("marts.cost_curve")
    n_years = len(marts.read("marts.programme_years"))
    then = budgets[budgets["years_of_plan"].eq(n_years)]
    shares = {
        name: cite("trajectory", row_of(then[then["budget_share"].eq(share)]))
        for name, share in (("half", 0.5), ("whole", 1.0), ("twice", 2.0))
    }
    near = curve[curve["curve_point"].eq(found["curve_near"])] if len(curve) else curve
    values = {"money": cite("benefit", money), "found": cite("benefit", found)}
    return part_of(
        "change",
        say(len(then) > 0 and "change.budget", **shares),
        say(
            len(near) > 0 and "change.prices",
            near=cite("cost_curve", row_of(near)),
            found=cite("cost_curve", found),
            currency=settings.general.currency,
        ),
        say("sections_paying" in money and found["sections_returning"] is not None and "change.trend", **values),
        say("injection_left" in money and "change.injection", **values),
        say("replaced_only_km" in money and "change.without", money=cite("amounts", money, "appendix")),
        decisions_words(marts.read("marts.decisions"), money, settings),
    )


def decisions_words(decided: pd.DataFrame, money: Judged, settings: Settings) -> str:
    """What the decisions on record cost together, which costs most by itself, and which the plan cannot keep to."""
    if decided.empty:
        return say("change.no_decisions")
    most = row_of(decided.sort_values(["cost_of_it", "decision_id"], ascending=[False, True], na_position="last"))
    conflicts = decided.loc[decided["outcome"].eq("conflict"), "decision_id"]
    return say(
        "decisions_cost" in money and "change.decisions",
        "change.dearest",
        len(conflicts) > 0 and "change.conflicts",
        money=cite("amounts", money, "appendix"),
        most=cite("decisions", most, "appendix"),
        decision=most["decision"],
        listed=cite("decisions", ", ".join(conflicts), "appendix"),
        currency=settings.general.currency,
    )


def unknown(marts: Marts, found: Judged) -> Part:
    """Failures and sections that the records leave open."""
    steps = marts.read("marts.count_reconciliation").sort_values("step_order")
    jobs = steps.drop_duplicates("step").set_index("step")["jobs"].abs()
    counts = {str(name): cite("counts", {"jobs": n}) for name, n in jobs.items()}
    nothing = cite("counts", {"jobs": 0})
    variants = marts.read("marts.ranking_sensitivity")
    undated = variants[variants["variant"].eq("undated_left_out")]
    verdicts = marts.read("marts.record_completeness")["completeness_verdict"]
    told = {
        name: cite("recorded", {"n": n}, "data_quality")
        for name, n in (
            ("short", int(verdicts.eq("likely_incomplete").sum())),
            ("unsure", int(verdicts.eq("too_few_to_tell").sum())),
            ("all", len(verdicts)),
        )
    }
    waiting = counts.get("in quarantine")
    return part_of(
        "unknown",
        say(
            "Failures in the class curves" in counts and "unknown.sections",
            curves=counts.get("Failures in the class curves", nothing),
            loop_only=counts.get("known by loop alone", nothing),
            orphans=counts.get("section not in the register", nothing),
            undated=counts.get("sections without a date", nothing),
        ),
        say(len(undated) > 0 and "unknown.undated", row=cite("sensitivity", row_of(undated))),
        say(len(verdicts) > 0 and "unknown.incomplete", **told),
        say(bool(found["duplicates"]) and "unknown.duplicates", found=cite("duplicates", found)),
        say(waiting is not None and "unknown.quarantine", waiting=waiting),
        say("unknown.state"),
    )
