"""Would the order of tests have found past faults sooner? It beside what crews used, the outward walk and halving."""

from __future__ import annotations

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
        for name, rows in whole.groupby("district_id" if grouping == "district" else grouping, observed=True)
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
    told: dict[str, object] = {"grouped_by": grouping, "group_name": name, "jobs": n}
    told |= {f"mean_{column}": rows[column].mean() for column in ("tests", *COUNTS)}
    for saved, column in (("saved_tests", "tests"), ("saved_on_halving", "halving_tests")):
        saving = rows[column] - rows["sequence_tests"]
        mean, half = saving.mean(), np.nan
        if n > 1:
            half = stdtrit(n - 1, 0.5 + coverage / 2.0) * saving.std(ddof=1) / np.sqrt(n)
        told |= {saved: mean, f"{saved}_lo": mean - half, f"{saved}_hi": mean + half}
    return told
