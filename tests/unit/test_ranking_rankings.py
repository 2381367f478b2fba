"""The step on a small invented fleet: rows of one table can be recomputed from those of another."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from pipelines.ranking.costs import annuity_factor
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
    check_programme(sections, tables["marts.programme"], tables["marts.replacement_figures"])
    check_money_tables(tables)
    check_backtest(tables["marts.backtest"], tables["marts.backtest_calibration"])


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


def check_programme(sections, programme, figures) -> None:
    amount, terms = figures.set_index("figure")["amount"], SETTINGS.replacement
    first = programme[programme["plan_year"].eq(1)]
    assert first["cost"].sum() + first["mobilising_cost"].sum() == pytest.approx(amount["programme_spent"])
    spent = programme.groupby("plan_year")[["cost", "mobilising_cost"]].sum().sum(axis=1)
    assert spent.index.tolist() == list(range(1, terms.programme_years + 1))
    assert (spent <= terms.budget).all()
    assert amount["programme_gap"] <= terms.programme_gap
    assert first["avoided_cost"].sum() == pytest.approx(amount["programme_gain"])
    assert programme["avoided_cost"].sum() == pytest.approx(amount["plan_gain"])
    assert amount["plan_gain"] <= amount["plan_bound"]
    known = sections.set_index("section_id")
    replaced = first[first["action"].eq("replace")]
    assert replaced["avoided_cost"].to_numpy() == pytest.approx(
        known.loc[replaced["section_id"], "avoided_cost"].to_numpy()
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
    figures, moved = tables["marts.replacement_figures"], tables["marts.input_sensitivity"]
    amount = figures.set_index("figure")["amount"]
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
    first = programme[programme["plan_year"].eq(1)]
    standing = first["net_benefit"].sum() - first["mobilising_cost"].sum()
    # Chosen once to programme_gap, once to a coarser one.
    assert moved["net_benefit"].to_numpy() == pytest.approx(standing, abs=0.01 * amount["programme_gain"])
    assert (moved["sections_paying"] == amount["sections_paying"]).all()
    ends = moved[["net_benefit", "net_benefit_at_low", "net_benefit_at_high"]]
    assert moved["swing"].to_numpy() == pytest.approx((ends.max(axis=1) - ends.min(axis=1)).to_numpy())
    price = moved.set_index("input").loc["cost_per_m_buried"]
    assert price["sections_paying_at_low"] >= price["sections_paying"] >= price["sections_paying_at_high"]


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
