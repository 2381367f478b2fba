"""The programme on random small fleets: against every subset, and against a plain integer programme."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.investment.programme import choose_options, order_programme


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
    choice = choose_options(options, budget, loop_weight=loop_weight, loop_penalty=loop_penalty, relative_gap=0.0)
    best = best_of_all(options, budget, loop_weight, loop_penalty)
    assert choice.gain == pytest.approx(best, abs=1e-6)
    assert choice.bound >= best - 1e-6
    assert choice.spent <= budget
    assert options.loc[choice.chosen, "section_id"].is_unique


@given(st.integers(0, 10_000), st.sampled_from([0.0, 3.0]))
@settings(max_examples=15, deadline=None, derandomize=True)
def test_shrinking_first_changes_nothing(seed: int, loop_penalty: float) -> None:
    from scipy.optimize import Bounds, LinearConstraint, milp

    rng = np.random.default_rng(seed)
    n, loops = 120, 15
    options = pd.DataFrame(
        {"section_id": np.arange(n), "loop_id": rng.integers(0, loops, n), "weight": rng.lognormal(2.5, 0.5, n)}
    )
    options["gain"] = options["weight"] * rng.gamma(0.6, 1.0, n)
    choice = choose_options(options, 250.0, loop_weight=6.0, loop_penalty=loop_penalty, relative_gap=0.0)
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
    assert choice.gain == pytest.approx(-plain.fun, rel=1e-7)


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
    gains = [choose_options(options, b, loop_weight=2.0, relative_gap=0.0).gain for b in (0.0, 10.0, 25.0, 60.0, 500.0)]
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
    ordered = order_programme(chosen, loop_weight=5.0)
    # b gains 60 for 25, a and c 30 for 15: a before c by name.
    assert ordered["section_id"].tolist() == ["b2", "b1", "a1", "c1"]
    assert ordered["mobilising_cost"].tolist() == [5.0, 0.0, 5.0, 5.0]
    assert ordered["programme_order"].tolist() == [1, 2, 3, 4]
