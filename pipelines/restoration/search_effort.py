"""How many tests did the crews use to find the section, against the least that halving needs?"""

import bisect
from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from pipelines.restoration.limits import limit_clustered_means
from shared import dictionary
from shared.arrays import Floats


def count_expected_tests(chances: ArrayLike) -> float:
    """Tests a crew needs on average when every test splits the chain where the fault is equally likely on both sides.

    Parameters
    ----------
    chances
        Relative chance of each section of the chain, in order, at least 0, of any sum above 0.

    Returns
    -------
    float
        Sum over the tests of the probability that the search gets to them; 0 for a single section.

    Notes
    -----
    A test between two sections tells on which side the fault lies. Each run of sections is split where the
    cumulative chance is nearest to one half; with equal chances this is halving the count.

    References
    ----------
    K. Mehlhorn, SIAM Journal on Computing 6 (1977): the rule of bisection, within 2 tests of the entropy (from memory).

    Checked by: tests/unit/test_restoration_search_effort.py
    """
    # plain floats and bisection: chains are short and many
    cumulative: list[float] = [0.0, *np.cumsum(np.asarray(chances, dtype=np.float64)).tolist()]
    total = cumulative[-1]
    if len(cumulative) < 3 or total <= 0:
        return 0.0
    expected = 0.0
    runs = [(0, len(cumulative) - 1)]
    while runs:
        begin, end = runs.pop()
        if end - begin < 2:
            continue
        expected += cumulative[end] - cumulative[begin]
        half = (cumulative[begin] + cumulative[end]) / 2.0
        split = min(max(bisect.bisect_left(cumulative, half, begin, end), begin + 1), end - 1)
        if split > begin + 1 and half - cumulative[split - 1] <= cumulative[split] - half:
            split -= 1
        runs += [(begin, split), (split, end)]
    return float(expected / total)


def fit_class_rates(failures: Floats, exposure_km_years: Floats) -> Floats:
    """Failures per km and year of each class, drawn towards the fleet's where there is little exposure.

    Parameters
    ----------
    failures, exposure_km_years
        Shape (classes,).

    Notes
    -----
    (failures + 1) / (exposure + 1 / fleet rate): as if one failure at the fleet's rate had been seen besides.

    Checked by: tests/unit/test_restoration_search_effort.py
    """
    total, exposure = float(failures.sum()), float(exposure_km_years.sum())
    if total <= 0 or exposure <= 0:
        return np.ones(len(failures))
    return np.asarray((failures + 1.0) / (exposure_km_years + exposure / total), dtype=np.float64)


def measure_search_effort(jobs: pd.DataFrame, groupings: Sequence[str], *, coverage: float) -> pd.DataFrame:
    """Tests used against the least, averaged over the jobs of each group; never for one job.

    Parameters
    ----------
    jobs
        One row a job with at least one test: a column for each grouping, cluster, tests, least_tests (by
        chance of failure), least_tests_by_count (all sections alike), locate_min (time to locate, may be missing).
    groupings
        Columns to group by.
    coverage
        Of the limits of the mean excess (limits.py).

    Returns
    -------
    DataFrame
        marts.restoration_search; excess_min is the excess times what one more test costs in time to locate
        (slope of a straight line over all jobs), NaN with fewer than 30 jobs.

    Notes
    -----
    Checked by: tests/unit/test_restoration_search_effort.py
    """
    timed = jobs.dropna(subset=["locate_min"])
    slope = float("nan")
    if len(timed) >= 30 and np.ptp(timed["tests"]) > 0:
        slope = float(np.polyfit(timed["tests"], timed["locate_min"], 1)[0])
    excess = (jobs["tests"] - jobs["least_tests"]).to_numpy(dtype=np.float64)
    clusters = jobs["cluster"].to_numpy(dtype=np.int64)
    parts = []
    for grouping in groupings if len(jobs) else ():
        _, mean, lo, hi = limit_clustered_means(excess, pd.Categorical(jobs[grouping]), clusters, coverage=coverage)
        means = jobs.groupby(grouping, observed=True)[["tests", "least_tests", "least_tests_by_count"]].mean()
        parts.append(
            pd.DataFrame(
                {
                    "grouped_by": grouping,
                    "group_name": means.index.to_numpy(dtype=object),
                    "jobs": jobs.groupby(grouping, observed=True).size().to_numpy(),
                    "mean_tests": means["tests"].to_numpy(),
                    "mean_least_tests": means["least_tests"].to_numpy(),
                    "mean_least_tests_by_count": means["least_tests_by_count"].to_numpy(),
                    "excess_tests": mean,
                    "excess_lo": lo,
                    "excess_hi": hi,
                    "minutes_per_test": slope,
                    "excess_min": mean * slope,
                }
            )
        )
    return dictionary.stack_frames("marts.restoration_search", parts)
