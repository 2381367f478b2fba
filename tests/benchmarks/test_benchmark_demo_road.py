"""The demo is the same with and without the workflow engine; its times are for people to read."""

from __future__ import annotations

import os

import pytest

from tests.benchmarks import demo_road


@pytest.mark.slow
@pytest.mark.skipif(os.environ.get("LOOPWEAR_FULL") != "1", reason="two whole demos: with LOOPWEAR_FULL=1")
def test_both_ways_write_the_same_tables(capsys) -> None:
    demo_road.main(loops=20, rounds=1)
    assert "the engine shows" in capsys.readouterr().out
