"""Every error put into the demo's records, held against what intake said of its row. Print the table with pytest -s."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from shared.store import open_warehouse


@pytest.fixture
def scored(demo_space):
    """Errors that a rule should find, each with whether it did; and the findings themselves."""
    errors = pd.read_csv(demo_space.folder / "demo/truth/errors.csv", keep_default_na=False)
    errors = errors[(errors["rule"] != "") & (errors["file"] != "")].copy()
    errors["row_number"] = errors["row_number"].astype(float).astype(int)
    con = open_warehouse(demo_space, read_only=True)
    findings = con.execute('select "table", file, row_number, rule, severity, "column" from raw.findings').df()
    steps = con.execute("select job_id, source_file as file, row_number from raw.restoration_steps").df()
    con.close()
    findings["file"] = findings["file"].map(lambda path: Path(path).name)
    steps["file"] = steps["file"].map(lambda path: Path(path).name)
    spoken = {(f.rule, f.file, f.row_number) for f in findings.itertuples()}
    on_steps = findings[findings["table"] == "restoration_steps"].merge(steps, on=["file", "row_number"])
    of_job = set(zip(on_steps["rule"], on_steps["job_id"], strict=True))
    errors["is_found"] = [
        (e.rule, e.key) in of_job if e.found_in != e.table else (e.rule, e.file, e.row_number) in spoken
        for e in errors.itertuples()
    ]
    return errors, findings


def test_recall_of_each_kind_of_error(scored):
    """All of them, but for rows that a graver error or a later revision hides (two in a hundred at most)."""
    errors, _ = scored
    recall = errors.groupby(["kind", "rule"])["is_found"].agg(["size", "sum"])
    print("\n", recall.to_string())
    missed = errors[~errors["is_found"]]
    print(missed[["kind", "key", "rule", "file", "row_number"]].to_string())
    assert len(recall) >= 12
    assert len(missed) <= 0.02 * len(errors)
    seldom = recall[recall["sum"] < 0.8 * recall["size"]]
    assert seldom.empty, seldom.to_string()


def test_rules_cry_no_wolf(scored):
    """Findings of a rejecting rule on rows in which nothing was put: none."""
    errors, findings = scored
    known = {(e.rule, e.file, e.row_number) for e in errors.itertuples()}
    rejected = findings[findings["severity"] == "reject"]
    false = [
        (f.rule, f.file, f.row_number) for f in rejected.itertuples() if (f.rule, f.file, f.row_number) not in known
    ]
    print("\nrejected rows:", len(rejected), "not put in:", false)
    assert not false


def test_what_is_refused_is_a_small_part(demo_space):
    con = open_warehouse(demo_space, read_only=True)
    read, refused = con.execute("select sum(read), sum(quarantined) from raw.files").fetchone()
    con.close()
    assert 0 < refused < 0.02 * read


SLIPS = (
    "entered_twice", "opened_again", "feet_for_metres", "wrong_terminal", "utc_written_as_local", "both_halves_counted",
)  # fmt: skip


def test_proposed_corrections_against_what_was_put_in(demo_space):
    """Slips with a signature are proposed, never mended: how many are found, and how many proposals are wrong."""
    proposed = pd.read_csv(demo_space.folder / "exports/proposed_corrections.csv", keep_default_na=False)
    clusters = pd.read_csv(demo_space.folder / "exports/job_clusters.csv", keep_default_na=False)
    assert (clusters["cluster_decision"] == "").all()
    proposed = pd.concat([proposed, clusters.rename(columns={"likeness": "slip"}).assign(decision="")])
    errors = pd.read_csv(demo_space.folder / "demo/truth/errors.csv", keep_default_na=False)
    errors = errors[errors["table"] == "jobs"]
    rows = []
    for slip in SLIPS:
        said = set(proposed.loc[proposed["slip"] == slip, "job_id"])
        own = errors[errors["kind"] == slip]
        true, twins = set(own["key"]), set(own["other_key"])
        rows.append(
            {
                "slip": slip,
                "put_in": len(true),
                "proposed": len(said),
                "right": len(said & true),
                "wrong": len(said - true - twins),
            }
        )
    table = pd.DataFrame(rows).set_index("slip")
    print(f"\n{table.to_string()}")
    assert (proposed["decision"] == "").all()
    # a ticket entered twice and a job opened again always leave their mark; feet, ends and zones only where the
    # reading or the stamps are far enough off
    assert (
        table.loc[["entered_twice", "opened_again"], "right"].sum()
        >= 0.9 * table.loc[["entered_twice", "opened_again"], "put_in"].sum()
    )
    assert table["right"].sum() >= 0.6 * table["put_in"].sum()
    assert table["wrong"].sum() <= 0.2 * table["proposed"].sum()
