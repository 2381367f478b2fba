"""The searches that the order of tests is tried on: what was expected before the report, from the source on."""

from __future__ import annotations

import datetime as dt

import pandas as pd
import pytest

from pipelines.warehouse import read_query
from shared.settings import Settings

TABLES = {
    "districts": """
        district_id | timezone | recorded_from
        D1          | UTC      | 2006-01-01
    """,
    "loops": """
        loop_id | district_id | configuration | normal_open_terminal_id
        L1      | D1          | loop          | T2
    """,
    "sections": """
        section_id | loop_id | position | from_terminal_id | to_terminal_id | length_m | insulation | installed_on | retired_on
        S1         | L1      | 1        | T0               | T1             | 100      | XLPE       | 1980-01-01   | 2019-05-31
        S1R        | L1      | 1        | T0               | T1             | 200      | XLPE       | 2019-06-01   |
        S2         | L1      | 2        | T1               | T2             | 100      | EPR        | 1980-01-01   |
        S3         | L1      | 3        | T2               | T3             | 100      | XLPE       | 1980-01-01   |
        S4         | L1      | 4        | T3               | T4             | 100      | XLPE       | 1980-01-01   |
    """,  # noqa: E501
    "jobs": """
        job_id | loop_id | section_id | reported_at       | status | test_shots | method          | closed_at
        early  | L1      | S1         | 2015-06-01 12:00Z | closed | 2          | sectionalizing  | 2015-06-03
        first  | L1      | S2         | 2017-06-01 12:00Z | closed | 3          | sectionalizing  | 2017-06-03
        laid   | L1      | S1R        | 2019-07-01 12:00Z | closed | 1          | sectionalizing  | 2019-07-03
        far    | L1      | S4         | 2020-03-01 12:00Z | closed |            | sectionalizing  | 2020-03-03
        seen   | L1      | S4         | 2020-04-01 12:00Z | closed | 2          | visual          | 2020-04-03
        none   | L1      | S4         | 2020-05-01 12:00Z | closed |            | sectionalizing  | 2020-05-03
    """,
    "test_shots": """
        job_id | shot_no
        far    | 1
        far    | 2
    """,
}
FORECASTS = pd.DataFrame(
    [
        ("2016-12-31", "S1", 0.4),
        ("2016-12-31", "S2", 0.1),
        ("2016-12-31", "S3", 0.2),
        ("2016-12-31", "S4", 0.3),
        ("2019-12-31", "S1R", 0.05),
        ("2019-12-31", "S2", 0.2),
        ("2019-12-31", "S3", 0.6),
        ("2019-12-31", "S4", 0.7),
    ],
    columns=["origin", "section_id", "expected_failures"],
).assign(origin=lambda rows: pd.to_datetime(rows["origin"]))


def test_jobs_have_the_chances_of_the_last_date_before_them_from_their_source(make_warehouse) -> None:
    con = make_warehouse(TABLES, Settings().override("general", as_of=dt.date(2020, 12, 31)))
    rows = read_query(con, "evaluation/searches", forecasts=FORECASTS).set_index("job_id")
    # no model is early enough for the first job; one was seen from above ground, one has no tests on record
    assert list(rows.index) == ["far", "first", "laid"]
    assert (list(rows.loc["first", "chances"]), rows.loc["first", "place"], rows.loc["first", "tests"]) == (
        [0.4, 0.1],
        2,
        3,
    )
    # half-loop B begins at source B; the tests are those listed
    assert (list(rows.loc["far", "chances"]), rows.loc["far", "place"], rows.loc["far", "tests"]) == ([0.7, 0.6], 1, 2)
    # cable laid since the date has the mean of its class by length: (0.4 + 0.2 + 0.3) / 300 m x 200 m
    assert list(rows.loc["laid", "chances"]) == [pytest.approx(0.6), 0.1]
    assert rows.loc["laid", "place"] == 1
    assert set(rows["district_id"]) == {"D1"}
