"""What no single row can tell: each rule of files is broken by its file, kept with the load, and can be turned."""

from __future__ import annotations

import datetime as dt
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import duckdb
import numpy as np
import pytest
from scipy import stats

from pipelines.intake.formats import read_file
from pipelines.intake.load import LoadReport, load_paths
from pipelines.intake.mapping import canonical_source
from pipelines.intake.mapping_file import parse_mapping_text
from pipelines.intake.typed import number_sql
from pipelines.intake.undo import undo_load
from pipelines.validation.file_measures import ks_by_chance, ks_distance, name_factor
from pipelines.validation.file_results import FileResult, say_results
from pipelines.validation.file_rules import FILE_RULES
from pipelines.validation.rules import file_rules_for
from shared.errors import UserError
from shared.settings import Settings, Validation
from shared.store import Workspace, open_warehouse
from tests.cases.small_utility import TABLES, Row, with_changes, write_csv

BASE = ("districts", "loops", "sections", "jobs")


def season(first: int, rows: int, **cells: str) -> list[Row]:
    """Sound jobs nine days apart, their dug distances spread over 40 m."""
    made = []
    for n in range(first, first + rows):
        start = dt.datetime(2006, 1, 5, 10) + dt.timedelta(days=9 * (n % 300), minutes=n)
        job = dict(
            TABLES["jobs"][0],
            job_id=f"J-{n}",
            dug_distance_m=f"{20 + (7 * n) % 40}.0",
            estimated_distance_m=f"{21 + (7 * n) % 40}.5",
        )
        for column, minutes in (
            ("reported_at", 0),
            ("dispatched_at", 9),
            ("arrived_at", 40),
            ("located_at", 90),
            ("restored_at", 135),
            ("pinpointed_at", 240),
            ("repaired_at", 560),
            ("normal_at", 2830),
            ("closed_at", 6100),
        ):
            job[column] = f"{start + dt.timedelta(minutes=minutes):%Y-%m-%d %H:%M}"
        made.append(job | cells)
    return made


@pytest.fixture(scope="module")
def register(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A warehouse that holds the register, made once."""
    space = Workspace(tmp_path_factory.mktemp("register"))
    with open_warehouse(space) as con:
        load_paths(con, [write_csv(space.folder / f"{t}.csv", TABLES[t]) for t in BASE[:3]], Settings())
    return space.warehouse


@pytest.fixture(scope="module")
def history(tmp_path_factory: pytest.TempPathFactory, register: Path) -> Path:
    """The same with 160 jobs loaded."""
    space = Workspace(tmp_path_factory.mktemp("history"))
    shutil.copy(register, space.warehouse)
    with open_warehouse(space) as con:
        load_paths(con, [write_csv(space.folder / "jobs.csv", season(0, 160))], Settings())
    return space.warehouse


@pytest.fixture
def load(tmp_path: Path, register: Path) -> Callable[..., tuple[duckdb.DuckDBPyConnection, LoadReport]]:
    """Loads files into one warehouse that holds the register."""
    return loader(tmp_path, register)


@pytest.fixture
def load_after(tmp_path: Path, history: Path) -> Callable[..., tuple[duckdb.DuckDBPyConnection, LoadReport]]:
    """Loads files into one warehouse that holds jobs already."""
    return loader(tmp_path, history)


def loader(folder: Path, base: Path) -> Callable[..., tuple[duckdb.DuckDBPyConnection, LoadReport]]:
    shutil.copy(base, folder / base.name)
    con = open_warehouse(Workspace(folder))

    def run(name: str, rows: list[Row] | str, settings: Settings | None = None, **form: str):
        path = folder / name
        if isinstance(rows, list):
            write_csv(path, rows, **form)
        else:
            path.write_text(rows)
        return con, load_paths(con, [path], settings or Settings())

    return run


def said(report: LoadReport, rule: str) -> list[str]:
    return [str(r.message) for r in report.broken if r.rule == rule]


def test_a_misspelt_column_is_named_with_the_one_it_may_mean(load) -> None:
    rows = [{("dug_distance" if k == "dug_distance_m" else k): v for k, v in row.items()} for row in TABLES["jobs"]]
    con, report = load("jobs.csv", [row | {"weather": "rain", "box": "R1"} for row in rows])
    cure = "no column is called nearly so: leave it, or map it (loopwear draft-mapping FILE)"
    assert said(report, "column_unknown") == [
        (
            "the column 'dug_distance' is not a column of table jobs, so its 3 values are ignored; did you mean "
            "'dug_distance_m'?"
        ),
        f"the column 'weather' is not a column of table jobs, so its 3 values are ignored; {cure}",
        f"the column 'box' is not a column of table jobs, so its 3 values are ignored; {cure}",
    ]
    assert report.files[0].new == 3
    assert con.execute('select "column" from raw.file_results where message is not null order by 1').fetchall() == [
        ("box",),
        ("dug_distance",),
        ("weather",),
    ]


def test_a_sound_file_in_the_canonical_form_breaks_no_rule(load) -> None:
    _, report = load("jobs.csv", season(0, 60))
    assert report.broken == ()


def test_a_heading_that_stands_twice_and_a_column_without_one_are_told(load) -> None:
    header, *rows = write_text(TABLES["jobs"])
    text = "\n".join([f"{header},crew_id,"] + [f"{row},C9,x" for row in rows])
    con, report = load("jobs.csv", text)
    assert said(report, "column_repeated") == [
        (
            "the heading 'crew_id' appears more than once: the first is read, the 3 values under the others are "
            "ignored; rename one of them"
        )
    ]
    assert "has no heading: give it one" in said(report, "column_unknown")[0]
    assert con.execute("select distinct crew_id from raw.jobs").fetchall() == [("C1",)]


def write_text(rows: list[Row]) -> list[str]:
    return [",".join(rows[0]), *(",".join(row.values()) for row in rows)]


@pytest.mark.parametrize(
    ("encoding", "note", "expected"),
    [
        ("cp1252", "pelé – piñata", ("Windows-1252", 3, "pelé", 1)),
        ("latin-1", "pelé", ("Windows-1252", 1, "pelé", 0)),
        ("utf-16-le", "pelé", ("UTF-16", 1, "pelé", 0)),
        ("utf-8", "pelé", None),
        ("utf-16", "pelé", None),
    ],
)
def test_an_assumed_encoding_is_told_with_a_word_of_the_file(tmp_path: Path, encoding, note, expected) -> None:
    path = write_csv(tmp_path / "jobs.csv", with_changes("jobs", {"notes": note}), encoding=encoding)
    with duckdb.connect() as con:
        read = read_file(con, "read_0", path, "jobs.csv", canonical_source("jobs"))
        place = read.headers.index("notes") + 1
        assert con.execute(f"select c{place} from read_0 order by row_number limit 1").fetchone() == (note,)
    assert read.encoding_assumed == expected


def test_an_assumed_encoding_is_warned_of(load) -> None:
    _, report = load("jobs.csv", with_changes("jobs", {"notes": "pelé – piñata"}), encoding="cp1252")
    assert said(report, "encoding_assumed") == [
        (
            "the encoding had to be assumed: 3 characters were read as Windows-1252, e.g. 'pelé'; Latin-1 would read 1 "
            "of them otherwise. If that looks wrong, state encoding in a mapping"
        )
    ]


def test_headings_that_other_blocks_take_speak_for_a_delimiter_too(tmp_path: Path) -> None:
    """A block of constants names no heading of its own file; the register's block beside it does."""
    file = tmp_path / "book.csv"
    file.write_text("Segment,Loop\nS1,L1\n", encoding="utf-8")
    constants, register = parse_mapping_text(
        """
        [[table]]
        to = "districts"
        files = "book.csv"
        columns = { district_id = { value = "N" } }
        [[table]]
        to = "sections"
        files = "book.csv"
        columns = { section_id = "Segment", loop_id = "Loop" }
    """,
        tmp_path / "our.toml",
    ).tables
    assert (constants.headers, constants.headers_beside) == ((), ("Segment", "Loop"))
    with duckdb.connect() as con:
        assert read_file(con, "one", file, "book.csv", constants).delimiter_assumed is None
        assert read_file(con, "two", file, "book.csv", register).delimiter_assumed is None
        alone = replace(constants, headers_beside=())
        assert read_file(con, "three", file, "book.csv", alone).delimiter_assumed is not None


def test_a_delimiter_that_only_one_heading_speaks_for_is_told() -> None:
    from pipelines.intake.text import find_rival

    assert find_rival("job_id;loop_id;restored", {"job_id", "loop_id"}, ";") is None
    assert find_rival("Ticket;Date, Time", {"ticket"}, ";") == ("the semicolon", 1, "the comma gives 0")
    assert find_rival("Ticket Date", {"ticket date"}, ",") == ("the comma", 1, "the semicolon gives 1")


def test_orphans_are_told_by_year(load) -> None:
    rows = [*season(0, 100), *season(100, 40, section_id="S-gone")]
    con, report = load("jobs.csv", rows)
    told = con.execute(
        "select year, rows_measured, round(measured, 4), message is not null from raw.file_results "
        "where rule = 'orphan_share' order by year"
    ).fetchall()
    years = [job["reported_at"][:4] for job in rows]
    for year, counted, share, is_broken in told:
        gone = [y for y, job in zip(years, rows, strict=True) if job["section_id"] == "S-gone"].count(str(year))
        assert (counted, share, is_broken) == (years.count(str(year)), round(gone / counted, 4), gone / counted > 0.05)
    assert any(broken for *_, broken in told)
    assert said(report, "orphan_share")[0].endswith("name one that is not in the register (allowed 5%)")


def test_a_column_that_went_empty_is_told_and_one_that_was_always_sparse_is_not(load_after) -> None:
    _, report = load_after("jobs_later.csv", season(100, 60, crew_id=""))
    assert said(report, "column_emptied") == [
        "crew_id is given in 0% of 60 rows, before in 100% of 160: did an export drop the column, or rename it?"
    ]


def test_columns_that_a_file_has_not_are_told_in_one_line(load_after) -> None:
    left = [{k: v for k, v in row.items() if k not in ("crew_id", "cause", "notes")} for row in season(100, 60)]
    _, report = load_after("jobs_later.csv", left)
    assert [(r.rule, r.message) for r in report.broken] == [
        (
            "column_absent",
            (
                "the file lacks 2 columns that rows loaded before mostly give: crew_id, cause. Its rows stay out of "
                "the figures that need them"
            ),
        )
    ]


def test_a_comma_that_may_stand_before_decimals_is_told_unless_proven(load) -> None:
    rows = with_changes("jobs", {"repair_cost": "1,250"}, {"repair_cost": "6100"}, {"repair_cost": "980"})
    con, report = load("jobs.csv", rows, delimiter=";")
    assert said(report, "thousands_assumed") == [
        (
            "repair_cost holds 1 numbers such as '1,250', read as thousands: if the comma comes before decimals, "
            "state decimal = ',' in a mapping; decimal = '.' there ends this warning"
        )
    ]
    assert con.execute("select repair_cost from raw.jobs where job_id = 'J1'").fetchone() == (1250.0,)
    rows[1]["repair_cost"] = "6,100.50"
    assert said(load("jobs_2.csv", rows, delimiter=";")[1], "thousands_assumed") == []


def mapped(folder: Path, table: str, block: str = "") -> Path:
    columns = "\n".join(f'{c} = "{c}"' for c in TABLES[table][0])
    path = folder / "mapping.toml"
    path.write_text(f'[[table]]\nto = "{table}"\n{block}\n[table.columns]\n{columns}\n')
    return path


def test_marks_in_the_numbers_of_a_mapped_file_are_told_as_in_any_other(tmp_path: Path) -> None:
    con = open_warehouse(Workspace(tmp_path / "workspace"))
    load_paths(con, [write_csv(tmp_path / f"{t}.csv", TABLES[t]) for t in ("districts", "loops")], Settings())
    rows = with_changes("jobs", {"repair_cost": "1,250", "dug_distance_m": "12,5"}, {"dug_distance_m": "13,25"})
    file = write_csv(tmp_path / "book.csv", rows, delimiter=";")
    report = load_paths(con, [file], Settings(), mapped(tmp_path, "jobs"))
    assert said(report, "thousands_assumed") == [
        (
            "repair_cost holds 1 numbers such as '1,250', read as thousands: if the comma comes before decimals, "
            "state decimal = ',' in a mapping; decimal = '.' there ends this warning"
        )
    ]
    assert said(report, "decimals_unread") == [
        (
            "dug_distance_m holds 2 numbers such as '12,5', which cannot be read with decimals after a point: if a "
            "comma comes before them, state decimal = ',' in a mapping (loopwear draft-mapping FILE)"
        )
    ]
    report = load_paths(con, [file], Settings(), mapped(tmp_path, "jobs", 'decimal = ","'))
    assert said(report, "thousands_assumed") == []
    # Of 40.5, 41.5 and 42.5 in this file none is read as ten times as much.
    assert said(report, "decimals_unread") == [
        (
            f"{column} holds {rows} numbers such as '{sample}', which cannot be read with decimals after a comma: if a "
            "point comes before them, change decimal to '.' in the mapping"
        )
        for column, rows, sample in (("estimated_distance_m", 3, "41.5"),)
    ]
    latest = "qualify row_number() over (partition by job_id order by load_sequence desc) = 1 order by job_id"
    found = con.execute(f"select repair_cost, dug_distance_m, estimated_distance_m from raw.jobs {latest}").fetchall()
    assert found == [(1.25, 12.5, None), (6100.0, 13.25, None), (6100.0, None, None)]


@pytest.mark.parametrize(
    ("text", "decimal", "value"),
    [
        ("12,5", ",", 12.5),
        ("1.250", ",", 1250.0),
        ("1.250,5", ",", 1250.5),
        ("1 250,5", ",", 1250.5),
        ("12.5", ",", None),
        ("1.25.0", ",", None),
        ("1,2,3", ",", None),
        ("-7", ",", -7.0),
        ("12,5", None, None),
        ("1,250.5", None, 1250.5),
        ("12,50", ".", None),
        ("1 250", ".", None),
        ("nan", ",", None),
        ("1_000", ",", None),
    ],
)
def test_a_number_is_read_with_its_marks_or_not_at_all(text: str, decimal: str | None, value: float | None) -> None:
    with duckdb.connect() as con:
        read = con.execute(f"select {number_sql('t', decimal, 1.0)} from (select ? as t)", [text]).fetchone()
        assert read == (value,)


def test_a_rule_broken_year_by_year_is_one_line_of_the_worst_years() -> None:
    years = [
        FileResult("jobs.csv", "orphan_share", "warn", "section_id", 2004 + n, 100 + n, share, 0.05, f"{n}")
        for n, share in enumerate((0.2, 0.5, 0.1, 0.5, 0.3))
    ]
    other = FileResult("jobs.csv", "column_unknown", "warn", "box", rows=3, message="the column 'box' is none")
    assert say_results([other, *years]) == [
        "jobs.csv: the column 'box' is none [column_unknown]",
        (
            "jobs.csv: 5 years have more jobs whose section_id is not in the register than 5%, the worst 2005 (50.0% "
            "of 101), 2007 (50.0% of 103), 2008 (30.0% of 104); every year: data_quality.html and "
            "exports/batch_results.csv [orphan_share]"
        ),
    ]
    assert say_results(years[:1]) == ["jobs.csv: 0 [orphan_share]"]
    elsewhere = [replace(r, file=f"jobs_{r.year}.csv") for r in (*years, other)]
    assert next(line.partition(" have")[0] for line in say_results(elsewhere)) == "5 files: 5 years"
    assert say_results([other, elsewhere[-1]]) == [
        "jobs.csv, and so in 1 more file: the column 'box' is none [column_unknown]"
    ]


def test_feet_in_a_column_of_metres_are_told_by_their_distribution(load_after) -> None:
    feet = [dict(j, dug_distance_m=f"{float(j['dug_distance_m']) / 0.3048:.1f}") for j in season(200, 80)]
    con, report = load_after("jobs_later.csv", feet)
    (message,) = said(report, "distribution_shifted")
    here = np.array([float(j["dug_distance_m"]) for j in feet])
    there = np.array([float(j["dug_distance_m"]) for j in season(0, 160)])
    distance = stats.ks_2samp(here, there).statistic
    assert message.startswith(
        f"dug_distance_m is unlike what was loaded before: Kolmogorov-Smirnov distance {distance:.2f} (allowed 0.30) "
        f"between 80 values here and 160 before"
    )
    assert message.endswith("times as much: feet read as metres?")
    kept = con.execute(
        "select measured from raw.file_results where rule = 'distribution_shifted' and \"column\" = 'dug_distance_m'"
    ).fetchall()
    assert kept == [(pytest.approx(distance),)]


def test_few_rows_are_not_measured(load_after) -> None:
    con, report = load_after("jobs_later.csv", season(100, 29, dug_distance_m="900", crew_id=""))
    assert report.broken == ()
    assert con.execute("select count(*) from raw.file_results where load_id = 'b0003'").fetchone() == (0,)


def test_a_rule_of_whole_files_can_refuse_the_load_or_be_off(load) -> None:
    rows = [row | {"dug_dist": "4"} for row in TABLES["jobs"]]
    reject = Settings(validation=Validation(severities={"column_unknown": "reject"}))
    with pytest.raises(UserError) as caught:
        load("jobs.csv", rows, reject)
    assert str(caught.value) == (
        "the column 'dug_dist' is not a column of table jobs, so its 3 values are ignored; no column is called nearly "
        "so: leave it, or map it (loopwear draft-mapping FILE)\n  where: jobs.csv\n"
        '  to do: correct the file; or let it pass with a warning: [validation.severities] column_unknown = "warn"'
    )
    off = Settings(validation=Validation(severities={"column_unknown": "off"}))
    con, report = load("jobs.csv", rows, off)
    assert report.broken == () and report.load_id == "b0002"
    assert con.execute("select count(*) from raw.jobs").fetchone() == (3,)


def test_undoing_a_load_takes_its_results_away(load) -> None:
    con, report = load("jobs.csv", [row | {"dug_dist": "4"} for row in TABLES["jobs"]])
    undo_load(con, report.load_id)
    assert con.execute("select count(*) from raw.file_results").fetchone() == (0,)


def test_the_distance_is_that_of_scipy_and_chance_is_kept() -> None:
    rng = np.random.default_rng(4)
    for n, m in ((40, 70), (300, 90)):
        a, b = rng.normal(size=n).round(1), rng.normal(0.3, 1.2, size=m).round(1)
        assert ks_distance(a, b, alike=0.0) == pytest.approx(stats.ks_2samp(a, b).statistic)
    # Smirnov's limit at 1 in 20 for samples of 50 and 50: 1.358 x sqrt(2 / 50), any table of the test.
    assert ks_by_chance(50, 50, 0.05) == pytest.approx(1.358 * (2 / 50) ** 0.5, rel=1e-3)
    beyond = sum(ks_distance(rng.normal(size=60), rng.normal(size=60)) > ks_by_chance(60, 60, 0.1) for _ in range(400))
    assert beyond <= 400 * 0.1


def test_settings_rounded_in_another_unit_are_no_other_settings() -> None:
    settings = np.random.default_rng(8).choice([52.0, 53.0, 56.0], 200)
    feet = np.round(settings / 2 * 9.83571e-0, 2) / 9.83571e-0 * 2  # half feet per microsecond, two decimals
    assert ks_distance(settings, feet, alike=0.0) > 0.3
    assert ks_distance(settings, feet) == 0.0
    assert ks_distance(settings, settings * 1.05) > 0.3


def test_a_known_factor_is_named_and_another_is_not() -> None:
    assert name_factor(410.1, 125.0, "dug_distance_m") == ", 3.28 times as much: feet read as metres?"
    assert name_factor(26.0, 52.4, "velocity_setting_pct").endswith("half velocities read as whole ones?")
    assert name_factor(5.5, 5400.0, "repair_cost") == ", 0.00102 times as much: thousands read as decimals?"
    assert name_factor(170.0, 125.0, "length_m") == name_factor(0.0, 3.0, "length_m") == ""
    assert name_factor(26.0, 52.4, "repair_cost") == ""


def test_names_and_examples_are_fit_for_the_documentation() -> None:
    names = [r.name for r in FILE_RULES]
    assert len(set(names)) == len(names)
    for rule in FILE_RULES:
        assert rule.measures and rule.message and rule.example and set(rule.tables) <= {*TABLES, "decisions"}
        assert rule in file_rules_for(rule.tables[0], Settings())


def test_marks_in_numbers_are_weighed_column_by_column(load) -> None:
    """More numbers with the other mark than with the one in force; as many are not enough, and texts are no numbers."""
    rows = with_changes(
        "jobs",
        {"dug_distance_m": "1.250,5", "estimated_distance_m": "12,5", "notes": "12,5", "repair_cost": "1,250.5"},
        {"dug_distance_m": "1.350,5", "estimated_distance_m": "12.5", "notes": "13,5", "repair_cost": "12,5"},
        {"dug_distance_m": "13.5", "estimated_distance_m": "", "notes": "14,5", "repair_cost": "7"},
    )
    _, report = load("jobs.csv", rows, delimiter=";")
    assert [(r.column, r.rows) for r in report.broken if r.rule == "decimals_unread"] == [("dug_distance_m", 2)]
    assert [r.column for r in report.broken if r.rule == "thousands_assumed"] == []
    _, report = load("loops.csv", [{"loop_id": "L8", "district_id": "D1"}])  # a file without a column of numbers
    assert report.broken == ()
