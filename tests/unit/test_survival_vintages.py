"""Mean cumulative failures by decade of laying."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from pipelines.survival.rates import view_classes
from pipelines.survival.vintages import find_start, name_vintage, tabulate_vintages
from shared.settings import Settings
from tests.survival_fleets import AS_OF, CLASSES, make_fleet

SETTINGS = Settings().override("general", as_of=AS_OF)


@pytest.fixture(scope="module")
def history():
    return make_fleet(5, loops=300, loop_variance=0.0, section_variance=0.0).history


def test_decades_are_named_by_their_first_and_last_year() -> None:
    assert [name_vintage(year) for year in (1969, 1970, 1979, 2000)] == [
        "1960-1969",
        "1970-1979",
        "1970-1979",
        "2000-2009",
    ]


def test_curves_follow_the_power_law_between_their_ages(history) -> None:
    table = tabulate_vintages(history, SETTINGS)
    ends = table.groupby(["cable_class", "vintage"]).tail(1)
    well_known = ends[ends["vintage_failures"] > 60]
    assert len(well_known) >= 3
    # orphans and failures known by loop alone, 5 % and a few more, are not in the nonparametric curves
    for row in well_known.itertuples():
        shape, scale = CLASSES[row.cable_class]
        truth = (row.age_years / scale) ** shape - (row.in_view_from_age_years / scale) ** shape
        standard_error = np.log(row.mcf_hi / row.mcf_per_km) / 1.645
        assert abs(np.log(row.mcf_per_km / (0.95 * truth))) < 3 * standard_error


def test_a_vintage_starts_where_a_tenth_of_it_is_in_view(history) -> None:
    table = tabulate_vintages(history, SETTINGS)
    assert (table["age_years"] > table["in_view_from_age_years"]).all()
    first = table.groupby(["cable_class", "vintage"]).head(1)
    assert (first["at_risk_km"] >= 0.09 * first["vintage_length_km"]).all()
    view = dataclasses.replace(
        view_classes(history)[0],
        entry_years=np.array([5.0, 8.0, 2.0]),
        exit_years=np.array([20.0, 20.0, 4.0]),
        km=np.array([1.0, 18.0, 1.0]),
    )
    assert find_start(view) == 8.0


def test_failures_add_up_to_those_of_the_classes(history) -> None:
    loose = SETTINGS.override("survival", min_failures=2)
    table = tabulate_vintages(history, loose).groupby(["cable_class", "vintage"]).head(1)
    by_class = table.groupby("cable_class")["vintage_failures"].sum()
    for view in view_classes(history):
        assert 0.9 * len(view.event_ages_years) <= by_class[view.name] <= len(view.event_ages_years)


def test_no_failure_gives_an_empty_table(history) -> None:
    none = dataclasses.replace(history, failures=history.failures.head(0))
    assert tabulate_vintages(none, SETTINGS).empty
    assert list(tabulate_vintages(none, SETTINGS).columns) == list(tabulate_vintages(history, SETTINGS).columns)


def test_one_decade_is_the_curve_of_the_class() -> None:
    history = make_fleet(6, loops=60).history
    of_seventies = history.sections[pd.to_datetime(history.sections["installed_on"]).dt.year.between(1970, 1979)]
    part = dataclasses.replace(history, sections=of_seventies)
    table = tabulate_vintages(history, SETTINGS).query("vintage == '1970-1979' and cable_class == 'XLPE/bare/buried'")
    again = tabulate_vintages(part, SETTINGS).query("cable_class == 'XLPE/bare/buried'")
    assert_allclose(table["mcf_per_km"], again["mcf_per_km"])
