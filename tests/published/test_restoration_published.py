"""Restoration figures against printed ones, through the product's own functions and models."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.proportion import proportion_confint

from pipelines import warehouse
from pipelines.restoration import step
from pipelines.restoration.bootstrap import limit_means, limit_shares
from pipelines.restoration.comparison import fit_groups
from pipelines.restoration.control_limits import fit_individuals
from pipelines.restoration.sorted_groups import sort_groups
from shared.settings import Settings

# IEEE Std 1366, example of index calculation: a circuit of 2000 customers in 1994. From memory; the
# figures agree with one another. Columns: day, off, on, customers.
SAMPLE_FEEDER = """
    03-17 12:12:20 12:20:30 200
    04-15 18:23:56 18:24:26 400
    05-05 00:23:10 01:34:29 600
    06-12 23:17:00 23:47:14 25
    07-06 09:30:10 09:31:10 2000
    08-20 15:45:39 20:12:50 90
    08-31 08:20:00 10:20:00 700
    09-03 17:10:00 17:20:00 1500
    10-27 10:15:00 10:55:00 100
"""


@pytest.fixture
def sample_feeder(make_warehouse):
    rows = [line.split() for line in SAMPLE_FEEDER.strip().splitlines()]
    jobs = pd.DataFrame(
        [
            {
                "job_id": f"J{n}",
                "loop_id": "L1",
                "reported_at": f"1994-{day} {off}Z",
                "restored_at": f"1994-{day} {on}Z",
                "customers_interrupted": int(customers),
            }
            for n, (day, off, on, customers) in enumerate(rows)
        ]
    )
    con = make_warehouse(
        {
            "districts": """
            district_id | timezone | recorded_from | customers_served
            D1          | UTC      | 1990-01-01    | 2000
        """,
            "loops": """
            loop_id | district_id
            L1      | D1
        """,
            "jobs": jobs,
        },
        build=("staging", "core", "marts"),
    )
    step.run(con, Settings())
    warehouse.build_models(con, "marts")
    return con


def test_indices_of_the_sample_feeder(sample_feeder) -> None:
    found = sample_feeder.execute("""
        select saifi, saidi_min, caidi_min, customers_sustained, customer_minutes_sustained, customers_interrupted
        from marts.restoration_summary where grouped_by = 'year'
    """).fetchone()
    # printed 1.61, 86.110, 53.57; the printed SAIDI comes from durations rounded to a tenth of a minute,
    # so the digits below are recomputed from the clock times
    assert found[0] == pytest.approx(1.6075)
    assert found[1] == pytest.approx(86.112833, abs=1e-6)
    assert found[2] == pytest.approx(53.569414, abs=1e-6)
    assert found[3] == 3215
    assert found[4] == pytest.approx(172225.667, abs=1e-3)
    # the two momentary interruptions are in the customers, not in the indices
    assert found[5] == 3215 + 400 + 2000


def test_individuals_chart_of_the_handbook() -> None:
    # NIST/SEMATECH e-Handbook 6.3.2.2
    chart = fit_individuals([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    assert chart.centre == pytest.approx(50.81)
    assert chart.mean_range == pytest.approx(1.8778, abs=5e-5)
    assert chart.upper == pytest.approx(55.8041, abs=5e-5)
    assert chart.lower == pytest.approx(45.8159, abs=5e-5)
    assert chart.range_upper == pytest.approx(6.1347, abs=5e-5)


MICE = np.array([94.0, 197.0, 16.0, 38.0, 99.0, 141.0, 23.0])
"""Efron and Tibshirani, An Introduction to the Bootstrap (1993), table 2.1, treatment; from memory."""


def test_bootstrap_of_the_mice() -> None:
    groups = sort_groups(MICE, np.full(7, "treatment"))
    mean, lo, hi = limit_means(groups, coverage=0.90, replicates=100_000, rng=np.random.default_rng(5))
    assert mean[0] == pytest.approx(86.86, abs=0.005)
    # the ideal bootstrap standard error printed is 23.36; limits a normal deviate apart give it back
    assert (hi[0] - lo[0]) / (2 * 1.644854) == pytest.approx(23.36, rel=0.02)


def test_limits_of_the_mice_against_every_resample() -> None:
    # all 7^7 resamples, counted through the multinomial: the bootstrap without any noise
    from itertools import combinations_with_replacement
    from math import factorial

    means, weights = [], []
    for drawn in combinations_with_replacement(range(7), 7):
        counts = np.bincount(drawn, minlength=7)
        means.append(MICE @ counts / 7)
        weights.append(factorial(7) / np.prod([float(factorial(c)) for c in counts]))
    order = np.argsort(means)
    below = np.cumsum(np.array(weights)[order]) / 7**7
    ideal = np.array(means)[order]
    assert np.sqrt(np.average((ideal - 86.857143) ** 2, weights=np.array(weights)[order])) == pytest.approx(23.363523)
    _, lo, hi = limit_means(
        sort_groups(MICE, np.full(7, "t")), coverage=0.90, replicates=100_000, rng=np.random.default_rng(5)
    )
    assert lo[0] == pytest.approx(ideal[np.searchsorted(below, 0.05)], abs=0.5)
    assert hi[0] == pytest.approx(ideal[np.searchsorted(below, 0.95)], abs=0.5)


@pytest.mark.parametrize(("count", "total"), [(0, 12), (3, 12), (40, 400), (12, 12)])
def test_wilson_limits_against_statsmodels(count: int, total: int) -> None:
    lo, hi = limit_shares(np.array([count]), np.array([total]), 0.9)
    assert (lo[0], hi[0]) == pytest.approx(proportion_confint(count, total, alpha=0.1, method="wilson"), abs=1e-12)


def test_shrunk_groups_are_those_of_the_dyestuff_batches() -> None:
    """Yields of 6 batches of 5: O. L. Davies and P. L. Goldsmith, Statistical Methods in Research and Production (4th
    edition 1972), table 6.3; variances 1764.05 and 2451.25, and the batches' effects, printed by D. M. Bates for lme4
    (restricted maximum likelihood; all from memory, they agree with the analysis of variance of the yields)."""
    yields = """
        1545 1440 1440 1520 1580
        1540 1555 1490 1560 1495
        1595 1550 1605 1510 1560
        1445 1440 1595 1465 1545
        1595 1630 1515 1635 1625
        1520 1455 1450 1480 1445
    """
    y = np.array(yields.split(), dtype=float)
    found = fit_groups(y, np.ones((30, 1)), np.repeat(np.arange(6), 5), np.arange(30))
    assert found.group_variance == pytest.approx(1764.05, rel=1e-5)
    assert found.rest_variance == pytest.approx(2451.25, rel=1e-9)
    effects = [-17.60685, 0.3912634, 28.56223, -23.08455, 56.73319, -44.99529]
    assert found.shrunk.tolist() == pytest.approx(effects, abs=2e-3)
