"""Small fleets for the tests of the plan: sections with a forecast and what a failure costs."""

from __future__ import annotations

import pandas as pd

from shared.settings import Replacement

FAILURE = 7100.0
"""Cost of a failure of these sections: repair 6500 and 2000 customer-minutes at 0.30."""

PLAIN = Replacement(
    cost_per_m_buried=100.0,
    cost_per_m_duct=50.0,
    cost_per_m_injected=40.0,
    cost_per_loop=1000.0,
    budget=21_000.0,
    discount_rate_pct=0.0,
    cable_life_years=40.0,
    injection_years=20.0,
    injection_multiplier=0.3,
    programme_years=3,
    programme_gap=0.0,
)
"""Settings in round numbers, money not discounted."""


def make_sections(rows: list[tuple[str, str, float, float, str]]) -> pd.DataFrame:
    """Sections from section_id, loop_id, length_km, expected_failures and insulation; of EPR nothing is injected."""
    frame = pd.DataFrame(rows, columns=["section_id", "loop_id", "length_km", "expected_failures", "insulation"])
    return frame.assign(
        installation="buried",
        conductor="1/0 AL",
        rejuvenated_on=pd.NaT,
        customer_minutes_per_failure=2000.0,
        customers_interrupted_per_failure=20.0,
        repair_cost_per_failure=6500.0,
        is_injectable=frame["insulation"].ne("EPR"),
    )
