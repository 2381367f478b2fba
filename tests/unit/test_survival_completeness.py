"""Records of a district's early years: missing ones are named with their years, and what moves all districts is not."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
from scipy.stats import chi2

from pipelines.survival.audit import audit_register
from pipelines.survival.completeness import assess_completeness, tabulate_completeness
from pipelines.survival.history import code_names
from shared import dictionary
from shared.settings import Settings
from tests.survival_fleets import small_history

SETTINGS = Settings()


def lay(counts: dict[str, list[int]], **changed: object):
    """A district a row of failures a year from 2000 to 2019, each with ten loops of one km laid in 1985."""
    sections = [
        {"section_id": f"{name}{n}", "loop_id": f"L{name}{n}", "district_id": name, "installed_on": "1985-01-01"}
        | changed
        for name in counts
        for n in range(10)
    ]
    failures = [
        {"section_id": f"{name}{n % 10}", "failed_on": f"{2000 + year}-{1 + n % 12:02}-15"}
        for name, row in counts.items()
        for year, count in enumerate(row)
        for n in range(count)
    ]
    history = small_history(sections, failures, "2019-12-31")
    return dataclasses.replace(
        history, failures=history.failures.assign(district_id=history.failures["loop_id"].str[1:3])
    )


def starts(counts: dict[str, list[int]]) -> dict[str, int]:
    found = assess_completeness(lay(counts).keep(code_names))
    return {name: day.year for name, day in found.starts.items()}


STEADY = [6] * 20
SHORT = [1] * 6 + [6] * 14


def test_early_years_that_are_missing_are_named_with_their_district_and_years() -> None:
    assert starts({"D1": SHORT, "D2": STEADY, "D3": STEADY}) == {"D1": 2006}
    # records that begin in two years are found one after the other
    later = [0] * 9 + [6] * 11
    assert starts({"D1": SHORT, "D2": STEADY, "D3": later, "D4": STEADY}) == {"D1": 2006, "D3": 2009}
    assert starts({"D1": SHORT, "D2": SHORT, "D3": STEADY, "D4": STEADY}) == {"D1": 2006, "D2": 2006}


@pytest.mark.parametrize(
    "counts",
    [
        {"D1": STEADY, "D2": STEADY},
        {"D1": SHORT, "D2": SHORT},  # short in all alike: nothing to compare with
        {"D1": SHORT},
        {"D1": [2, 6] * 10, "D2": [6, 18] * 10},  # a good and a bad year for all, levels of their own
        {"D1": list(range(20)), "D2": list(range(20))},
        {"D1": [0] * 11 + [1] * 9, "D2": STEADY},  # nine failures
        {"D1": [6] * 14 + [1] * 6, "D2": STEADY},  # late years
        {"D1": [0, 3, 0] + [1] * 17, "D2": [2] * 20},
    ],
)
def test_what_all_districts_share_or_chance_may_do_is_no_change(counts: dict[str, list[int]]) -> None:
    assert starts(counts) == {}


def test_the_table_by_hand() -> None:
    history = lay({"D1": SHORT, "D2": STEADY, "D3": STEADY})
    table = tabulate_completeness(history, SETTINGS)
    assert tuple(table.columns) == dictionary.tables()["marts.record_completeness"].columns
    assert len(table) == 3 * 20
    d1 = table[table["district_id"].eq("D1")].set_index("year")
    assert d1["failures"].tolist() == SHORT
    # six a year of the same cable in every complete year, at every age
    whole = d1.loc[2000:2018, "expected_failures"]
    assert whole.to_numpy() == pytest.approx(np.full(19, 6.0), rel=0.01)
    assert d1["recorded_ratio"].to_numpy() == pytest.approx((d1["failures"] / d1["expected_failures"]).to_numpy())
    lo, hi = chi2.ppf(0.05, 2 * d1["failures"]) / 2, chi2.ppf(0.95, 2 * d1["failures"] + 2) / 2
    assert d1["recorded_ratio_lo"].to_numpy() == pytest.approx((lo / d1["expected_failures"]).to_numpy())
    assert d1["recorded_ratio_hi"].to_numpy() == pytest.approx((hi / d1["expected_failures"]).to_numpy())
    assert d1.loc[2000:2005, "completeness_verdict"].eq("likely_incomplete").all()
    d2 = table[table["district_id"].eq("D2")]["completeness_verdict"].tolist()
    told = d2.index("complete")
    # half of a few years' failures could be lost by chance, half of many could not
    assert 1 <= told <= 9
    assert d2 == ["too_few_to_tell"] * told + ["complete"] * (20 - told)


def test_a_single_district_and_few_failures_tell_nothing() -> None:
    for counts in ({"D1": STEADY}, {"D1": [1] * 20, "D2": [1] * 20}):
        assert set(tabulate_completeness(lay(counts), SETTINGS)["completeness_verdict"]) == {"too_few_to_tell"}


def test_failures_known_by_loop_alone_and_of_undated_cable_are_on_record() -> None:
    history = lay({"D1": STEADY, "D2": STEADY})
    failures = history.failures.copy()
    for year, why in ((2000, "loop_only"), (2001, "undated_section"), (2002, "excluded_cause")):
        mine = failures["failed_on"].dt.year.eq(year) & failures["district_id"].eq("D1")
        failures.loc[mine, ["is_counted", "why_not"]] = [False, why]
    table = tabulate_completeness(dataclasses.replace(history, failures=failures), SETTINGS)
    assert table[table["district_id"].eq("D1")]["failures"].tolist()[:4] == [6, 6, 0, 6]


def test_the_audit_leaves_the_incomplete_years_out() -> None:
    history = lay({"D1": SHORT, "D2": STEADY, "D3": STEADY})
    row = audit_register(history, SETTINGS).set_index("finding").loc["incomplete_years"]
    assert row[["sections", "length_km", "failures"]].tolist() == [10, 10.0, 6]
    assert row["rate_per_100km_year"] == pytest.approx(100 * (90 + 240) / 600, rel=0.001)
    assert row["rate_with"] == pytest.approx(100 * (84 + 240) / 540, rel=0.001)
    assert row["effect_pct"] == pytest.approx(100 * (row["rate_with"] / row["rate_per_100km_year"] - 1))
    assert row["shape_with"] < row["shape"]
    complete = audit_register(lay({"D1": STEADY, "D2": STEADY}), SETTINGS)
    assert not complete["finding"].eq("incomplete_years").any()


def test_the_record_may_begin_in_different_years() -> None:
    history = lay({"D1": [0] * 5 + STEADY[5:], "D2": STEADY, "D3": STEADY})
    late = history.sections["district_id"].eq("D1")
    begun = pd.Series(np.where(late, pd.Timestamp("2005-01-01"), history.sections["recorded_from"]))
    sections = history.sections.assign(recorded_from=pd.to_datetime(begun))
    table = tabulate_completeness(dataclasses.replace(history, sections=sections), SETTINGS)
    assert table[table["district_id"].eq("D1")]["year"].tolist() == list(range(2005, 2020))
    assert not table["completeness_verdict"].eq("likely_incomplete").any()
