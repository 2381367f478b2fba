"""Would the order of tests have found past faults sooner? It beside what crews used, the outward walk and halving."""

import numpy as np
import pandas as pd

from pipelines.ranking.search_orders import count_tests, find_best_order, halve_by_count, measure_entropy, walk_outward
from shared.arrays import Floats

GROUPINGS = ("all", "district")

COUNTS = ("sequence_tests", "outward_tests", "halving_tests", "expected_tests", "entropy_bits")


def backtest_searches(searches: pd.DataFrame, coverage: float) -> pd.DataFrame:
    """Tests of past jobs averaged over the jobs of each group; never for one job.

    Parameters
    ----------
    searches
        One row a job: district_id, tests (used, as recorded), chances (of each section of its half-loop as a model of
        an earlier date had them, in order from the source, two or more), place (from 1) of the section at fault.
    coverage
        Of the limits.

    Returns
    -------
    DataFrame
        marts.search_backtest: mean tests used, needed by the order (as the outcome was, and as it expected), by the
        outward walk and by halving the count, mean entropy, and what the order saves on those used and on halving.

    Notes
    -----
    Limits are Student's t over the jobs' differences; NaN for a group of one.

    Checked by: tests/unit/test_evaluation_search_backtest.py
    """
    if searches.empty:
        return pd.DataFrame()
    whole = searches.assign(all="all", **_try_orders(searches))
    parts = [
        _summarise(rows, grouping, str(name), coverage)
        for grouping in GROUPINGS
        for name, rows in whole.groupby("district_id" if grouping == "district" else grouping)
    ]
    return pd.DataFrame(parts)


def _try_orders(searches: pd.DataFrame) -> dict[str, Floats]:
    """What each order needs on each job, by COUNTS."""
    found: dict[tuple[float, ...], tuple[Floats, float, float]] = {}
    tried = np.zeros((len(searches), len(COUNTS)))
    for row, (listed, place) in enumerate(zip(searches["chances"], searches["place"].astype(int) - 1, strict=True)):
        chances, n = tuple(listed), len(listed)
        if chances not in found:  # jobs of a half-loop share its chances for as long as a model is the latest
            p, unit = np.asarray(chances) / sum(chances), np.ones((n + 1, n + 1))
            tests = count_tests(find_best_order(p, unit, unit), n)
            found[chances] = tests, float(p @ tests), measure_entropy(p)
        tests, expected, entropy = found[chances]
        others = (count_tests(order, n)[place] for order in (walk_outward, halve_by_count))
        tried[row] = tests[place], *others, expected, entropy
    return dict(zip(COUNTS, tried.T, strict=True))


def _summarise(rows: pd.DataFrame, grouping: str, name: str, coverage: float) -> dict[str, object]:
    """One row of marts.search_backtest."""
    from scipy.special import stdtrit

    n = len(rows)

    def limit(saving: pd.Series) -> tuple[float, float, float]:
        mean, half = float(saving.mean()), float("nan")
        if n > 1:
            half = float(stdtrit(n - 1, 0.5 + coverage / 2.0) * saving.std(ddof=1) / np.sqrt(n))
        return mean, mean - half, mean + half

    used, used_lo, used_hi = limit(rows["tests"] - rows["sequence_tests"])
    halving, halving_lo, halving_hi = limit(rows["halving_tests"] - rows["sequence_tests"])
    return {
        "grouped_by": grouping,
        "group_name": name,
        "jobs": n,
        "mean_tests": rows["tests"].mean(),
        "mean_sequence_tests": rows["sequence_tests"].mean(),
        "mean_outward_tests": rows["outward_tests"].mean(),
        "mean_halving_tests": rows["halving_tests"].mean(),
        "mean_expected_tests": rows["expected_tests"].mean(),
        "mean_entropy_bits": rows["entropy_bits"].mean(),
        "saved_tests": used,
        "saved_tests_lo": used_lo,
        "saved_tests_hi": used_hi,
        "saved_on_halving": halving,
        "saved_on_halving_lo": halving_lo,
        "saved_on_halving_hi": halving_hi,
    }
