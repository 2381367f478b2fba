"""Reviews of months, kept as they were given out: each edition is a page, its PDF, and the figures that it stated.

reviews/2025-11/              all districts, compared with the month before
reviews/2025-11-OB/           one district
    review.html, review.json, review.pdf
    review-2.html, ...        an edition after later records changed the first; no edition is written over
"""

from __future__ import annotations

import datetime as dt
import json
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from reports import page as shell
from reports import style
from reports.choice import Choice, compared_with, read_span
from reports.links import NOWHERE
from reports.pages.review import FIGURES, build, figures_of, say
from reports.render import frame_of
from reports.results import Results
from shared.errors import UserError, suggest_name

NAME = re.compile(r"review(?:-(\d+))?\.json", re.ASCII)


@dataclass(frozen=True)
class Written:
    """What a review came to.

    Parameters
    ----------
    page
        The newest edition.
    is_new
        It was written now; else it is one kept from before.
    is_behind
        The results are newer than the edition kept.
    changed
        What later records changed of reviews kept, a sentence each.
    """

    page: Path
    is_new: bool
    is_behind: bool
    changed: tuple[str, ...]


def read_month(month: str, districts: list[str], compare: str, results: Results) -> Choice:
    """The choice of a review, held to the data.

    Raises
    ------
    UserError
        It is no month, it lies ahead, the district is unknown, or the comparison cannot be read.
    """
    if re.fullmatch(r"\d{4}-(0[1-9]|1[0-2])", month, re.ASCII) is None:
        raise UserError(f"'{month}' is no month", "--month", "write a year and a month: 2025-11")
    for name in districts:
        if name not in results.known.districts:
            raise UserError(f"unknown district '{name}'", "--district", suggest_name(name, results.known.districts))
    first, last = read_span(month, "--month")
    if first > results.known.last:
        until = style.date_words(results.known.last)
        remedy = f"the results are as of {until}: load later jobs, then refresh"
        raise UserError(f"{month} lies ahead", "--month", remedy)
    choice = Choice(tuple(sorted(set(districts))), first, last, against=compare)
    try:
        compared_with(choice, results.known)
    except UserError as fault:
        raise UserError(fault.what, "--compare", fault.remedy) from None
    return choice


def write_review(results: Results, home: Path, choice: Choice, *, again: bool = False) -> Written:
    """Write the review of a month, or find the one that is kept.

    Parameters
    ----------
    home
        Folder of all reviews.
    choice
        The month, by read_month.
    again
        Write another edition where the results are newer than the one kept.

    Raises
    ------
    UserError
        No job of the month is on file.

    Notes
    -----
    Same results and same reviews kept, same bytes.

    Checked by: tests/end_to_end/test_review.py
    """
    assert choice.first is not None
    jobs = results.marts(Choice(districts=choice.districts)).read("marts.closed_jobs")
    if not (jobs["reported_month"] == pd.Timestamp(choice.first)).any():
        known = results.known
        raise UserError(
            f"no closed job of {choice.first:%B %Y} is on file",
            "--month, --district" if choice.districts else "--month",
            f"reports run from {known.first} to {known.last}; load its jobs, see loopwear quarantine, refresh",
        )
    name = "-".join([f"{choice.first:%Y-%m}", *choice.districts])
    folder = home / (name if choice.against == "previous" else f"{name}-against-{choice.against}")
    kept = editions(folder)
    changed = tuple(changes(results, home))
    if kept and (kept[-1][1]["run"] == results.run or not again):
        return Written(kept[-1][0], False, kept[-1][1]["run"] != results.run, changed)
    (content, figures), frame = build(results, choice, jobs), frame_of(results, choice, NOWHERE)
    number = len(kept) + 1
    about = {"number": number, "before": [facts["as_of"] for _, facts in kept]}
    text = shell.templates().get_template("review.html").render(frame=frame, edition=about, changed=changed, **content)
    stated = {
        "month": f"{choice.first:%Y-%m}",
        "districts": list(choice.districts),
        "against": choice.against,
        "as_of": str(results.known.last),
        "run": results.run,
        "figures": figures,
    }
    folder.mkdir(parents=True, exist_ok=True)
    page = folder / f"review{f'-{number}' if kept else ''}.html"
    page.write_text(text, encoding="utf-8")
    page.with_suffix(".json").write_text(json.dumps(stated, indent=1) + "\n", encoding="utf-8")
    return Written(page, True, False, changed)


def editions(folder: Path) -> list[tuple[Path, dict[str, Any]]]:
    """The pages kept of a month, the first first, each with what it stated."""
    found = [(int(match[1] or 1), file) for file in folder.glob("*.json") if (match := NAME.fullmatch(file.name))]
    return [(file.with_suffix(".html"), json.loads(file.read_text(encoding="utf-8"))) for _, file in sorted(found)]


def changes(results: Results, home: Path) -> list[str]:
    """What later records changed of the newest edition of every review kept: figure, then, now."""
    said = []
    for folder in sorted(path for path in home.glob("*") if path.is_dir()):
        for _, facts in editions(folder)[-1:]:
            districts = tuple(facts["districts"])
            if facts["run"] == results.run or not set(districts) <= set(results.known.districts):
                continue
            jobs = results.marts(Choice(districts=districts)).read("marts.closed_jobs")
            now = figures_of(jobs[jobs["reported_month"] == pd.Timestamp(f"{facts['month']}-01")])
            moved = [
                say(
                    "changed.figure",
                    name=words.partition(",")[0].lower() if decimals == 0 else words.lower(),
                    then=style.number(facts["figures"].get(name), decimals),
                    now=style.number(now[name], decimals),
                )
                for name, (words, decimals) in FIGURES.items()
                if name in facts["figures"] and facts["figures"][name] != now[name]
            ]
            if moved:
                month = dt.date.fromisoformat(f"{facts['month']}-01")
                said.append(
                    say(
                        "changed.said",
                        month=f"{month:%B %Y}",
                        population=", ".join(districts) or "all districts",
                        as_of=dt.date.fromisoformat(facts["as_of"]),
                        listed="; ".join(moved),
                    )
                )
    return said
