"""Whole texts of the reasons of sections, which SQL puts together."""

from __future__ import annotations

import pandas as pd

from pipelines import warehouse
from shared import dictionary
from shared.store import write_table

SECTION = {
    "failures_recorded": 1,
    "expected_recorded": 0.64,
    "multiplier": 1.91,
    "multiplier_lo": 1.01,
    "multiplier_hi": 3.06,
    "length_km": 0.0724,
    "cable_class": "XLPE/bare/buried",
    "installed_on": pd.Timestamp("1974-05-01"),
    "age_years": 51.6,
    "expected_failures": 0.83,
    "expected_rate_per_100km_year": 229.3,
    "pays_above_per_100km_year": 139.4,
    "is_paying": True,
    "last_failure_on": pd.Timestamp("2024-07-11"),
}


def test_a_section_s_reasons_with_and_without_date_and_failure(make_warehouse) -> None:
    con = make_warehouse({})
    bare = {
        **SECTION,
        "failures_recorded": 0,
        "expected_recorded": 0.0,
        "installed_on": None,
        "is_paying": False,
        "last_failure_on": None,
    }
    rows = pd.DataFrame([{**SECTION, "section_id": "a"}, {**bare, "section_id": "b"}])
    columns = list(dictionary.tables()["fitted.section_ranking"].columns)
    write_table(con, "fitted.section_ranking", rows.reindex(columns=columns))
    query = warehouse.models()["marts.section_ranking"].query
    texts = [text for (text,) in con.execute(f"select reasons from ({query}) order by section_id").fetchall()]
    assert texts == [
        (
            "1 failure on record where its class expects 0.6: 1.9 times its class once chance is allowed for (1.0 to "
            "3.1). 72 m of XLPE/bare/buried, 52 years old. 0.83 failures expected in 5 years: 229 per 100 km and year; "
            "replacing pays above 139, so by money alone it pays. Last failure 2024-07-11."
        ),
        (
            "0 failures on record, no time observed to compare; 1.9 times its class once chance is allowed for (1.0 to "
            "3.1). 72 m of XLPE/bare/buried, age unknown. 0.83 failures expected in 5 years: 229 per 100 km and year; "
            "replacing pays above 139, so by money alone it does not pay. No failure on record."
        ),
    ]
