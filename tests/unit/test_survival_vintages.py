"""Mean cumulative failures by decade of laying."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy.stats import t

from pipelines.survival.rates import view_classes
from pipelines.survival.vintages import find_start, name_vintage, tabulate_vintages
from shared.settings import Settings
from tests.survival_fleets import AS_OF, CLASSES, make_fleet, small_history

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


def test_a_vintage_by_hand() -> None:
    """Of the eighties 1, 18 and 1 km in view from 20, 16 and 12 years on: a tenth of them from 16 on."""
    sections = [
        {"installed_on": "1980-01-01"},
        {"installed_on": "1984-01-01", "length_km": 18.0, "loop_id": "L2"},
        {"installed_on": "1988-01-01"},
        {"installed_on": "2000-01-01"},
    ]
    failed = [
        ("S2", "2002-01-01"),
        ("S1", "2000-01-01"),
        ("S1", "2004-01-01"),
        ("S0", "2004-01-01"),
        ("S2", "2008-01-01"),
    ]
    failures = [{"section_id": s, "failed_on": day} for s, day in failed]
    failures += [{"section_id": "S3", "failed_on": day} for day in ("2004-01-01", "2008-01-01")]
    history = small_history(sections, failures)
    table = tabulate_vintages(history, SETTINGS.override("survival", min_failures=3))
    assert set(table["vintage"]) == {"1980-1989"}
    assert table["age_years"].tolist() == [20, 24]
    assert table["at_risk_km"].tolist() == [19, 20]
    assert_allclose(table["mcf_per_km"], [2 / 19, 2 / 19 + 1 / 20])
    # at 20: loop L1 (section 2 in view from 16) and loop L2
    residuals = np.array([1 / 19 - 2 / 19**2, 1 / 19 - 18 * 2 / 19**2])
    assert_allclose(
        np.log(table["mcf_hi"] / table["mcf_per_km"])[0], t.ppf(0.95, 2) * np.hypot(*residuals) / (2 / 19), rtol=1e-6
    )
    assert table[
        ["in_view_from_age_years", "vintage_length_km", "vintage_failures"]
    ].drop_duplicates().to_numpy().tolist() == [[16, 20, 3]]
    both = tabulate_vintages(history, SETTINGS.override("survival", min_failures=2))
    assert both["vintage"].unique().tolist() == ["1980-1989", "2000-2009"]
    assert tabulate_vintages(history, SETTINGS.override("survival", min_failures=4)).empty


def test_a_tenth_of_the_length_is_enough_and_a_curve_has_a_hundred_steps() -> None:
    days = pd.date_range("2001-01-01", periods=101, freq="5D")
    failures = [{"section_id": "S1", "failed_on": day} for day in days]
    history = small_history([{}, {"installed_on": "1992-01-01"}], failures)
    assert len(tabulate_vintages(history, SETTINGS)) == 100
    assert len(tabulate_vintages(dataclasses.replace(history, failures=history.failures.head(100)), SETTINGS)) == 100
    view = dataclasses.replace(
        view_classes(history)[0], entry_years=np.array([5.0, 8.0]), exit_years=np.array([9.0, 9.0])
    )
    for km, start in (([1.0, 9.0], 5.0), ([0.99, 9.0], 8.0), ([0.0, 0.0], 5.0)):
        assert find_start(dataclasses.replace(view, km=np.array(km))) == start
