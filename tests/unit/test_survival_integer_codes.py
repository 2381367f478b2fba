"""Rows numbered by what they have in common: order, gaps, missing values, and text or categories alike."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
from pandas.testing import assert_frame_equal

from pipelines.survival import attribute_effects, audit, panels, rates, splices, vintages
from pipelines.survival.history import FailureHistory
from pipelines.survival.integer_codes import KIND, code_kinds, join_codes, name_kinds, pair_codes
from pipelines.survival.model import fit_failure_model
from pipelines.survival.model_selection import choose_model
from pipelines.survival.step import FEW_VALUED
from shared.settings import Settings
from tests.survival_fleets import AS_OF, make_fleet

SETTINGS = Settings().override("general", as_of=AS_OF)


@pytest.mark.parametrize("far", [1, 10**9])  # small numbers are counted, large ones sorted
def test_joined_codes_number_the_combinations_in_their_order(far: int) -> None:
    rng = np.random.default_rng(1)
    first, second = rng.integers(0, 5, 300) * far, rng.integers(0, 7, 300)
    wanted = pd.DataFrame({"first": first, "second": second}).groupby(["first", "second"]).ngroup()
    assert join_codes(first, second).tolist() == wanted.tolist()


@pytest.mark.parametrize(("codes", "units"), [(5, 40), (70_000, 40), (1, 1), (3, 0)])
def test_pairs_of_codes_and_units_that_never_fall_are_numbered_in_their_order(codes: int, units: int) -> None:
    rng = np.random.default_rng(2)
    unit = np.sort(rng.integers(0, max(units, 1), 300 * min(units, 1)))
    code = rng.integers(0, codes, len(unit))
    pairs, wanted = np.unique(code * 1_000 + unit, return_inverse=True)
    of_pair, pair = pair_codes(code, unit)
    assert of_pair.tolist() == (pairs // 1_000).tolist()
    assert pair.tolist() == wanted.tolist()


def test_kinds_are_numbered_in_the_order_of_their_names_and_missing_is_unknown() -> None:
    sections = pd.DataFrame(
        {name: ["b", None, "unknown", "a", "b"] for name in KIND} | {"length_km": [0.1, 0.1, 0.1, 0.1, 0.3]}
    )
    named = name_kinds(sections)
    assert named.loc[1, "neutral"] == "unknown"
    wanted = named.groupby(list(named)).ngroup()
    assert code_kinds(sections).tolist() == wanted.tolist() == [1, 3, 3, 0, 2]


@pytest.fixture(scope="module")
def both() -> tuple[FailureHistory, FailureHistory]:
    """One history with texts, and the same with categories, as a refresh reads it."""
    text = make_fleet(3, loops=60).history
    components = np.where(np.arange(len(text.failures)) % 4 == 0, "splice", "cable")
    text = dataclasses.replace(text, failures=text.failures.assign(failed_component=components))
    frames = {
        name: frame.astype({c: "category" for c in FEW_VALUED if c in frame.columns})
        for name, frame in (("sections", text.sections), ("failures", text.failures))
    }
    return text, dataclasses.replace(text, **frames)


@pytest.mark.parametrize(
    "tabulate",
    [
        rates.tabulate_classes,
        rates.tabulate_age_rates,
        rates.tabulate_mean_cumulative,
        vintages.tabulate_vintages,
        attribute_effects.compare_attributes,
        splices.tabulate_splices,
        audit.audit_register,
        panels.compare_late_entry,
        panels.tabulate_first_failures,
        panels.tabulate_fits,
    ],
)
def test_texts_and_categories_give_the_same_table(both, tabulate) -> None:
    text, categories = (tabulate(history, SETTINGS) for history in both)
    assert len(text)
    assert_frame_equal(text, categories.astype(text.dtypes.to_dict()))


def test_texts_and_categories_give_the_same_forecast(both) -> None:
    text, categories = (fit_failure_model(history, SETTINGS).forecast(5.0) for history in both)
    assert_frame_equal(text, categories.astype(text.dtypes.to_dict()))
    assert choose_model(both[0], SETTINGS).scores.equals(choose_model(both[1], SETTINGS).scores)


def test_orphans_are_counted_alike(both) -> None:
    text, categories = (audit.count_orphans(history) for history in both)
    assert_frame_equal(text, categories.astype(text.dtypes.to_dict()))
