"""Years of laying that stand out: a bad year is found, a bad loop and a slow change are none, and the sums by hand."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import nbinom, norm

from pipelines.survival import installation_years
from pipelines.survival.installation_years import APART, GRID, SPREAD, compare_years
from pipelines.survival.kinds import fit_first_laws
from pipelines.survival.model import fit_failure_model
from pipelines.survival.observation_windows import build_windows
from pipelines.survival.vintages import tabulate_years
from shared.settings import Settings
from tests.survival_fleets import small_history
from tests.survival_worlds import BAD_CLASS, BAD_YEAR, CLASSES, WORLDS, make_world


def fleet(failures_of: dict[int, list[int]]) -> object:
    """A kilometre a year on five loops from 1988 to 1999, a failure of every section in 2005 and more in 2008."""
    sections, failures = [], []
    for year in range(1988, 2000):
        for loop in range(5):
            number = len(sections)
            sections.append({"installed_on": f"{year}-06-01", "loop_id": f"L{year}{loop}"})
            failures.append({"section_id": f"S{number}", "failed_on": "2005-01-01"})
            more = failures_of.get(year, [0] * 5)[loop]
            failures += [{"section_id": f"S{number}", "failed_on": f"2008-{n % 12 + 1:02d}-01"} for n in range(more)]
    return small_history(sections, failures)


def test_a_bad_year_is_told_from_a_bad_loop() -> None:
    settings = Settings()
    one_loop_each = {year: [12 * (loop == year % 5) for loop in range(5)] for year in range(1988, 2000, 3)}
    for failures_of, found in (({1993: [9, 8, 9, 7, 9]}, [1993]), (one_loop_each, []), ({}, [])):
        table = tabulate_years(fleet(failures_of), settings)
        assert table.loc[table["is_apart"], "installed_year"].tolist() == found
        assert (table.loc[~table["is_apart"], "year_factor"] == 1.0).all()
        assert table["loops"].tolist() == [5] * 12
        assert table["failures"].sum() == 60 + sum(map(sum, failures_of.values()))


def test_a_slow_change_from_year_to_year_is_no_finding() -> None:
    rising = {year: [(year - 1988) // 2] * 5 for year in range(1988, 2000)}
    assert not tabulate_years(fleet(rising), Settings())["is_apart"].any()


def test_the_posterior_is_that_of_a_spike_and_a_slab() -> None:
    """The likelihood by scipy.stats.nbinom over the loops of the year, summed over the grid."""
    history = fleet({1993: [3, 2, 3, 4, 2]})
    windows = build_windows(history)
    laws, _ = fit_first_laws(windows, Settings())
    code = np.zeros(len(windows.owner), dtype=np.int64)
    expected = np.full(len(code), 1.2)
    found = compare_years(windows, code, expected, 0.9)
    row = found.table.set_index("installed_year").loc[1993]
    level = row["expected_failures"] / 5
    n = 1 + np.array([3, 2, 3, 4, 2])
    others = np.ones(55)
    around = found.table.set_index("installed_year")["expected_failures"].drop(1993).to_numpy().repeat(5) / 5
    from pipelines.survival.frailty import fit_dispersion

    factors = np.full(5, level * row["year_factor"])
    k = 1 / max(fit_dispersion(np.r_[n, others], np.r_[factors, around]), 1e-3)

    def chance(log_factor: float) -> float:
        return float(np.prod(nbinom.pmf(n, k, k / (k + level * np.exp(log_factor)))))

    slab = norm.pdf(GRID, 0, SPREAD)
    weight = slab / slab.sum() * np.array([chance(g) for g in GRID])
    apart = APART * weight.sum() / (APART * weight.sum() + (1 - APART) * chance(0.0))
    mean = (weight @ np.exp(GRID)) / weight.sum()
    assert row["probability_apart"] == pytest.approx(apart, rel=0.02)
    assert row["is_apart"]
    assert row["year_factor"] == pytest.approx(1 + apart * (mean - 1), rel=0.02)
    assert row["year_factor_lo"] < row["year_factor"] < row["year_factor_hi"]
    assert_allclose(found.of_window[code == 0].max(), row["year_factor"])
    assert laws.rate[0] > 0


def test_the_forecast_counts_the_cable_of_a_bad_year_so_many_times(monkeypatch) -> None:
    known = make_world(dataclasses.replace(WORLDS["bad year, scattered"], loops=120), 71)
    truth = known.truth.set_index("section_id")
    bad = truth.index[
        truth["cable_class"].eq(CLASSES["cable_class"][BAD_CLASS]) & truth["installed"].floordiv(1).eq(BAD_YEAR)
    ]
    table = tabulate_years(known.history, Settings())
    assert table.loc[table["is_apart"], "installed_year"].tolist() == [BAD_YEAR]
    expected = []
    for least in (installation_years.LEAST_PROBABILITY, 1.0):
        monkeypatch.setattr(installation_years, "LEAST_PROBABILITY", least)
        forecast = fit_failure_model(known.history, Settings()).forecast(5.0).set_index("section_id")
        expected.append(forecast.loc[bad, "expected_failures"].sum() / known.expected(5).loc[bad].sum())
    assert 0.8 < expected[0] < 1.5  # one fleet of 120 loops; ranking_study has the mean of many
    assert expected[1] < 0.65
