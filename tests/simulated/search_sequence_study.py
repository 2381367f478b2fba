"""How many tests does the order of search-sequence save on simulated half-loops?

python -m tests.simulated.search_sequence_study [HALF_LOOPS] [SEED]

Half-loops of some sections, laid in up to three runs of one class and age each, lengths log-normal about 90 m; every
section fails at its class's rate times a gamma multiplier of variance 0.5 that its half-loop shares and one of its own.
Twenty years of failures are on record; from them and the class's rate each section's posterior mean is the chance that
the order is given, as in use. Costs are averaged over the true rates. Printed by number of sections: tests of the
outward walk, of halving by count, of this order as in use and with the rates known, the entropy of the true chances;
tests where one indicator in the middle is read (as good as the settings say); minutes and customer-minutes.
"""

from __future__ import annotations

import sys

import numpy as np
import pandas as pd

from pipelines.ranking.search_orders import (
    add_costs,
    find_best_order,
    follow,
    halve_by_count,
    measure_entropy,
    walk_outward,
)  # fmt: skip
from pipelines.ranking.search_sequence import Chain, Evidence, cost_tests, weigh_evidence
from shared.arrays import Floats
from shared.settings import Settings

SIZES = (3, 5, 8, 12, 20, 40)
CLASS_RATES = (12.0, 4.0, 1.5, 0.5)
"""Failures per 100 km and year of a class at its age: old bare cable to new cable in duct."""
YEARS_ON_RECORD = 20.0
VARIANCE = 0.5


def draw_chain(sections: int, rng: np.random.Generator) -> tuple[Chain, Floats]:
    """A half-loop with the chances as in use, and its true chances."""
    cuts = np.sort(rng.integers(0, sections + 1, 2))
    run = np.searchsorted(cuts, np.arange(sections), side="right")
    length = rng.lognormal(np.log(90.0), 0.4, sections)
    mean = np.array(rng.choice(CLASS_RATES, 3))[run] / 100.0 * length / 1000.0
    shared, own = rng.gamma(1 / VARIANCE, VARIANCE), rng.gamma(1 / VARIANCE, VARIANCE, sections)
    true = mean * shared * own
    seen = rng.poisson(true * YEARS_ON_RECORD)
    # what the half-loop shares moves all of its sections alike, and their relative chances not at all
    chances = mean * (1 / VARIANCE + seen) / (1 / VARIANCE + mean * YEARS_ON_RECORD)
    customers = np.concatenate([[0.0], rng.poisson(8, sections)]).astype(float)
    terminals = tuple(f"T{k}" for k in range(sections + 1))
    names = tuple(f"S{k}" for k in range(1, sections + 1))
    chain = Chain("L/A", names, terminals, chances / chances.sum(), length, length, customers, True)
    return chain, true / true.sum()


def compare_orders(chain: Chain, true: Floats, settings: Settings) -> dict[str, float]:
    """What each order costs on average over the true chances."""
    n = len(true)
    told: dict[str, float] = {"entropy": measure_entropy(true)}
    for by in ("tests", "minutes", "customer_minutes"):
        costs = cost_tests(chain, by, settings)
        orders = {
            "outward": walk_outward, "halving": halve_by_count, "order": find_best_order(chain.chances, *costs),
            "known": find_best_order(true, *costs),
        }  # fmt: skip
        told |= {f"{by}_{name}": float(true @ add_costs(follow(order, n), *costs)) for name, order in orders.items()}
    terms, middle, costs = settings.restoration, chain.terminals[n // 2], cost_tests(chain, "tests", settings)
    trips = np.where(np.arange(n) >= n // 2, terms.indicator_sensitivity, terms.indicator_false_trips)
    told["tests_indicator"] = 0.0
    for evidence, share in ((Evidence(tripped=(middle,)), trips), (Evidence(not_tripped=(middle,)), 1.0 - trips)):
        order = find_best_order(weigh_evidence(chain, evidence, settings), *costs)
        told["tests_indicator"] += float((true * share) @ add_costs(follow(order, n), *costs))
    return told


def run_study(half_loops: int, seed: int, sizes: tuple[int, ...] = SIZES) -> pd.DataFrame:
    """Means over half-loops of every size: one row a size."""
    rng, settings = np.random.default_rng(seed), Settings()
    rows = [
        {"sections": sections} | compare_orders(*draw_chain(sections, rng), settings)
        for sections in sizes
        for _ in range(half_loops)
    ]
    return pd.DataFrame(rows).groupby("sections").mean()


def main() -> None:
    half_loops, seed = (int(text) for text in [*sys.argv[1:], *("2000", "1")[len(sys.argv) - 1 :]])
    found = run_study(half_loops, seed)
    print(f"{half_loops} half-loops of each size, seed {seed}; means over the true chances\n")
    for by, more in (("tests", ["tests_indicator", "entropy"]), ("minutes", []), ("customer_minutes", [])):
        shown = found[[*(f"{by}_{name}" for name in ("outward", "halving", "order", "known")), *more]]
        print(shown.round(2 if by == "tests" else 1).to_string(), end="\n\n")


if __name__ == "__main__":
    main()
