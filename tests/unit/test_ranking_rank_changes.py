"""Two rankings compared: who moved, by whose figures, and why; and what is kept of each run."""

from __future__ import annotations

import dataclasses
import datetime as dt

import duckdb
import numpy as np
import pandas as pd
import pytest

from pipelines.ranking.rank_changes import KEPT_RUNS, Ranking, choose_earlier, compare_rankings, is_worth_keeping
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


def test_the_run_under_way_is_one_more_than_the_last(con: duckdb.DuckDBPyConnection) -> None:
    assert next_run_number(con) == 1
    con.execute("create table raw.runs as select 7 as run_number")
    assert next_run_number(con) == 8
