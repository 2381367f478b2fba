"""Mean cumulative failures and their robust error by their definition, and the steps shown."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import chi2, t

from pipelines.survival.mean_cumulative import estimate_mean_cumulative


@pytest.mark.parametrize(("values", "cluster"), [(None, None), ([2.0, 1, 3, 1, 5], [7, 3, 7, 3])])
def test_the_error_is_the_sum_of_squared_residuals_of_the_groups(values, cluster) -> None:
    """Unit 2 has no time in view; the last failure falls on the day of its unit's entry, which counts that unit in."""
    entry, leave, km = np.array([0.0, 2, 5, 4]), np.array([10.0, 8, 5, 12]), np.array([1.0, 2, 9, 3])
    owner, when = np.array([0, 1, 3, 0, 3]), np.array([3.0, 6, 6, 10, 4])
    value = np.ones(5) if values is None else np.array(values)
    curve = estimate_mean_cumulative(entry, leave, km, owner, when, 0.9, event_values=values, cluster=cluster)
    ages = np.array([3.0, 4, 6, 10])
    at_risk = np.array([1 + 2, 1 + 2 + 3, 1 + 2 + 3, 1 + 3.0])
    total = np.array([value[0], value[4], value[1] + value[2], value[3]])
    assert_allclose([curve.ages_years, curve.at_risk], [ages, at_risk])
    mean = np.cumsum(total / at_risk)
    group = np.arange(4) if cluster is None else np.array(cluster)
    variance = np.zeros(4)
    for step, age in enumerate(ages):
        for one in np.unique(group):
            residual = 0.0
            for unit in np.flatnonzero(group == one):
                mine = (owner == unit) & (when <= age)
                residual += (value[mine] / at_risk[np.searchsorted(ages, when[mine])]).sum()
                seen = (ages > entry[unit]) & (ages <= min(leave[unit], age))
                residual -= km[unit] * (total[seen] / at_risk[seen] ** 2).sum()
            variance[step] += residual**2
    assert_allclose(curve.mean_cumulative, mean)
    assert_allclose(curve.standard_error, np.sqrt(variance))
    failed = [len(np.unique(group[owner[when <= age]])) for age in ages]
    spread = np.exp(t.ppf(0.95, failed) * np.sqrt(variance) / mean)
    count = np.array([(when <= age).sum() for age in ages])
    lo = np.minimum(mean / spread, mean * chi2.ppf(0.05, 2 * count) / 2 / count)
    hi = np.maximum(mean * spread, mean * chi2.ppf(0.95, 2 * count + 2) / 2 / count)
    frame = curve.to_frame()
    assert frame.columns.tolist() == ["age_years", "at_risk_km", "mcf_per_km", "mcf_lo", "mcf_hi"]
    assert_allclose(frame.to_numpy().T, [ages, at_risk, mean, lo, hi])


@pytest.mark.parametrize(("steps", "options", "shown"), [(400, {}, 400), (401, {}, 400), (5, {"most_steps": 3}, 3)])
def test_long_curves_are_shown_at_evenly_spaced_steps(steps: int, options: dict, shown: int) -> None:
    when = np.arange(1.0, steps + 1)
    curve = estimate_mean_cumulative([0.0], [1000.0], [1.0], np.zeros(steps, int), when, 0.9, **options)
    assert len(curve.ages_years) == shown
    assert_allclose(curve.mean_cumulative, curve.ages_years)  # one failure a year of one unit: all steps add to it
    assert (curve.ages_years[[0, -1]] == [1, steps]).all()
    assert np.ptp(np.diff(curve.ages_years)) <= 1
