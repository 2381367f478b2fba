"""Money put together: which share of failures an injection is said to leave."""

from __future__ import annotations

import dataclasses
from types import SimpleNamespace

import pytest

from pipelines.investment.tables import use_learned_injection
from pipelines.survival.treatment import Treatment, assume_treatment
from tests.replacement_fleets import PLAIN


@pytest.mark.parametrize(("setting", "learned", "used"), [(0.3, 0.17, 0.17), (0.3, 1.4, 1.0), (1.0, 0.4, 1.0)])
def test_an_injection_is_valued_by_what_the_records_learnt(setting: float, learned: float, used: float) -> None:
    model = SimpleNamespace(treatment=Treatment(learned, 3.0, 20.0))
    terms = dataclasses.replace(PLAIN, injection_multiplier=setting)
    assert use_learned_injection(terms, model).injection_multiplier == used


def test_without_a_record_the_settings_hold() -> None:
    model = SimpleNamespace(treatment=assume_treatment(0.3, 20.0))
    assert use_learned_injection(PLAIN, model).injection_multiplier == PLAIN.injection_multiplier == 0.3
