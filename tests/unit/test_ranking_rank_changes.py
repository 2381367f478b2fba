"""Two rankings compared: who moved, by whose figures, and why; and what is kept of each run."""

from __future__ import annotations

import dataclasses
import datetime as dt

import duckdb
import numpy as np
import pandas as pd
import pytest

from pipelines.ranking.rank_changes import (
    KEPT_RUNS,
    Ranking,
    choose_earlier,
    compare_rankings,
    explain_move,
    is_worth_keeping,
    take_ranking,
)
from pipelines.ranking.ranking_history import next_run_number, read_kept, settings_of_ranking, write_kept
from shared.settings import Settings

SETTINGS = {"general.horizon_years": "5.0"}


def make_ranking(run: int = 1, as_of: str = "2024-12-31", **rates: float) -> Ranking:
    """Loops A, B, ... with one section of half a km each; a rate is failures per 100 km and year."""
    rates = rates or {"A": 40.0, "B": 30.0, "C": 20.0, "D": 10.0}
    loops = pd.DataFrame({"loop_id": list(rates), "expected_rate_per_100km_year": list(rates.values())})
    loops = loops.assign(
        rank=loops["expected_rate_per_100km_year"].rank(ascending=False, method="first").astype("int64"),
        length_km=0.5,
        failures_recorded=2,
        failures_shared=0.0,
        class_rate_per_100km_year=10.0,
        multiplier=loops["expected_rate_per_100km_year"] / 10.0,
    )
    sections = pd.DataFrame(
        {
            "section_id": [f"{loop}1" for loop in rates],
            "loop_id": list(rates),
            "cable_class": "XLPE/bare/buried",
            "length_km": 0.5,
            "installed_on": pd.Timestamp("1980-07-01"),
        }
    )
    return Ranking(run, dt.date.fromisoformat(as_of), "blend (penalty 10)", SETTINGS, loops, sections)


def change_loop(ranking: Ranking, loop: str, **values: float) -> Ranking:
    loops = ranking.loops.copy()
    for column, value in values.items():
        loops.loc[loops["loop_id"] == loop, column] = value
    return dataclasses.replace(ranking, loops=loops)


def rows_of(then: Ranking, now: Ranking) -> pd.DataFrame:
    return compare_rankings(then, now).set_index("loop_id")


def test_the_same_ranking_moves_no_loop() -> None:
    table = rows_of(make_ranking(1), make_ranking(2))
    assert table["places_moved"].eq(0).all()
    assert table["places_own"].eq(0).all()
    assert table["churn_reasons"].eq("").all()


def test_a_first_run_has_nothing_to_compare_with() -> None:
    assert choose_earlier([], make_ranking()) is None
    assert compare_rankings(None, make_ranking()).empty


def test_own_figure_and_others_add_up() -> None:
    now = change_loop(make_ranking(2, A=40.0, B=30.0, C=20.0, D=50.0), "D", failures_recorded=5)
    table = rows_of(make_ranking(1), now)
    assert table["places_moved"].to_dict() == {"A": -1, "B": -1, "C": -1, "D": 3}
    assert table["places_own"].to_dict() == {"A": 0, "B": 0, "C": 0, "D": 3}
    assert (table["places_own"] + table["places_by_others"]).eq(table["places_moved"]).all()
    assert table.loc["D", "churn_reasons"] == "3 new failures on record (5 now); its multiplier is 400.0 % more"
    assert table.loc["A", "churn_reasons"] == "others moved past it (1)"
    assert table.loc["D", "record_change_pct"] == pytest.approx(400.0)
    assert table.loc["D", "class_change_pct"] == pytest.approx(0.0)


@pytest.mark.parametrize("seed", range(5))
def test_places_by_its_own_figure_are_those_of_a_ranking_in_which_it_alone_changed(seed: int) -> None:
    rng = np.random.default_rng(seed)
    names = [f"L{k:02d}" for k in range(30)]
    before, after = (dict(zip(names, rng.gamma(2.0, 10.0, 30), strict=True)) for _ in range(2))
    table = rows_of(make_ranking(1, **before), make_ranking(2, **after))
    for name in names:
        alone = rows_of(make_ranking(1, **before), make_ranking(2, **(before | {name: after[name]})))
        assert table.loc[name, "places_own"] == alone.loc[name, "places_moved"], name


def test_the_record_the_register_and_the_date_are_told_apart() -> None:
    then = make_ranking(1)
    now = make_ranking(2, "2025-12-31", A=9.0, B=30.0, C=45.0, D=35.0)
    now = change_loop(now, "C", class_rate_per_100km_year=22.5, multiplier=2.0, length_km=0.7)
    now = change_loop(now, "A", failures_recorded=1)
    sections = now.sections.copy()
    sections.loc[sections["loop_id"] == "C", "length_km"] = 0.7
    sections.loc[sections["loop_id"] == "D", "section_id"] = "D2"
    table = rows_of(then, dataclasses.replace(now, sections=sections))
    assert "1 failure fewer on record (1 now)" in table.loc["A", "churn_reasons"]
    assert "length of 1 section corrected (0.50 to 0.70 km in all)" in table.loc["C", "churn_reasons"]
    assert "its class expects 125.0 % more per km and year (older by 365 days)" in table.loc["C", "churn_reasons"]
    assert "1 section added; 1 section taken out of service or off the register" in table.loc["D", "churn_reasons"]
    assert table.loc["D", ["sections_added", "sections_removed"]].tolist() == [1, 1]


def test_settings_form_and_dates_are_named() -> None:
    then = make_ranking(1)
    now = dataclasses.replace(
        make_ranking(2, A=40.0, B=5.0, C=20.0, D=10.0),
        settings={"general.horizon_years": "3.0"},
        model_form="spline (penalty 3)",
    )
    sections = now.sections.assign(installed_on=pd.Timestamp("1985-07-01"))
    reason = rows_of(then, dataclasses.replace(now, sections=sections)).loc["B", "churn_reasons"]
    assert "installation date of 1 section corrected" in reason
    assert "settings changed: general.horizon_years from 5.0 to 3.0" in reason
    assert "model form changed from blend (penalty 10) to spline (penalty 3)" in reason


def test_loops_that_come_and_go_are_named() -> None:
    table = rows_of(make_ranking(1), make_ranking(2, A=40.0, B=30.0, C=20.0, E=15.0))
    assert table.loc["D", "churn_reasons"] == "no longer ranked: no cable in service"
    assert table.loc["E", "churn_reasons"] == "not ranked then: no cable in service"
    assert pd.isna(table.loc["D", "rank_now"])


QUIET = {
    "rank_then": 5,
    "rank_now": 4,
    "places_moved": 1,
    "places_own": 1,
    "places_by_others": 0,
    "as_of_then": pd.Timestamp("2024-12-31"),
    "class_change_pct": 0.0,
    "record_change_pct": 0.0,
    "failures_then": 2,
    "failures_now": 2,
    "length_then_km": 1.0,
    "length_now_km": 2.0,
    "sections_added": 0,
    "sections_removed": 0,
    "lengths_corrected": 0,
    "dates_corrected": 0,
    "classes_corrected": 0,
}
"""A loop that moved a place for no reason that is told."""


@pytest.mark.parametrize(
    ("changed", "more_shared", "as_of", "said"),
    [
        ({}, 0.049, "2024-12-31", ""),
        ({}, 0.05, "2024-12-31", "its share of failures known by loop alone +0.1"),
        ({}, -0.25, "2024-12-31", "its share of failures known by loop alone \u22120.2"),
        ({"places_moved": 0, "failures_now": 3}, 1.0, "2024-12-31", ""),
        ({"failures_now": 3}, 0.0, "2024-12-31", "1 new failure on record (3 now)"),
        (
            {"failures_now": 0},
            0.0,
            "2024-12-31",
            "2 failures fewer on record (0 now): corrected, or on cable since taken out of service",
        ),
        (
            {"sections_added": 2, "sections_removed": 1},
            0.0,
            "2024-12-31",
            "2 sections added; 1 section taken out of service or off the register",
        ),
        (
            {"lengths_corrected": 2, "dates_corrected": 1, "classes_corrected": 2},
            0.0,
            "2024-12-31",
            (
                "length of 2 sections corrected (1.00 to 2.00 km in all); installation date of 1 section corrected; "
                "cable class of 2 sections corrected"
            ),
        ),
        ({"class_change_pct": 0.49, "record_change_pct": -0.49}, 0.0, "2025-12-31", ""),
        (
            {"class_change_pct": 0.5, "record_change_pct": -0.5},
            0.0,
            "2025-01-01",
            (
                "its class expects 0.5 % more per km and year (older by 1 days); its multiplier is 0.5 % less: time "
                "went by without a failure"
            ),
        ),
        (
            {"class_change_pct": -7.0, "record_change_pct": 7.0},
            0.0,
            "2024-12-30",
            "its class expects 7.0 % less per km and year (taken back 1 days); its multiplier is 7.0 % more",
        ),
        (
            {"class_change_pct": -7.0, "record_change_pct": -7.0},
            0.0,
            "2024-12-31",
            "its class expects 7.0 % less per km and year (curves fitted anew); its multiplier is 7.0 % less",
        ),
        (
            {"record_change_pct": -7.0, "failures_now": 3},
            0.0,
            "2025-12-31",
            "1 new failure on record (3 now); its multiplier is 7.0 % less",
        ),
        ({"record_change_pct": 7.0}, 0.0, "2025-12-31", "its multiplier is 7.0 % more"),
        ({"places_own": 0, "places_by_others": 1}, 0.0, "2024-12-31", "others fell behind it (1)"),
        (
            {"places_own": 3, "places_by_others": -2},
            0.0,
            "2024-12-31",
            "places by its own figure +3, by the others' \u22122",
        ),
        (
            {"places_own": -2, "places_by_others": 2, "places_moved": -1},
            0.0,
            "2024-12-31",
            "others fell behind it (2); places by its own figure \u22122, by the others' +2",
        ),
        ({"rank_now": None}, 0.0, "2024-12-31", "no longer ranked: no cable in service"),
        ({"rank_then": None}, 0.0, "2024-12-31", "not ranked then: no cable in service"),
    ],
)
def test_a_move_in_words(changed: dict[str, object], more_shared: float, as_of: str, said: str) -> None:
    day = dt.date.fromisoformat(as_of)
    assert explain_move(QUIET | changed, more_shared, (), day) == said
    if said and not said.startswith(("no", "others", "places")):
        assert explain_move(QUIET | changed, more_shared, ("all of it",), day) == f"{said}; all of it"


def test_what_is_taken_of_a_ranking() -> None:
    made = make_ranking(B=30.0, A=40.0)
    loops = made.loops.drop(columns="class_rate_per_100km_year").assign(expected_class=[0.1, 0.2], more=1)
    taken = take_ranking(7, made.as_of, "form", SETTINGS, 5.0, loops, made.sections.assign(more=1))
    # 0.1 failures on half a km in five years are 4 per 100 km and year
    assert taken.loops["class_rate_per_100km_year"].tolist() == pytest.approx([8.0, 4.0])
    assert taken.loops["loop_id"].tolist() == ["A", "B"]
    assert taken.sections["section_id"].tolist() == ["A1", "B1"]
    assert (taken.run_number, taken.model_form) == (7, "form")
    assert "more" not in [*taken.loops, *taken.sections]


def test_a_ranking_differs_by_anything_but_its_number() -> None:
    one = make_ranking(1)
    assert one.is_same_as(make_ranking(2))
    sections = one.sections
    others = [
        make_ranking(1, "2025-01-01"),
        dataclasses.replace(one, model_form="spline"),
        dataclasses.replace(one, settings={}),
        dataclasses.replace(one, loops=one.loops[:3]),
        dataclasses.replace(one, sections=sections[:3]),
        dataclasses.replace(one, sections=sections.assign(installed_on=pd.Timestamp("1980-07-02"))),
        dataclasses.replace(one, sections=sections.assign(installed_on=pd.NaT)),
        dataclasses.replace(one, sections=sections.assign(cable_class="EPR")),
        dataclasses.replace(one, loops=one.loops.assign(loop_id=[*"ABCE"])),
        change_loop(one, "A", multiplier=4.0 * (1 + 2e-9)),
        change_loop(one, "A", failures_shared=2e-12),
        change_loop(one, "A", failures_shared=np.nan),
    ]
    assert [one.is_same_as(other) for other in others] == [False] * len(others)
    near = [change_loop(one, "A", multiplier=4.0 * (1 + 5e-10)), change_loop(one, "A", failures_shared=5e-13)]
    gap = change_loop(one, "A", failures_shared=np.nan)
    assert [one.is_same_as(other) for other in near] == [gap.is_same_as(gap)] * 2 == [True] * 2
    kept = [dataclasses.replace(others[1], run_number=3), dataclasses.replace(others[2], run_number=2), near[0]]
    assert choose_earlier(kept, one).run_number == 3
    assert is_worth_keeping(kept, one)
    assert is_worth_keeping([], one)
    assert not is_worth_keeping([*kept, dataclasses.replace(one, run_number=4)], one)


def test_equals_do_not_outrank_a_loop_and_nought_has_no_change_in_percent() -> None:
    # D rises to C's 20: no place won, for nobody is passed; B falls to C's: one lost; A stays at nought percent.
    table = rows_of(make_ranking(1), make_ranking(2, A=40.0, B=20.0, C=20.0, D=20.0))
    assert table["places_own"].tolist() == [0, 0, 0, 1]
    then = change_loop(make_ranking(1), "A", class_rate_per_100km_year=0.0, multiplier=0.5)
    now = change_loop(make_ranking(2), "A", multiplier=0.75)
    changes = rows_of(then, now).loc["A", ["class_change_pct", "record_change_pct"]]
    assert np.isnan(changes.iloc[0])
    assert changes.iloc[1] == pytest.approx(100 * (0.75 / 0.5 - 1))
    assert rows_of(then, now)["as_of_then"].eq(pd.Timestamp("2024-12-31")).all()


def test_what_was_corrected_in_the_register_is_counted_by_loop() -> None:
    then, now = make_ranking(1), make_ranking(2, A=10.0, B=20.0, C=30.0, D=40.0)
    sections = now.sections.assign(
        length_km=[0.5 + 0.00049, 0.5 + 0.00052, 0.5, 0.5], cable_class=["XLPE/bare/buried"] * 3 + ["EPR"]
    )
    now = change_loop(dataclasses.replace(now, sections=sections), "C", failures_shared=0.5)
    reasons = rows_of(then, now)["churn_reasons"]
    assert ["length of 1 section" in text for text in reasons] == [False, True, False, False]
    assert ["cable class of 1 section" in text for text in reasons] == [False, False, False, True]
    assert ["known by loop alone +0.5" in text for text in reasons] == [False, False, True, False]
    assert not reasons.str.contains("installation date|added|taken").any()
    undated = dataclasses.replace(now, sections=sections.assign(installed_on=pd.NaT))
    assert rows_of(undated, undated)["churn_reasons"].eq("").all()
    longer = dataclasses.replace(now, settings=SETTINGS | {"b": "2", "a": "1"})
    assert (
        "settings changed: a from nothing to 1, b from nothing to 2" in rows_of(then, longer).loc["A", "churn_reasons"]
    )


def keep_run(con: duckdb.DuckDBPyConnection, ranking: Ranking) -> pd.DataFrame:
    """What a refresh does with a ranking; returns the comparison it shows."""
    kept = read_kept(con)
    shown = compare_rankings(choose_earlier(kept, ranking), ranking)
    if is_worth_keeping(kept, ranking):
        write_kept(con, ranking)
    return shown


@pytest.fixture
def con() -> duckdb.DuckDBPyConnection:
    made = duckdb.connect()
    made.execute("create schema raw")
    return made


def test_a_repeated_run_shows_what_the_first_one_showed(con: duckdb.DuckDBPyConnection) -> None:
    old, new = make_ranking(1), make_ranking(2, A=40.0, B=30.0, C=35.0, D=10.0)
    assert keep_run(con, old).empty
    assert keep_run(con, dataclasses.replace(old, run_number=2)).empty
    first = keep_run(con, dataclasses.replace(new, run_number=3))
    again = keep_run(con, dataclasses.replace(new, run_number=4))
    pd.testing.assert_frame_equal(first, again)
    assert first["run_then"].eq(1).all()
    back = keep_run(con, dataclasses.replace(old, run_number=5))
    pd.testing.assert_frame_equal(back, keep_run(con, dataclasses.replace(old, run_number=6)))
    assert back["run_then"].eq(3).all()


def test_only_the_last_few_are_kept(con: duckdb.DuckDBPyConnection) -> None:
    for run in range(1, KEPT_RUNS + 4):
        keep_run(con, make_ranking(run, A=40.0, B=30.0 + run))
    assert [ranking.run_number for ranking in read_kept(con)] == [4, 5, 6]
    for table in ("ranking_loops", "ranking_sections"):
        assert con.execute(f"select count(*) from raw.{table}").fetchone() == (2 * KEPT_RUNS,)


def test_a_run_taken_back_keeps_nothing(con: duckdb.DuckDBPyConnection) -> None:
    keep_run(con, make_ranking(1))
    con.begin()
    keep_run(con, make_ranking(2, A=1.0, B=2.0))
    con.rollback()
    assert [ranking.run_number for ranking in read_kept(con)] == [1]


def test_what_is_read_back_is_what_was_kept(con: duckdb.DuckDBPyConnection) -> None:
    undated = make_ranking(1, A=1 / 3, B=2e-7)
    undated = dataclasses.replace(undated, sections=undated.sections.assign(installed_on=pd.NaT))
    write_kept(con, undated)
    assert read_kept(con)[0].is_same_as(undated)


def test_a_setting_renamed_since_is_no_change(con: duckdb.DuckDBPyConnection) -> None:
    write_kept(con, dataclasses.replace(make_ranking(1), settings={"validation.batch_min_rows": "30"}))
    assert read_kept(con)[0].settings == {"validation.file_min_rows": "30"}


def test_only_settings_a_ranking_depends_on_are_compared() -> None:
    plain = settings_of_ranking(Settings())
    assert settings_of_ranking(Settings().override("general", currency="EUR", as_of=dt.date(2024, 1, 1))) == plain
    assert settings_of_ranking(Settings().override("general", horizon_years=3.0)) != plain


def test_each_setting_that_no_ranking_depends_on_is_left_out() -> None:
    found = settings_of_ranking(Settings())
    assert {name for name in vars(Settings().general) if f"general.{name}" not in found} == {
        "as_of",
        "currency",
        "seed",
        "small_group",
        "memory_limit_gb",
        "interval_coverage",
        "generations_kept",
    }
    assert {name.split(".")[0] for name in found} == {"general", "intake", "validation", "survival"}
    assert found["general.horizon_years"] == "5.0"


def test_the_run_under_way_is_one_more_than_the_last(con: duckdb.DuckDBPyConnection) -> None:
    assert next_run_number(con) == 1
    con.execute("create table raw.runs as select 7 as run_number")
    assert next_run_number(con) == 8
    con.execute("delete from raw.runs")
    assert next_run_number(con) == 1
