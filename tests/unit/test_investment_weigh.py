"""A list weighed: its sums are those of its sections, its limits those of the list, by the tables that are written."""

from __future__ import annotations

import dataclasses
import datetime as dt

import numpy as np
import pandas as pd
import pytest

from pipelines.investment.fleet_draws import FleetDraws, prepare_draws
from pipelines.investment.lifetime import LONGEST_YEARS, Lifetime, look_ahead, weigh_years
from pipelines.investment.tables import plan_money, use_learned_injection
from pipelines.investment.weigh import ACTIONS, Listed, choose_actions, put_together, weigh, weigh_waiting
from pipelines.ranking.rankings import in_order
from shared.settings import Settings
from synthetic_data.demo import make_tables
from tests.conftest import warehouse_maker
from tests.replacement_fleets import FAILURE, PLAIN, run_ranking

SETTINGS = Settings().override("general", as_of=dt.date(2025, 12, 31)).override("replacement", budget=400_000.0)


def make_listed(money, facts, settings: Settings, section_ids: pd.Series) -> Listed:
    """A list from the tables of the step, as a page takes it from the results."""
    columns = ["section_id", "cable_class", "length_km", "expected_failures", "cost_per_failure"]
    columns += ["customer_minutes_per_failure"]
    sections = (
        facts.sections[columns].merge(money.options, on="section_id").merge(money.failures_ahead, on="section_id")
    )
    kept = in_order(sections[sections["section_id"].isin(section_ids)], "section_id")
    figures = money.figures.set_index("figure")["amount"]
    return put_together(kept, money.class_draws, money.class_growth, money.new_cable_ahead, figures, settings)


@pytest.fixture(scope="module")
def fleet(tmp_path_factory):
    con = warehouse_maker(tmp_path_factory.mktemp("weigh"))(make_tables(60, 7), settings=SETTINGS)
    fitted, _, facts = run_ranking(con, SETTINGS)
    con.close()
    money = plan_money(facts, fitted.model, SETTINGS)
    return fitted.model, facts, money, make_listed(money, facts, SETTINGS, facts.sections["section_id"])


def test_the_failures_written_are_those_of_the_model(fleet) -> None:
    model, _, _, listed = fleet
    place = pd.Index(model.windows.sections["section_id"]).get_indexer(listed.sections["section_id"])
    for years in (1, 5, 17, LONGEST_YEARS):
        wanted = (model.ahead(years) * model.posterior.mean)[place]
        assert listed.lifetime.old[:years].sum(axis=0) == pytest.approx(wanted, rel=1e-6), years


def test_limits_of_a_list_are_those_of_the_model_s_draws(fleet) -> None:
    """Every third section over five and over twenty years: from the tables, and from the model's draws themselves."""
    model, facts, _, listed = fleet
    terms = use_learned_injection(SETTINGS.replacement, model)
    lifetime = look_ahead(model, listed.sections["section_id"], facts.new_cable, terms, 5.0)
    place = pd.Index(model.windows.sections["section_id"]).get_indexer(listed.sections["section_id"])
    draws = prepare_draws(model, lifetime, place, np.random.default_rng(1960))
    third = np.arange(len(place)) % 3 == 0
    for years in (5, 20):
        weights = lifetime.old[:years].sum(axis=0) * third
        drawn = draws.draw(weights, draws.average_growth(np.ones(years)), np.random.default_rng(8))
        mean, *ends = listed.take(third).expect(years)
        assert mean == pytest.approx(weights.sum(), rel=1e-6)
        assert ends == pytest.approx(np.quantile(drawn, [0.05, 0.95]), rel=0.05)


def test_sums_are_those_of_the_section_rows(fleet) -> None:
    *_, listed = fleet
    rows = listed.sections
    some = listed.take(rows["loop_id"].isin(rows["loop_id"].unique()[::4]).to_numpy())
    rows, weighed = some.sections, weigh(some, 5).set_index("action")
    assert tuple(weighed.index) == ACTIONS
    replaced, injected, wait = (weighed.loc[name] for name in ("replace", "inject", "wait"))
    loops = rows["loop_id"].nunique() * SETTINGS.replacement.cost_per_loop
    assert replaced["cost"] == pytest.approx(rows["replace_cost"].sum() + loops)
    assert replaced["avoided_cost"] == pytest.approx(rows["replace_avoided_cost"].sum(), rel=1e-6)
    assert replaced["replaced_km"] == pytest.approx(rows["length_km"].sum())
    can = rows["inject_cost"].notna()
    assert 0 < can.sum() == injected["sections_injected"] < len(rows)
    assert injected["avoided_cost"] == pytest.approx(rows["inject_avoided_cost"].sum(), rel=1e-6)
    assert injected["cost"] - injected["mobilising_cost"] == pytest.approx(rows["inject_cost"].sum())
    assert injected["loops"] == rows.loc[can, "loop_id"].nunique()
    assert wait["expected_failures"] == pytest.approx(rows["expected_failures"].sum(), rel=1e-6)
    assert (wait["cost"], wait["avoided_failures"], wait["avoided_cost_hi"]) == (0.0, 0.0, 0.0)
    minutes = rows["expected_failures"] * rows["customer_minutes_per_failure"]
    assert wait["customer_minutes_at_risk"] == pytest.approx(minutes.sum(), rel=1e-6)
    for name, action in weighed.iterrows():
        assert action["expected_failures"] + action["avoided_failures"] == pytest.approx(wait["expected_failures"]), (
            name
        )
        assert action["avoided_cost_lo"] <= action["avoided_cost"] <= action["avoided_cost_hi"], name
    waits = weigh_waiting(some)
    assert waits["cost_of_waiting"][0] == pytest.approx(rows["cost_of_waiting"].sum(), abs=0.01)
    assert waits["expected_failures"][1] == pytest.approx(rows["expected_failures"].sum(), rel=1e-6)


def test_replacing_the_first_year_s_work_is_worth_what_the_programme_says(fleet) -> None:
    """Where nothing is injected the programme replaces all that it names, and both count alike."""
    model, facts, *_ = fleet
    settings = SETTINGS.override("replacement", injection_multiplier=1.0)
    money = plan_money(facts, model, settings)
    work = money.programme[money.programme["plan_year"].eq(1)]
    assert work["action"].eq("replace").all() and len(work) > 10
    amount = money.figures.set_index("figure")["amount"]
    found = weigh(make_listed(money, facts, settings, work["section_id"]), 5).set_index("action").loc["replace"]
    assert found["cost"] == pytest.approx(amount["programme_spent"])
    assert found["avoided_failures"] == pytest.approx(work["avoided_failures"].sum(), rel=1e-6)
    assert found["avoided_customer_minutes"] == pytest.approx(work["avoided_customer_minutes"].sum(), rel=1e-6)
    for own, name in (("avoided_cost", "programme_avoided_cost"), ("benefit_cost", "programme_benefit_cost")):
        assert found[own] == pytest.approx(amount[name], rel=1e-6)
        for end in ("lo", "hi"):  # other draws of the same posterior
            assert found[f"{own}_{end}"] == pytest.approx(amount[f"{name}_{end}"], rel=0.06)


def test_a_whole_loop_bears_its_mobilising_once_and_no_list_of_it_twice(fleet) -> None:
    """The cheapest mix of a list is the sum of the mixes of its loops, and no action of one kind gains more there."""
    *_, listed = fleet
    whole = weigh(listed, 5).set_index("action")["net_benefit"]
    by_loop = [
        weigh(listed.take(listed.sections["loop_id"].eq(loop).to_numpy()), 5).set_index("action")["net_benefit"]
        for loop in listed.sections["loop_id"].unique()
    ]
    assert whole["mix"] == pytest.approx(sum(each["mix"] for each in by_loop), abs=0.01)
    assert min(each["mix"] for each in by_loop) >= 0.0


# ------------------------------------------------------------------ by hand

OLD = np.array([[0.2] * 40, [0.1] * 40, [0.0] * 20 + [0.4] * 20]).T


def make_certain(**changes) -> Listed:
    """Three sections without any doubt, money not discounted: two on loop A, one on loop B."""
    sections = pd.DataFrame(
        {
            "section_id": ["A1", "A2", "B1"],
            "loop_id": ["A", "A", "B"],
            "length_km": [0.2, 0.2, 0.1],
            "cost_per_failure": FAILURE,
            "customer_minutes_per_failure": 2000.0,
            "replace_cost": [20_000.0, 20_000.0, 10_000.0],
            "replace_avoided_cost": FAILURE * np.array([7.6, 3.6, 7.6]),
            "inject_cost": [np.nan, 8_000.0, np.nan],
            "inject_avoided_cost": [np.nan, 0.7 * 0.1 * 20 * FAILURE, np.nan],
            "best_action_now": ["replace", "inject", "wait"],
            # a year's failures less a charge of 600, 600 and 300
            "cost_of_waiting": [0.2 * FAILURE - 600, 0.1 * FAILURE - 600, -300.0],
        }
    )
    standard = np.stack([np.full((1, 50), 0.5), np.zeros((1, 50))])  # with a deviation of 1 a factor of just 1
    kind, loop = np.zeros(3, dtype=int), np.array([0, 0, 1])
    draws = FleetDraws(["X"], np.zeros(3), np.zeros(2), loop, kind, OLD[:, :1], np.ones(1), np.zeros((40, 1)), standard)
    lifetime = Lifetime(OLD, np.full(40, 0.05), np.full(3, 0.2), 5.0)
    listed = Listed(sections, lifetime, draws, 0.0, 0.0, PLAIN, 0.9)
    return dataclasses.replace(listed, **changes)


def test_each_action_by_hand() -> None:
    found = weigh(make_certain(), 30).set_index("action")
    # 30 years: 6, 3 and 10 x 0.4 failures; new cable of 0.2 km fails 0.01 a year
    assert found["expected_failures"].to_dict() == pytest.approx(
        {"replace": 0.9, "inject": 6 + (20 * 0.03 + 10 * 0.1) + 4, "wait": 13.0, "mix": 0.3 + 1.6 + 4.0}
    )
    assert found["avoided_customer_minutes"].to_dict() == pytest.approx(
        {"replace": 24_200.0, "inject": 2_800.0, "wait": 0.0, "mix": 14_200.0}
    )
    assert found["avoided_cost_in_horizon"]["mix"] == pytest.approx(7.1 * FAILURE)
    assert found["avoided_cost"].to_dict() == pytest.approx(
        {"replace": FAILURE * 18.8, "inject": FAILURE * 1.4, "wait": 0.0, "mix": FAILURE * 9.0}
    )
    assert found["cost"].to_dict() == {"replace": 52_000.0, "inject": 9_000.0, "wait": 0.0, "mix": 29_000.0}
    assert found["benefit_cost"]["mix"] == pytest.approx(FAILURE * 9.0 / 29_000)
    assert found["net_benefit"]["mix"] == pytest.approx(FAILURE * 9.0 - 29_000)
    # what is certain has no width
    assert found["avoided_cost_lo"].tolist() == pytest.approx(found["avoided_cost_hi"].tolist(), rel=1e-4)


def test_a_part_of_a_year_of_an_injection_counts_in_part() -> None:
    listed = make_certain(terms=dataclasses.replace(PLAIN, injection_years=2.5))
    found = weigh(listed, 5).set_index("action").loc["inject"]
    assert found["avoided_failures"] == pytest.approx(0.7 * 0.1 * 2.5)
    assert found["avoided_cost"] == pytest.approx(0.7 * 0.1 * 2.5 * FAILURE)


def test_the_share_that_injection_leaves_widens_what_is_injected_alone() -> None:
    found = weigh(make_certain(left_variation=0.5), 5).set_index("action")
    width = found["expected_failures_hi"] - found["expected_failures_lo"]
    assert width["wait"] == pytest.approx(0.0, abs=1e-4) and width["replace"] == pytest.approx(0.0, abs=1e-4)
    assert width["inject"] == pytest.approx(width["mix"], abs=1e-4) and width["inject"] > 0.1
    # with 0.5 expected of it, no draw leaves more than all of it
    assert found["avoided_failures_lo"]["inject"] >= -1e-4


def test_new_cable_s_level_widens_what_is_replaced_alone() -> None:
    found = weigh(make_certain(new_variation=0.5), 5).set_index("action")
    width = found["avoided_failures_hi"] - found["avoided_failures_lo"]
    assert width["replace"] > 0.05 and width["inject"] == pytest.approx(0.0, abs=1e-4)


def test_mobilising_that_is_not_gained_leaves_a_loop_waiting() -> None:
    dear = make_certain(terms=dataclasses.replace(PLAIN, cost_per_loop=10.0 * FAILURE))
    assert choose_actions(dear)["mix"].tolist() == ["wait", "wait", "wait"]
    assert choose_actions(make_certain())["mix"].tolist() == ["replace", "inject", "wait"]


def test_waiting_by_hand() -> None:
    found = weigh_waiting(make_certain()).set_index("wait_years")
    assert found["expected_failures"].tolist() == pytest.approx([0.3, 1.5])
    assert found["failure_cost"].tolist() == pytest.approx([0.3 * FAILURE, 1.5 * FAILURE])
    assert found["later_payment_saves"].tolist() == pytest.approx([1_500.0, 7_500.0])
    assert found["cost_of_waiting"].tolist() == pytest.approx([0.3 * FAILURE - 1_500, 1.5 * FAILURE - 7_500])
    half = make_certain(terms=dataclasses.replace(PLAIN, discount_rate_pct=5.0))
    weights = weigh_years(5, 5.0)
    assert weigh_waiting(half)["failure_cost"][1] == pytest.approx(0.3 * FAILURE * weights.sum())


def test_the_same_list_has_the_same_limits(fleet) -> None:
    *_, listed = fleet
    few = listed.take(np.arange(len(listed.sections)) < 30)
    pd.testing.assert_frame_equal(weigh(few, 7), weigh(few, 7))
