"""What the plan and the cost curve cost on a large fleet, and the plan beside the solver alone.

Run: python -m tests.benchmarks.replacement_money [SECTIONS]

The solver alone (HiGHS) is given the whole plan as one integer programme, on fleets small enough for it.
"""

from __future__ import annotations

import dataclasses
import sys
import time

import numpy as np
import pandas as pd
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array

from pipelines.investment.cost_curve import trace_cost_curve
from pipelines.investment.options import list_options
from pipelines.investment.plan import plan_years
from shared.settings import Replacement

RATE = 0.5
GROWTH = 1.03


def draw_sections(sections: int, seed: int = 0) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Sections in loops of about eleven, and their forecasts of five years, growing by three percent a year."""
    rng = np.random.default_rng(seed)
    loops = max(1, sections // 11)
    loop = np.sort(rng.integers(0, loops, sections))
    length = rng.lognormal(np.log(0.085), 0.45, sections)
    expected = length * 0.5 * rng.gamma(0.5, 1.0, sections) * rng.gamma(2.0, 0.5, loops)[loop]
    frame = pd.DataFrame(
        {
            "section_id": [f"S{place:07d}" for place in range(sections)],
            "loop_id": [f"L{each:06d}" for each in loop],
            "length_km": length,
            "installation": pd.Categorical(rng.choice(["buried", "duct"], sections, p=[0.7, 0.3])),
            "expected_failures": expected,
            "customer_minutes_per_failure": rng.lognormal(8.5, 0.5, sections),
            "customers_interrupted_per_failure": 40.0,
            "repair_cost_per_failure": 7_000.0,
        }
    )
    frame["is_injectable"] = frame["installation"].eq("buried") & (rng.random(sections) < 0.8)
    forecasts = pd.DataFrame({year: expected * GROWTH**year for year in range(5)}, index=frame["section_id"])
    return frame, forecasts


def best_plan(frame: pd.DataFrame, forecasts: pd.DataFrame, terms: Replacement, gap: float) -> tuple[float, float]:
    """Gain of the best plan of all years together, and its proven limit."""
    offers = [
        list_options(frame.assign(expected_failures=forecasts[year].to_numpy()), RATE, terms, 5.0, year=year)
        for year in forecasts.columns
    ]
    pairs = pd.concat([offer.assign(year=year) for year, offer in enumerate(offers)], ignore_index=True)
    pairs = pairs[pairs["is_offered"]].reset_index(drop=True)
    opened, opened_place = np.unique(pairs["year"].astype(str) + pairs["loop_id"], return_inverse=True)
    year_of_opened = np.array([int(name[0]) for name in opened])
    n, columns = len(pairs), len(pairs) + len(opened)
    rows = np.arange(n)
    link = coo_array(
        (np.repeat([1.0, -1.0], n), (np.tile(rows, 2), np.concatenate([rows, n + opened_place]))), shape=(n, columns)
    )
    section, _ = pd.factorize(pairs["section_id"])
    once = coo_array((np.ones(n), (section, rows)), shape=(section.max() + 1, columns))
    spent = coo_array(
        (
            np.concatenate([pairs["weight"], np.full(len(opened), terms.cost_per_loop)]),
            (np.concatenate([pairs["year"], year_of_opened]), np.arange(columns)),
        ),
        shape=(len(offers), columns),
    )
    found = milp(
        -np.concatenate([pairs["gain"], np.zeros(len(opened))]),
        constraints=[
            LinearConstraint(link, -np.inf, 0.0),
            LinearConstraint(once, -np.inf, 1.0),
            LinearConstraint(spent, -np.inf, terms.budget),
        ],
        bounds=Bounds(0.0, 1.0),
        integrality=np.ones(columns),
        options={"mip_rel_gap": gap, "time_limit": 60.0},
    )
    return -float(found.fun), -float(found.mip_dual_bound)


def measure_solver(sections: int, seed: int, terms: Replacement, gap: float = 0.003) -> tuple[float, float, float]:
    """Gain of the plan, what HiGHS alone proves that none can pass, and our limit, of a fleet; prints them."""
    frame, forecasts = draw_sections(sections, seed)
    budget = 0.03 * float((190_000 * frame["length_km"]).sum())
    terms = dataclasses.replace(terms, budget=budget, cost_per_loop=6_000.0)
    start = time.process_time()
    plan = plan_years(frame, forecasts, RATE, terms, 5.0)
    ours = time.process_time()
    best, limit = best_plan(frame, forecasts, terms, gap)
    alone = time.process_time()
    print(
        f"{sections:,} sections, seed {seed}: plan {plan.gain:,.0f} in {ours - start:.1f} s, at most "
        f"{plan.bound:,.0f}; solver alone {best:,.0f} in {alone - ours:.1f} s, at most {limit:,.0f}"
    )
    return plan.gain, limit, plan.bound


def main(sections: int = 100_000) -> float:
    """Print seconds and gaps; returns the plan's gap."""
    frame, forecasts = draw_sections(sections)
    terms = Replacement()
    terms = dataclasses.replace(terms, budget=0.03 * float((190_000 * frame["length_km"]).sum()))
    start = time.process_time()
    plan = plan_years(frame, forecasts, RATE, terms, 5.0)
    years = time.process_time()
    curve = trace_cost_curve(list_options(frame, RATE, terms, 5.0), terms)
    curved = time.process_time()
    print(
        f"{sections:,} sections, budget {terms.budget:,.0f} a year: plan of {len(plan.years)} years "
        f"{years - start:.2f} s, gap {100 * plan.gap:.3f} % of the bound; curve of {len(curve)} points "
        f"{curved - years:.2f} s (CPU)"
    )
    return plan.gap


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
    for size, seed in ((400, 1), (400, 2), (400, 3), (2_000, 1)):
        measure_solver(size, seed, Replacement())
