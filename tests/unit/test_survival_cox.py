"""Proportional hazards by age: beside a general-purpose fit, and where the data cannot tell."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from numpy.testing import assert_allclose

from pipelines.survival.cox import fit_cox


def draw(seed: int, sections: int = 3000, effects: tuple[float, ...] = (0.5, -0.7)):
    """Sections of four kinds (two attributes), late entry, constant hazard, recurrent failures on whole days."""
    rng = np.random.default_rng(seed)
    design = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0], [1.0, 1.0]])
    kind = rng.integers(0, 4, sections)
    entry = rng.integers(0, 6000, sections)
    leave = entry + rng.integers(400, 6000, sections)
    km = rng.lognormal(-2.5, 0.4, sections)
    rate = 4e-4 * km * np.exp(design[kind] @ np.array(effects))
    number = rng.poisson(rate * (leave - entry) * 3)
    owner = np.repeat(np.arange(sections), number)
    day = rng.integers(entry[owner] + 1, leave[owner] + 1)
    return kind, entry, leave, km, owner, day, design, np.zeros(4, dtype=np.int64), rng.integers(0, 300, sections)


def test_many_small_intervals_of_age_give_the_same_by_poisson_regression() -> None:
    """With a level for each day with a failure, Poisson regression has the maximum of Breslow's likelihood (Holford
    1980); statsmodels fits it."""
    kind, entry, leave, km, owner, day, design, stratum, cluster = draw(1, sections=300)
    fit = fit_cox(kind, entry, leave, km, owner, day, design, stratum, cluster)
    days = np.unique(day)
    rows = []
    for k in range(4):
        mine = kind == k
        risk = ((entry[mine, None] < days) & (days <= leave[mine, None])).T @ km[mine]
        seen = np.array([((kind[owner] == k) & (day == d)).sum() for d in days])
        rows.append(pd.DataFrame({"risk": risk, "seen": seen, "day": days, "a": design[k, 0], "b": design[k, 1]}))
    cells = pd.concat(rows).query("risk > 0")
    levels = pd.get_dummies(cells["day"], dtype=float)
    x = np.column_stack([cells[["a", "b"]], levels])
    poisson = sm.GLM(cells["seen"], x, family=sm.families.Poisson(), offset=np.log(cells["risk"])).fit(tol=1e-12)
    assert_allclose(fit.coefficients, poisson.params[:2], rtol=1e-6)
    assert_allclose(np.sqrt(np.diag(fit.variance)), poisson.bse[:2], rtol=1e-5)


def test_planted_effects_are_found() -> None:
    fits = [fit_cox(*draw(seed)) for seed in range(8)]
    found = np.array([f.coefficients for f in fits])
    error = np.sqrt(np.mean([np.diag(f.robust_variance) for f in fits], axis=0) / len(fits))
    assert (np.abs(found.mean(axis=0) - [0.5, -0.7]) < 3 * error).all()


def test_a_column_that_follows_from_others_is_not_told() -> None:
    kind, entry, leave, km, owner, day, design, stratum, cluster = draw(2)
    twice = np.column_stack([design, design[:, 0]])
    fit = fit_cox(kind, entry, leave, km, owner, day, twice, stratum, cluster)
    assert np.isnan(fit.coefficients[[0, 2]]).all()
    plain = fit_cox(kind, entry, leave, km, owner, day, design, stratum, cluster)
    assert_allclose(fit.coefficients[1], plain.coefficients[1], rtol=1e-9)


def test_values_that_no_stratum_joins_to_the_reference_are_not_told() -> None:
    # stratum 0 has the reference and value 1, stratum 1 has values 2 and 3: 2 and 3 compare with each other alone
    kind, entry, leave, km, owner, day, _, _, cluster = draw(3)
    design = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]])
    fit = fit_cox(kind, entry, leave, km, owner, day, design, np.array([0, 0, 1, 1]), cluster)
    assert np.isnan(fit.coefficients).tolist() == [False, True, True]


def test_no_failure_on_one_side_gives_no_end() -> None:
    kind, entry, leave, km, owner, day, design, stratum, cluster = draw(4)
    kept = design[kind[owner], 0] == 0
    fit = fit_cox(kind, entry, leave, km, owner[kept], day[kept], design, stratum, cluster)
    assert fit.coefficients[0] == -np.inf
    assert np.isfinite(fit.coefficients[1])


def test_cutting_sections_in_two_changes_nothing() -> None:
    kind, entry, leave, km, owner, day, design, stratum, cluster = draw(5)
    whole = fit_cox(kind, entry, leave, km, owner, day, design, stratum, cluster)
    half = fit_cox(
        np.r_[kind, kind],
        np.r_[entry, entry],
        np.r_[leave, leave],
        np.r_[km, km] / 2,
        owner,
        day,
        design,
        stratum,
        np.r_[cluster, cluster],
    )
    assert_allclose(half.coefficients, whole.coefficients, rtol=1e-9)
    assert_allclose(half.robust_variance, whole.robust_variance, rtol=1e-9)


def test_a_failure_out_of_view_is_a_fault() -> None:
    kind, entry, leave, km, owner, day, design, stratum, cluster = draw(6)
    day[0] = entry[owner[0]]
    with pytest.raises(ValueError, match="outside"):
        fit_cox(kind, entry, leave, km, owner, day, design, stratum, cluster)
