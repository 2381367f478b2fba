"""Do the ranking's limits hold, and are its totals right, on fleets of many kinds that nobody built it with?

python -m tests.simulated.ranking_study [--fleets 20] [--seed 1] [--world "one bad year"]... [--jobs 2] [--statements]

One line a world: coverage of every limit printed by the product, in percent with its standard error over fleets; the
failures expected over the true ones; what the order captures against knowing the true parameters and against the best
rule; statements that are false. `12 loops` has five times the fleets. --statements: these alone, in a moment.
"""

from __future__ import annotations

import argparse
from concurrent.futures import ProcessPoolExecutor
from functools import partial

import numpy as np
import pandas as pd

from pipelines.evaluation.backtest import RATES, list_units, roll_up
from pipelines.evaluation.class_rates import rate_units
from pipelines.evaluation.rule_orders import RULES, order_by_rule
from pipelines.investment.fleet_draws import prepare_draws
from pipelines.investment.lifetime import look_ahead
from pipelines.ranking.costs import NewCable
from pipelines.ranking.rankings import rank_posteriors
from pipelines.survival import hierarchical_frailty
from pipelines.survival.attribute_effects import compare_attributes
from pipelines.survival.completeness import assess_completeness
from pipelines.survival.history import code_names
from pipelines.survival.model import FailureModel, fit_failure_model
from pipelines.survival.model_selection import choose_model
from pipelines.survival.rates import tabulate_classes, tabulate_mean_cumulative
from pipelines.survival.vintages import tabulate_years
from shared.settings import Settings
from tests.survival_worlds import BAD_CLASS, BAD_YEAR, CLASSES, WORLDS, KnownWorld, World, cumulate, make_world

YEARS = 5
COVERAGE = 0.90
LEVELS = {"section": "section_id", "half-loop": "half_loop_id", "loop": "loop_id", "district": "district_id"}
CURVES = ("shape", "scale", "cumulative")
LENGTHS = (0.05, 0.10, 0.20)
SAID = (
    "any false effect",
    "effect found",
    "false incomplete",
    "incomplete found",
    "both found",
    "false year",
    "bad year named",
)
"""Statements of which the share of fleets is printed."""


def within(lo: object, true: object, hi: object) -> float:
    """Share of truths within their limits; nan of none."""
    low, value, high = (np.asarray(one, dtype=np.float64) for one in (lo, true, hi))
    told = np.isfinite(low) & np.isfinite(high)
    return float(((low <= value) & (value <= high))[told].mean()) if told.any() else np.nan


def score_units(model: FailureModel, known: KnownWorld) -> dict[str, float]:
    """Coverage and width of limits of failures and ranks, and expected over true, at every level."""
    found: dict[str, float] = {}
    true_one, true_all = known.expected(1), known.expected(YEARS)
    for level, by in LEVELS.items():
        units = model.forecast(YEARS) if level == "section" else model.forecast_groups(YEARS, by)
        names = {"section_id": units["section_id"]} if level == "section" else {by: units[by]}
        if level == "section":
            truth, length = true_all.loc[units["section_id"]].to_numpy(), units["length_km"].to_numpy()
        else:
            sections = model.windows.sections.loc[model.windows.in_service, ["section_id", by]]
            truth = (
                true_all.loc[sections["section_id"]].groupby(sections[by].to_numpy()).sum().loc[names[by]].to_numpy()
            )
            length = units["length_km"].to_numpy()
        found[f"{level} failures"] = within(units["expected_failures_lo"], truth, units["expected_failures_hi"])
        width = (units["expected_failures_hi"] - units["expected_failures_lo"]) / units["expected_failures"]
        found[f"{level} width"] = float(width.median())
        ranks = rank_posteriors(units, COVERAGE)
        place = pd.Series(-truth / length).rank(method="first").to_numpy()
        found[f"{level} rank"] = within(ranks["rank_lo"], place, ranks["rank_hi"])
        found[f"{level} rank width"] = float(((ranks["rank_hi"] - ranks["rank_lo"]) / len(units)).median())
        order = np.argsort(ranks["rank"].to_numpy())
        expected = units["expected_failures"].to_numpy()
        if level == "loop":
            first = order[:25]
            found["first 25 expected"], found["first 25 true"] = expected[first].sum(), truth[first].sum()
        if level == "section":
            low = order[np.cumsum(length[order]) > 0.9 * length.sum()]
            found["lowest tenth expected"], found["lowest tenth true"] = expected[low].sum(), truth[low].sum()
            high = order[np.cumsum(length[order]) <= 0.1 * length.sum()]
            found["highest tenth expected"], found["highest tenth true"] = expected[high].sum(), truth[high].sum()
            found["total expected"], found["total true"] = expected.sum(), truth.sum()
            found["one year expected"] = model.forecast(1)["expected_failures"].sum()
            found["one year true"] = true_one.loc[units["section_id"]].sum()
    return found


def score_total(model: FailureModel, known: KnownWorld, seed: int) -> dict[str, float]:
    """Whether limits of the fleet's total hold: those of the trajectory over the first years."""
    ids = model.forecast(YEARS)["section_id"]
    lifetime = look_ahead(model, ids, NewCable(0.5, None, 0, 0.0), Settings().replacement, float(YEARS))
    rng = np.random.default_rng(seed)
    draws = prepare_draws(model, lifetime, pd.Index(model.windows.sections["section_id"]).get_indexer(ids), rng)
    total = draws.draw(lifetime.old[:YEARS].sum(axis=0), draws.average_growth(np.ones(YEARS)), rng)
    lo, hi = np.quantile(total, [0.05, 0.95])
    true = known.expected(YEARS).loc[ids].sum()
    return {"total failures": float(lo <= true <= hi), "total width": float((hi - lo) / total.mean())}


def score_curves(known: KnownWorld, world: World, settings: Settings) -> dict[str, float]:
    """Whether limits of shapes, scales and mean cumulative failures hold, where a power law is the truth."""
    is_plain = np.isinf(world.flat_from) and not (world.early or world.splice or world.trend or world.weather)
    is_plain &= world.early_recorded == world.bad_year == world.jacketed == 1.0 and not world.replaced
    if not is_plain:
        return {}
    of = CLASSES.set_index("cable_class")
    table = tabulate_classes(known.history, settings).set_index("cable_class")
    true = of.loc[table.index]
    # failures lost to their loop or to a missing date thin the record, and with it the level that can be seen
    seen = 1.0 - world.loop_only
    scale = 30.0 * (true["rate_at_30"] * seen / 100.0 * 30.0 / true["shape"]) ** (-1.0 / true["shape"])
    found = {
        "shape limits": within(table["shape_lo"], true["shape"], table["shape_hi"]),
        "scale limits": within(table["scale_lo"], scale, table["scale_hi"]),
    }
    steps = tabulate_mean_cumulative(known.history, settings)
    inside = []
    for name, curve in steps.groupby("cable_class"):
        code = int(CLASSES.index[CLASSES["cable_class"] == name][0])
        mine = known.history.sections[known.history.sections["cable_class"] == name]
        entry = (pd.to_datetime(mine["in_view_from"]) - pd.to_datetime(mine["installed_on"])).dt.days.min() / 365.25
        row = curve[curve["age_years"] <= curve["age_years"].quantile(0.75)].iloc[-1]
        ages = np.array([entry, row["age_years"]])
        low, high = cumulate(ages, np.full(2, code), world) * seen
        inside.append(within(row["mcf_lo"], high - low, row["mcf_hi"]))
    found["cumulative limits"] = float(np.mean(inside)) if inside else np.nan
    return found


def score_orders(model: FailureModel, known: KnownWorld, world: World) -> dict[str, float]:
    """True failures of the next years on the first lengths of each order, over those of the true posterior's order."""
    history = known.history.keep(code_names)
    units = list_units(history, history.as_of, float(YEARS), model)
    units = units.assign(**rate_units(history, units)).sort_values("loop_code", kind="stable", ignore_index=True)
    truth = known.truth.set_index("section_id").loc[units["section_id"]]
    future, loops = known.expected(YEARS).loc[units["section_id"]].to_numpy(), pd.factorize(truth["loop_id"])[0]
    tree = hierarchical_frailty.build_tree(
        units["failures"].to_numpy(dtype=float), truth["seen"].to_numpy(), truth["length_km"].to_numpy(), loops, loops
    )
    variances = hierarchical_frailty.Variances(
        loop=max(world.loop_variance, 1e-9), half_loop=0.0, section=max(world.section_variance, 0.0)
    )
    post = hierarchical_frailty.fit_posterior(tree, variances)
    curve = future / truth["multiplier"].to_numpy()
    units = units.assign(true_curves=curve * post.shape / post.rate / units["length_km"], future=future)
    found = {}
    for level, scored in (("section", units), ("loop", roll_up(units, (*RATES, "true_curves")))):
        for fraction in LENGTHS:
            caught = {}
            for rule in (*RULES, "true_curves"):
                order, _ = order_by_rule(scored, rule)
                picked = np.cumsum(scored["length_km"].to_numpy()[order]) <= fraction * scored["length_km"].sum()
                caught[rule] = float(scored["future"].to_numpy()[order][picked].sum())
            for rule, value in caught.items():
                found[f"{level} {fraction:.0%} {rule}"] = value
    return found


def score_statements(known: KnownWorld, world: World, settings: Settings) -> dict[str, float]:
    """Statements that are false or missing: attributes that matter, districts with early years not on record.

    A decade matters where years of laying or the times do, a district where its early years are not on record.
    """
    effects = compare_attributes(known.history, settings)
    asked = effects[effects["attribute_verdict"].isin(["higher", "lower", "within_chance"])]
    is_real = asked["attribute"].eq("neutral")
    if world.early_recorded < 1.0:
        is_real |= asked["attribute"].eq("district_id")
    if world.bad_year != 1.0 or world.trend or world.replaced or world.early_recorded < 1.0:
        is_real |= asked["attribute"].eq("vintage")
    wrong = asked.loc[~is_real, "attribute_verdict"].isin(["higher", "lower"])
    starts = known.history.keep(code_names).keep(assess_completeness).starts
    true = {"D1", "D2"} if world.early_recorded < 1.0 else set()
    found = {
        "false effects": float(wrong.sum()),
        "effects asked": float(len(wrong)),
        "any false effect": float(wrong.any()),
        "false incomplete": float(bool(set(starts) - true)),
    }
    years = tabulate_years(known.history, settings)
    years = years.loc[years["is_apart"], ["cable_class", "installed_year"]].apply(tuple, axis=1).tolist()
    bad = {(CLASSES["cable_class"][BAD_CLASS], BAD_YEAR)} if world.bad_year != 1.0 else set()
    found["false year"] = float(bool(set(years) - bad))
    if bad:
        found["bad year named"] = float(bad <= set(years))
    if true:
        named = set(starts) & true
        found["incomplete found"], found["both found"] = float(bool(named)), float(named == true)
        found["complete from"] = float(np.mean([starts[d].year for d in named])) if named else np.nan
    if world.jacketed != 1.0:
        jacketed = asked.loc[asked["attribute"].eq("neutral") & asked["hazard_ratio_lo"].notna()].iloc[0]
        is_jacketed = jacketed["attribute_value"] == "jacketed"
        found["effect found"] = float(jacketed["attribute_verdict"] == ("lower" if is_jacketed else "higher"))
    return found


def score_fleet(name: str, seed: int, is_told_alone: bool = False) -> dict[str, float]:
    """Everything of one fleet; or its statements alone."""
    world, settings = WORLDS[name], Settings()
    known = make_world(world, seed)
    if is_told_alone:
        return score_statements(known, world, settings)
    choices = choose_model(known.history, settings).chosen
    model = fit_failure_model(known.history, settings, choices)
    found = score_units(model, known) | score_total(model, known, seed) | score_curves(known, world, settings)
    found |= score_orders(model, known, world) | score_statements(known, world, settings)
    if world.bad_year != 1.0:
        forecast = model.forecast(YEARS).set_index("section_id")["expected_failures"]
        truth = known.truth.set_index("section_id")
        of_class = truth["cable_class"].eq(CLASSES["cable_class"][BAD_CLASS])
        bad = truth.index[of_class & np.floor(truth["installed"]).eq(BAD_YEAR)]
        found["bad year expected"], found["bad year true"] = (
            forecast.loc[bad].sum(),
            known.expected(YEARS).loc[bad].sum(),
        )
    return found


def run(names: list[str], fleets: int, seed: int, jobs: int, is_told_alone: bool = False) -> dict[str, pd.DataFrame]:
    """Scores of every fleet, a row each, by world."""
    tasks = [
        (name, seed * 100_000 + 1_000 * list(WORLDS).index(name) + n)
        for name in names
        for n in range(fleets * (5 if name == "12 loops" else 1))
    ]
    with ProcessPoolExecutor(jobs) as pool:
        scores = list(pool.map(partial(score_fleet, is_told_alone=is_told_alone), *zip(*tasks, strict=True)))
    by_world: dict[str, list[dict[str, float]]] = {name: [] for name in names}
    for (name, _), score in zip(tasks, scores, strict=True):
        by_world[name].append(score)
    return {name: pd.DataFrame(rows) for name, rows in by_world.items()}


def tell(values: pd.Series, scale: float = 100.0) -> str:
    """Mean over fleets with its standard error."""
    values = values.dropna()
    if values.empty:
        return "-"
    error = values.std(ddof=1) / np.sqrt(len(values)) if len(values) > 1 else np.nan
    return f"{scale * values.mean():.0f}±{scale * error:.0f}" if scale == 100.0 else f"{scale * values.mean():.2f}"


def tabulate(scores: dict[str, pd.DataFrame]) -> list[pd.DataFrame]:
    """The tables that are printed: coverage, widths, sums, orders, statements; the last row is all worlds pooled."""
    pooled = scores | ({"all": pd.concat(scores.values(), ignore_index=True)} if len(scores) > 1 else {})
    coverage = [f"{level} {kind}" for level in LEVELS for kind in ("failures", "rank")]
    coverage += ["total failures", *(f"{one} limits" for one in CURVES)]
    widths = [f"{level} {kind}" for level in LEVELS for kind in ("width", "rank width")] + ["total width"]
    sums = ["total", "one year", "first 25", "highest tenth", "lowest tenth", "bad year"]
    tables = []
    for wanted, scale in ((coverage, 100.0), (widths, 1.0)):
        tables.append(
            pd.DataFrame({n: {w: tell(s[w], scale) if w in s else "-" for w in wanted} for n, s in pooled.items()}).T
        )
    rows, orders = {}, {}
    for name, score in pooled.items():
        rows[name] = {
            one: f"{score[f'{one} expected'].sum() / score[f'{one} true'].sum():.3f}" if f"{one} true" in score else "-"
            for one in sums
        }
        orders[name] = {}
        for level in ("section", "loop"):
            for fraction in LENGTHS:
                sum_of = {rule: score[f"{level} {fraction:.0%} {rule}"].sum() for rule in (*RULES, "true_curves")}
                model, best = sum_of.pop("model"), sum_of.pop("true_curves")
                rule = max(sum_of, key=lambda one: sum_of[one])
                orders[name][f"{level} {fraction:.0%}"] = f"{model / best:.3f} {rule} {sum_of[rule] / best:.3f}"
    return [*tables, pd.DataFrame(rows).T, pd.DataFrame(orders).T, tabulate_statements(scores)]


def tabulate_statements(scores: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """Fleets of each world with a statement that is false, and with one that is true and found."""
    pooled = scores | ({"all": pd.concat(scores.values(), ignore_index=True)} if len(scores) > 1 else {})
    said = {}
    for name, score in pooled.items():
        false = f"{score['false effects'].sum() / max(score['effects asked'].sum(), 1):.3f}"
        said[name] = {"fleets": str(len(score)), "false effects": false}
        said[name] |= {one: tell(score[one]) if one in score else "-" for one in SAID}
        said[name]["complete from"] = tell(score["complete from"], 1.0) if "complete from" in score else "-"
    return pd.DataFrame(said).T


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--fleets", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--world", action="append", choices=list(WORLDS))
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--statements", action="store_true")
    asked = parser.parse_args()
    scores = run(asked.world or list(WORLDS), asked.fleets, asked.seed, asked.jobs, asked.statements)
    titles = (
        f"coverage of {COVERAGE:.0%} limits, % with standard error over fleets",
        "width: median of (upper - lower) / expected; of ranks, over the number of units",
        f"expected over true failures of the next {YEARS} years (one year: of the next)",
        "true failures captured on the first lengths: model over the true posterior, and the best rule over it",
        "statements: % of fleets with a false attribute effect, a district or a year falsely named, what was found",
    )[-1 if asked.statements else 0 :]
    tables = [tabulate_statements(scores)] if asked.statements else tabulate(scores)
    with pd.option_context("display.width", 250, "display.max_columns", 50, "display.max_colwidth", 40):
        for title, table in zip(titles, tables, strict=True):
            print(f"\n{title}\n{table.to_string()}")


if __name__ == "__main__":
    main()
