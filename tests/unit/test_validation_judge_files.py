"""What is measured of whole files, each bound met from both sides by a handful of rows."""

from __future__ import annotations

from dataclasses import replace

import duckdb
import numpy as np
import pandas as pd
import pytest

from pipelines.intake.raw import ensure_raw_tables
from pipelines.validation.file_measures import KNOWN_FACTORS, ks_by_chance, ks_distance, name_factor
from pipelines.validation.file_results import FileFacts, FileResult, say_results
from pipelines.validation.file_rules import FILE_RULES
from pipelines.validation.judge_files import MEASURES, _nearest, judge_files
from shared import dictionary
from shared.errors import UserError
from shared.settings import Validation
from tests.conftest import write_raw

RULES = {rule.name: rule for rule in FILE_RULES}
LOOPS = dictionary.load_tables()["loops"].source_columns


@pytest.fixture
def con() -> duckdb.DuckDBPyConnection:
    con = duckdb.connect()
    con.execute("create schema raw")
    return con


def facts(number: int, columns: tuple[str, ...] = LOOPS, **known) -> FileFacts:
    return FileFacts(number, f"{number}.csv", (), "rows_read", False, dict.fromkeys(columns, ""), **known)


def column(given: int, rows: int, value: object = "x") -> list[object]:
    return [value] * given + [None] * (rows - given)


def loops(rows: int, **columns: list[object]) -> pd.DataFrame:
    ids = [f"L{n}" for n in range(rows)]
    return pd.DataFrame({"loop_id": ids, "district_id": "D1", **columns})


def judge(con: duckdb.DuckDBPyConnection, *files: pd.DataFrame) -> None:
    """The rows of each file, numbered from 1, as the rules of whole files see them."""
    frames = [f.reindex(columns=LOOPS).assign(file_no=n, content_hash="") for n, f in enumerate(files, start=1)]
    con.register("rows", pd.concat(frames).astype({"voltage_kv": float, "customers": float}))
    con.execute("create or replace table judged as select * from rows")


def measure(con: duckdb.DuckDBPyConnection, rule: str, *files: FileFacts, **settings) -> list[FileResult]:
    return MEASURES[rule](con, "loops", files, RULES[rule], Validation(**settings))


BEFORE = loops(40, voltage_kv=column(20, 40, 12.47), customers=column(40, 40, 9), feeder_id=column(19, 40))


def test_columns_are_missed_that_half_the_rows_before_gave(con) -> None:
    write_raw(con, "loops", BEFORE)
    files = (facts(1, ("loop_id", "district_id", "customers")), facts(2, ("loop_id", "district_id")))
    files += (facts(3, ("loop_id", "district_id", "customers", "voltage_kv")),)
    found = measure(con, "column_absent", *files, file_min_rows=40)
    told = [(r.file, r.rows, str(r.message).partition(". ")[0]) for r in found]
    lacks = "the file lacks {} columns that rows loaded before mostly give: {}"
    assert told == [("1.csv", 1, lacks.format(1, "voltage_kv")), ("2.csv", 2, lacks.format(2, "voltage_kv, customers"))]
    assert measure(con, "column_absent", *files, file_min_rows=41) == []


def test_a_column_is_emptied_below_a_share_of_what_it_was(con) -> None:
    """Before, the voltage stood in half of the rows: of 20 rows ten were expected, of 19 too few to judge."""
    write_raw(con, "loops", BEFORE)
    later = {"voltage_kv": column(5, 20, 12.47), "customers": column(9, 20, 9)}
    short = {"voltage_kv": column(0, 19, 12.47), "customers": column(19, 19, 9)}
    judge(con, loops(20, **later), loops(19, **short), loops(20, **later), loops(20, **later))
    files = (facts(1), facts(2), facts(3, ("loop_id", "district_id", "voltage_kv")))
    found = measure(con, "column_emptied", *files, file_min_rows=40, emptied_share=0.5)
    emptied = "customers is given in 45% of 20 rows, before in 100% of 40: did an export drop the column, or rename it?"
    assert [(r.file, r.column, r.rows, r.measured, r.allowed, r.message) for r in found] == [
        ("1.csv", "voltage_kv", 20, 0.5, 0.5, None),
        ("1.csv", "customers", 20, 0.45, 0.5, emptied),
        ("2.csv", "customers", 19, 1.0, 0.5, None),
        ("3.csv", "voltage_kv", 20, 0.5, 0.5, None),
    ]
    assert measure(con, "column_emptied", *files, file_min_rows=41) == []


def test_numbers_are_compared_where_there_are_enough_of_them(con) -> None:
    """Half of the customers stood at 10, half at 20; files of 20 alone lie half apart, one of 21 wholly."""
    write_raw(con, "loops", loops(40, customers=[10, 20] * 20, voltage_kv=column(39, 40, 12.47)))
    twenties = loops(40, customers=[20] * 40, voltage_kv=[4.16] * 40)
    judge(con, twenties, loops(40, customers=[21] * 40), loops(39, customers=[21] * 39), twenties)
    found = measure(con, "distribution_shifted", *map(facts, (1, 2, 3)), file_min_rows=40, distribution_distance=0.5)
    assert [(r.file, r.column, r.rows, r.measured, r.allowed) for r in found] == [
        ("1.csv", "customers", 40, 0.5, 0.5),
        ("2.csv", "customers", 40, 1, 0.5),
    ]
    assert found[0].message is None
    assert str(found[1].message).endswith("between 40 values here and 40 before; the median is 21, before 15")
    assert measure(con, "distribution_shifted", facts(1), file_min_rows=41) == []
    # Chance alone parts 40 values from 40 by 0.44 at most.
    found = measure(con, "distribution_shifted", facts(1), file_min_rows=39, distribution_distance=0.1)
    chance = (-np.log(0.0005) / 2) ** 0.5 * (80 / 1600) ** 0.5
    assert found[1].allowed == pytest.approx(chance) and found[1].message is not None
    assert [(r.column, r.rows, r.measured) for r in found] == [("voltage_kv", 40, 1), ("customers", 40, 0.5)]


def test_numbers_that_count_or_place_rows_are_not_compared(con) -> None:
    sections = pd.DataFrame(
        {"section_id": [f"S{n}" for n in range(9)], "loop_id": "L1", "position": 1, "length_m": 9.0, "customers": 3}
    )
    write_raw(con, "sections", sections)
    con.execute("create table judged as select *, 1 as file_no from raw.sections")
    rule = RULES["distribution_shifted"]
    found = MEASURES[rule.name](con, "sections", [facts(1)], rule, Validation(file_min_rows=9))
    assert [r.column for r in found] == ["length_m", "customers"]
    shots = pd.DataFrame({"job_id": [f"J{n}" for n in range(9)], "shot_no": 1, "fault_distance_m": 9.0})
    write_raw(con, "test_shots", shots)
    con.execute("create or replace table judged as select *, 1 as file_no from raw.test_shots")
    found = MEASURES[rule.name](con, "test_shots", [facts(1)], rule, Validation(file_min_rows=9))
    assert [r.column for r in found] == ["fault_distance_m"]


def test_orphans_of_a_year_are_told_above_the_share_allowed(con) -> None:
    def years(*given: tuple[int, int, int, str | None]) -> pd.DataFrame:
        rows = [(file, pd.Timestamp(f"{year}-05-01"), s) for file, year, n, s in given for _ in range(n)]
        return pd.DataFrame(rows, columns=["file_no", "reported_at", "section_id"])

    jobs = years((1, 2010, 9, "S1"), (1, 2010, 1, "gone"), (1, 2011, 9, "gone"), (1, 2012, 8, "S1"))
    jobs = pd.concat([jobs, years((1, 2012, 2, "gone"), (1, 2012, 5, None), (2, 2010, 10, "gone"))])
    con.execute("create table judged as select * from jobs")
    con.execute("create table known_sections as select 'S1' as section_id limit 0")
    limits = {"file_min_rows": 10, "orphan_share_limit": 0.1}
    assert measure(con, "orphan_share", facts(1), **limits) == []  # no register to be missed from
    con.execute("insert into known_sections values ('S1')")
    found = measure(con, "orphan_share", facts(1), **limits)
    assert [(r.file, r.column, r.year, r.rows, r.measured, r.allowed) for r in found] == [
        ("1.csv", "section_id", 2010, 10, 0.1, 0.1),
        ("1.csv", "section_id", 2012, 10, 0.2, 0.1),
    ]
    assert found[0].message is None
    assert found[1].message == (
        "of the 10 jobs of 2012 that name a section, 20.0% name one that is not in the register (allowed 10%)"
    )


def read(con: duckdb.DuckDBPyConnection, headers: str, *rows: str, is_mapped: bool = False) -> FileFacts:
    names = headers.split(",")
    view = f"read_{len(con.execute('show tables').fetchall())}"
    cells = pd.DataFrame([row.split(",") for row in rows], columns=[f"c{n}" for n in range(1, len(names) + 1)])
    con.register(view, cells)
    return FileFacts(1, "1.csv", tuple(names), view, is_mapped)


def test_headings_are_told_that_no_column_has_or_that_stand_twice(con) -> None:
    mapped = read(con, "Zone,LOOP_ID,Zone", "a,b,c", is_mapped=True)
    plain = read(
        con, "LOOP_ID,quarantine_id,voltage,,,Zone,zone,customers,CUSTOMERS,customers,,", *["1,2,3,,x,5,,7,8,9,,"] * 2
    )
    found = measure(con, "column_unknown", mapped, plain)
    assert [(r.column, r.rows) for r in found] == [("voltage", 2), (None, 2), ("Zone", 2), ("zone", 0)]
    said = [str(r.message).partition("so its ")[2] for r in found]
    assert said[0] == "2 values are ignored; did you mean 'voltage_kv'?"
    assert said[1] == "2 values are ignored; it is the file's column 5 and has no heading: give it one"
    assert "column of table loops" in str(found[0].message)
    assert "'voltage_kv'" not in str(measure(con, "column_unknown", read(con, "voltage,voltage_kv", "1,2"))[0].message)
    repeated = measure(con, "column_repeated", mapped, plain)
    assert [(r.column, r.rows) for r in repeated] == [("zone", 1), ("customers", 4)]


@pytest.mark.parametrize(
    ("header", "free", "meant"),
    [
        ("ABCD", ["abce"], ["abce"]),  # three letters of four alike
        ("abcde", ["abcxy"], []),  # three of five
        ("abcd", ["abce", "abcf", "abcg"], ["abcg", "abcf"]),  # two at most
        ("alpha beta gamma delta", ["gamma_alpha_beta"], ["gamma_alpha_beta"]),  # three words of four
        ("alpha beta delta", ["gamma_alpha_beta"], []),  # two of four
        ("c b a", ["b_c_a", "a_c_b", "b_a_c", "a_b_c"], ["b_c_a", "a_c_b"]),
    ],
)
def test_the_columns_that_a_heading_may_mean(header: str, free: list[str], meant: list[str]) -> None:
    words = "did you mean " + " or ".join(f"'{c}'" for c in meant) + "?" if meant else "no column is called nearly so"
    assert _nearest(header, free, 1).startswith(words)


def test_what_the_reader_assumed_is_told_in_its_words(con) -> None:
    files = [
        facts(1, encoding=("Windows-1252", 3, "pelé", 2), delimiter=("the comma", 1, "the semicolon gives 1")),
        facts(2, encoding=("UTF-16", 1, "é", 0)),
        facts(3, encoding=("Windows-1252", 0, "", 0)),
        facts(4),
    ]
    end = ". If that looks wrong, state encoding in a mapping"
    found = measure(con, "encoding_assumed", *files)
    assumed = "the encoding had to be assumed: {} characters were read as {}"
    latin = "e.g. 'pelé'; Latin-1 would read 2 of them otherwise"
    assert [(r.rows, r.message) for r in found] == [
        (3, f"{assumed.format(3, 'Windows-1252')}, {latin}{end}"),
        (1, f"{assumed.format(1, 'UTF-16')}, e.g. 'é'{end}"),
    ]
    (told,) = measure(con, "delimiter_assumed", *files)
    assert told.message == (
        "the delimiter had to be assumed: the comma gives 1 known headings, the semicolon gives 1. State delimiter in "
        "the mapping"
    )


def test_only_files_with_rows_enough_are_measured_and_all_that_was_measured_is_kept(con) -> None:
    ensure_raw_tables(con)
    write_raw(con, "loops", BEFORE)
    judge(con, loops(10, customers=[9] * 10), loops(9))
    files = [facts(1, delimiter=("the comma", 1, "none")), facts(2, delimiter=("the comma", 1, "none"))]
    settings = Validation(file_min_rows=10)
    rules = [RULES[name] for name in ("delimiter_assumed", "column_emptied", "distribution_shifted")]
    broken = judge_files(con, "b7", "loops", files, rules, settings)
    assert [(r.file, r.rule) for r in broken] == [("1.csv", "delimiter_assumed"), ("2.csv", "delimiter_assumed")]
    kept = con.execute("select * from raw.file_results order by all").fetchall()
    said, chance = str(broken[0].message), pytest.approx(ks_by_chance(10, 40))
    assert kept == [
        ("b7", "loops", "1.csv", "column_emptied", "warn", "customers", None, 10, 1.0, 0.1, None),
        ("b7", "loops", "1.csv", "delimiter_assumed", "warn", None, None, 1, None, None, said),
        ("b7", "loops", "1.csv", "distribution_shifted", "warn", "customers", None, 10, 0.0, chance, None),
        ("b7", "loops", "2.csv", "delimiter_assumed", "warn", None, None, 1, None, None, said),
    ]
    assert judge_files(con, "b8", "loops", files[1:], rules[1:], settings) == []
    with pytest.raises(UserError, match="the delimiter had to be assumed"):
        judge_files(con, "b9", "loops", files, [replace(rules[0], severity="reject")], settings)
    assert con.execute("select distinct load_id from raw.file_results").fetchall() == [("b7",)]


def test_values_within_a_hundredth_are_alike_and_a_thousandth_is_left_to_chance() -> None:
    assert ks_distance(np.array([100.0]), np.array([101.0])) == 0
    assert ks_distance(np.array([100.0]), np.array([101.05])) == 1
    assert ks_distance(np.array([-100.0]), np.array([-101.0])) == 0
    assert ks_distance(np.array([1.0, 2.0, 2.0, 9.0]), np.array([2.0, 9.0]), alike=0) == 1 / 4
    assert ks_by_chance(50, 200) == pytest.approx((-np.log(0.0005) / 2) ** 0.5 * (250 / 10_000) ** 0.5)


FACTORS = [("dug_distance_m", 1 / 0.3048, "feet read as metres"), ("dug_distance_m", 0.3048, "metres read as feet")]
FACTORS += [("length_m", 1000, "metres read as kilometres"), ("length_m", 0.001, "kilometres read as metres")]
VELOCITY = "velocity_setting_pct"
FACTORS += [(VELOCITY, 0.5, "half velocities read as whole ones"), (VELOCITY, 2, "whole velocities read as half ones")]
FACTORS += [(VELOCITY, 0.01, "a fraction read as percent"), (VELOCITY, 100, "percent read as a fraction")]
FACTORS += [("customer_minutes", 60, "minutes read as hours")]
for any_column in ("customer_minutes", "customers"):
    FACTORS += [(any_column, 1000, "decimals read as thousands"), (any_column, 0.001, "thousands read as decimals")]


@pytest.mark.parametrize(("column", "factor", "words"), FACTORS)
def test_every_known_factor_is_named_within_five_in_a_hundred(column: str, factor: float, words: str) -> None:
    for near in (factor * np.exp(0.0499), factor * np.exp(-0.0499)):
        assert name_factor(7 * near, 7.0, column) == f", {near:.3g} times as much: {words}?"
    for off in (factor * np.exp(0.0501), factor * np.exp(-0.0501)):
        assert name_factor(7 * off, 7.0, column) == ""
    assert len(FACTORS) == sum(map(len, KNOWN_FACTORS.values()))
    assert name_factor(3.0, 0.0, column) == name_factor(0.0, 3.0, column) == ""


def test_a_rule_broken_by_several_files_is_told_of_the_first() -> None:
    box = [FileResult(f"{n}.csv", "column_unknown", "warn", "box", rows=3, message=f"box {n}") for n in (1, 2, 3)]
    assert say_results(box) == ["1.csv, and so in 2 more files: box 1 [column_unknown]"]
    assert say_results([box[0], box[0]]) == ["1.csv: box 1 [column_unknown]"]
    assert FileFacts(1, "1.csv", (), "v", False).columns == frozenset()
