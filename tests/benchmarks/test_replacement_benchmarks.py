"""The benchmarks run, on a small fleet; their times are for people to read."""

from __future__ import annotations

from tests.benchmarks import replacement_programme, replacement_ranks


def test_rank_limits_benchmark_runs(capsys) -> None:
    assert replacement_ranks.main(units=500, draws=100, check_units=300, check_draws=400) > 0
    assert "times faster" in capsys.readouterr().out


def test_programme_benchmark_is_within_its_gap(capsys) -> None:
    assert replacement_programme.main(sections=2_000) <= 1e-3
    assert "of the bound" in capsys.readouterr().out
