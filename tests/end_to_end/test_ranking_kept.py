"""Rankings kept from refresh to refresh: compared with the last that differed, untouched by a refresh that fails."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from pipelines import refresh as road
from pipelines.evaluation import step as evaluation
from pipelines.survival.step import fit_fleet
from shared.errors import UserError
from shared.settings import Settings
from shared.store import Workspace, open_warehouse, read_model
from tests.replacement_fleets import run_ranking


@pytest.fixture
def space(demo_space: Workspace, tmp_path: Path) -> Workspace:
    return Workspace(Path(shutil.copytree(demo_space.folder, tmp_path / "space")))


def test_a_changed_setting_is_told_and_a_repeat_tells_the_same(space: Workspace) -> None:
    con = open_warehouse(space)
    as_of = con.execute("select general_as_of from settings.current").fetchone()[0]
    settings = Settings().override("general", as_of=as_of)
    assert read_model(con, "marts.ranking_churn").empty
    first = con.execute("select run_number from raw.ranking_runs").fetchall()
    assert len(first) == 1

    run_ranking(con, settings)
    assert read_model(con, "marts.ranking_churn").empty
    assert con.execute("select run_number from raw.ranking_runs").fetchall() == first

    sooner = settings.override("general", horizon_years=2.0)
    run_ranking(con, sooner)
    told = read_model(con, "marts.ranking_churn")
    assert told["run_then"].eq(first[0][0]).all()
    assert (told["places_own"] + told["places_by_others"]).eq(told["places_moved"]).all()
    moved = told[told["places_moved"].ne(0)]
    assert len(moved)
    assert moved["churn_reasons"].str.contains("settings changed: general.horizon_years from 5.0 to 2.0").all()
    run_ranking(con, sooner)
    assert read_model(con, "marts.ranking_churn").equals(told)


def test_a_refresh_that_fails_keeps_no_ranking(space: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(_run: road.Refresh) -> dict[str, int]:
        raise UserError("the disk is full", "exports", "make room")

    with open_warehouse(space, read_only=True) as con:
        before = con.execute("select * from raw.ranking_loops order by all").fetchall()
    monkeypatch.setattr(road, "STEPS", {name: road.STEPS[name] for name in ("core", "ranking")} | {"exports": fail})
    with pytest.raises(UserError, match="the disk is full"):
        road.refresh(space, Settings().override("general", horizon_years=2.0))
    with open_warehouse(space, read_only=True) as con:
        assert con.execute("select * from raw.ranking_loops order by all").fetchall() == before
        assert con.execute("select outcome from raw.runs order by run_number desc").fetchone() == ("failed",)


def test_watched_loops_are_compared_from_the_settings_to_the_table(space: Workspace, tmp_path: Path) -> None:
    from shared.settings import load_settings

    con = open_warehouse(space)
    as_of = con.execute("select general_as_of from settings.current").fetchone()[0]
    loop = con.execute("select loop_id from marts.loop_ranking order by rank limit 1").fetchone()[0]
    given = tmp_path / "settings.toml"
    given.write_text(f'[replacement.watched]\n"{loop}" = {as_of.year - 3}-06-30\n', encoding="utf-8")
    settings = load_settings(given).override("general", as_of=as_of)
    evaluation.run(con, fit_fleet(con, settings), settings)  # needs neither a ranking nor a plan
    rows = read_model(con, "marts.before_after").query("grouped_by == 'watched'")
    assert rows["group_name"].tolist() == [loop]
    after = con.execute(
        """
        select count(*) from core.failures
        where loop_id = ? and failed_on > ?::date and failed_on <= ?::date + interval 1096 day
            and (is_counted or why_not in ('loop_only', 'undated_section'))
    """,
        [loop, f"{as_of.year - 3}-06-30", f"{as_of.year - 3}-06-30"],
    ).fetchone()
    assert rows["seen_after"].tolist() == list(after)
