"""Survival of a handful of units by hand."""

from __future__ import annotations

import numpy as np
from numpy.testing import assert_allclose
from scipy.stats import norm

from pipelines.survival.kaplan_meier import estimate_survival


def test_four_units_by_hand() -> None:
    curve = estimate_survival(np.zeros(4), [1.0, 2.0, 3.0, 4.0], [1, 1, 0, 1], 0.9)
    assert curve.ages_years.tolist() == [1, 2, 4]
    assert curve.at_risk.tolist() == [4, 3, 1]
    assert_allclose(curve.survival, [3 / 4, 3 / 4 * 2 / 3, 0])
    variance = np.array([1 / (4 * 3), 1 / (4 * 3) + 1 / (3 * 2)])
    assert_allclose(curve.standard_error, [*(np.array([0.75, 0.5]) * np.sqrt(variance)), 0])
    power = np.exp(norm.ppf(0.95) * np.sqrt(variance) / -np.log([0.75, 0.5]))
    assert_allclose(curve.lo, [*np.array([0.75, 0.5]) ** power, 0])
    assert_allclose(curve.hi, [*np.array([0.75, 0.5]) ** (1 / power), 0])
    assert curve.median_years == 2.0  # one half is reached, not passed
    frame = curve.to_frame()
    names = ["age_years", "at_risk", "failures", "survival", "survival_lo", "survival_hi"]
    assert frame.columns.tolist() == names
    parts = [curve.ages_years, curve.at_risk, curve.failures, curve.survival, curve.lo, curve.hi]
    assert_allclose(frame.to_numpy().T, parts)


def test_the_curve_starts_after_the_starting_age_and_counts_weights() -> None:
    late = estimate_survival(np.zeros(4), [1.0, 2.0, 3.0, 4.0], [1, 1, 0, 1], 0.9, start_years=1.0)
    assert_allclose([late.ages_years, late.survival], [[2, 4], [2 / 3, 0]])
    heavy = estimate_survival(np.zeros(3), [1.0, 1.0, 2.0], [1, 0, 0], 0.9, weights=[2.0, 3.0, 5.0])
    assert (heavy.at_risk.tolist(), heavy.failures.tolist(), heavy.survival.tolist()) == ([10], [2], [0.8])
    assert heavy.median_years == float("inf")
