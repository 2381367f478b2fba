"""Present values against the tables of engineering economy."""

from __future__ import annotations

import math

import pytest

from pipelines.ranking.costs import annuity_factor

# Uniform-series present-worth factors (P/A, i, n) at the end of each year, as in the tables of any engineering
# economy handbook (from memory, recomputed as (1 - (1 + i)^-n) / i to the digits shown).
END_OF_YEAR = {(5.0, 40): 17.1591, (5.0, 10): 7.7217, (8.0, 20): 9.8181, (10.0, 5): 3.7908}


@pytest.mark.parametrize(("rate", "years"), list(END_OF_YEAR))
def test_payments_through_the_year_are_the_table_s_times_i_over_ln_1_plus_i(rate: float, years: int) -> None:
    i = rate / 100.0
    assert END_OF_YEAR[rate, years] == pytest.approx((1 - (1 + i) ** -years) / i, abs=5e-5)
    assert annuity_factor(years, rate) == pytest.approx(END_OF_YEAR[rate, years] * i / math.log1p(i), rel=1e-5)


def test_without_discounting_it_is_the_years() -> None:
    assert annuity_factor(40.0, 0.0) == 40.0
    assert annuity_factor(40.0, 1e-9) == pytest.approx(40.0, rel=1e-6)


@pytest.mark.parametrize(("rate", "years"), list(END_OF_YEAR))
def test_it_is_the_integral_of_the_discount_factor(rate: float, years: int) -> None:
    from scipy.integrate import quad

    integral, _ = quad(lambda t: (1.0 + rate / 100.0) ** -t, 0.0, years)
    assert annuity_factor(years, rate) == pytest.approx(integral, rel=1e-10)


@pytest.mark.parametrize(("rate", "years", "wait"), [(5.0, 40, 3), (8.0, 20, 1), (3.0, 25, 10)])
def test_a_deferred_annuity_is_the_difference_of_two(rate: float, years: int, wait: int) -> None:
    # Deferred annuity, in the notation of actuaries: a(n + k) - a(k) = v^k a(n). What a year of the plan is worth
    # today rests on the right-hand side.
    deferred = annuity_factor(years + wait, rate) - annuity_factor(wait, rate)
    assert deferred == pytest.approx((1.0 + rate / 100.0) ** -wait * annuity_factor(years, rate))
