"""Lines of the programme are committed, a year passes with work done and left undone, and a refresh says what came."""

from __future__ import annotations

import shutil
from pathlib import Path

import pandas as pd
import pytest
from typer.testing import CliRunner

from pipelines import cli
from shared.errors import UserError
from shared.store import Workspace, open_warehouse

SECTION = (
    "section_id", "loop_id", "position", "from_terminal_id", "to_terminal_id", "length_m", "insulation", "neutral",
    "installation", "conductor", "installed_on", "retired_on", "retired_because", "rejuvenated_on",
)  # fmt: skip
WORK = ("replaced", "replaced", "same_id", "injected", "late", "undone")


def run(space: Workspace, *arguments: str) -> str:
    done = CliRunner().invoke(cli.app, [*arguments, "--workspace", str(space.folder)], catch_exceptions=True)
    if isinstance(done.exception, UserError):
        raise done.exception
    assert done.exit_code == 0, done.output
    return done.output


def read(space: Workspace, query: str) -> pd.DataFrame:
    with open_warehouse(space, read_only=True) as con:
        return con.execute(query).df()


def write_next_year(space: Workspace, folder: Path) -> dict[str, str]:
    """Files of the year after: what the first of the committed sections became, and failures since; what was done."""
    listed = ", ".join(SECTION)
    register = read(space, f"select {listed} from staging.sections").set_index("section_id", drop=False)
    later = "select section_id from core.failures where section_id is not null and failed_on > '2024-06-30'"
    planned = read(
        space,
        "select section_id from raw.commitment_sections inner join staging.sections using (section_id) "
        f"where action = 'replace' and retired_on is null and rejuvenated_on is null "
        f"and section_id not in ({later}) order by section_id",
    )["section_id"]
    others = read(
        space,
        "select section_id from staging.sections where retired_on is null and installed_on < '2000-01-01' and "
        "section_id not in (select section_id from raw.commitment_sections where role = 'committed') order by 1",
    )["section_id"]
    chosen = dict(zip(planned[: len(WORK)], WORK, strict=True)) | {others[0]: "uncommitted"}
    new_cable = {
        "insulation": "TRXLPE", "neutral": "jacketed", "installation": "duct", "retired_on": None,
        "retired_because": None, "rejuvenated_on": None,
    }  # fmt: skip
    rows, jobs, successors = [], [], []
    for name, what in chosen.items():
        old = register.loc[name].to_dict()
        day = "2025-08-10" if what == "late" else "2024-09-20"
        if what == "injected":
            rows.append(old | {"rejuvenated_on": day})
        elif what == "same_id":
            rows.append(old | new_cable | {"installed_on": day})
            successors.append({"old_id": name, "new_id": name, "kind": "replaced", "on": day})
        elif what != "undone":
            rows.append(old | {"retired_on": day, "retired_because": "programme"})
            rows.append(old | new_cable | {"section_id": f"{name}R", "installed_on": day})
        if what != "uncommitted":
            on_new = f"{name}R" if what in ("replaced", "late") else name
            jobs += [(name, old["loop_id"], "2024-07-03"), (on_new, old["loop_id"], "2025-09-01")]
    jobs += [(name, register.loc[name, "loop_id"], f"2025-{n % 9 + 1:02d}-11") for n, name in enumerate(others[5:25])]
    pd.DataFrame(successors).to_csv(folder / "section_successors.csv", index=False)
    pd.DataFrame(rows)[list(SECTION)].to_csv(folder / "sections.csv", index=False)
    pd.DataFrame(
        [
            {"job_id": f"N{n:03d}", "loop_id": loop, "section_id": name, "reported_at": f"{day} 10:00",
             "restored_at": f"{day} 13:00", "closed_at": f"{day} 18:00", "status": "closed",
             "failed_component": "cable", "cause": "unknown"}
            for n, (name, loop, day) in enumerate(jobs)
        ]
    ).to_csv(folder / "jobs.csv", index=False)  # fmt: skip
    return chosen


@pytest.fixture(scope="module")
def followed(demo_space: Workspace, tmp_path_factory: pytest.TempPathFactory) -> tuple[Workspace, dict[str, str]]:
    """The demo with its first year committed, the year after loaded, one cost put down, and refreshed."""
    folder = tmp_path_factory.mktemp("followed")
    space = Workspace(shutil.copytree(demo_space.folder, folder / "workspace", symlinks=True))
    run(space, "refresh", "--no-history", "--as-of", "2024-06-30")
    run(space, "commit", "--reason", "approved", "--decided-on", "2024-07-01")
    with pytest.raises(UserError, match="every line asked for is committed already"):
        run(space, "commit", "--reason", "approved", "--decided-on", "2024-07-01")
    chosen = write_next_year(space, folder)
    promised = read(space, "from raw.commitment_sections order by all")
    (entered,) = (space.folder / "entered").glob("decisions_*.csv")
    paid = pd.read_csv(entered, dtype=str)
    paid.loc[paid["section_id"].eq(next(iter(chosen))), "cost_recorded"] = "12345"
    paid.to_csv(folder / "decisions.csv", index=False)
    names = ("section_successors", "sections", "jobs", "decisions")
    run(space, "load", *(str(folder / f"{name}.csv") for name in names))
    run(space, "refresh", "--no-history", "--as-of", "2025-11-23")
    pd.testing.assert_frame_equal(read(space, "from raw.commitment_sections order by all"), promised)
    return space, chosen


def test_work_is_told_from_the_register(followed: tuple[Workspace, dict[str, str]]) -> None:
    space, chosen = followed
    work = pd.read_csv(space.exports / "work_done.csv").set_index("section_id")
    status = {
        "replaced": "done_in_its_year", "same_id": "done_in_its_year", "injected": "done_in_its_year",
        "late": "done_late", "undone": "overdue", "uncommitted": "not_committed",
    }  # fmt: skip
    found = work.loc[list(chosen)]
    assert found["work_status"].tolist() == [status[what] for what in chosen.values()]
    done_as = {"injected": "inject", "undone": ""}
    assert found["done_as"].fillna("").tolist() == [done_as.get(what, "replace") for what in chosen.values()]
    # one failure each on the cable that took the place, under a new id, under the old id, and on the injected cable
    assert found.loc[found["commitment_id"].ne("none"), "seen_after"].tolist() == [1, 1, 1, 1, 1, 0]
    assert found["cost_recorded"].dropna().tolist() == [12345]


def test_planned_is_held_against_done_by_year(followed: tuple[Workspace, dict[str, str]]) -> None:
    space, _ = followed
    years = pd.read_csv(space.exports / "programme_follow_up.csv").set_index("commitment_id")
    work = pd.read_csv(space.exports / "work_done.csv")
    planned = work[work["commitment_id"].ne("none")]
    done = planned[planned["done_on"].notna()]
    mine = years.drop(index="none").iloc[0]
    assert mine[["year", "sections_planned", "sections_done"]].tolist() == [2024, len(planned), len(done)]
    assert len(done) >= 5
    for status, sections in planned["work_status"].value_counts().items():
        assert mine[f"sections_{status}"] == sections
    assert mine["sections_done_otherwise"] == (done["done_as"] != done["action"]).sum() >= 1
    assert mine[["sections_with_cost", "cost_recorded"]].tolist() == [1, 12345]
    assert mine["planned_km"] == pytest.approx(planned["length_km"].sum())
    alone = work[work["commitment_id"].eq("none")]
    assert years.loc[["none"], "sections_done"].sum() == len(alone) and not years.loc[["none"], "planned_cost"].any()


def test_what_came_of_it_is_told_with_the_method_fixed_in_advance(followed: tuple[Workspace, dict[str, str]]) -> None:
    space, _ = followed
    effect = pd.read_csv(space.exports / "follow_up_effect.csv").set_index("followed_group")
    promised = read(space, "select * from raw.commitment_sections where role = 'cohort'")
    work = pd.read_csv(space.exports / "work_done.csv")
    assert effect.loc["done", "seen_after"] == work["seen_after"].sum() >= 5
    assert effect.loc["cohort", "sections"] <= len(promised)
    assert effect.loc["cohort", "seen_after"] > 20
    assert not effect.loc["done", "can_tell"] and 0 <= effect.loc["done", "power"] < 0.8
    assert 0 < effect.loc["done", "planned_ratio"] < 1
    assert effect["follow_method"].str.startswith("Fixed when the work was committed").all()


def test_taking_back_the_load_takes_back_the_commitment(demo_space: Workspace, tmp_path: Path) -> None:
    space = Workspace(shutil.copytree(demo_space.folder, tmp_path / "workspace", symlinks=True))
    line = read(space, "select section_id from marts.programme where plan_year = 2 order by 1 limit 1").iloc[0, 0]
    with pytest.raises(UserError, match="the programme does not work on"):
        run(space, "commit", "--reason", "x", "--decided-on", "2026-01-15", "--section", line)
    said = run(space, "commit", "--reason", "x", "--decided-on", "2026-01-15", "--section", line, "--through-year", "2")
    assert "committed 1 section as 2026-01-15-" in said
    (load,) = [each.rpartition(" ")[2] for each in said.splitlines() if each.startswith("to take it back")]
    kept = read(space, "select decision, year, reason from raw.decisions")
    assert kept["reason"].tolist() == ["x"]
    run(space, "load", "--undo", load)
    assert read(space, "from raw.commitments").empty
    assert read(space, "from raw.commitment_sections").empty and read(space, "from raw.decisions").empty
