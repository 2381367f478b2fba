"""The best year to replace against results of replacement theory and of engineering economy."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from pipelines.investment.lifetime import Lifetime, find_best_year, weigh_years
from pipelines.ranking.costs import annuity_factor
from shared.settings import Replacement

TERMS = Replacement(discount_rate_pct=0.0, cable_life_years=100.0)


def power_law(scale: float, shape: float, age: float = 0.0, years: int = 120) -> np.ndarray:
    """Failures in each year from an age on: Lambda(t) = (t / scale)^shape."""
    return np.diff(((age + np.arange(years + 1)) / scale) ** shape)


# Minimal repair with periodic replacement: (C_r + C_f (T/scale)^shape) / T is least at
# T* = scale (C_r / (C_f (shape - 1)))^(1/shape). Barlow and Hunter, Operations Research 8 (1960) 90-100, policy II;
# formula from memory, and set to zero its derivative gives it.
CASES = [(20.0, 2.0, 9.0, 4.0), (15.0, 3.0, 40.0, 5.0), (30.0, 1.6, 6.0, 8.0), (8.0, 2.5, 100.0, 3.0)]


@pytest.mark.parametrize(("scale", "shape", "price", "failure"), CASES)
def test_like_for_like_is_replaced_at_the_age_of_the_textbook(scale, shape, price, failure) -> None:
    best_age = scale * (price / (failure * (shape - 1))) ** (1 / shape)
    least = (price + failure * (best_age / scale) ** shape) / best_age
    new = power_law(scale, shape)
    for age in (0, int(best_age) // 2, int(best_age) + 5):
        old = power_law(scale, shape, float(age))
        found = find_best_year(
            Lifetime(old[:, None], new, np.ones(1), 5.0), np.array([price]), np.array([failure]), TERMS
        )
        # years are whole: the age is right to one year, and the cost of a year to what a year off costs
        assert abs(found.kept_years[0] - best_age) <= 1.0
        assert found.yearly_charge[0] == pytest.approx(least, rel=5e-3)  # half a year off the least, of some 15 to 40
        assert found.yearly_charge[0] >= least
        assert abs(found.wait_years[0] - max(best_age - age, 0.0)) <= 1.0


def test_a_rate_that_does_not_grow_is_a_question_of_the_annuity_alone() -> None:
    # Defender and challenger: the price spread over the life, price / annuity factor, against failures a year.
    terms = dataclasses.replace(TERMS, discount_rate_pct=5.0, cable_life_years=40.0)
    charge = 1000.0 / annuity_factor(40.0, 5.0)
    old = np.ones((60, 1)) * np.array([0.999, 1.001]) * (charge + 2.0) / 100.0
    found = find_best_year(
        Lifetime(old, np.full(60, 0.02), np.ones(2), 5.0), np.full(2, 1000.0), np.full(2, 100.0), terms
    )
    assert found.yearly_charge == pytest.approx(np.full(2, charge + 2.0))
    assert found.kept_years.tolist() == [40, 40]
    assert found.wait_years.tolist() == [-1, 0]
    # waiting a year costs its failures less the charge, through the year
    assert found.cost_of_waiting == pytest.approx(np.array([-0.001, 0.001]) * (charge + 2.0) * annuity_factor(1.0, 5.0))


@pytest.mark.parametrize(("years", "rate"), [(40.0, 5.0), (7.5, 8.0), (0.5, 3.0), (10.0, 0.0)])
def test_the_years_weights_add_up_to_the_annuity(years: float, rate: float) -> None:
    weights = weigh_years(years, rate)
    assert weights.sum() == pytest.approx(annuity_factor(years, rate))
    assert weights[0] == pytest.approx(annuity_factor(min(years, 1.0), rate))
