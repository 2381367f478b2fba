"""The benchmarks run, on a small fleet; their times are for people to read."""

from __future__ import annotations

import datetime as dt

from pipelines.survival.history import known_at
from pipelines.survival.model import fit_failure_model
from shared.settings import Replacement, Settings
from tests.benchmarks import open_data_ranking, replacement_money, replacement_ranks
from tests.survival_fleets import make_fleet


def test_rank_limits_benchmark_runs(capsys) -> None:
    assert replacement_ranks.main(units=500, draws=100, check_units=300, check_draws=400) > 0
    assert "times faster" in capsys.readouterr().out


def test_plan_benchmark_is_within_its_gap(capsys) -> None:
    assert replacement_money.main(sections=2_000) <= 5e-3
    assert "curve of" in capsys.readouterr().out


def test_the_plan_comes_near_what_the_solver_alone_finds() -> None:
    gain, limit, bound = replacement_money.measure_solver(300, 1, Replacement(), gap=0.02)
    assert 0.98 * limit < gain <= min(limit, bound)


def test_hindsight_is_measured_on_any_records() -> None:
    history = make_fleet(1, loops=60).history
    models = {
        origin: fit_failure_model(known_at(history, origin), Settings())
        for origin in (dt.date(2014, 1, 1), dt.date(2018, 1, 1))
    }
    caught = open_data_ranking.learn_with_hindsight(history, models)
    assert caught.index.tolist() == ["model", "trees with hindsight"]
    assert caught.loc["model"].is_monotonic_increasing
    assert (caught > 0).all(axis=None) and (caught[0.20] < 1).all()
    years = open_data_ranking.explain_years(history, models)
    assert (years["observed"] > 0).all() and years["ratio"].between(0.2, 5.0).all()
