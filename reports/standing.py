"""Writes the standing pages: those of everything, sheets of the first loops and all instruments, every field card."""

import itertools
from dataclasses import replace
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd

from reports import changes
from reports import page as shell
from reports.choice import EVERYTHING, read_choice, to_query
from reports.links import NOWHERE, sheet_file
from reports.pages import pick
from reports.pages.brief import NO_SCENARIOS
from reports.pages.card import make_cards
from reports.pages.card import render as render_card
from reports.render import PAGES, REFERENCES, frame_of, render, render_pick, render_sheet
from reports.results import Results

LOOPS = 25
"""First loops of the ranking that have a standing sheet; browse and `loopwear sheet` have every other."""


def write_reports(results: Results, folder: Path, before: Path) -> list[Path]:
    """Write every standing page and sheet, and the files they share.

    Parameters
    ----------
    results
        The results of the run.
    folder
        Where the pages go.
    before
        Folder of the pages published before, for what changed since.

    Returns
    -------
    list of Path
        Files written, in the order of the navigation, the shared ones last.

    Notes
    -----
    Same results, same bytes.

    Checked by: tests/unit/test_reports_standing.py
    """
    now = changes.key_figures(results.whole, results.settings)
    last, kept = changes.remember(before, now)
    sheets = standing_sheets(results)
    cards = make_cards(results, results.known.districts)
    pages = [name for name, _ in (*PAGES, ("card", ""), *REFERENCES)]
    written = (
        (f"{name}.html" for name in pages),
        (sheet_file(*sheet) for sheet in sheets),
        (card.file for card in cards),
    )
    links = replace(NOWHERE, files=frozenset(itertools.chain(*written)))
    about: dict[str, Any] = {"index": {"changes": changes.in_words(last, now)}, "card": {"made": cards}}
    made = {f"{name}.html": render(results, name, EVERYTHING, links, **about.get(name, {})) for name in pages}
    made |= {sheet_file(*sheet): render_sheet(results, *sheet, links) for sheet in sheets}
    made |= {card.file: render_card(card, frame_of(results, EVERYTHING, links)) for card in cards}
    return [*_keep(folder, made | {changes.FILE: kept}), *(folder / name for name in shell.shared_files())]


def standing_sheets(results: Results) -> list[tuple[str, str]]:
    """The sheets that every refresh writes, by kind and id."""
    loops = results.whole.select("marts.loop_ranking", by="rank", rows=LOOPS)[0]["loop_id"]
    named = [ident for ident, kind in results.ids.items() if kind == "instrument"]
    of_instruments = [(kind, name) for name in named for kind in ("instrument", "proposal")]
    return [("loop", loop) for loop in loops if loop in results.ids] + of_instruments


LED_TO = {"brief": ("appendix", "replacement", "data_quality", "settings")}
"""Pages that are written beside one whose numbers lead to them."""


def write_pages(
    results: Results, folder: Path, wanted: list[tuple[str, str]], scenarios: Path | None = None
) -> list[Path]:
    """Write pages of choices, each a name and a query, with what they lead to and share; returns the pages.

    Parameters
    ----------
    scenarios
        Folder of the scenarios compared, for the brief and its appendix.
    """
    made, compared = {}, {"scenarios": read_comparisons(scenarios, results.run)} if scenarios else {}
    about = dict.fromkeys(("brief", "appendix"), compared)
    for name, query in wanted:
        if name == "pick":
            asked = pick.read_asked(query)
            made[f"{asked.stem}.html"] = render_pick(results, asked)
            continue
        choice = read_choice(query, results.known)
        told = to_query(choice).replace("&", "_").replace("%", "-")
        beside = LED_TO.get(name, ())
        links = replace(NOWHERE, files=frozenset(f"{one}.html" for one in (name, *beside) if beside))
        made[f"{name}-{told}.html" if told else f"{name}.html"] = render(
            results, name, choice, links, **about.get(name, {})
        )
        led_to = {f"{one}.html": render(results, one, EVERYTHING, links, **about.get(one, {})) for one in beside}
        _keep(folder, led_to)
    return _keep(folder, made)


def read_comparisons(folder: Path, run: str) -> pd.DataFrame:
    """Rows of every scenario_comparison under a folder that was made of a run; none: nothing was compared with it.

    Checked by: tests/end_to_end/test_brief.py
    """
    found = []
    with duckdb.connect() as con:
        for file in sorted(folder.glob("*/scenario_comparison.parquet")):
            of_run = con.execute(
                "select decode(value) from parquet_kv_metadata(?) where decode(key) = 'run'", [str(file)]
            )
            if of_run.fetchall() == [(run,)]:
                found.append(con.execute("select * from read_parquet(?)", [str(file)]).df())
    return pd.concat([NO_SCENARIOS, *found], ignore_index=True) if found else NO_SCENARIOS


def write_sheets(results: Results, folder: Path, wanted: list[tuple[str, str]]) -> list[Path]:
    """Write sheets, each a kind and an id, and the files they share; a sheet links to those written with it."""
    links = replace(NOWHERE, files=frozenset(sheet_file(*sheet) for sheet in wanted))
    return _keep(folder, {sheet_file(*sheet): render_sheet(results, *sheet, links) for sheet in wanted})


def _keep(folder: Path, pages: dict[str, str]) -> list[Path]:
    """Write pages and, beside them, the scripts and the style that they share; returns the pages."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, content in ({name: text.encode() for name, text in pages.items()} | shell.shared_files()).items():
        (folder / name).write_bytes(content)
    return [folder / name for name in pages]
