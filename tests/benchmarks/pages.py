"""Processor time and bytes of the standing pages of the demo, and of the same at an earlier revision.

python -m tests.benchmarks.pages [LOOPS] [--before REVISION]
"""

from __future__ import annotations

import argparse
import json
import math
import os
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]

PROBE = """
import json, sys, time
from pathlib import Path

space, out = Path(sys.argv[1]), Path(sys.argv[2])
try:
    from reports.results import Results
    from reports.standing import write_reports

    def write():
        with Results(space / "results.duckdb") as results:
            write_reports(results, out, out)
except ImportError:  # before pages were made of published results
    from reports.site import write_reports
    from shared.settings import Settings
    from shared.store import Workspace, open_warehouse

    def write():
        with open_warehouse(Workspace(space), read_only=True) as con:
            as_of = con.execute("select general_as_of from settings.current").fetchall()[0][0]
            write_reports(con, Settings().override("general", as_of=as_of), out)

plainly, marks = Path.write_text, []

def marked(self, *arguments, **named):
    done = plainly(self, *arguments, **named)
    marks.append((self.name, time.process_time()))
    return done

Path.write_text = marked
write()  # imports and the templates are read once
marks.clear()
begun = before = time.process_time()
write()
seconds = {}
for name, at in marks:
    seconds[name], before = at - before, at
print(json.dumps({"total": time.process_time() - begun, "pages": {
    file.name: [seconds.get(file.name, float("nan")), file.stat().st_size] for file in sorted(out.glob("*.html"))}}))
"""
"""Writes the pages of a workspace twice and times the second; runs at either revision. Where all pages are rendered
before the first is written, there is no time of one page."""


def measure(code: Path, loops: int) -> dict[str, tuple[float, int]]:
    """Processor seconds and bytes of each standing page of a demo made and written by the code of a folder."""
    surroundings = os.environ | {"PYTHONPATH": str(code)}

    def run(*command: str) -> str:
        return subprocess.run(
            [sys.executable, *command], cwd=code, env=surroundings, check=True, stdout=subprocess.PIPE, text=True
        ).stdout

    with tempfile.TemporaryDirectory(prefix="loopwear-pages-") as place:
        run("-m", "pipelines.cli", "demo", "--loops", str(loops), "--workspace", f"{place}/space", "--no-history")
        found = json.loads(run("-c", PROBE, f"{place}/space", f"{place}/pages").splitlines()[-1])
    return {name: (seconds, size) for name, (seconds, size) in found["pages"].items()} | {
        "all pages": (found["total"], sum(size for _, size in found["pages"].values()))
    }


def measure_revision(revision: str, loops: int) -> dict[str, tuple[float, int]]:
    """The same by the code of a revision."""
    with tempfile.TemporaryDirectory(prefix="loopwear-before-") as place:
        git = ["git", "-C", str(ROOT), "worktree"]
        subprocess.run([*git, "add", "--quiet", "--detach", f"{place}/code", revision], check=True)
        try:
            return measure(Path(place) / "code", loops)
        finally:
            subprocess.run([*git, "remove", "--force", f"{place}/code"], check=True)


def in_words(seconds: float, size: int) -> str:
    return f"{size / 1e3:,.0f} kB" if math.isnan(seconds) else f"{seconds:.2f} s, {size / 1e3:,.0f} kB"


def in_lines(now: dict[str, tuple[float, int]], before: dict[str, tuple[float, int]]) -> list[str]:
    """A line for each page; the sheets of one kind, of which there are many, in one."""
    lines = []
    for kind in ("loop", "instrument"):
        sheets = [now.pop(name) for name in list(now) if name.startswith(f"{kind}-")]
        if sheets:
            size = max(size for _, size in sheets)
            now[f"{kind} sheets, each ({len(sheets)}, bytes of the largest)"] = (
                sum(s for s, _ in sheets) / len(sheets),
                size,
            )
    for name in [*now, *(name for name in before if name not in now)]:
        told = [in_words(*pages[name]) for pages in (now, before) if name in pages]
        there = " before" if name not in now else ""
        lines.append(f"{name}{there}: {told[0]}" + (f" (before {told[1]})" if len(told) > 1 else ""))
    return lines


def main() -> None:
    """Print a line for each page."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("loops", type=int, nargs="?", default=900)
    asked.add_argument("--before", default="", help="a revision to compare with")
    given = asked.parse_args()
    before = measure_revision(given.before, given.loops) if given.before else {}
    print(*in_lines(measure(ROOT, given.loops), before), sep="\n")


if __name__ == "__main__":
    main()
