"""Figures of the benchmarks, each with its date and command: runs them, keeps what they print, writes FIGURES.md.

python -m tests.benchmarks.figures                  writes the page anew from figures.toml
python -m tests.benchmarks.figures run NAME...      runs tests.benchmarks.NAME and records what it printed; a name with
                                                    arguments is quoted: run "load_jobs 5000000 1"
"""

from __future__ import annotations

import datetime as dt
import json
import os
import shlex
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

DATA = Path(__file__).with_name("figures.toml")
PAGE = Path(__file__).with_name("FIGURES.md")
RUN = "python -m tests.benchmarks."

Figure = dict[str, Any]
"""command, date, machine, and lines: what the command printed, or a note of what it did."""


def read_figures() -> list[Figure]:
    figures: list[Figure] = tomllib.loads(DATA.read_text(encoding="utf-8"))["figure"]
    return figures


def describe_figures(figures: list[Figure]) -> str:
    """FIGURES.md: a part for each command, in their order."""
    parts = [
        "# Figures of the benchmarks",
        """Made by `python -m tests.benchmarks.figures` from `figures.toml`. A text in a frame is what a
command printed; other texts are notes of runs of that day.""",
    ]
    for figure in sorted(figures, key=lambda figure: figure["command"]):
        text = "\n".join(figure["lines"])
        text = f"```\n{text}\n```" if figure["is_printed"] else text
        parts.append(f"## `{figure['command']}`\n\n{figure['date']}, {figure['machine']}\n\n{text}")
    return "\n\n".join(parts) + "\n"


def write_figures(figures: list[Figure]) -> None:
    """The data file and the page. Strings and lists of JSON are strings and lists of TOML."""
    entries = []
    for figure in figures:
        told = {key: json.dumps(figure[key], ensure_ascii=False) for key in ("command", "machine", "is_printed")}
        lines = "".join(f"    {json.dumps(line, ensure_ascii=False)},\n" for line in figure["lines"])
        told |= {"date": figure["date"], "lines": f"[\n{lines}]"}
        entries.append("[[figure]]\n" + "".join(f"{key} = {told[key]}\n" for key in figure))
    DATA.write_text("\n".join(entries), encoding="utf-8")
    PAGE.write_text(describe_figures(figures), encoding="utf-8")


def run_benchmark(words: str) -> Figure:
    """Run one and show it; what it says on the error stream is not kept."""
    name, *arguments = shlex.split(words)
    done = subprocess.run(
        [sys.executable, "-m", f"tests.benchmarks.{name}", *arguments], stdout=subprocess.PIPE, text=True, check=True
    )
    print(done.stdout, end="")
    today, machine = dt.date.today(), f"{os.cpu_count()} cores"
    said = {"command": RUN + words, "date": today, "machine": machine, "is_printed": True}
    return said | {"lines": done.stdout.splitlines()}


def main(arguments: list[str]) -> None:
    made = [run_benchmark(words) for words in arguments[1:]] if arguments[:1] == ["run"] else []
    commands = {figure["command"] for figure in made}
    write_figures([figure for figure in read_figures() if figure["command"] not in commands] + made)


if __name__ == "__main__":
    main(sys.argv[1:])
