"""Cells, patterns, codes and curves by hand."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from pipelines.survival import chunks
from pipelines.survival.cells import aggregate_cells, find_patterns
from pipelines.survival.curves import PowerLawCurves, expect_between, fit_power_law_curves
from pipelines.survival.integer_codes import KIND, band_lengths, join_codes, number_levels
from pipelines.survival.observation_windows import build_windows
from tests.survival_fleets import small_history


def cells(pattern: list, entry: list, leave: list, km: list, struck: list[tuple]) -> list[list[float]]:
    of, age, weight = (np.array(column) for column in zip(*struck, strict=True)) if struck else (np.zeros(0),) * 3
    windows = (np.array(pattern, dtype=int), *(np.array(each, dtype=float) for each in (entry, leave, km)))
    return aggregate_cells(*windows, of.astype(int), age.astype(float), weight.astype(float)).to_numpy().tolist()


def test_cells_by_hand(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(chunks, "WINDOWS", 2)
    struck = [(1, 2.0, 0.5), (1, 2.1, 1.0), (1, 0.0, 0.25), (3, 4.0, 1.0)]
    found = cells([1, 1, 0], [0.5, 1.0, 3.0], [2.5, 3.0, 3.0], [2.0, 1.0, 5.0], struck)
    # at a birthday the year before; no year of a pattern never in view
    assert found == [[1, 0, 1.0, 0.25], [1, 1, 3.0, 0.5], [1, 2, 2.0, 1.0], [3, 3, 0.0, 1.0]]
    assert cells([], [], [], [], []) == []
    assert cells([0], [0.0], [1.0], [1e-9], []) == []  # so little is what rounding leaves
    assert cells([0], [0.0], [1.0], [2e-9], []) == [[0, 0, 2e-9, 0]]


def test_windows_are_taken_some_at_a_time(monkeypatch: pytest.MonkeyPatch) -> None:
    assert chunks.WINDOWS == 32_768  # two to the fifteenth
    monkeypatch.setattr(chunks, "WINDOWS", 3)
    assert [np.arange(7)[part].tolist() for part in chunks.split(7)] == [[0, 1, 2], [3, 4, 5], [6]]
    assert chunks.split(0) == []
    assert len(chunks.split(3)) == 1


def test_a_pattern_is_a_kind_and_three_years_of_laying() -> None:
    sections = [
        {"installed_on": "1988-01-01", "neutral": "jacketed"},
        {"installed_on": "1989-06-01"},
        {"installed_on": "1991-06-01"},
        {"installed_on": "1992-06-01", "length_km": 0.1, "conductor": None},
        {"installed_on": "1990-06-01"},
    ]
    windows = build_windows(small_history(sections, as_of="2020-03-01"))
    patterns, pattern = find_patterns(windows)
    assert patterns["vintage_year"][pattern].tolist() == [1987.5, 1990.5, 1990.5, 1993.5, 1990.5]
    assert patterns["neutral"][pattern].tolist() == ["jacketed", *["bare"] * 4]
    assert patterns["conductor"][pattern].tolist() == ["x", "x", "x", "unknown", "x"]
    assert patterns["log2_length"][pattern].tolist() == [9, 9, 9, 7, 9]
    assert (len(patterns), len(set(pattern[[1, 2, 4]]))) == (3, 1)
    assert set(KIND) < set(patterns)
    # the as-of date is day 61 of 366; the bands meet at 2001
    for age, band in ((2020 + 61 / 366 - 2001 + 1e-6, 1999.5), (2020 + 61 / 366 - 2001 - 1e-6, 2002.5)):
        moved = dataclasses.replace(windows, age_now=np.full(5, age))
        assert find_patterns(moved)[0]["vintage_year"].unique().tolist() == [band]


def test_lengths_are_banded_by_doubling() -> None:
    lengths = pd.DataFrame({"length_km": [0.001, 0.008, 0.0113, 0.0114, 0.512, 9.0]})
    assert band_lengths(lengths).tolist() == [3, 3, 3, 4, 9, 9]  # 8 m to 512 m; the edge at 8 x 2 ** 0.5 = 11.31 m


def test_codes_are_joined_with_the_first_leading() -> None:
    assert number_levels(pd.Series(["b", "a", "b", None])).tolist() == [1, 0, 1, -1]
    assert join_codes(np.array([7, 3, 7])).tolist() == [7, 3, 7]  # one column stays as it is
    assert join_codes(np.array([1, 0, 1]), np.array([0, 2, 1])).tolist() == [1, 0, 2]
    assert join_codes(np.array([0, 1, 1]), np.array([1, 0, 1]), np.array([0, 0, 5])).tolist() == [0, 1, 2]
    assert join_codes(np.zeros(0, int), np.zeros(0, int)).tolist() == []


def test_curves_of_a_class_never_observed_are_nought(monkeypatch: pytest.MonkeyPatch) -> None:
    none, codes = np.zeros(0), np.zeros(0, dtype=np.int64)
    found = fit_power_law_curves(codes, 2, none, none, none, codes, none, none, 5)
    assert (found.shape.tolist(), found.rate.tolist()) == ([1.5, 1.5], [0, 0])
    monkeypatch.setattr(chunks, "WINDOWS", 2)
    curves = PowerLawCurves(np.array([2.0]), np.array([0.5]), np.zeros(1))
    spent = expect_between(curves, np.zeros(3, int), np.array([0.0, 1, 2]), np.array([1.0, 3, 2]))
    assert spent.tolist() == [0.5, 4.0, 0.0]
    # at birth the rate of half a day's age
    steep = PowerLawCurves(np.array([0.5]), np.array([2.0]), np.zeros(1))
    assert_allclose(steep.intensity(np.zeros(2, int), np.array([0.0, 4.0])), [(0.5 / 365.25) ** -0.5, 0.5])
