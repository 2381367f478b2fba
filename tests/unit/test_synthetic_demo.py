"""Tables and files of the demo: the same seed gives the same bytes, and all of them hold together."""

import filecmp

import pytest

from shared import dictionary
from synthetic_data.demo import make_tables, write_demo


@pytest.fixture(scope="module")
def tables():
    return make_tables(80, 3)


def test_tables_are_canonical(tables):
    # the invented utility gives every cable an id of its own, and has decided nothing yet
    assert set(tables) == set(dictionary.source_tables()) - {"section_successors", "decisions"}
    for name, facts in ((n, dictionary.source_tables()[n]) for n in tables):
        assert list(tables[name].columns) == list(facts.source_columns)
        required = [c for c in facts.required if c in facts.source_columns]
        assert tables[name][required].notna().all().all(), name


def test_codes_are_those_of_the_dictionary(tables):
    for name, frame in tables.items():
        for column in frame.columns:
            listed = dictionary.columns()[column].codes
            if listed:
                assert set(frame[column].dropna()) <= set(dictionary.codes()[listed]), (name, column)


def test_references_hold(tables):
    sections, terminals, loops = (set(tables[t].iloc[:, 0]) for t in ("sections", "terminals", "loops"))
    jobs = tables["jobs"]
    assert set(jobs["section_id"]) <= sections
    assert set(jobs["loop_id"]) <= loops
    for column in ("test_terminal_id", "toward_terminal_id", "far_end_terminal_id"):
        assert set(jobs[column].dropna()) <= terminals
    for table in ("test_shots", "restoration_steps"):
        assert set(tables[table]["job_id"]) <= set(jobs["job_id"])


def test_the_same_seed_gives_the_same_bytes(tmp_path):
    first, second = (write_demo(tmp_path / name, loops=60, seed=9) for name in ("a", "b"))
    for part in ("export", "truth"):
        names = sorted(p.name for p in (first.folder / part).iterdir())
        assert names == sorted(p.name for p in (second.folder / part).iterdir())
        match, _, _ = filecmp.cmpfiles(first.folder / part, second.folder / part, names, shallow=False)
        assert sorted(match) == names
    other = write_demo(tmp_path / "c", loops=60, seed=10)
    assert (other.folder / "export/jobs.csv").read_bytes() != (first.folder / "export/jobs.csv").read_bytes()


def test_the_truth_is_apart_from_what_is_loaded(tmp_path):
    files = write_demo(tmp_path, loops=60, seed=9)
    loaded = {path for paths, _ in files.loads for path in paths}
    assert all(path.parent == tmp_path / "export" and path.exists() for path in loaded)
    assert {p.name for p in files.truth.iterdir()} == {
        "classes.csv",
        "instruments.csv",
        "sections.csv",
        "failures.csv",
        "errors.csv",
    }
