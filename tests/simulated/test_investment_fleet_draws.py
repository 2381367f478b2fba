"""Limits of totals of sections, against draws of every level of the model one by one."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipelines.investment.fleet_draws import prepare_draws
from pipelines.investment.lifetime import look_ahead
from pipelines.ranking.costs import NewCable
from pipelines.survival import hierarchical_frailty
from pipelines.survival.model import fit_failure_model
from shared.settings import Settings
from tests.replacement_fleets import PLAIN
from tests.survival_fleets import make_fleet


@pytest.fixture(scope="module")
def fleet():
    model = fit_failure_model(make_fleet(11, loops=60).history, Settings())
    ids = model.forecast(5.0)["section_id"]
    lifetime = look_ahead(model, ids, NewCable(0.5, None, 0, 0.0), PLAIN, 5.0)
    place = pd.Index(model.windows.sections["section_id"]).get_indexer(ids)
    return model, lifetime, place, prepare_draws(model, lifetime, place, np.random.default_rng(3))


def test_a_total_has_the_posterior_s_mean_and_variance(fleet) -> None:
    model, lifetime, place, draws = fleet
    weights = lifetime.old[:5].sum(axis=0)
    none = np.zeros_like(draws.level)
    still = type(draws)(**{**vars(draws), "level": none})
    found = still.draw(weights, none, np.random.default_rng(4))
    exact = model.totals_ahead(5.0)
    assert found.mean() == pytest.approx(exact.loop_mean.sum(), rel=0.02)  # 2,000 draws of some 10 % spread
    assert found.std() == pytest.approx(np.sqrt(exact.loop_variance.sum()), rel=0.06)
    # of half the sections of each loop: near the exact moments, though the share was fitted to the whole loop
    half = np.arange(len(weights)) % 2 == 0
    wanted = np.zeros(len(model.windows.sections))
    wanted[place[half]] = model.ahead(5.0)[place[half]]
    part = hierarchical_frailty.fit_totals(model.tree, model.variances, wanted)
    found = still.draw(weights * half, none, np.random.default_rng(5))
    assert found.std() == pytest.approx(np.sqrt(part.loop_variance.sum()), rel=0.12)


def test_curves_err_together_and_the_more_the_further_ahead(fleet) -> None:
    _, lifetime, _, draws = fleet
    near, far = lifetime.old[0], lifetime.old[19]
    widths = []
    for year, weights in ((0, near), (19, far)):
        found = draws.draw(weights, draws.growth[year], np.random.default_rng(6)) / weights.sum()
        assert found.mean() == pytest.approx(1.0, abs=0.02)
        widths.append(found.std())
    assert widths[1] > widths[0] > draws.level.min() / len(draws.level)
    # by hand, of one class alone and its curve alone: level and growth in quadrature
    kind = 1
    only = np.where(draws.kind == kind, far, 0.0)
    bare = type(draws)(**{**vars(draws), "own": 0 * draws.own, "shared": 0 * draws.shared})
    spread = np.log(bare.draw(only, draws.growth[19], np.random.default_rng(7))).std()
    assert spread == pytest.approx(np.hypot(draws.level[kind], draws.growth[19, kind]), rel=0.05)
    assert draws.growth[0].max() < draws.growth[19].max()
    weights = np.r_[np.zeros(4), 1.0]
    assert draws.average_growth(weights, 15) == pytest.approx(draws.growth[19])


def test_limits_hold_the_mean_that_is_to_come() -> None:
    """Twelve fleets: the true mean of the next five years lies within the 90 % limits in nine or more."""
    inside = 0
    for seed in range(12):
        known = make_fleet(100 + seed, loops=40)
        model = fit_failure_model(known.history, Settings())
        ids = model.forecast(5.0)["section_id"]
        lifetime = look_ahead(model, ids, NewCable(0.5, None, 0, 0.0), PLAIN, 5.0)
        place = pd.Index(model.windows.sections["section_id"]).get_indexer(ids)
        rng = np.random.default_rng(seed)
        draws = prepare_draws(model, lifetime, place, rng)
        total = draws.draw(lifetime.old[:5].sum(axis=0), draws.average_growth(np.ones(5)), rng)
        lo, hi = np.quantile(total, [0.05, 0.95])
        inside += lo <= known.true_expected(5.0).sum() <= hi
    assert inside >= 9


def test_limits_of_any_list_follow_from_what_is_written(fleet) -> None:
    """A list of every third section, by the dictionary's formula from the tables alone, against the draws."""
    model, lifetime, place, draws = fleet
    e = lifetime.old[:5].sum(axis=0)
    listed = np.arange(len(e)) % 3 == 0
    table = draws.tabulate().pivot_table("level_factor", "cable_class", "draw")
    of = pd.DataFrame(
        {
            "e": e,
            "own": draws.own,
            "shared": draws.shared[draws.loop],
            "loop": draws.loop,
            "cable_class": model.windows.sections["cable_class"].iloc[place].to_numpy(),
        }
    )[listed]
    loops = of.groupby("loop").agg(e=("e", "sum"), shared=("shared", "first"))
    variance = (of["own"] * of["e"] ** 2).sum() + (loops["shared"] * loops["e"] ** 2).sum()
    shape = of["e"].sum() ** 2 / variance
    by_class = of.groupby("cable_class")["e"].sum()
    total = by_class @ table.loc[by_class.index] * np.random.default_rng(5).gamma(shape, 1 / shape, table.shape[1])
    drawn = draws.draw(np.where(listed, e, 0.0), np.zeros(len(by_class)), np.random.default_rng(6))
    wanted = np.quantile(drawn, [0.05, 0.5, 0.95])
    assert np.quantile(total, [0.05, 0.5, 0.95]) == pytest.approx(wanted, rel=0.05)
