"""Control characters in names, values and settings are shown on a terminal and never sent to it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from shared.terminal import visible
from tests.cases.small_utility import TABLES, with_changes, write_csv, write_utility

ESCAPE = "\x1b]0;owned\x07\x1b[31m\x9b2J\u202e"
"""Sets a title, turns red, clears the screen, runs the line backwards."""
FORBIDDEN = ("\x1b", "\x07", "\x9b", "\u202e")


def run(*arguments: str | Path, cwd: Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "pipelines.cli", *(str(a) for a in arguments)]
    return subprocess.run(
        command, capture_output=True, text=True, cwd=cwd, env={**os.environ, "COLUMNS": "100"}, check=False
    )


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of exports with control characters wherever a person may write, loaded once."""
    place = tmp_path_factory.mktemp("terminal")
    jobs = with_changes(
        "jobs", {"loop_id": f"L9{ESCAPE}"}, {"cause": f"animal{ESCAPE}\nfake row", "crew_id": ESCAPE}, {"job_id": ""}
    )
    export = write_utility(place / "export", jobs=jobs)
    write_csv(export / f"loops {ESCAPE.replace('/', '')}.csv", TABLES["loops"])
    write_csv(export / f"no table {ESCAPE}.csv", TABLES["loops"])
    done = run("load", export, cwd=place)
    assert done.returncode == 0, done.stderr
    assert r"no table \x1b]0;owned\x07" in done.stdout
    assert not [c for c in FORBIDDEN if c in done.stdout + done.stderr]
    return place


@pytest.mark.parametrize(
    "arguments, code, shown",
    [
        (["quarantine"], 0, r"L9\x1b]0;owned\x07\x1b[31m\x9b2J\u202e"),
        (["quarantine"], 0, r"animal\x1b]0;owned\x07\x1b[31m\x9b2J\u202e\nfake row"),
        (["status"], 0, "loop_unknown"),
        (["load", f"gone{ESCAPE}.csv"], 1, r"where: gone\x1b]0;owned\x07"),
        (["quarantine", "--rule", ESCAPE], 1, r"there is no rule '\x1b]0;owned\x07"),
        (["load", "export", "--mapping", "bad.toml"], 1, r"unknown key '\x1b]0;owned"),
        (["draft-mapping", "export/jobs.csv"], 0, "is in the canonical form"),
        (["status", f"--{ESCAPE}"], 2, r"\x1b]0;owned"),
    ],
)
def test_no_command_sends_a_control_character(place: Path, arguments: list[str], code: int, shown: str) -> None:
    key = json.dumps(ESCAPE)[:-1].replace("\x9b", "\\u009b")
    (place / "bad.toml").write_text(f'{key}" = 1\n', encoding="utf-8")
    done = run(*arguments, cwd=place)
    said = done.stdout + done.stderr
    assert done.returncode == code, said
    assert not [c for c in FORBIDDEN if c in said]
    assert shown in said


def test_json_says_the_same_and_the_log_too(place: Path) -> None:
    done = run("quarantine", "--json", "--table", "jobs", "--severity", "reject", cwd=place)
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert [(f["rule"], f["row_number"]) for f in found] == [("loop_unknown", 2), ("required_missing", 4)]
    assert found[0]["value"] == f"L9{ESCAPE}"
    log = (place / "workspace" / "runs" / "loopwear.log").read_text(encoding="utf-8")
    assert log and not [c for c in FORBIDDEN if c in log]


def test_a_file_name_that_is_no_text_is_told_too(place: Path) -> None:
    if sys.platform == "darwin":
        pytest.skip("names of files are UTF-8 there")
    done = run("load", os.fsdecode(b"caf\xe9.csv"), cwd=place)
    assert done.returncode == 1
    assert r"caf\udce9.csv" in done.stderr


def test_what_is_plain_stays_as_it_is() -> None:
    plain = "Zürich 12 µs – 5 €\n\tعربي 日本 😀"
    assert visible(plain) == plain
    assert visible("a\rb\x00\x7f\u2066\ud800") == r"a\rb\x00\x7f\u2066\ud800"
