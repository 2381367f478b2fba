"""The step on a small invented fleet: rows of one table can be recomputed from those of another."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from pipelines.investment import step as investment
from pipelines.ranking import step as ranking
from pipelines.ranking.costs import FailureCosts, NewCable, annuity_factor
from pipelines.ranking.rankings import Facts, in_order, rank_half_loops_and_districts, rank_loops, rank_sections
from pipelines.survival.step import fit_fleet
from shared.settings import Settings
from shared.store import read_model
from synthetic_data.demo import make_tables
from tests.replacement_fleets import run_replacement

AS_OF = dt.date(2025, 12, 31)
SETTINGS = Settings().override("general", as_of=AS_OF).override("replacement", budget=400_000.0, backtest_replicates=50)


@pytest.fixture
def written(make_warehouse):
    con = make_warehouse(make_tables(80, 7), settings=SETTINGS)
    counts = run_replacement(con, SETTINGS)
    return {name: read_model(con, name) for name in counts}, counts


def test_the_step_s_tables_agree_with_one_another(written) -> None:
    tables, counts = written
    assert {name: len(table) for name, table in tables.items()} == counts
    sections, loops = tables["fitted.section_ranking"], tables["marts.loop_ranking"]
    check_ranks(sections)
    check_ranks(loops)
    check_groups(sections, loops, tables["marts.group_ranking"])
    check_money(sections, loops)
    check_programme(tables["marts.section_options"], tables["marts.programme"], tables["marts.replacement_figures"])
    check_options(sections, tables)
    check_money_tables(tables)
    check_backtest(tables["marts.backtest"], tables["marts.backtest_calibration"])
    # the back-test's five years, the last one horizon ago, and a year ago, which is just over
    assert sorted(tables["marts.backtest"]["origin"].dt.date.unique()) == [
        dt.date(y, 12, 31) for y in range(2016, 2021)
    ]
    scored = sorted(tables["marts.forecast_score"]["origin"].dt.date.unique())
    assert scored == [dt.date(y, 12, 31) for y in (*range(2016, 2021), 2024)]
    assert {"most_failures", "recent_failures"} <= set(tables["marts.before_after"]["grouped_by"])
    money = tables["marts.backtest_money"].set_index(["level", "rule", "cost_fraction"]).sort_index()
    assert money.loc["loop", "capture_lo"].notna().all()
    assert tables["marts.ranking_sensitivity"]["top_loops"].eq(-(-len(loops) // 10)).all()


def test_customers_of_a_priced_kind_weigh_in_every_table(make_warehouse) -> None:
    """Homes on record on one loop and business customers on another, priced: their failures alone cost more."""
    tables = make_tables(30, 7)
    homes, shops = tables["loops"]["loop_id"].iloc[:2]
    of_loop = tables["terminals"]["loop_id"]
    tables["terminals"] = tables["terminals"].assign(
        customers_residential=np.where(of_loop == homes, 3, None),
        customers_business=np.where(of_loop == shops, 2, None),
    )
    prices = {"residential_interruption_cost": 200.0, "business_interruption_cost": 900.0, "backtest_origins": 2}
    settings = SETTINGS.override("replacement", **prices)
    con = make_warehouse(tables, settings=settings)
    found, fitted = {}, fit_fleet(con, SETTINGS)  # no price moves the fit
    for name, each in (("plain", SETTINGS), ("priced", settings)):
        _, facts = ranking.run(con, fitted, each)
        investment.run(con, facts, fitted.model, each)
        found[name] = read_model(con, "fitted.section_ranking").merge(
            read_model(con, "marts.section_options")[["section_id", "benefit_cost_flat"]], on="section_id"
        )
        assert found[name]["benefit_cost_flat"].tolist() == pytest.approx(found[name]["benefit_cost_ratio"].tolist())
        each_costs = facts.sections.set_index("section_id")["cost_per_failure"]
    plain, priced = found["plain"], found["priced"]
    ratio = (priced["avoided_cost"] / plain["avoided_cost"]).groupby(plain["loop_id"]).agg(["min", "max"])
    assert ratio.drop([homes, shops]).to_numpy() == pytest.approx(1.0)
    assert (ratio.loc[[homes, shops], "max"] > 1.001).all()
    # each section of the loop costs the repair, 200 for each home at the ends of its half-loop's sections, and minutes
    of_homes = facts.sections[facts.sections["loop_id"] == homes]
    ends = of_homes.groupby("half_loop_id")["section_id"].transform("size")
    customers = of_homes["customers_interrupted_per_failure"]
    by_minutes = 0.30 * of_homes["customer_minutes_per_failure"] * (1 - np.minimum(3 * ends / customers, 1))
    wanted = of_homes["repair_cost_per_failure"] + 200.0 * 3 * ends + by_minutes
    assert each_costs[of_homes["section_id"]].tolist() == pytest.approx(wanted.tolist())


def check_ranks(ranking) -> None:
    assert sorted(ranking["rank"]) == list(range(1, len(ranking) + 1))
    assert sorted(ranking["rank_by_money"]) == list(range(1, len(ranking) + 1))
    assert (ranking["rank_lo"] <= ranking["rank"]).all()
    assert (ranking["rank"] <= ranking["rank_hi"]).all()
    ordered = ranking.sort_values("rank")
    per_km = ordered["expected_failures"] / ordered["length_km"]
    assert (np.diff(per_km) <= 1e-9).all()
    assert (np.diff(ordered["alike_group"]) >= 0).all()


def check_groups(sections, loops, groups) -> None:
    for by, table in (("half_loop", sections.groupby("half_loop_id")), ("district", sections.groupby("district_id"))):
        rows = groups[groups["grouped_by"].eq(by)].set_index("group_name")
        sums = table[["expected_failures", "length_km", "failures_recorded", "avoided_cost"]].sum()
        for column in sums.columns:
            assert rows[column].loc[sums.index].to_numpy() == pytest.approx(sums[column].to_numpy(), rel=1e-3), column
    assert loops.set_index("loop_id")["expected_failures"].sum() == pytest.approx(
        sections["expected_failures"].sum(), rel=1e-3
    )


def check_money(sections, loops) -> None:
    terms = SETTINGS.replacement
    assert sections["benefit_cost_ratio"].to_numpy() == pytest.approx(
        (sections["avoided_cost"] / sections["replacement_cost"]).to_numpy()
    )
    assert (
        sections["is_paying"].to_numpy().tolist()
        == (sections["expected_rate_per_100km_year"] > sections["pays_above_per_100km_year"]).tolist()
    )
    years = annuity_factor(terms.cable_life_years, terms.discount_rate_pct)
    worth = sections["avoided_failures"] / 5.0 * sections["cost_per_failure"] * years
    assert sections["avoided_cost"].to_numpy() == pytest.approx(worth.to_numpy())
    summed = sections.groupby("loop_id")["replacement_cost"].sum() + terms.cost_per_loop
    assert loops.set_index("loop_id")["replacement_cost"].to_numpy() == pytest.approx(summed.to_numpy())


def check_options(sections, tables) -> None:
    options, amount = tables["marts.section_options"], tables["marts.replacement_figures"].set_index("figure")["amount"]
    assert options["section_id"].tolist() == sorted(sections["section_id"])
    flat = sections.set_index("section_id").loc[options["section_id"], "benefit_cost_ratio"]
    assert options["benefit_cost_flat"].to_numpy() == pytest.approx(flat.to_numpy())
    assert (options["benefit_cost_growing"] > 1).sum() == amount["sections_paying"]
    assert (options["benefit_cost_growing_lo"] <= options["benefit_cost_growing"]).all()
    assert (options["benefit_cost_growing"] <= options["benefit_cost_growing_hi"]).all()
    # what pays over the life is best replaced in some year of it
    assert options.loc[options["benefit_cost_growing"] > 1, "best_year"].notna().all()
    assert (options["best_year"] - options["wait_years"]).dropna().eq(2026).all()
    planned = tables["marts.programme"].set_index("section_id")["plan_year"]
    assert options.set_index("section_id")["plan_year"].dropna().sort_index().to_dict() == planned.to_dict()
    for name in ("programme", "plan"):
        gain = amount[f"{name}_avoided_cost"]
        assert gain == pytest.approx(amount[f"{name}_gain"])
        assert amount[f"{name}_avoided_cost_lo"] < gain < amount[f"{name}_avoided_cost_hi"]
        assert amount[f"{name}_benefit_cost_lo"] < amount[f"{name}_benefit_cost"] < amount[f"{name}_benefit_cost_hi"]
    budgets = tables["marts.budget_curve"]
    assert len(budgets) == 5 * 20
    assert (budgets["lo"] < budgets["failures_per_year_with"]).all()
    assert (budgets["failures_per_year_with"] < budgets["hi"]).all()
    by_share = budgets.pivot_table(index="years_of_plan", columns="budget_share", values="failures_per_year_with")
    assert (by_share.diff(axis=1).iloc[:, 1:] <= 1e-9).to_numpy().mean() > 0.95  # more money, fewer failures
    nothing = budgets[budgets["budget_share"].eq(0)]
    assert nothing["failures_per_year_with"].tolist() == nothing["failures_per_year_without"].tolist()
    # the first five years with nothing done are the horizon of the ranking
    assert nothing["failures_per_year_with"].head(5).sum() == pytest.approx(sections["expected_failures"].sum())


def check_programme(options, programme, figures) -> None:
    amount, terms = figures.set_index("figure")["amount"], SETTINGS.replacement
    first = programme[programme["plan_year"].eq(1)]
    assert first["cost"].sum() + first["mobilising_cost"].sum() == pytest.approx(amount["programme_spent"])
    spent = programme.groupby("plan_year")[["cost", "mobilising_cost"]].sum().sum(axis=1)
    assert spent.index.tolist() == list(range(1, terms.programme_years + 1))
    assert (spent <= terms.budget).all()
    assert amount["plan_gap"] <= 0.01
    assert first["avoided_cost"].sum() == pytest.approx(amount["programme_gain"])
    assert programme["avoided_cost"].sum() == pytest.approx(amount["plan_gain"])
    assert amount["plan_gain"] <= amount["plan_bound"]
    known = options.set_index("section_id")
    replaced = first[first["action"].eq("replace")]
    assert replaced["avoided_cost"].to_numpy() == pytest.approx(
        known.loc[replaced["section_id"], "replace_avoided_cost"].to_numpy()
    )
    later = 1.05 ** -(programme["plan_year"] - 1)
    assert programme["net_benefit"].to_numpy() == pytest.approx(
        (programme["avoided_cost"] - later * programme["cost"]).to_numpy()
    )
    ordered = programme.sort_values("programme_order")
    assert ordered["programme_order"].tolist() == list(range(1, len(programme) + 1))
    assert ordered["plan_year"].is_monotonic_increasing
    assert programme["section_id"].is_unique
    assert programme["action"].eq("inject").any()
    assert amount["sections_injectable"] < amount["sections_in_service"]
    # Replacing alone gains less over the years; how much less in the first is a figure of the page.
    assert 0 < amount["replaced_only_gain"] < amount["plan_gain"]


def check_money_tables(tables) -> None:
    programme, years = tables["marts.programme"], tables["marts.programme_years"]
    amount = tables["marts.replacement_figures"].set_index("figure")["amount"]
    by_year = programme.groupby("plan_year")
    assert years["avoided_failures"].to_numpy() == pytest.approx(by_year["avoided_failures"].sum().to_numpy())
    assert years["loops"].tolist() == by_year["loop_id"].nunique().tolist()
    assert years["sections_waiting"].iloc[-1] == amount["sections_in_service"] - len(programme)
    assert years["budget"].eq(SETTINGS.replacement.budget).all()
    curve = tables["marts.cost_curve"]
    # The curve at the money of the first year: between the points on both sides of it.
    under, over = curve[curve["spent"] <= 400_000].iloc[-1], curve[curve["spent"] > 400_000].iloc[0]
    # The first year of a plan leaves to later years what they will replace, so it may lie below the curve.
    assert amount["programme_gain"] > 0.8 * under["avoided_cost"]
    assert amount["programme_gain"] <= over["avoided_cost"] + 1e-6
    assert (np.diff(curve["marginal_return"]) <= 1e-9).all()


def check_backtest(captures, calibration) -> None:
    assert captures["origin"].nunique() == 5
    rows = captures.groupby(["origin", "level", "rule"]).size()
    assert rows.eq(4).all()
    # known sections, and the failures of which only the loop is known beside them
    beside = calibration.groupby("origin")["observed"].sum() - captures.groupby("origin")["failures_total"].first()
    assert beside.ge(-1e-9).all()
    assert beside.to_numpy() == pytest.approx(beside.round().to_numpy(), abs=1e-6)


def test_a_fleet_without_failures_or_jobs_is_ranked_all_the_same(make_warehouse) -> None:
    tables = make_tables(20, 3)
    quiet = {name: tables[name] for name in ("districts", "loops", "terminals", "sections")}
    con = make_warehouse(quiet, settings=SETTINGS)
    counts = run_replacement(con, SETTINGS)
    ranking = read_model(con, "fitted.section_ranking")
    assert counts["fitted.section_ranking"] == len(ranking) > 0
    assert ranking["failures_recorded"].eq(0).all()
    assert np.isfinite(ranking["expected_failures"]).all()


def test_an_empty_register_gives_empty_tables(make_warehouse) -> None:
    con = make_warehouse({}, settings=SETTINGS)
    assert run_replacement(con, SETTINGS)["fitted.section_ranking"] == 0


def make_facts() -> Facts:
    """Three loops: A of two sections, B of one, C of one without cost and with no failure expected."""
    sections = pd.DataFrame(
        {
            "section_id": ["b1", "a2", "a1", "c1"],
            "loop_id": ["B", "A", "A", "C"],
            "half_loop_id": ["B/1", "A/1", "A/1", "C/1"],
            "district_id": ["D", "D", "D", "E"],
            "cable_class": ["P", "Q", "P", "P"],
            "length_km": [0.5, 0.25, 0.75, 1.0],
            "expected_failures": [0.5, 1.5, 0.5, 0.0],
            "expected_class": [0.25, 0.5, 0.75, 0.0],
            "gamma_shape": [400.0, 900.0, 400.0, 400.0],
            "gamma_rate": [200.0, 300.0, 600.0, 400.0],
            "installed_on": pd.to_datetime(["1980-01-01", "1970-01-01", None, None]),
            "last_failure_on": pd.to_datetime(["2020-01-01", None, "2021-01-01", None]),
            "replacement_cost": [10.0, 20.0, 30.0, 0.0],
            "avoided_cost": [40.0, 30.0, 10.0, -1.0],
            "avoided_failures": [0.4, 1.4, 0.3, 0.0],
            "customer_minutes_at_risk": [1.0, 2.0, 3.0, 0.0],
            "benefit_cost_ratio": [4.0, 1.5, 1 / 3, np.nan],
            "is_paying": [True, True, False, False],
        }
    )

    def group(by: str) -> pd.DataFrame:
        summed = sections.groupby(by)[["length_km", "expected_failures"]].sum().reset_index()
        posterior = {"A": (400.0, 200.0), "B": (400.0, 800.0), "C": (400.0, np.inf)}
        shape, rate = zip(*(posterior.get(name[0], (400.0, 100.0 + ord(name[0]))) for name in summed[by]), strict=True)
        return summed.assign(gamma_shape=shape, gamma_rate=rate, failures_recorded=2, expected_recorded=1.0).assign(
            multiplier=1.0,
            multiplier_lo=0.5,
            multiplier_hi=2.0,
            expected_failures_lo=0.1,
            expected_failures_hi=3.0,
            sections=sections.groupby(by).size().to_numpy(),
        )

    costs = FailureCosts(pd.DataFrame(), 0.0, 0.0, 0.0, 0)
    groups = (group(by) for by in ("half_loop_id", "loop_id", "district_id"))
    return Facts(sections, *groups, costs, NewCable(0.5, None, 0, 0.0), 4.0)


def test_rankings_by_hand() -> None:
    facts, settings = make_facts(), Settings().override("replacement", cost_per_loop=5.0)
    sections = rank_sections(facts, settings)
    assert sections["section_id"].tolist() == ["a1", "a2", "b1", "c1"]
    # failures per km: shape over rate times what the class expects per km: 400/600 x 1, 900/300 x 2, 400/200 x 0.5
    assert sections["rank"].tolist() == [3, 1, 2, 4]
    assert (
        sections["rank_lo"].tolist() == sections["rank_hi"].tolist() == sections["alike_group"].tolist() == [3, 1, 2, 4]
    )
    assert sections["rank_by_money"].tolist() == [3, 2, 1, 4]

    loops = rank_loops(facts, sections, settings).set_index("loop_id")
    assert loops["rank"].tolist() == loops["alike_group"].tolist() == [1, 2, 3]
    assert loops["replacement_cost"].tolist() == [20 + 30 + 5, 10 + 5, 0 + 5]
    assert loops["benefit_cost_ratio"].tolist() == pytest.approx([40 / 55, 40 / 15, -1 / 5])
    assert loops["net_benefit"].tolist() == [40 - 55, 40 - 15, -1 - 5]
    assert loops["rank_by_money"].tolist() == [2, 1, 3]
    assert loops["expected_rate_per_100km_year"].tolist() == pytest.approx(
        [100 * 2 / (1 * 4), 100 * 0.5 / (0.5 * 4), 0]
    )
    assert loops["sections_paying"].tolist() == [1, 1, 0]
    assert loops["avoided_failures"].tolist() == pytest.approx([1.4 + 0.3, 0.4, 0])
    assert loops["customer_minutes_at_risk"].tolist() == [5, 1, 0]
    assert loops["worst_class"].tolist() == ["Q", "P", "P"]
    assert loops["worst_class_km"].tolist() == [0.25, 0.5, 1.0]
    assert loops["oldest_installed"].dt.year.tolist()[:2] == [1970, 1980]
    assert loops["last_failure_on"].dt.year.tolist()[:2] == [2021, 2020]
    assert loops["reasons"].str.contains("expected in 4 years").all()

    free = settings.override("replacement", cost_per_loop=0.0)
    both = rank_half_loops_and_districts(facts, sections, free).set_index("group_name")
    assert both["grouped_by"].to_dict() == {
        "A/1": "half_loop",
        "B/1": "half_loop",
        "C/1": "half_loop",
        "D": "district",
        "E": "district",
    }
    # without a cost there is no ratio, and a place behind all others
    assert np.isnan(both.loc["C/1", "benefit_cost_ratio"])
    assert both["rank_by_money"].to_dict() == {"A/1": 2, "B/1": 1, "C/1": 3, "D": 1, "E": 2}
    assert rank_half_loops_and_districts(facts, sections, settings)["replacement_cost"].iloc[3] == 60 + 2 * 5
    cheap = rank_half_loops_and_districts(facts, sections, settings.override("replacement", cost_per_loop=0.5))
    assert cheap["benefit_cost_ratio"].iloc[2] == -1 / 0.5


def test_rows_are_sorted_by_name_and_equals_stay() -> None:
    frame = pd.DataFrame({"name": ["b", "a", "b", "a"], "at": range(4)}, index=[9, 8, 7, 6])
    assert in_order(frame, "name")["at"].tolist() == [1, 3, 0, 2]
    again = in_order(frame.iloc[1:3], "name")
    assert again["at"].tolist() == [1, 2]
    assert again.index.tolist() == [0, 1]
