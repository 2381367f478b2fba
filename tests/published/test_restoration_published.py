"""Restoration figures against printed ones, through the product's own functions and models."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from pipelines import warehouse
from pipelines.restoration import step
from pipelines.restoration.comparison import fit_groups
from pipelines.restoration.control_limits import fit_individuals
from pipelines.restoration.limits import FREEDOM_KEPT, find_means, limit_shares, sort_groups
from pipelines.restoration.major_events import fit_major_event_threshold
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


def test_sample_feeder_has_the_same_indices_on_every_basis(sample_feeder) -> None:
    # no steps and no duplicates: nothing to reconcile, and no five years to set a threshold by
    found = sample_feeder.execute("""
        select basis, days_left_out_by, days_left_out, saifi, saidi_min, caidi_min, why_not_equal
        from marts.restoration_indices order by basis, days_left_out_by
    """).fetchall()
    assert len(found) == 9
    for _, left_out_by, days_left_out, *indices, why in found:
        assert indices == pytest.approx([1.6075, 86.112833, 53.569414], abs=1e-6)
        assert (days_left_out, why) == (None if left_out_by else 0, None)


def test_threshold_of_the_guides_example() -> None:
    # IEEE Std 1366-2012, 3.5.1: alpha -0.555, beta 1.90, T_MED 66.69 min. From memory; its table of daily SAIDI could
    # not be had, so days are made that have these two figures. Annex B.2 (read): a day with a SAIDI of zero is
    # discarded, T_MED = exp(alpha + 2.5 beta), a day above it is a major event day.
    logs = -0.555 + 1.90 * np.tile([1.0, -1.0], 50) * np.sqrt(99 / 100)
    found = fit_major_event_threshold([*np.exp(logs), 0.0, 0.0])
    assert (found.alpha, found.beta, found.days) == (pytest.approx(-0.555), pytest.approx(1.90), 100)
    # as printed, within the rounding of the two printed figures
    assert found.threshold_min == pytest.approx(66.69, rel=0.0005 + 2.5 * 0.005)


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


CONTROL = np.array([52.0, 104.0, 146.0, 10.0, 51.0, 30.0, 40.0, 27.0, 46.0])
"""The other group of the same table."""


def test_standard_errors_of_the_mice() -> None:
    """The table prints 86.86 and 25.24 for the treated, 30.63 and 28.93 for their difference to the control."""
    (treated, first), (control, second) = (
        find_means(sort_groups(values, np.full(len(values), "group"), np.arange(len(values))))
        for values in (MICE, CONTROL)
    )
    difference = first - second
    for found, spread, mean, error in ((treated, first, 86.86, 25.24), (treated - control, difference, 30.63, 28.93)):
        assert found[0] == pytest.approx(mean, abs=0.01)
        assert np.sqrt(spread.variance[0]) == pytest.approx(error, abs=0.01)


@pytest.mark.parametrize(("count", "total"), [(0, 12), (3, 12), (40, 400), (12, 12)])
def test_wilson_limits_against_statsmodels(count: int, total: int) -> None:
    group = sort_groups(np.arange(float(total)), np.full(total, "g"), np.arange(total))
    _, lo, hi = limit_shares(group, group.values < count, coverage=0.9)
    # where the share varies: the sample's variance, so one job less, and Student's t in place of the normal deviate
    odd = count / total * (1 - count / total)
    fewer = min((1 - 6 * odd) / odd, 0) if odd else 0
    t = stats.t.ppf(0.95, FREEDOM_KEPT * 2 * total / (2 + fewer) if odd else np.inf)
    n = total - 1 if odd else total
    wanted = proportion_confint(count / total * n, n, alpha=2 * stats.norm.sf(t), method="wilson")
    assert (lo[0], hi[0]) == pytest.approx(wanted, abs=2e-3)


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
