"""A month of 30 jobs, five of them dirty, as a new user goes: load, look, review, mend, load, refresh, review again."""

from __future__ import annotations

import csv
import datetime as dt
import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

from reports.pdf import PAPERS, print_review
from reports.results import Results
from reports.reviews import read_month, write_review
from shared.errors import UserError

STEPS: list[str] = []
"""The commands that were typed, in order."""


def run(folder: Path, *arguments: str, code: int = 0) -> str:
    """Type a command in a folder, as a user without Chromium does; returns what it said."""
    STEPS.append(" ".join(arguments))
    environment = {**os.environ, "COLUMNS": "100", "BROWSER_PATH": "/nowhere/chromium"}
    done = subprocess.run(
        [sys.executable, "-m", "pipelines.cli", *arguments],
        capture_output=True, text=True, cwd=folder, env=environment, check=False,
    )  # fmt: skip
    assert done.returncode == code and "Traceback" not in done.stderr, done.stderr
    return done.stdout + done.stderr


def write(file: Path, rows: list[dict[str, str]]) -> None:
    file.parent.mkdir(exist_ok=True)
    with file.open("w", newline="", encoding="utf-8") as opened:
        table = csv.DictWriter(opened, list(rows[0]))
        table.writeheader()
        table.writerows(rows)


def read(file: Path) -> list[dict[str, str]]:
    with file.open(newline="", encoding="utf-8") as opened:
        return list(csv.DictReader(opened))


def month_of_jobs() -> list[dict[str, str]]:
    """Thirty jobs of November 2025 as they should have been written; four on one stormy day."""
    rows = []
    for n in range(1, 31):
        loop, place = f"L{1 + n % 6}", 1 + n % 4
        day = 17 if n in (11, 12, 13, 14) else 1 + (7 * n) % 27
        moment = dt.datetime(2025, 11, day, (5 * n) % 24, (11 * n) % 60)
        row = {"job_id": f"N-{n:02}", "status": "closed", "loop_id": loop, "section_id": f"{loop}-S{place}"}
        for column, minutes in (
            ("reported_at", 0), ("dispatched_at", 5 + n % 9), ("arrived_at", 20 + n), ("located_at", 60 + 3 * n % 50),
            ("restored_at", 110 + 4 * n % 70), ("closed_at", 4000),
        ):  # fmt: skip
            moment_of = moment + dt.timedelta(minutes=minutes)
            row[column] = f"{moment_of:%Y-%m-%d %H:%M}"
        row |= {"customers_interrupted": str(10 + 3 * n % 41), "method": "sectionalizing", "cause": "workmanship"}
        rows.append(row | {"failed_component": "splice"})
    return rows


def dirtied(rows: list[dict[str, str]]) -> list[dict[str, str]]:
    """The same with five faults: restored before reported, unknown loop, no customers, foreign date, repeated key."""
    dirty = [dict(row) for row in rows]
    dirty[2]["restored_at"] = dirty[2]["reported_at"].replace("2025-11", "2025-10")
    dirty[8] |= {"loop_id": "L99", "section_id": ""}
    dirty[15]["customers_interrupted"] = ""
    dirty[20]["reported_at"] = f"{pd.Timestamp(dirty[20]['reported_at']):%m/%d/%Y %I:%M %p}"
    dirty[26]["job_id"] = dirty[25]["job_id"]
    return dirty


def write_register(folder: Path) -> None:
    """Two districts, six loops, four sections each."""
    places = [(f"L{n}", "D1" if n < 4 else "D2") for n in range(1, 7)]
    zone = {"timezone": "America/Chicago", "recorded_from": "2020-01-01", "customers_served": "4000"}
    write(folder / "districts.csv", [{"district_id": d, "name": d, **zone} for d in ("D1", "D2")])
    write(folder / "loops.csv", [{"loop_id": loop, "district_id": d, "configuration": "loop"} for loop, d in places])
    sections = [
        {
            "section_id": f"{loop}-S{n}", "loop_id": loop, "position": str(n), "length_m": "120",
            "insulation": "XLPE", "installed_on": "1985-06-01", "customers": "12",
        }
        for loop, _ in places for n in range(1, 5)
    ]  # fmt: skip
    write(folder / "sections.csv", sections)


@pytest.fixture(scope="module")
def trial(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The month loaded with its faults and refreshed."""
    folder = tmp_path_factory.mktemp("trial")
    write_register(folder / "ours")
    write(folder / "ours" / "jobs.csv", dirtied(month_of_jobs()))
    STEPS.clear()
    said = run(folder, "load", "ours")
    assert re.search(r"jobs +jobs\.csv +30 +27 +0 +0 +0 +3 +1", said)
    said = run(folder, "quarantine", "--table", "jobs")
    for rule in ("loop_unknown", "required_unreadable", "key_repeated", "restored_before_reported"):
        assert rule in said
    run(folder, "refresh", "--no-history")
    return folder


def test_a_month_is_loaded_reviewed_mended_and_reviewed_again(trial: Path) -> None:
    said = run(trial, "review", "--month", "2025-11")
    home = trial / "workspace" / "reviews" / "2025-11"
    assert str(home / "review.html").endswith(said.splitlines()[0])
    assert "no PDF: no chromium or chrome was found to print with" in said
    first = (home / "review.html").read_bytes()
    text = re.sub(r"<[^>]+>|\s+", " ", first.decode())
    assert "3 rows of jobs reported in the month wait in quarantine and are in no figure here." in text
    assert "1 job without a usable time of restoration, left out of that mean: N-03." in text
    assert "2 jobs without customer-minutes, since customers or the end are unknown: N-03, N-16." in text
    for waiting in ("N-09", "N-21", "N-26"):  # the second N-26 is N-27
        assert f'<th scope="row">{waiting}</th>' in first.decode()
    again = run(trial, "review", "--month", "2025-11")
    assert "nothing changed since it was written" in again and (home / "review.html").read_bytes() == first

    # mend: three rows from quarantine as they were received, two in the office's own file
    run(trial, "quarantine", "--table", "jobs", "--export", "mend.csv")
    rows, right = read(trial / "mend.csv"), month_of_jobs()
    by_reason = {row["quarantine_reasons"].partition(" ")[0]: row for row in rows}
    by_reason["loop_id"] |= {key: right[8][key] for key in ("loop_id", "section_id")}
    by_reason["reported_at"]["reported_at"] = right[20]["reported_at"]
    by_reason["the"]["job_id"] = "N-27"
    write(trial / "mend.csv", rows)
    write(trial / "mended" / "jobs.csv", [right[2], right[15]])
    assert re.search(r"jobs +mend\.csv +3 +3 ", run(trial, "load", "mend.csv"))
    assert re.search(r"jobs +jobs\.csv +2 +0 +2 ", run(trial, "load", "mended/jobs.csv"))
    run(trial, "refresh", "--no-history")
    said = run(trial, "review", "--month", "2025-11")
    assert "kept as it was; another edition: --again" in said and (home / "review.html").read_bytes() == first
    assert "changed by later records: November 2025 (all districts), reviewed as of" in said
    assert "jobs 27, now 30" in said
    run(trial, "review", "--month", "2025-11", "--again")

    # what it states is what thirty rows say
    frame = pd.DataFrame(right)
    stamps = {c: pd.to_datetime(frame[c]) for c in frame if c.endswith("_at")}
    minutes = (stamps["restored_at"] - stamps["reported_at"]).dt.total_seconds() / 60
    locate = (stamps["located_at"] - stamps["arrived_at"]).dt.total_seconds() / 60
    customers = frame["customers_interrupted"].astype(int)
    assert json.loads((home / "review-2.json").read_text())["figures"] == {
        "jobs": 30,
        "customers_interrupted": customers.sum(),
        "customer_minutes": (customers * minutes).sum(),
        "mean_time_to_locate_min": round(locate.mean(), 1),
        "mean_time_to_restore_min": round(minutes.mean(), 1),
        "median_time_to_restore_min": minutes.median(),
    }
    text = re.sub(r"<[^>]+>|\s+", " ", (home / "review-2.html").read_text())
    assert "No job reported in the month waits in quarantine." in text and "Changed by later records" in text
    costly = frame.assign(minutes=customers * minutes).nlargest(5, "minutes")["job_id"].tolist()
    assert re.findall(r'<th scope="row">(N-\d\d)</th>', (home / "review-2.html").read_text()) == costly
    assert [step.partition(" ")[0] for step in STEPS] == [
        "load", "quarantine", "refresh", "review", "review", "quarantine", "load", "load", "refresh",
        "review", "review",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("month", "districts", "compare", "where", "what", "remedy"),
    [
        ("2025-13", [], "previous", "--month", "'2025-13' is no month", "write a year and a month: 2025-11"),
        ("2026-01", [], "previous", "--month", "2026-01 lies ahead", "load later jobs, then refresh"),
        ("2025-10", [], "previous", "--month", "no closed job of October 2025 is on file", "reports run from 2025-11-"),
        ("2025-11", ["D3"], "previous", "--district", "unknown district 'D3'", "known: D1, D2"),
        ("2025-11", [], "then", "--compare", "unknown comparison 'then'", "known: previous, last_year"),
    ],
)
def test_what_cannot_be_reviewed_is_named_with_the_remedy(
    trial: Path, tmp_path: Path, month: str, districts: list[str], compare: str, where: str, what: str, remedy: str
) -> None:
    with Results(trial / "workspace" / "results.duckdb") as results, pytest.raises(UserError) as fault:
        write_review(results, tmp_path, read_month(month, districts, compare, results))
    assert (fault.value.what, fault.value.where) == (what, where) and remedy in fault.value.remedy
    assert not list(tmp_path.iterdir())


def test_a_paper_that_is_not_known_is_named_before_anything_is_written(trial: Path) -> None:
    said = run(trial, "review", "--month", "2025-11", "--district", "D2", "--paper", "A3", code=1)
    assert "unknown paper 'A3'" in said and not (trial / "workspace" / "reviews" / "2025-11-D2").exists()


def test_a_district_and_a_range_have_places_of_their_own_and_the_same_bytes_each_time(
    trial: Path, tmp_path: Path
) -> None:
    with Results(trial / "workspace" / "results.duckdb") as results:
        choice = read_month("2025-11", ["D1"], "2025-09..2025-10", results)
        pages = [write_review(results, tmp_path / name, choice).page for name in ("one", "other")]
    assert pages[0].parent.name == "2025-11-D1-against-2025-09..2025-10"
    text = pages[0].read_text(encoding="utf-8")
    assert "District D1, reported November 2025." in text and "Which districts" not in text
    assert pages[1].read_text(encoding="utf-8") == text


@pytest.mark.skipif(
    shutil.which("chromium") is None and os.environ.get("LOOPWEAR_REQUIRE_BROWSER") != "1", reason="no chromium here"
)
@pytest.mark.parametrize("paper", PAPERS)
def test_a_review_has_two_sides_at_most(trial: Path, tmp_path: Path, paper: str) -> None:
    run(trial, "review", "--month", "2025-11")
    pages = sorted((trial / "workspace" / "reviews" / "2025-11").glob("*.html"))
    printed = print_review(Path(shutil.copy(pages[0], tmp_path)), paper).read_bytes()
    assert 1 <= len(re.findall(rb"/Type\s*/Page\b", printed)) <= 2
