"""The pages as browse serves them: any choice, sheets, rows, a search; read only, and for this machine alone."""

from __future__ import annotations

import asyncio
import re
import shutil
from pathlib import Path
from typing import Any

import duckdb
import httpx
import pandas as pd
import pytest

from pipelines import publish
from reports.browse import COOKIE, HEADERS, make_app
from reports.results import Results
from shared.store import Workspace
from tests.simulated import addresses_study, readers_study

pytestmark = pytest.mark.filterwarnings("ignore:.*httpx.*")


def ask(app: Any, *addresses: str, method: str = "GET", **headers: str) -> list[httpx.Response]:
    """Answers of an application to addresses, one after another."""

    async def all_of_them() -> list[httpx.Response]:
        transport = httpx.ASGITransport(app, raise_app_exceptions=False)
        async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:8410", timeout=60) as client:
            return [await client.request(method, address, headers=headers) for address in addresses]

    return asyncio.run(all_of_them())


def test_every_page_sheet_list_and_file_is_served(demo_space: Workspace) -> None:
    with Results(demo_space.results) as results:
        loop = results.whole.read("marts.loop_ranking")["loop_id"].iloc[0]
        job, section = results.whole.read("marts.closed_jobs")[["job_id", "section_id"]].dropna().iloc[0]
    answers = ask(
        make_app(demo_space), "/", "/replacement", "/restoration", "/locating", "/data_quality", "/methods", "/rules",
        "/dictionary", "/settings", f"/loop/{loop}", f"/job/{job}", f"/section/{section}", "/instrument/R-01",
        "/rows/jobs", "/rows/loops?by=-expected_failures", "/static/loopwear.js", "/static/loopwear.css", "/find",
        "/card", "/card?district=OB",
    )  # fmt: skip
    assert [(a.request.url.path, a.status_code) for a in answers if a.status_code != 200] == []
    for answer in answers:
        assert {name: answer.headers[name] for name in HEADERS if name != "cache-control"} == {
            name: value for name, value in HEADERS.items() if name != "cache-control"
        }
        assert len(answer.content) < 1e6 or "static" in answer.request.url.path


def test_a_page_is_of_the_choice_in_its_address(demo_space: Workspace) -> None:
    jobs = pd.read_csv(demo_space.exports / "closed_jobs.csv", parse_dates=["reported_on"])
    district = jobs["district_id"].value_counts().index[0]
    own = jobs[(jobs["district_id"] == district) & (jobs["reported_on"].dt.year == jobs["reported_year"].max() - 1)]
    year = own["reported_year"].iloc[0]
    query = f"district={district}&from={year}&to={year}"
    page, rows = ask(make_app(demo_space), f"/restoration?{query}&against=previous", f"/rows/jobs?{query}")
    assert f"District {district}, reported {year}." in page.text
    assert "This period against the compared period" in page.text
    assert f"{len(own)} closed job" in re.sub(r"<[^>]+>", "", page.text)
    assert f"{len(own)} rows." in rows.text and rows.text.count("<tr><th scope=row") == len(own)
    assert f'href="/rows/closed_jobs?district={district}' in page.text or "/rows/jobs?" in page.text


def test_what_a_figure_cannot_follow_it_says(demo_space: Workspace) -> None:
    (page,) = ask(make_app(demo_space), "/replacement?from=2024&to=2024")
    assert (
        "Not narrowed by period: the forecast of a section rests on all its records up to the as-of day." in page.text
    )
    (whole,) = ask(make_app(demo_space), "/replacement")
    assert "Not narrowed" not in whole.text


def test_a_search_leads_to_the_sheet_or_lists_what_it_found(demo_space: Workspace) -> None:
    one, several, none = ask(make_app(demo_space), "/find?q=r-01", "/find?q=L00", "/find?q=nothing-like-it")
    assert (one.status_code, one.headers["location"]) == (303, "/instrument/R-01")
    assert several.status_code == 200 and several.text.count('href="/loop/') > 1
    assert "No loop, section, job or instrument has &#39;nothing-like-it&#39; in its id." in none.text


@pytest.mark.parametrize(
    ("address", "status", "said"),
    [
        ("/nowhere", 404, "there is no page &#39;nowhere&#39;"),
        ("/loop/X-1", 404, "there is no loop &#39;X-1&#39;"),
        ("/card?district=OB&part=9", 404, "there is no part &#39;9&#39; of this card"),
        ("/pole/X-1", 404, "there is no sheet of a &#39;pole&#39;"),
        ("/rows/raw.jobs", 404, "there is no table &#39;raw.jobs&#39;"),
        ("/static/..%2f..%2fwarehouse.duckdb", 404, "there is no sheet of a &#39;static&#39;"),
        ("/restoration?district=nowhere", 400, "unknown district &#39;nowhere&#39;"),
        ("/rows/jobs?colour=red", 400, "unknown choice &#39;colour&#39;"),
        ("/rows/jobs?from_row=0", 400, "&#39;0&#39; is no number of a row"),
        ("/rows/jobs?by=colour", 400, "closed_jobs has no column &#39;colour&#39;"),
        ("/loop/%3Cscript%3Ealert(1)%3C%2Fscript%3E", 404, "there is no loop &#39;&lt;script&gt;alert(1)"),
    ],
)
def test_a_wrong_address_gives_a_page_with_a_remedy(
    demo_space: Workspace, address: str, status: int, said: str
) -> None:
    (answer,) = ask(make_app(demo_space), address)
    assert (answer.status_code, "What to do:" in answer.text) == (status, True)
    assert said in answer.text


def test_only_reading_is_answered_and_only_under_our_own_name(demo_space: Workspace) -> None:
    app = make_app(demo_space)
    for method in ("POST", "PUT", "DELETE", "PATCH", "OPTIONS"):
        assert ask(app, "/", method=method)[0].status_code == 405
    assert ask(app, "/", method="HEAD")[0].status_code == 200
    assert ask(app, "/", host="elsewhere.example")[0].status_code == 400


def test_beyond_the_loopback_a_token_is_asked_for_and_leaves_the_address(demo_space: Workspace) -> None:
    app = make_app(demo_space, token="sesame")
    without, wrong, given = ask(app, "/", "/?token=wrong", "/restoration?units=imperial&token=sesame")
    assert without.status_code == wrong.status_code == 403
    assert (given.status_code, given.headers["location"]) == (303, "/restoration?units=imperial")
    cookie = given.headers["set-cookie"]
    assert cookie.startswith(f"{COOKIE}=sesame") and "HttpOnly" in cookie and "samesite=strict" in cookie.lower()
    assert ask(app, "/", cookie=f"{COOKIE}=sesame")[0].status_code == 200
    assert ask(app, "/", cookie=f"{COOKIE}=other")[0].status_code == 403


def test_a_newer_generation_is_served_at_once_and_a_failed_refresh_is_told(
    demo_space: Workspace, tmp_path: Path
) -> None:
    space = Workspace(Path(shutil.copytree(demo_space.folder, tmp_path / "space")))
    app = make_app(space)
    assert "Needs attention" in ask(app, "/")[0].text
    with publish.generation(space, 3) as folder:
        shutil.copy(demo_space.results, folder / "results.duckdb")
        with duckdb.connect(str(folder / "results.duckdb")) as con:
            con.execute("update settings.current set general_as_of = '2001-02-03'")
    assert "As of <strong>3 February 2001</strong>" in ask(app, "/methods")[0].text
    publish.note_attempt(
        space, started="2026-01-02 03:04:05 UTC", outcome="failed", failed_step="ranking", message="<b>"
    )
    told = ask(app, "/")[0].text
    assert "The refresh of 2026-01-02 03:04:05 UTC failed at ranking: &lt;b&gt;." in told


def test_mutated_addresses_get_clear_answers(demo_space: Workspace) -> None:
    found = addresses_study.run(demo_space.folder, 150, seed=5)
    assert found[200] > 10 and found[404] > 10


def test_readers_go_on_through_a_refresh_and_a_kill(demo_space: Workspace, tmp_path: Path) -> None:
    copied = Path(shutil.copytree(demo_space.folder, tmp_path / "space", symlinks=True))
    met = readers_study.run(copied, readers=3, refreshes=1, kills=1, seed=2)
    assert met["number of faults"] == 0, met["faults"]
    assert isinstance(met["pages"], int) and met["pages"] > 20
