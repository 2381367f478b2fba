"""Cells by marks against adding up year by year; and what must not change the answer."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from pipelines.survival.cells import aggregate_cells

ages = st.integers(0, 40 * 365).map(lambda days: days / 365.25)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 3), ages, ages, st.floats(0.01, 1.0)), min_size=1, max_size=30))
def test_exposure_of_every_year_of_age(rows: list[tuple[int, float, float, float]]) -> None:
    pattern, one, other, km = (np.array(column) for column in zip(*rows, strict=True))
    entry, leave = np.minimum(one, other), np.maximum(one, other)
    cells = aggregate_cells(pattern, entry, leave, km, pattern, leave, np.ones(len(km)))
    found = {(c.pattern, c.age): c.exposure_km_years for c in cells.itertuples()}
    for p in range(4):
        for age in range(42):
            overlap = np.clip(np.minimum(leave, age + 1) - np.maximum(entry, age), 0, None)
            direct = float((km * overlap)[pattern == p].sum())
            assert abs(found.get((p, age), 0.0) - direct) < 2e-9
    assert cells["failures"].sum() == len(km)


def test_cutting_a_section_in_two_changes_no_cell() -> None:
    rng = np.random.default_rng(1)
    pattern, entry, km = rng.integers(0, 5, 200), rng.uniform(0, 30, 200), rng.uniform(0.05, 0.3, 200)
    leave, none = entry + rng.uniform(0, 15, 200), np.zeros(0)
    whole = aggregate_cells(pattern, entry, leave, km, none.astype(int), none, none)
    twice = [np.r_[a, a] for a in (pattern, entry, leave)]
    cut = aggregate_cells(*twice, np.r_[0.2 * km, 0.8 * km], none.astype(int), none, none)
    assert_allclose(cut["exposure_km_years"], whole["exposure_km_years"], rtol=1e-9)


def test_a_failure_outside_the_view_is_counted_in_its_own_year() -> None:
    """A km of pattern 0 in view from 10 to 12; failures before and after, and one of a pattern never in view."""
    found = aggregate_cells(
        np.array([0]),
        np.array([10.0]),
        np.array([12.0]),
        np.ones(1),
        np.array([0, 0, 1]),
        np.array([4.5, 15.2, 3.5]),
        np.ones(3),
    )
    assert found.to_numpy().tolist() == [[0, 4, 0, 1], [0, 10, 1, 0], [0, 11, 1, 0], [0, 15, 0, 1], [1, 3, 0, 1]]
