"""`loopwear compare`: as a refresh would plan, beside the run, which is not touched."""

from __future__ import annotations

import hashlib
import shutil
import subprocess
import sys
from pathlib import Path

import duckdb
import pandas as pd
import pytest

from pipelines.investment.step import plan_again, read_outcome
from pipelines.refresh import STEPS, Refresh
from reports.results import Results
from reports.scenarios import read_scenarios, write_comparison
from shared.errors import UserError
from shared.settings import Settings, load_settings
from shared.store import Workspace, open_warehouse

FIGURES = ("plan_gain", "plan_bound", "plan_avoided_cost_lo", "plan_avoided_cost_hi", "sections_paying")

OTHERWISE = """
[general]
horizon_years = 4
interval_coverage = 0.8
[survival]
min_failures = 12
[replacement]
cost_per_m_buried = 310
injection_multiplier = 0.5
customer_minute_value = 0.5
"""
"""Settings that reach the fit, the money and the plan."""


@pytest.fixture(scope="module")
def space(demo_space: Workspace, tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    folder = tmp_path_factory.mktemp("compare") / "space"
    return Workspace(Path(shutil.copytree(demo_space.folder, folder, symlinks=True)))


def compare(space: Workspace, *arguments: str, code: int = 0) -> str:
    done = subprocess.run(
        [sys.executable, "-m", "pipelines.cli", "compare", *arguments, "--workspace", str(space.folder)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == code and "Traceback" not in done.stderr, done.stderr
    return done.stdout + done.stderr


def written(folder: Path, *, but: str = "") -> dict[str, str]:
    """A hash of every file below a folder."""
    files = (path for path in sorted(folder.rglob("*")) if path.is_file() and not (but and but in path.parts))
    return {str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def by_key(frame: pd.DataFrame, *key: str) -> pd.DataFrame:
    return frame.sort_values(list(key)).reset_index(drop=True)


def assert_same(found: object, wanted: object) -> None:
    """Two plans alike to the last digit."""
    columns = [
        "section_id",
        "loop_id",
        "action",
        "plan_year",
        "cost",
        "avoided_failures",
        "avoided_cost",
        "net_benefit",
    ]
    pd.testing.assert_frame_equal(
        by_key(found.programme, "section_id")[columns], by_key(wanted.programme, "section_id")[columns],
        check_dtype=False, check_exact=True,
    )  # fmt: skip
    pd.testing.assert_frame_equal(
        by_key(found.years, "plan_year"), by_key(wanted.years, "plan_year")[list(found.years.columns)],
        check_dtype=False, check_exact=True,
    )  # fmt: skip
    assert [found.figures[name] for name in FIGURES] == [wanted.figures[name] for name in FIGURES]


def test_the_base_planned_again_is_the_run_s_own_plan(space: Workspace) -> None:
    with Results(space.results) as results:
        assert_same(plan_again(results.con, results.settings)(results.settings), read_outcome(results.con))


def test_a_scenario_is_what_a_refresh_with_its_settings_plans(demo_space: Workspace, tmp_path: Path) -> None:
    file = tmp_path / "otherwise.toml"
    file.write_text(OTHERWISE, encoding="utf-8")
    with Results(demo_space.results) as results:
        settings = load_settings(file, over=results.settings)
        compared = plan_again(results.con, results.settings)(settings)
        assert len(compared.programme) and not compared.programme.equals(read_outcome(results.con).programme)
    other = Workspace(tmp_path / "other")
    other.make()
    shutil.copyfile(demo_space.warehouse, other.warehouse)
    with open_warehouse(other) as con:
        run = Refresh(con, other, settings)
        for step in ("core", "survival", "ranking", "investment"):
            STEPS[step](run)
        assert_same(compared, read_outcome(con))


def test_five_files_are_compared_and_the_run_is_not_touched(space: Workspace, tmp_path: Path) -> None:
    texts = {
        "dear": "[replacement]\ncost_per_m_buried = 310\n",
        "poor": "[replacement]\nbudget = 300000\n[restoration]\nshow_crews = true\n",
        "dear_and_poor": "[replacement]\ncost_per_m_buried = 310\nbudget = 300000\n",
        "same": "",
    }
    for name, text in texts.items():
        (tmp_path / f"{name}.toml").write_text(text, encoding="utf-8")
    before = written(space.folder, but="scenarios")
    files = [str(tmp_path / f"{name}.toml") for name in texts]
    said = compare(space, *files, "--to", "prices")
    # in a process of its own, whatever the load under way: the run is byte for byte as it was
    assert written(space.folder, but="scenarios") == before
    folder = space.folder / "scenarios" / "prices"
    assert str(folder / "scenarios.html") in said and "A ranking is a planning aid" in said
    assert "poor: the plan does not follow restoration.show_crews; loopwear refresh shows what they change" in said
    rows = pd.read_csv(folder / "scenario_comparison.csv").fillna({"changed_setting": ""})
    assert rows.groupby("scenario").size().to_dict() == {"base": 1, "dear": 2, "poor": 2, "dear_and_poor": 3, "same": 1}
    base = rows[rows["scenario"].eq("base")].iloc[0]
    programme = pd.read_csv(space.exports / "programme.csv")
    years = pd.read_csv(space.exports / "programme_years.csv")
    assert base["replaced_km"] == pytest.approx(programme.query("action == 'replace'")["length_m"].sum() / 1000)
    assert base["spent"] == pytest.approx(years["spent"].sum())
    assert base["first_year_avoided_failures"] == years["avoided_failures"].iloc[0]
    whole = rows[rows["changed_setting"].eq("")].set_index("scenario")
    assert whole.loc["dear", "replaced_km"] < base["replaced_km"]
    alone = rows[rows["changed_setting"].ne("")]
    dear = alone[alone["changed_setting"].eq("replacement.cost_per_m_buried")]
    assert dear["avoided_cost"].iloc[0] == dear["avoided_cost"].iloc[1] == whole.loc["dear", "avoided_cost"]
    assert dear["from_value"].eq(190).all() and dear["to_value"].eq(310).all()
    sections = pd.read_csv(folder / "scenario_sections.csv")
    counted = sections[sections["scenario_change"].ne("other_year")].groupby("scenario").size()
    assert counted.to_dict() == {n: int(v) for n, v in whole["sections_changed"].items() if int(v)}
    assert "same" not in set(sections["scenario"])
    with duckdb.connect() as con:
        parquet = con.execute(f"select * from '{folder}/scenario_sections.parquet' order by all").df()
    pd.testing.assert_frame_equal(
        parquet, sections.sort_values(list(sections.columns), ignore_index=True), check_dtype=False
    )
    assert (folder / "scenarios.html").read_text(encoding="utf-8").count("data-chart") == 2
    first = written(folder)
    compare(space, *files, "--to", "prices")
    assert written(folder) == first
    assert sorted(path.name for path in folder.parent.iterdir()) == ["prices"]


FAULTS = {
    "no TOML": (
        "price 310\n",
        "the settings file is no TOML: Expected '=' after a key in a key/value pair (at line 1, column 7)",
        "correct that line; texts need quotes",
    ),
    "unknown key": (
        "[replacement]\ncost_per_m = 310\n",
        "unknown setting replacement.cost_per_m",
        "did you mean 'cost_per_m_duct' or 'cost_per_loop' or 'cost_per_m_buried'?",
    ),
    "out of bounds": (
        "[replacement]\ndiscount_rate_pct = 99\n",
        "setting replacement.discount_rate_pct = 99 is out of bounds",
        "replacement.discount_rate_pct must be 0 to 30 %/year",
    ),
    "records": (
        "[general]\nas_of = 2020-12-31\n",
        "setting general.as_of changes how records are read, on which every plan rests: it cannot be compared",
        "remove it there; or copy the workspace, then: loopwear refresh --workspace COPY --settings FILE",
    ),
    "classes": (
        '[intake.classes]\n"XLPE/bare/buried" = "old"\n',
        "setting intake.classes changes how records are read, on which every plan rests: it cannot be compared",
        "remove it there; or copy the workspace, then: loopwear refresh --workspace COPY --settings FILE",
    ),
}


@pytest.mark.parametrize("fault", list(FAULTS))
def test_a_file_that_cannot_be_compared_says_what_to_do(tmp_path: Path, fault: str) -> None:
    text, what, remedy = FAULTS[fault]
    file = tmp_path / "odd.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(UserError) as said:
        read_scenarios(Settings(), [file], print)
    assert str(said.value).replace(str(file), "FILE") == f"{what}\n  where: FILE\n  to do: {remedy}"


def test_names_and_workspaces_that_cannot_be_are_refused(space: Workspace, tmp_path: Path) -> None:
    base, twin = tmp_path / "base.toml", tmp_path / "twin.toml"
    for file in (base, twin):
        file.write_text("", encoding="utf-8")
    remedy = "rename the file: letters, digits, - and _"
    for files, why in (
        ([base], "the name 'base' cannot name a scenario"),
        ([twin] * 2, "the name 'twin' is that of another file"),
    ):
        with pytest.raises(UserError) as said:
            read_scenarios(Settings(), files, print)
        assert str(said.value) == f"{why}\n  where: {files[0]}\n  to do: {remedy}"
    with Results(space.results) as results, pytest.raises(UserError) as said:
        write_comparison(results, tmp_path, {}, "../out", print)
    assert str(said.value) == "'../out' is no name of a folder\n  where: --to\n  to do: give letters, digits, - and _"
    empty, missing = Workspace(tmp_path / "empty"), tmp_path / "missing.toml"
    for file, told in (
        (twin, f"there are no results yet\n  where: {empty.results}\n  to do: run: loopwear refresh"),
        (missing, f"there is no such file or folder\n  where: {missing}\n  to do: check the path"),
    ):
        assert compare(empty, str(file), code=1) == f"loopwear: {told}\n"


def test_settings_are_laid_over_others_where_a_file_says_nothing(tmp_path: Path) -> None:
    file = tmp_path / "some.toml"
    file.write_text("[replacement]\nbudget = 5\n", encoding="utf-8")
    over = Settings().override("replacement", cost_per_loop=7.0).override("general", horizon_years=3.0)
    assert load_settings(file, over=over) == over.override("replacement", budget=5.0)
