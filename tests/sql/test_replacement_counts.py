"""From the rows read to the failures in each headline, and the loop that each order puts first."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from pipelines import warehouse
from shared import dictionary
from shared.store import open_warehouse, write_table
from tests.conftest import frame_from_pipes

CHECK = Path(__file__).resolve().parents[2] / "sql" / "checks" / "count_reconciliation__steps_sum_to_the_counts.sql"


def given(con, **tables: str) -> None:
    """Write tables, named LAYER__STEM and drawn with pipes; columns that are not drawn are empty."""
    for name, drawn in tables.items():
        table = name.replace("__", ".")
        rows = frame_from_pipes(drawn)
        facts = dictionary.columns()
        for column in rows:
            if facts[column].type == "date":
                rows[column] = pd.to_datetime(rows[column])
        write_table(con, table, rows.reindex(columns=list(dictionary.tables()[table].columns)))


@pytest.fixture
def con(make_warehouse):
    """Two past dates a year apart with two years each; jobs named for what becomes of them."""
    made = make_warehouse({})
    given(
        made,
        core__section_exposure="""
            section_id | installed_on | retired_on | loop_id
            old        | 1990-01-01   |            | L1
            replaced   | 1990-01-01   | 2022-06-01 | L1
            new        | 2020-06-01   |            | L2
            undated    |              |            | L2
        """,
        core__failures="""
            job_id        | loop_id | section_id | failed_on  | why_not         | is_counted
            before        | L1      | old        | 2018-12-31 |                 | true
            followed      | L1      | old        | 2019-05-01 |                 | true
            since_retired | L1      | replaced   | 2020-03-01 |                 | true
            laid_later    | L2      | new        | 2020-09-01 |                 | true
            last_day      | L1      | old        | 2021-12-30 |                 | true
            day_after     | L1      | old        | 2021-12-31 |                 | true
            beyond        | L1      | old        | 2022-05-01 |                 | true
            undated       | L2      | undated    | 2019-06-01 | undated_section | false
            by_loop       | L1      |            | 2020-04-01 | loop_only       | false
            by_loop_early | L1      |            | 2010-04-01 | loop_only       | false
            bare_loop     | L3      |            | 2020-04-01 | loop_only       | false
            dug_into      | L1      | old        | 2020-04-01 | excluded_cause  | false
        """,
        fitted__section_ranking="section_id\nold\nnew\nundated",
        marts__loop_ranking="""
            rank | loop_id | failures_recorded
            1    | L1      | 5
            2    | L2      | 2
        """,
        marts__class_survival="""
            cable_class | failures
            XLPE        | 6
            EPR         | 1
        """,
        marts__backtest="""
            origin     | horizon_years | level | rule
            2018-12-31 | 2             | loop  | model
            2019-12-31 | 2             | loop  | model
        """,
        marts__backtest_summary="""
            level | rule  | failures_distinct
            loop  | model | 4
        """,
        marts__calibration_summary="""
            decile | observed_distinct
            0      | 4.99999
            1      | 2.1
        """,
        marts__row_ledger="""
            figure      | reason                     | is_counted | source_rows
            survival    | counted                    | true       | 7
            survival    | in quarantine              | false      | 2
            survival    | already loaded, unchanged  | false      | 1
            survival    | excluded_cause             | false      | 1
            survival    | loop_only                  | false      | 3
            survival    | undated_section            | false      | 1
            restoration | in quarantine              | false      | 2
        """,
    )
    made.execute("""
        insert into raw.files by name
        select * from (values ('jobs', 'a', 9), ('jobs', 'b', 6), ('loops', 'c', 3)) as drawn ("table", file, read)
    """)
    return made


def steps_of(con) -> list[tuple[str, int]]:
    con.execute("create or replace table marts.count_reconciliation as " + warehouse.models()[
        "marts.count_reconciliation"].query)  # fmt: skip
    return con.execute("select step, jobs from marts.count_reconciliation order by step_order").fetchall()


def test_every_step_by_hand(con) -> None:
    assert steps_of(con) == [
        ("Rows read", 9 + 6),
        ("in quarantine", -2),
        ("already loaded", -1),
        ("not the cable's doing", -1),
        ("known by loop alone", -3),
        ("sections without a date", -1),
        ("Failures in the class curves", 6 + 1),
        ("sections without a date", 1),
        ("cable since retired", -1),
        ("Failures on record in the ranking", 5 + 2),
        ("cable since retired", 1),
        ("up to the first past date", -1),
        ("beyond the horizon of the dates", -2),
        ("laid after the date", -1),
        ("Later failures in the back-test", 4),
        ("known by loop alone", 1),
        ("Failures that came, beside those expected", 5),
    ]
    assert con.execute(CHECK.read_text(encoding="utf-8")).fetchall() == []


@pytest.mark.parametrize(
    ("table", "column", "step"),
    [
        ("marts.class_survival", "failures", "Failures in the class curves"),
        ("marts.loop_ranking", "failures_recorded", "Failures on record in the ranking"),
        ("marts.backtest_summary", "failures_distinct", "Later failures in the back-test"),
        ("marts.calibration_summary", "observed_distinct", "Failures that came, beside those expected"),
    ],
)
def test_a_count_that_the_steps_do_not_give_is_found(con, table: str, column: str, step: str) -> None:
    con.execute(f"update {table} set {column} = {column} + 1")
    steps_of(con)
    assert [row[0] for row in con.execute(CHECK.read_text(encoding="utf-8")).fetchall()] == [step]


def test_without_a_past_date_nothing_is_followed(con) -> None:
    for table in ("marts.backtest", "marts.backtest_summary", "marts.calibration_summary"):
        con.execute(f"delete from {table}")
    assert steps_of(con)[-4:] == [
        ("cable since retired", 1),
        ("up to the first past date", -8),
        ("Later failures in the back-test", 0),
        ("Failures that came, beside those expected", 0),
    ]
    assert con.execute(CHECK.read_text(encoding="utf-8")).fetchall() == []


def test_counts_of_the_demo_sum(demo_space) -> None:
    with open_warehouse(demo_space, read_only=True) as con:
        assert con.execute(CHECK.read_text(encoding="utf-8")).fetchall() == []
        stated = con.execute(
            "select jobs from marts.count_reconciliation where is_total order by step_order"
        ).fetchall()
    assert len(stated) == 5 and all(jobs > 0 for (jobs,) in stated)


def test_each_question_has_its_first(make_warehouse) -> None:
    con = make_warehouse({})
    given(
        con,
        marts__loop_ranking="""
            rank | rank_by_money | loop_id
            1    | 3             | A
            2    | 1             | B
            3    | 2             | C
        """,
        marts__programme="""
            loop_id | programme_order
            C       | 1
            B       | 2
            C       | 3
        """,
    )
    query = warehouse.models()["marts.first_loops"].query
    rows = con.execute(f"select ordered_by, loop_id, place_in_programme from ({query}) order by all").fetchall()
    assert rows == [("by_money", "B", 2), ("per_km", "A", None), ("programme", "C", 1)]
    con.execute("delete from marts.programme")
    assert len(con.execute(query).fetchall()) == 2
