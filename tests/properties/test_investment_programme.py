"""The programme on random fleets: against every choice of small ones, and within its bound for larger ones."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.investment.options import Budget
from pipelines.investment.plan import order_work
from pipelines.investment.programme import (
    Fleet,
    Limit,
    Resources,
    Work,
    answer,
    arrange_fleet,
    choose_work,
    find_prices,
)


def fleet_of(options: pd.DataFrame, budget: float, loop_weight: float = 0.0, loop_penalty: float = 0.0) -> Fleet:
    """A plan of one year."""
    gain = options["gain"].to_numpy(dtype=float)[None, :]
    return arrange_fleet(options, gain, [budget], loop_weight=loop_weight, loop_penalty=loop_penalty)


def best_of_all(options: pd.DataFrame, budget: float, loop_weight: float, loop_penalty: float) -> float:
    """Largest gain over every choice of at most one option a section."""
    per_section = [[None, *part.index] for _, part in options.groupby("section_id")]
    best = 0.0
    for picks in itertools.product(*per_section):
        taken = options.loc[[p for p in picks if p is not None]]
        loops = taken["loop_id"].nunique()
        if taken["weight"].sum() + loop_weight * loops <= budget:
            best = max(best, taken["gain"].sum() - loop_penalty * loops)
    return best


@st.composite
def fleets(draw):
    sections = draw(st.integers(1, 6))
    rows = []
    for section in range(sections):
        loop = draw(st.integers(0, 2))
        rows += [
            {
                "section_id": section,
                "loop_id": loop,
                "weight": draw(st.integers(1, 20)),
                "gain": draw(st.integers(-5, 30)),
            }
            for _ in range(draw(st.integers(1, 2)))
        ]
    return pd.DataFrame(rows), draw(st.integers(0, 60)), draw(st.integers(0, 8)), draw(st.integers(0, 8))


@given(fleets())
@settings(max_examples=120, deadline=None, derandomize=True)
def test_no_choice_gains_more(fleet) -> None:
    options, budget, loop_weight, loop_penalty = fleet
    work = choose_work(fleet_of(options, budget, loop_weight, loop_penalty), 0.0)
    best = best_of_all(options, budget, loop_weight, loop_penalty)
    assert work.gain == pytest.approx(best, abs=1e-6)
    assert work.bound >= best - 1e-6
    assert work.spent[0] <= budget
    assert options.loc[work.year == 0, "section_id"].is_unique


@given(st.integers(0, 10_000), st.sampled_from([0.0, 3.0]))
@settings(max_examples=15, deadline=None, derandomize=True)
def test_a_plain_integer_programme_gains_the_same(seed: int, loop_penalty: float) -> None:
    from scipy.optimize import Bounds, LinearConstraint, milp

    rng = np.random.default_rng(seed)
    n, loops = 120, 15
    options = pd.DataFrame(
        {"section_id": np.arange(n), "loop_id": rng.integers(0, loops, n), "weight": rng.lognormal(2.5, 0.5, n)}
    )
    options["gain"] = options["weight"] * rng.gamma(0.6, 1.0, n)
    work = choose_work(fleet_of(options, 250.0, 6.0, loop_penalty), 0.0)
    opened = np.zeros((n, loops))
    opened[np.arange(n), options["loop_id"]] = 1.0
    plain = milp(
        np.concatenate([-options["gain"], np.full(loops, loop_penalty)]),
        constraints=[
            LinearConstraint(np.concatenate([options["weight"], np.full(loops, 6.0)])[None, :], -np.inf, 250.0),
            LinearConstraint(np.hstack([np.eye(n), -opened]), -np.inf, 0.0),
        ],
        bounds=Bounds(0.0, 1.0),
        integrality=np.ones(n + loops, dtype=int),
        options={"mip_rel_gap": 0.0},
    )
    assert work.gain == pytest.approx(-plain.fun, rel=1e-7)


@given(st.integers(0, 1000))
@settings(max_examples=20, deadline=None, derandomize=True)
def test_a_larger_budget_never_gains_less(seed: int) -> None:
    rng = np.random.default_rng(seed)
    options = pd.DataFrame(
        {
            "section_id": np.arange(30),
            "loop_id": rng.integers(0, 6, 30),
            "weight": rng.uniform(1, 9, 30),
            "gain": rng.uniform(0, 9, 30),
        }
    )
    gains = [choose_work(fleet_of(options, budget, 2.0), 0.0).gain for budget in (0.0, 10.0, 25.0, 60.0, 500.0)]
    assert gains == sorted(gains)
    assert gains[-1] == pytest.approx(options["gain"].sum())


def test_the_order_is_by_loop_then_section_and_mobilising_is_borne_once() -> None:
    chosen = pd.DataFrame(
        {
            "section_id": ["a1", "b1", "b2", "c1"],
            "loop_id": ["a", "b", "b", "c"],
            "weight": [10.0, 10.0, 10.0, 10.0],
            "gain": [30.0, 20.0, 40.0, 30.0],
        }
    )
    ordered = order_work(chosen, Budget(100.0, is_km=False, cost_per_loop=5.0))
    # b gains 60 for 25, a and c 30 for 15: a before c by name.
    assert ordered["section_id"].tolist() == ["b2", "b1", "a1", "c1"]
    assert ordered["mobilising_cost"].tolist() == [5.0, 0.0, 5.0, 5.0]


def draw_years(seed: int, sections: int, years: int) -> tuple[pd.DataFrame, Fleet]:
    """Two actions a section in loops of about ten, gains that fall from year to year, money for a tenth each year."""
    rng = np.random.default_rng(seed)
    length = rng.lognormal(4.4, 0.45, sections)
    loop = rng.integers(0, max(sections // 10, 1), sections)
    gain = length * 80 * rng.gamma(0.5, 1.0, sections) * rng.gamma(2.0, 0.5, sections)[loop]
    options = pd.DataFrame(
        {
            "section_id": np.repeat(np.arange(sections), 2),
            "loop_id": np.repeat(loop, 2),
            "weight": np.outer(length, [55.0, 190.0]).ravel(),
        }
    )
    gains = np.outer(0.95 ** np.arange(years), np.outer(gain, [0.5, 1.0]).ravel())
    budget = np.full(years, 0.1 * 190 * length.sum() / years)
    return options, arrange_fleet(options, gains, budget, loop_weight=6000.0, loop_penalty=100.0)


def check_work(options: pd.DataFrame, fleet: Fleet, work: Work) -> None:
    """Gain and spending of the work by plain sums, budgets kept, a section worked on once, a loop in two years."""
    done = options.assign(year=work.year)[work.year >= 0]
    opened = done.groupby("year")["loop_id"].nunique().reindex(range(len(work.spent)), fill_value=0)
    spent = done.groupby("year")["weight"].sum().reindex(opened.index, fill_value=0.0) + 6000.0 * opened
    assert work.spent == pytest.approx(spent.to_numpy())
    assert (work.spent <= fleet.most * (1 + 1e-9)).all()
    assert done["section_id"].is_unique
    assert done.groupby("loop_id")["year"].nunique().max() <= 2
    place = {row: place for place, row in enumerate(fleet.row)}
    gain = sum(fleet.gain[year, place[row]] for row, year in done["year"].items()) - 100.0 * opened.sum()
    assert work.gain == pytest.approx(gain)
    assert work.bound >= work.gain


@pytest.mark.parametrize(
    ("sections", "years", "most"),
    # given whole; chosen among answers; settled by prices of a sample first
    [(40, 2, 0.001), (400, 5, 0.015), (3000, 4, 0.002), (14_000, 3, 0.004), (14_000, 1, 0.004)],
)
def test_larger_fleets_come_near_their_bound(sections: int, years: int, most: float) -> None:
    options, fleet = draw_years(sections + years, sections, years)
    work = choose_work(fleet)
    check_work(options, fleet, work)
    assert work.gap <= most
    again = choose_work(draw_years(sections + years, sections, years)[1])
    assert (again.year == work.year).all()


@pytest.mark.parametrize("seed", range(4))
def test_the_bound_is_that_of_its_formula(seed: int) -> None:
    """L(p) by plain loops over sets of one and two years, at the prices found and at random ones."""
    options, fleet = draw_years(seed, 30, 3)
    gains = np.zeros((3, len(options)))
    gains[:, fleet.row] = fleet.gain

    def limit(prices: np.ndarray) -> float:
        total = float(prices @ fleet.most)
        for _, loop in options.groupby("loop_id"):
            best = 0.0
            for years in [c for size in (1, 2) for c in itertools.combinations(range(3), size)]:
                value = -sum(6000.0 * prices[year] + 100.0 for year in years)
                for _, section in loop.groupby("section_id"):
                    pairs = [(row, year) for row in section.index for year in years]
                    value += max(0.0, *(gains[y, row] - prices[y] * options["weight"][row] for row, y in pairs))
                best = max(best, value)
            total += best
        return total

    prices, bound, _ = find_prices(fleet)
    assert bound == pytest.approx(limit(prices))
    rng = np.random.default_rng(seed)
    for _ in range(5):
        tried = prices * rng.uniform(0.7, 1.4, 3)
        assert answer(fleet, tried).bound == pytest.approx(limit(tried))
        assert bound <= limit(tried) * (1 + 1e-4)


@st.composite
def limited_fleets(draw):
    """Two years, two districts, projects of several loops, a second resource, a least amount and commitments."""
    sections = draw(st.integers(2, 5))
    place = [draw(st.integers(0, 2)) for _ in range(sections)]
    options = pd.DataFrame(
        [
            {"section_id": s, "loop_id": f"L{s}", "project_id": place[s], "weight": float(draw(st.integers(1, 12)))}
            for s in range(sections)
            for _ in range(draw(st.integers(1, 2)))
        ]
    )
    n = len(options)
    gain = np.array([[draw(st.integers(-5, 30)) for _ in range(n)] for _ in range(2)], dtype=float)
    committed = np.zeros(n, dtype=bool)
    for section in range(sections):
        if draw(st.integers(0, 3)) == 0:
            rows = np.flatnonzero(options["section_id"] == section)
            committed[rows[0]] = True
            gain[:, rows[1:]] = 0.0
            if draw(st.booleans()):
                gain[draw(st.integers(0, 1)), rows[0]] = -np.inf
    weeks = np.array([[float(draw(st.integers(0, 5))) for _ in range(n)]])
    limits = (
        Limit((0,), float(draw(st.integers(0, 20))), 1),
        Limit((0, 1), float(draw(st.integers(0, 30))), 0, 0),
        Limit((0, 1), float(draw(st.integers(0, 15))), 0, 1, is_least=True),
    )
    district = options["project_id"].to_numpy() % 2
    budget = [float(draw(st.integers(0, 30))) for _ in range(2)]
    return options, gain, budget, Resources(weeks, np.zeros(1), limits, district), committed


def score_choices(fleet: Fleet, options: pd.DataFrame, more: Resources, budget: list[float]):
    """Every choice that keeps to the limits: bonus and shortfall counted, gain alone, and commitments kept."""
    n = len(options)
    gain, bonus = np.full((2, n), -np.inf), np.zeros(n)
    gain[:, fleet.row], bonus[fleet.row] = fleet.gain, fleet.bonus
    per_section = [
        [None, *((row, year) for row in part.index for year in (0, 1) if gain[year, row] > 0)]
        for _, part in options.groupby("section_id")
    ]
    for picks in itertools.product(*per_section):
        taken = [pick for pick in picks if pick is not None]
        opened = {(options["project_id"][row], year) for row, year in taken}
        spent = [
            sum(options["weight"][row] for row, year in taken if year == each)
            + 2.0 * sum(year == each for _, year in opened)
            for each in (0, 1)
        ]
        weeks = sum(more.weight[0, row] for row, year in taken if year == 0)
        of_district = [
            sum(options["weight"][row] for row, _ in taken if more.district[row] == each)
            + 2.0 * sum(project % 2 == each for project, _ in opened)
            for each in (0, 1)
        ]
        if max(spent[0] - budget[0], spent[1] - budget[1], weeks - more.limits[0].amount) > 1e-9:
            continue
        if of_district[0] > more.limits[1].amount:
            continue
        whole = sum(gain[year, row] for row, year in taken) - len(opened)
        short = max(more.limits[2].amount - of_district[1], 0.0) * 10.0 * fleet.usual_price
        yield whole - short, whole - sum(bonus[row] for row, _ in taken), sum(bonus[row] > 0 for row, _ in taken)


@given(limited_fleets())
@settings(max_examples=150, deadline=None, derandomize=True)
def test_no_choice_under_commitments_projects_and_limits_is_better(fleet) -> None:
    options, gain, budget, more, committed = fleet
    given = arrange_fleet(options, gain, budget, loop_weight=2.0, loop_penalty=1.0, more=more, committed=committed)
    work = choose_work(given, 0.0)
    choices = list(score_choices(given, options, more, budget))
    best, best_gain, kept = max(choices)
    done = options[work.year >= 0]
    assert done["section_id"].is_unique
    assert (work.spent[:2] <= np.array(budget) + 1e-9).all()
    kept_here = int((committed & (work.year >= 0)).sum())
    # as many commitments as can be kept together are kept, and of what is left the best is made
    assert kept_here == kept == max(count for *_, count in choices)
    chosen = [(row, work.year[row]) for row in np.flatnonzero(work.year >= 0)]
    assert any(np.isclose(gain_of, work.gain) and count == kept_here for _, gain_of, count in choices)
    assert all(gain[year, row] > -np.inf for row, year in chosen)
    if not more.limits[2].amount:
        assert work.gain == pytest.approx(best_gain, abs=1e-6)
    assert work.bound >= work.gain - 1e-6
    assert best >= max(score for score, *_ in choices)
