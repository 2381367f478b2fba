"""The best year on random small fleets, against every year tried one after another."""

from __future__ import annotations

import dataclasses

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.investment.lifetime import Lifetime, find_best_year
from shared.settings import Replacement

LIFE = 12


def cost_of(year: int, old: np.ndarray, new: np.ndarray, price: float, failure: float, rate: float) -> float:
    """Present value of all costs of 400 years: old until a year, then new for ever, each kept as long as is cheapest.

    Year by year and in plain sums; money of a year is paid evenly through it.
    """
    v = 1.0 / (1.0 + rate)
    through = (1.0 - v) / np.log(1.0 + rate)  # present value, at the start of a year, of one unit paid through it
    # cost of a chain that begins now, by how long each link is kept: price + failures, repeated for ever
    chains = []
    for kept in range(1, LIFE + 1):
        link = price + sum(failure * new[t] * through * v**t for t in range(kept))
        chains.append(sum(link * v**begin for begin in range(0, 4000, kept)))
    return sum(failure * old[t] * through * v**t for t in range(year)) + v**year * min(chains)


@given(
    st.lists(st.floats(0, 3), min_size=LIFE, max_size=LIFE),
    st.floats(0.0, 0.3),
    st.floats(0.0, 0.2),
    st.floats(1, 40),
    st.floats(0.5, 10),
)
@settings(max_examples=150, deadline=None, derandomize=True)
def test_no_other_year_costs_less(old, first, growth, price, failure) -> None:
    rate, new = 0.05, first + growth * np.arange(LIFE)
    terms = dataclasses.replace(Replacement(), discount_rate_pct=100 * rate, cable_life_years=float(LIFE))
    lifetime = Lifetime(np.array(old)[:, None], new, np.ones(1), 5.0)
    found = find_best_year(lifetime, np.array([price]), np.array([failure]), terms)
    costs = [cost_of(year, np.array(old), new, price, failure, rate) for year in range(LIFE + 1)]
    wait = found.wait_years[0] if found.wait_years[0] >= 0 else LIFE
    assert costs[wait] <= min(costs) * (1 + 1e-9)
    assert np.isclose(found.cost_of_waiting[0], costs[1] - costs[0], rtol=1e-6, atol=1e-6 * max(costs))
