"""Three tasks as a new user would do them in a browser, their steps counted; every page visited is held to axe.

python -m tests.simulated.tasks_study WORKSPACE

A step is a click, a choice in a list, a field filled in, or the key that sends it. Needs chromium on the path.
"""

from __future__ import annotations

import shutil
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from pathlib import Path
from typing import Any

import pandas as pd
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, sync_playwright

from tests.simulated.readers_study import start

ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
             "--disable-component-update", "--disable-sync", "--disable-dev-shm-usage"]  # fmt: skip


class User:
    """Counts what a person does on a page, and keeps what the pages complained of."""

    def __init__(self, page: Page, base: str) -> None:
        self.page, self.base, self.steps = page, base, 0
        self.faults: list[str] = []
        page.on("console", lambda said: self.faults.append(said.text) if said.type in ("error", "warning") else None)
        page.on("pageerror", lambda fault: self.faults.append(str(fault)))

    def begin(self) -> None:
        self.page.goto(self.base)
        self.steps = 0

    def click(self, where: str, *, leads: bool = True) -> None:
        """Click; where it leads to another page, wait until that page is there."""
        with self.page.expect_navigation() if leads else nullcontext():
            self.page.locator(where).first.click()
        self.steps += 1

    def choose(self, field: str, value: str) -> None:
        self.page.select_option(f".choice [name={field}]", value)
        self.steps += 1

    def fill(self, where: str, value: str) -> None:
        self.page.fill(where, value)
        self.steps += 1

    def send(self) -> None:
        with self.page.expect_navigation():
            self.page.keyboard.press("Enter")
        self.steps += 1

    def check(self) -> None:
        """No violation by axe, nothing complained of, nothing to be scrolled sideways."""
        found = Axe().run(self.page).response
        broken = [(v["id"], v["impact"], v["nodes"][0]["html"][:120]) for v in found["violations"]]
        assert broken == [], (self.page.url, broken)
        assert self.faults == [], (self.page.url, self.faults)
        room = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
        assert self.page.evaluate(room) <= 0, self.page.url


def half_year_against_last(user: User, exports: Path) -> str:
    """This half-year against the one before in one district, with the jobs behind the worst bar."""
    jobs = pd.read_csv(exports / "closed_jobs.csv", parse_dates=["reported_on"])
    year = int(jobs["reported_year"].max()) - 1
    district = str(jobs.loc[jobs["reported_year"] == year, "district_id"].value_counts().index[0])
    user.begin()
    user.click("nav >> text=Restoration")
    user.choose("district", district)
    user.fill(".choice [name=from]", f"{year}-07")
    user.fill(".choice [name=to]", f"{year}-12")
    user.choose("against", "previous")
    user.click(".choice button")
    user.check()
    own = jobs[(jobs["district_id"] == district) & (jobs["reported_year"] == year)]
    half = own[own["reported_on"].dt.month > 6]
    assert f"District {district}, reported July to December {year}." in user.page.inner_text("main")
    chart = user.page.locator("#against-chart")
    chart.scroll_into_view_if_needed()
    chart.locator(".main-svg").first.wait_for()
    bars = chart.locator(".bars .point path")
    boxes = [bars.nth(n).bounding_box() or {"width": 0.0} for n in range(bars.count())]
    longest = max(range(len(boxes)), key=lambda n: boxes[n]["width"])
    traces = user.page.evaluate("document.getElementById('against-chart').data.map((t) => t.x.length)")
    place = longest % traces[0] + traces[0]  # the bar of this period in the same stage
    bars.nth(place).scroll_into_view_if_needed()
    box = bars.nth(place).bounding_box()
    assert box is not None
    # on a log axis a bar begins far to the left of the chart: its end is what a person sees
    user.page.mouse.move(box["x"] + box["width"] - 4, box["y"] + box["height"] / 2)
    with user.page.expect_navigation():
        user.page.mouse.click(box["x"] + box["width"] - 4, box["y"] + box["height"] / 2)
    user.steps += 1
    user.check()
    stage = user.page.url.split("has=")[1].split("&")[0]
    told = user.page.inner_text("#rows h3")
    assert told == f"{half[stage].notna().sum()} rows.", (told, stage)
    user.click("#rows tbody a[href^='/job/']")
    user.check()
    return f"{district}, July to December {year}: {told} One job's sheet opened."


def loop_ranked_410th(user: User, exports: Path, rank: int = 410) -> str:
    """Everything on the loop ranked 410th."""
    ranking = pd.read_csv(exports / "loop_ranking.csv").sort_values(["rank", "loop_id"], ignore_index=True)
    loop = str(ranking.loc[min(rank, len(ranking)) - 1, "loop_id"])
    user.begin()
    user.click("nav >> text=Replacement")
    user.click("#loops details:not(.folded) summary", leads=False)
    user.click(f"#loops-table a:text-is('{loop}')")
    user.check()
    assert user.page.inner_text("h1") == f"Loop {loop}"
    return f"{loop}: its sheet opened."


def readings_of_an_instrument(user: User, exports: Path, instrument: str = "R-05") -> str:
    """All readings of R-05."""
    errors = pd.read_csv(exports / "locating_errors.csv")
    user.begin()
    user.fill(".find input", instrument)
    user.send()
    summary = user.page.locator("#instrument-digs .figures summary")
    if summary.count():
        user.click("#instrument-digs .figures summary", leads=False)
    user.check()
    rows = user.page.locator("#instrument-digs-table tbody tr").count()
    assert rows == (errors["instrument_id"] == instrument).sum()
    return f"{instrument}: {rows} digs listed."


TASKS = (half_year_against_last, loop_ranked_410th, readings_of_an_instrument)


@contextmanager
def served(workspace: Path) -> Iterator[str]:
    """The address of a browse process."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    process: subprocess.Popen[str] = start(workspace, "browse", "--port", str(port))
    assert process.stdout is not None
    address = process.stdout.readline().strip()
    try:
        yield address
    finally:
        process.send_signal(signal.SIGINT)
        process.wait(timeout=30)


def run(workspace: Path, widths: tuple[int, ...] = (1200, 390)) -> dict[tuple[str, int], tuple[int, str]]:
    """Do every task at every width; returns the steps and what came of it, by task and width."""
    found: dict[tuple[str, int], tuple[int, str]] = {}
    program = shutil.which("chromium") or shutil.which("google-chrome")
    with served(workspace) as address, sync_playwright() as play:
        browser: Any = play.chromium.launch(executable_path=program, args=ARGUMENTS)
        for width in widths:
            for task in TASKS:
                user = User(browser.new_page(viewport={"width": width, "height": 900}), address)
                came = task(user, workspace / "exports")
                found[task.__name__, width] = (user.steps, came)
                user.page.close()
        browser.close()
    return found


if __name__ == "__main__":
    for (task, width), (steps, came) in run(Path(sys.argv[1])).items():
        print(f"{task.replace('_', ' ')} at {width} px: {steps} steps. {came}")
