"""The pages as PDF, printed by a chromium that is already on the machine."""

import os
import shutil
import subprocess
import tempfile
from pathlib import Path
from typing import Final

from shared.errors import UserError

PAPERS: Final = ("A4", "Letter")
"""Papers a page can be printed on."""

BROWSERS: Final = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome", "msedge")
"""Programs that can print a page without a window, looked for in this order."""

SECONDS: Final = 120
"""Time one page may take before printing is given up."""


def find_browser() -> str:
    """The program that prints.

    Raises
    ------
    UserError
        There is none.

    Notes
    -----
    BROWSER_PATH in the environment names one that is not on the path.

    Checked by: tests/end_to_end/test_reports_browser.py (through write_pdfs)
    """
    named = os.environ.get("BROWSER_PATH")
    found = next((path for name in ((named,) if named else BROWSERS) if (path := shutil.which(name))), None)
    if found is None:
        raise UserError(
            "no chromium or chrome was found to print with",
            f"BROWSER_PATH = {named}" if named else "the programs on the path",
            "install one (Debian: apt-get install chromium), or name it: BROWSER_PATH=/path/to/chromium; "
            "or open the page in any browser and print it from there",
        )
    return found


def check_paper(paper: str) -> None:
    """Refuse a paper that is not known.

    Raises
    ------
    UserError
        It is not.
    """
    if paper not in PAPERS:
        raise UserError(f"unknown paper '{paper}'", "--paper", f"known: {', '.join(PAPERS)}")


def write_pdfs(folder: Path, paper: str = "A4") -> list[Path]:
    """Print every report page of a folder to a PDF beside it.

    Parameters
    ----------
    folder
        Folder of the report pages.
    paper
        A4 or Letter.

    Returns
    -------
    list of Path
        PDFs written, by name.

    Raises
    ------
    UserError
        There are no pages, no browser, the paper is unknown, or the browser fails.

    Notes
    -----
    Bytes differ from run to run: the browser writes the hour into them.

    Checked by: tests/end_to_end/test_reports_browser.py
    """
    check_paper(paper)
    pages = sorted(folder.glob("*.html"))
    if not pages:
        raise UserError("there are no report pages to print", str(folder), "run: loopwear refresh")
    browser = find_browser()
    return [print_page(browser, page, page.with_suffix(".pdf"), paper) for page in pages]


def print_review(page: Path, paper: str) -> Path:
    """Print a review, which has no script, beside its page; one that is printed stays as it was."""
    target = page.with_suffix(".pdf")
    if target.exists():
        return target
    browser = find_browser()
    with tempfile.TemporaryDirectory(prefix="loopwear-print-") as folder:
        copy = Path(folder) / page.name
        text = page.read_text(encoding="utf-8").replace("@page {", f"@page {{ size: {paper};", 1)
        copy.write_text(text, encoding="utf-8")
        return print_page(browser, copy, target, paper)


def print_page(browser: str, page: Path, target: Path, paper: str) -> Path:
    """Print one page; the paper goes with the address, and the page's script sets it."""
    with tempfile.TemporaryDirectory(prefix="loopwear-print-") as profile:
        command = [
            browser, "--headless", "--disable-gpu", "--no-first-run", "--disable-background-networking",
            "--disable-component-update", "--disable-sync", "--disable-quic", "--disable-dev-shm-usage",
            *(["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []),
            f"--user-data-dir={profile}", "--no-pdf-header-footer", "--virtual-time-budget=10000",
            f"--print-to-pdf={target}", f"{page.resolve().as_uri()}?paper={paper}",
        ]  # fmt: skip
        target.unlink(missing_ok=True)
        try:
            done = subprocess.run(command, capture_output=True, timeout=SECONDS, check=False)
        except subprocess.TimeoutExpired:
            raise UserError(
                f"the browser did not finish in {SECONDS} s", str(page), "close other programs and try again"
            ) from None
    if not target.exists():
        said = done.stderr.decode(errors="replace").strip().splitlines()
        raise UserError(
            f"the browser printed nothing (exit {done.returncode}): {said[-1] if said else 'no message'}",
            str(page),
            f"open the page in a browser and print it from there, or name another with BROWSER_PATH (tried {browser})",
        )
    return target
