"""How heavy the replacement page of a large fleet is, and how long it takes to open.

python -m tests.benchmarks.reports_large [LOOPS]
"""

from __future__ import annotations

import datetime as dt
import shutil
import sys
import tempfile
import time
from pathlib import Path

from reports.pdf import find_browser
from shared.settings import Settings
from tests.report_marts import write_pages

FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
         "--disable-component-update", "--disable-sync", "--disable-dev-shm-usage"]  # fmt: skip


SEARCH = """() => {
    const box = document.querySelector("#loops .pager input");
    box.value = document.querySelector("#loops-table tbody th + td + td + td").textContent.toLowerCase();
    const begun = performance.now();
    box.dispatchEvent(new Event("input", { bubbles: true }));
    return performance.now() - begun;
}"""
"""Milliseconds of one search in the whole table: the script runs until the rows found are drawn."""

PICK = """() => {
    const box = document.querySelector("#loops .pager select");
    document.querySelector("#loops .pager input").value = "";
    document.querySelector("#loops .pager input").dispatchEvent(new Event("input", { bubbles: true }));
    box.selectedIndex = 1;
    const begun = performance.now();
    box.dispatchEvent(new Event("change", { bubbles: true }));
    return performance.now() - begun;
}"""
"""Milliseconds of picking a district, its rows added up."""


def measure(loops: int, opens: int = 3) -> dict[str, float]:
    """Megabytes of the page, seconds to its first chart (best of some opens), rows found by its own search."""
    from playwright.sync_api import sync_playwright

    folder = Path(tempfile.mkdtemp(prefix="loopwear-large-"))
    try:
        write_pages(folder, Settings().override("general", as_of=dt.date(2025, 12, 31)), loops=loops)
        page_file = folder / "reports" / "replacement.html"
        seconds = []
        with sync_playwright() as play:
            browser = play.chromium.launch(executable_path=find_browser(), args=FLAGS)
            for _ in range(opens):
                page = browser.new_page()
                begun = time.perf_counter()
                page.goto(page_file.as_uri())
                # a chart is drawn when it comes into view
                page.evaluate("document.querySelector('.chart').scrollIntoView()")
                page.wait_for_function("document.querySelector('.chart').querySelector('.main-svg')")
                seconds.append(time.perf_counter() - begun)
                status = page.locator("#loops .tally").text_content()
                searching, picking = page.evaluate(SEARCH), page.evaluate(PICK)
                page.close()
            browser.close()
        found = int(str(status).split()[2].replace(",", "")) if status else 0
        return {
            "megabytes": page_file.stat().st_size / 1e6, "seconds": min(seconds), "rows": found,
            "search_ms": searching, "pick_ms": picking,
        }  # fmt: skip
    finally:
        shutil.rmtree(folder)


if __name__ == "__main__":
    made = measure(int(sys.argv[1]) if len(sys.argv) > 1 else 100_000)
    print(
        f"replacement.html: {made['megabytes']:.2f} MB, drawn in {made['seconds']:.2f} s, {made['rows']:,.0f} "
        f"loops in its table, a search {made['search_ms']:.0f} ms, a district picked {made['pick_ms']:.0f} ms"
    )
