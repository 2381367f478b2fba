"""The benchmarks run, on a small fleet; their times are for people to read."""

from __future__ import annotations

from shared.settings import Replacement
from tests.benchmarks import replacement_money, replacement_programme, replacement_ranks


def test_rank_limits_benchmark_runs(capsys) -> None:
    assert replacement_ranks.main(units=500, draws=100, check_units=300, check_draws=400) > 0
    assert "times faster" in capsys.readouterr().out


def test_programme_benchmark_is_within_its_gap(capsys) -> None:
    assert replacement_programme.main(sections=2_000) <= 1e-3
    assert "of the bound" in capsys.readouterr().out


def test_plan_benchmark_is_within_its_gap(capsys) -> None:
    assert replacement_money.main(sections=2_000) <= 1e-3
    assert "inputs moved" in capsys.readouterr().out


def test_the_plan_comes_near_the_best_of_all_years_together() -> None:
    gain, limit, bound = replacement_money.measure_loss(60, 1, Replacement(), gap=0.02)
    assert 0.9 * limit < gain <= limit
    assert bound >= gain
