"""The comparison runs, and the fit is the closest of the ways where readings are as bad as they are in life."""

from __future__ import annotations

from tests.benchmarks.locating_fit import compare, large_readings


def test_the_fit_is_closer_than_the_simple_ways() -> None:
    table = compare(3).set_index(["readings", "way"])
    for name in ("no gross errors", "a tenth gross errors"):
        error = table.loc[name]["rms points"]
        simple = error.drop(["this fit", "statsmodels MixedLM"])
        assert error["this fit"] < 0.7 * simple.min()
    assert (
        table.loc[("a tenth gross errors", "this fit"), "rms points"]
        < 0.5 * (table.loc[("a tenth gross errors", "statsmodels MixedLM"), "rms points"])
    )


def test_large_readings_have_the_size_asked_for() -> None:
    readings = large_readings(10, 12, 20)
    assert len(readings) == 10 * 8 * 20
    assert len(readings.classes) == 12
