"""Mutated addresses against the pages that browse serves: clear answers, nothing of outside, hostile text inert.

python -m tests.simulated.addresses_study WORKSPACE [--addresses 2000] [--seed 1]
"""

from __future__ import annotations

import argparse
import asyncio
from collections import Counter
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import quote

import httpx
import numpy as np

from reports.browse import make_app
from shared.store import Workspace

MARK = "zqx"
"""Begins every hostile name, so that it can be told in an answer."""

HOSTILE = (
    f"<script>{MARK}()</script>", f"'><img src=x onerror={MARK}()>", f"' or 1=1 --{MARK}", f"\"; drop table {MARK}; --",
    f"{MARK}%00.html", "../../../etc/passwd", "..%2f..%2fetc%2fpasswd", "%2e%2e/%2e%2e/warehouse.duckdb",
    "..\\..\\warehouse.duckdb", "/etc/passwd", "file:///etc/passwd", f"{MARK}{{{{7*7}}}}", "%", "%zz", "é" * 40,
    "\u202e\u0000\r\n", "x" * 3000, f"javascript:{MARK}()", "", ".", "..", "0", "-1", "1e309", "NaN",
)  # fmt: skip

PAGES = ("", "restoration", "replacement", "locating", "data_quality", "index", "methods", "settings", "find", "rules",
         "card", "pick")  # fmt: skip
KINDS = ("loop", "section", "job", "instrument")
KEYS = (
    "district",
    "from",
    "to",
    "against",
    "class",
    "instrument",
    "crew",
    "units",
    "paper",
    "part",
    "by",
    "from_row",
    "q",
    "items",
    "find",
    "years",
    "x",
)
VALUES = ("OB", "2025-01", "2025-06", "previous", "last_year", "R-01", "imperial", "A4", "-report_to_restore_min", "1")


class Inert(HTMLParser):
    """Fails where hostile text became an element, an attribute or a script."""

    def __init__(self) -> None:
        super().__init__()
        self.inside = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.inside = tag
        assert MARK not in tag
        for name, value in attrs:
            assert MARK not in name and not name.startswith("on"), (tag, name)
            assert not (name in ("href", "src", "action") and (value or "").lower().startswith("javascript")), value

    def handle_endtag(self, tag: str) -> None:
        self.inside = "" if tag else self.inside

    def handle_data(self, data: str) -> None:
        assert not (self.inside == "script" and MARK in data and f"<script>{MARK}" in data), data


def draw_address(rng: np.random.Generator, idents: list[tuple[str, str]]) -> str:
    """An address, often a good one with something broken in it."""

    def word(good: tuple[str, ...]) -> str:
        text = str(rng.choice(HOSTILE if rng.random() < 0.2 else good))
        return quote(text, safe="") if rng.random() < 0.6 else text

    shape = rng.random()
    if shape < 0.4:
        path = "/" + word(PAGES)
    elif shape < 0.75:
        kind, ident = idents[int(rng.integers(len(idents)))]
        path = f"/{kind if rng.random() < 0.9 else word(KINDS)}/{word((ident,))}"
    else:
        folder = rng.choice(["rows", "static", "rows/jobs", "rows/loops", ""])
        path = f"/{folder}/{word(('jobs', 'loops', 'loopwear.js', 'x'))}"
    pairs = [f"{word(KEYS)}={word(VALUES)}" for _ in range(int(rng.integers(0, 4)))]
    address = path + ("?" + "&".join(pairs) if pairs else "")
    if rng.random() < 0.2:
        cut = int(rng.integers(1, len(address) + 1))
        address = address[:cut] if rng.random() < 0.5 else address + address[cut:]
    return address


def run(workspace: Path, addresses: int, seed: int) -> Counter[int]:
    """Ask for random addresses; returns the answers by their status."""
    return asyncio.run(ask(workspace, addresses, seed))


async def ask(workspace: Path, addresses: int, seed: int) -> Counter[int]:
    """Ask for random addresses, one after another."""
    space, rng, found = Workspace(workspace), np.random.default_rng(seed), Counter[int]()
    idents = [("loop", "OB-L0001"), ("section", "OB-L0001-S01"), ("job", "J2020-0001"), ("instrument", "R-01")]
    outside = Path("/etc/passwd").read_text(encoding="utf-8").splitlines()[0]
    transport = httpx.ASGITransport(make_app(space), raise_app_exceptions=False)
    async with httpx.AsyncClient(transport=transport, timeout=60) as client:
        for _ in range(addresses):
            address = draw_address(rng, idents).replace("\r", "%0D").replace("\n", "%0A").replace("\0", "%00")
            method = "GET" if rng.random() < 0.97 else str(rng.choice(["POST", "PUT", "DELETE", "OPTIONS", "TRACE"]))
            host = "127.0.0.1" if rng.random() < 0.97 else "elsewhere.example"
            answer = await client.request(method, "http://127.0.0.1/" + address.lstrip("/"), headers={"host": host})
            found[answer.status_code] += 1
            assert answer.status_code in (200, 303, 400, 404, 405), (address, answer.status_code)
            assert "Traceback" not in answer.text and outside not in answer.text, address
            assert "content-security-policy" in answer.headers or (answer.status_code == 400 and host != "127.0.0.1")
            if method != "GET":
                assert answer.status_code in (400, 405)
            if answer.headers.get("content-type", "").startswith("text/html"):
                Inert().feed(answer.text)
                assert answer.status_code < 400 or "What to do:" in answer.text, address
    return found


def main() -> None:
    """Print the answers by their status."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("workspace", type=Path)
    asked.add_argument("--addresses", type=int, default=2000)
    asked.add_argument("--seed", type=int, default=1)
    given = asked.parse_args()
    found = run(given.workspace, given.addresses, given.seed)
    print(
        f"{sum(found.values()):,} addresses:",
        ", ".join(f"{n} answered {status}" for status, n in sorted(found.items())),
    )


if __name__ == "__main__":
    main()
