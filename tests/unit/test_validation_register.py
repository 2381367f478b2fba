"""What rows are compared with, and the suites put to them, on tables of a few rows."""

from __future__ import annotations

import duckdb
import numpy as np
import pandas as pd
import pytest

from pipelines.validation import clusters
from pipelines.validation.facts import plan_facts
from pipelines.validation.judge import told_columns
from pipelines.validation.register import draw_correction_faults, latest_sql, pairs_in_time_sql, same_spot_pairs_sql
from pipelines.validation.rules import Holds, Listed, NotBefore, Rule, Within
from pipelines.validation.suite import _raised, run_suite
from tests.conftest import write_raw

DAY = 86_400


def pool(*jobs: tuple[object, ...]) -> duckdb.DuckDBPyConnection:
    con = duckdb.connect()
    columns = ["job_id", "loop_id", "section_id", "test_terminal_id", "dug_distance_m", "reported_s"]
    con.register("pool", pd.DataFrame(jobs, columns=columns))
    return con


def test_jobs_within_fifteen_minutes_on_a_loop_are_pairs() -> None:
    seconds = {"a": 0, "b": 900, "c": 1801, "d": 2701}
    con = pool(*((job, "L1", "", "", 0.0, s) for job, s in seconds.items()), ("e", "L2", "", "", 0.0, 0))
    assert con.execute(pairs_in_time_sql("pool") + " order by all").fetchall() == [("a", "b"), ("c", "d")]
    crowd = pool(*((f"{n:02}", "L1", "", "", 0.0, 5) for n in range(25)))
    # 300 pairs of 25 less those more than twenty places apart: 4 + 3 + 2 + 1
    assert len(crowd.execute(pairs_in_time_sql("pool")).fetchall()) == 290


def test_jobs_within_thirty_days_and_three_metres_of_a_section_are_pairs() -> None:
    jobs = [("a", "S1", "T1", 40.0, 0), ("b", "S1", "T1", 43.0, 30 * DAY), ("c", "S1", "T1", 43.0, 60 * DAY + 1)]
    jobs += [
        ("d", "S2", None, 40.0, 5),
        ("e", "S2", None, 43.1, 6),
        ("f", "S2", None, 46.0, 7),
        ("g", "S2", "T1", 40.0, 5),
    ]
    con = pool(*((job, "L1", *rest) for job, *rest in jobs))
    assert con.execute(same_spot_pairs_sql("pool") + " order by all").fetchall() == [("a", "b"), ("e", "f")]


def test_the_highest_revision_stands_then_the_last_to_arrive() -> None:
    con = duckdb.connect()
    con.execute("create schema raw")
    jobs = pd.DataFrame(
        {"job_id": ["a", "a", "a", "b", "b"], "revision": [1, 2, None, None, 1], "crew_id": list("vwxyz")}
    )
    write_raw(con, "jobs", jobs)
    write_raw(con, "loops", pd.DataFrame({"loop_id": ["L", "L", "M"], "substation": ["p", "q", "r"]}))
    for table, columns, rows in (
        ("jobs", ("job_id", "crew_id"), [("a", "w"), ("b", "z")]),
        ("loops", ("loop_id", "substation"), [("L", "q"), ("M", "r")]),
    ):
        assert con.execute(latest_sql(table, columns) + " order by all").fetchall() == rows


CORRECTIONS: list[tuple[str, str | None, str | None, str | None]] = [
    ("dug_distance_m", "40.0003", "41", None),  # within a hundred-thousandth of 40
    ("dug_distance_m", "40.0005", "41", "dug_distance_m of J1 is now 40.0, not 40.0005"),
    ("dug_distance_m", "7", "40", None),  # the value that stands is the one proposed
    ("estimated_distance_m", None, "41", None),
    ("estimated_distance_m", "7", "41", "estimated_distance_m of J1 is now empty, not 7"),
    ("crew_id", "C1", None, None),
    ("crew_id", None, "C2", "crew_id of J1 is now C1, not empty"),
    ("reported_at", "2018-01-10 10:00Z", "soon", "value_proposed = soon does not fit column reported_at"),
    ("revision", "1", "2", "jobs have no column revision that can be corrected"),
    ("job_id", "J1", "J2", "jobs have no column job_id that can be corrected"),
]
"""Column, its value now as stated, the value proposed, and what is wrong with that."""


def test_a_correction_is_held_against_the_job_as_it_stands() -> None:
    con = duckdb.connect()
    con.execute("create schema raw")
    job = {"revision": 1, "crew_id": "C1", "dug_distance_m": 40.0, "reported_at": "2018-01-10 10:00Z"}
    write_raw(con, "jobs", pd.DataFrame([{"job_id": f"J{n}"} | job for n in range(len(CORRECTIONS))]))
    typed = pd.DataFrame(CORRECTIONS, columns=["column", "value_now", "value_proposed", "fault"])
    typed["job_id"] = [f"J{n}" for n in range(len(CORRECTIONS))]
    refused = typed.assign(job_id="J99", decision="refuse")
    con.register("typed", pd.concat([typed.assign(decision="apply"), refused]).astype("string"))
    draw_correction_faults(con)
    found = dict(con.execute("select job_id, fault from correction_faults where job_id <> 'J99'").fetchall())
    wanted = {f"J{n}": fault and fault.replace("J1 ", f"J{n} ") for n, (*_, fault) in enumerate(CORRECTIONS)}
    assert found == wanted
    assert con.execute("select distinct fault from correction_faults where job_id = 'J99'").fetchall() == [(None,)]


def test_a_finding_tells_every_column_but_free_texts() -> None:
    assert told_columns("loops") == (
        "loop_id",
        "district_id",
        "feeder_id",
        "configuration",
        "voltage_kv",
        "customers",
        "normal_open_terminal_id",
    )
    assert "name" not in told_columns("districts") and "timezone" in told_columns("districts")


@pytest.mark.parametrize("table", ["jobs", "test_shots", "known_lengths", "sections"])
def test_nothing_is_missing_from_an_empty_register(table: str) -> None:
    empty, full = (
        plan_facts(table, frozenset(), registered=frozenset(held), now=0.0).facts
        for held in ((), ("instruments", "terminals"))
    )
    if table != "sections":
        assert (empty["is_instrument_known"], "known_instruments" in full["is_instrument_known"]) == ("true", True)
    if table != "known_lengths":
        assert empty["unknown_terminal_columns"] == "null::varchar"
        assert "known_terminals" in full["unknown_terminal_columns"]


def test_no_cluster_has_the_columns_of_one() -> None:
    assert list(clusters._describe(duckdb.connect(), {}).columns) == clusters.COLUMNS


def rule(name: str, demand: Holds | Listed | NotBefore | Within) -> Rule:
    return Rule(name, "warn", ("loops",), demand, "", "")


FACTS = pd.DataFrame(
    {
        "a": [1.0, 2.0, np.nan, 9.0],
        "b": [1.0, 3.0, 0.0, np.nan],
        "x": [0.0, 1.0, 5.0, np.nan],
        "is_it": [True, False] * 2,
    },
    index=[7, 3, 5, 1],
)


def test_every_demand_fails_on_its_rows_alone() -> None:
    demands = {
        "order": (NotBefore("a", "b"), [3]),
        "above": (Within("x", low=0.0, low_open=True), [7]),
        "from": (Within("x", low=1.0), [7]),
        "up_to": (Within("x", high=1.0), [5]),
        "between": (Within("x", low=0.5, high=4.0), [5, 7]),
        "holds": (Holds("is_it"), [1, 3]),
        "listed": (Listed("is_it"), [1, 3]),
        "never": (Within("x", low=0.0, high=5.0), []),
    }
    rules = tuple(rule(name, demand) for name, (demand, _) in demands.items())
    found = run_suite("loops", FACTS, rules)
    assert {name: rows.tolist() for name, rows in found.items()} == {name: rows for name, (_, rows) in demands.items()}
    assert {name: rows.tolist() for name, rows in run_suite("loops", FACTS[:0], rules[:1]).items()} == {"order": []}
    assert run_suite("loops", FACTS, ()) == {}


def test_a_rule_that_cannot_be_run_never_reads_as_kept() -> None:
    with pytest.raises(RuntimeError, match="rule gone of table loops could not be run"):
        run_suite("loops", FACTS, (rule("gone", Holds("no_such_fact")),))
    with pytest.raises(RuntimeError, match="rule gone of table loops could not be run"):
        run_suite("loops", FACTS, (rule("gone", NotBefore("a", "no_such_fact")),))
    assert _raised({"raised_exception": True}) and not _raised({"raised_exception": False}) and not _raised({})
    entries = {"one": {"raised_exception": False}, "two": {"raised_exception": True}, "three": "text"}
    assert _raised(entries) and not _raised({"one": {"raised_exception": False}})
