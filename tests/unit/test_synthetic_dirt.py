"""The errors put into the records are noted one by one, and nothing else is changed."""

import numpy as np
import pandas as pd
import pytest

from pipelines.validation.rules import RULES
from synthetic_data.demo import make_utility, write_demo
from synthetic_data.dirt import spoil_tables


@pytest.fixture(scope="module")
def spoiled():
    utility = make_utility(300, 6)
    tables, notes = spoil_tables(utility.tables, np.random.default_rng(7))
    return utility.tables, tables, notes.to_frame()


@pytest.fixture(scope="module")
def errors(tmp_path_factory):
    files = write_demo(tmp_path_factory.mktemp("demo"), loops=300, seed=6)
    return files, pd.read_csv(files.truth / "errors.csv", keep_default_na=False)


def test_every_rule_named_is_a_rule(errors):
    _, listed = errors
    named = set(listed["rule"]) - {""}
    assert named <= {rule.name for rule in RULES}
    assert len(named) >= 12


def test_shares_are_about_those_meant(spoiled):
    clean, _, notes = spoiled
    jobs = len(clean["jobs"])
    counts = notes.groupby("kind")["key"].nunique()
    for kind, share in {
        "restored_set_to_closed": 0.04,
        "entered_twice": 0.04,
        "both_halves_counted": 0.03,
        "crew_spelling": 0.08,
        "repaired_without_hour": 0.03,
    }.items():
        assert abs(counts[kind] / jobs - share) < 0.006, kind
    assert 0.19 < counts["cause_unknown"] / jobs < 0.25


def test_values_differ_from_the_clean_ones_only_where_noted(spoiled):
    clean, dirty, notes = spoiled
    for table, key in (("sections", "section_id"), ("loops", "loop_id"), ("jobs", "job_id")):
        was = clean[table].set_index(key)
        now = dirty[table]
        now = now[now[key].isin(was.index)]
        if table == "jobs":
            now = now[now["revision"] == 1]
            # jobs moved into the nights of the clock change are moved whole; their true times are the moved ones
            moved = now.set_index(key)["closed_at"].reindex(was.index) != was["closed_at"]
            was, now = was[~moved], now[~now[key].isin(was.index[moved])]
        now = now.set_index(key).reindex(was.index)
        kept = now["loop_id"].notna() if table != "loops" else now["district_id"].notna()
        was, now = was[kept], now[kept]
        noted = set(
            zip(notes.loc[notes["table"] == table, "key"], notes.loc[notes["table"] == table, "column"], strict=True)
        )
        for column in was.columns:
            differs = ~((was[column] == now[column]) | (was[column].isna() & now[column].isna()))
            for name in was.index[differs]:
                partner = {"toward_terminal_id": "test_terminal_id"}.get(column, column)
                assert (name, partner) in noted, (table, name, column)


def test_each_error_points_at_the_row_it_stands_in(errors):
    files, listed = errors
    for name, header in (("jobs.csv", 0), ("sections.csv", 0), ("loops.csv", 0), ("fault_book.csv", 1)):
        rows = pd.read_csv(files.folder / "export" / name, header=header, dtype=str, keep_default_na=False)
        own = listed[listed["file"] == name]
        assert len(own) or name == "loops.csv"
        for error in own.itertuples():
            at = int(float(error.row_number)) - 2 - header
            assert rows.iloc[at, 0] == error.key


def test_written_text_is_what_the_note_says(errors):
    files, listed = errors
    rows = pd.read_csv(files.folder / "export/jobs.csv", dtype=str, keep_default_na=False)
    for kind in ("clock_shown_twice", "watch_not_put_forward", "trailing_blanks", "velocity_halved"):
        own = listed[(listed["kind"] == kind) & (listed["file"] == "jobs.csv")]
        assert len(own)
        for error in own.itertuples():
            assert rows.loc[int(float(error.row_number)) - 2, error.column] == error.written_value


def test_lost_sections_are_those_retired_early(spoiled):
    clean, dirty, _ = spoiled
    was, now = clean["sections"], set(dirty["sections"]["section_id"])
    early = was[was["retired_on"] < "2010-01-01"]
    between = was[(was["retired_on"] >= "2010-01-01") & (was["retired_on"] < "2017-01-01")]
    late = was[was["retired_on"] >= "2017-01-01"]
    assert not set(early["section_id"]) & now
    assert 0.5 < between["section_id"].isin(now).mean() < 0.9
    assert set(late["section_id"]) <= now
