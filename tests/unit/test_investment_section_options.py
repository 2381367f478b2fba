"""What may be done about each section, by hand."""

from __future__ import annotations

import dataclasses
import datetime as dt

import numpy as np
import pandas as pd
import pytest

from pipelines.investment.lifetime import Lifetime
from pipelines.investment.section_options import list_section_options
from tests.replacement_fleets import FAILURE, PLAIN, make_sections

AS_OF = dt.date(2025, 12, 31)

# 200 m at 100 a metre cost 20,000, or 500 a year over forty years; a failure costs 7,100. So 0.0704 a year pays.
RATES = {
    "now": [0.1] * 60,
    "later": [0.05] * 5 + [0.2] * 55,
    "never": [0.04] * 60,
    "injected": [0.06] * 60,  # 0.7 x 0.06 x 7,100 x 20 years = 5,964 for 4,000
}


@pytest.fixture
def found() -> pd.DataFrame:
    sections = make_sections(
        [(name, "L", 0.2, 5 * rate[0], "XLPE" if name == "injected" else "EPR") for name, rate in RATES.items()]
    )
    sections = sections.assign(
        expected_failures_lo=0.5 * sections["expected_failures"],
        expected_failures_hi=2.0 * sections["expected_failures"],
        benefit_cost_ratio=[1.42, 0.71, 0.568, 0.852],
    )
    lifetime = Lifetime(np.array(list(RATES.values())).T, np.zeros(60), np.full(4, 0.2), 5.0)
    terms = dataclasses.replace(PLAIN, cost_per_m_injected=20.0)
    work = pd.DataFrame({"section_id": ["now", "never"], "plan_year": [2, 1]})
    return list_section_options(sections, lifetime, work, 0.0, terms, AS_OF).set_index("section_id")


def test_best_action_and_year(found: pd.DataFrame) -> None:
    assert found["best_action_now"].to_dict() == {
        "now": "replace", "later": "wait", "never": "wait", "injected": "inject"
    }  # fmt: skip
    assert found["best_year"].fillna(0).tolist() == [2026, 2031, 0, 0]
    assert found["wait_years"].fillna(-9).tolist() == [0, 5, -9, -9]
    # a year's wait: its failures less 500
    assert found["cost_of_waiting"].to_numpy() == pytest.approx(FAILURE * np.array([0.1, 0.05, 0.04, 0.06]) - 500.0)


def test_benefit_growing_beside_flat_with_limits(found: pd.DataFrame) -> None:
    later = found.loc["later"]
    assert later["replace_avoided_cost"] == pytest.approx(FAILURE * (5 * 0.05 + 35 * 0.2))
    assert later["benefit_cost_growing"] == pytest.approx(FAILURE * 7.25 / 20_000)
    assert later["benefit_cost_flat"] == 0.71
    # the old cable's failures halved and doubled; new cable does not fail here
    assert later["benefit_cost_growing_lo"] == pytest.approx(0.5 * FAILURE * 7.25 / 20_000)
    assert later["replace_avoided_cost_hi"] == pytest.approx(2 * FAILURE * 7.25)
    injected = found.loc["injected"]
    assert (injected["inject_cost"], injected["inject_avoided_cost"]) == pytest.approx(
        (4_000, 0.7 * 0.06 * FAILURE * 20)
    )
    assert found["inject_cost"].isna().tolist() == [True, True, True, False]


def test_what_pays_and_waits_has_its_reason(found: pd.DataFrame) -> None:
    # "now" is done in the second year for want of money; "never" is done in the first and pays nothing
    assert found["why_waiting"].fillna("").to_dict() == {
        "now": "budget", "later": "later_year", "never": "", "injected": "budget"
    }  # fmt: skip
    assert found["plan_year"].fillna(0).tolist() == [2, 0, 1, 0]
    assert found["decided"].eq("free").all()
