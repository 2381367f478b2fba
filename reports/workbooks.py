"""One workbook for each of the three people: the export tables of their page, and what each column means.

No macros, no formulas, no links: every text is written as text, so nothing in the data can run.
"""

from __future__ import annotations

import datetime as dt
import errno
import multiprocessing
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from reports import style
from shared import dictionary
from shared.dictionary import lineage
from shared.errors import UserError
from shared.store import has_table, open_results, read_model

if TYPE_CHECKING:
    from multiprocessing.connection import Connection

    import duckdb

    from shared.settings import Settings

SHEETS = {
    "replacement": (
        "loop_ranking", "section_ranking", "group_ranking", "programme", "programme_years", "cost_curve",
        "section_options", "budget_curve", "input_sensitivity", "backtest", "first_loops", "count_reconciliation",
        "duplicates_both_ways", "backtest_summary", "calibration_summary", "backtest_calibration", "backtest_money",
        "backtest_money_summary", "forecast_score", "before_after", "ranking_churn", "ranking_sensitivity",
        "watched_half_loops",
        "replacement_figures", "class_survival", "age_rates", "mean_cumulative_failures",
        "mean_cumulative_by_vintage", "installation_years", "attribute_effects", "splice_failures",
    ),
    "restoration": ("restoration_summary", "restoration_stages"),
    "locating": ("velocity_by_class", "instrument_bias", "locating_errors"),
}  # fmt: skip
"""Sheets of each workbook in their order; export tables of the same topic that are not named follow by name."""

TOPICS = {
    "replacement": ("ranking", "investment", "evaluation", "survival"),
    "restoration": ("restoration",),
    "locating": ("locating",),
}
"""Topics whose export tables go into each workbook."""

NO_SHEET = ("loop_strips", "loop_strip_marks", "loop_places")
"""Export tables that are read loop by loop, on the loops' sheets of the page; cut at some loop they answer nothing."""

ROWS_AT_MOST = 2_000
"""Rows of a sheet at most; a spreadsheet is no place for more, and the CSV holds all."""

PATTERNS = ("#,##0", "#,##0.0", "#,##0.00", "#,##0.000", "#,##0.0000")
"""Number formats by their decimals."""

WIDEST = 48
"""Characters of the widest column."""


@dataclass(frozen=True)
class Sheet:
    """An export table as its sheet shows it: the first rows, and how many there are in all."""

    table: dictionary.Table
    shown: pd.DataFrame
    rows: int


@contextmanager
def writing_workbooks(results: Path, settings: Settings, folder: Path) -> Iterator[list[Path]]:
    """Write replacement.xlsx, restoration.xlsx and locating.xlsx, in a process of their own, while the caller works.

    Parameters
    ----------
    results
        The results of the run, read only. A table that is not built has no sheet; the notes say so.
    settings
        general.as_of is set; the currency is printed.
    folder
        Where the workbooks go.

    Returns
    -------
    list of Path
        On leaving, the workbooks written; a fault of the other process is raised.

    Raises
    ------
    UserError
        A workbook cannot be written.

    Notes
    -----
    Same results and settings, same bytes.

    Checked by: tests/unit/test_reports_workbooks.py
    """
    # A fresh process: a forked one would share the open warehouse and the workflow engine's threads.
    processes = multiprocessing.get_context("spawn")
    hearing, telling = processes.Pipe(duplex=False)
    writer = processes.Process(
        target=_write_all, args=(telling, results, settings, folder), daemon=True, name="workbooks"
    )
    writer.start()
    telling.close()
    books: list[Path] = []
    try:
        yield books
        try:
            fault = hearing.recv()
        except EOFError:
            fault = RuntimeError("the process that writes the workbooks ended early")
        if fault is not None:
            raise fault
    finally:
        writer.terminate()
        writer.join()
    books += [folder / f"{person}.xlsx" for person in SHEETS]


def _write_all(telling: Connection, results: Path, settings: Settings, folder: Path) -> None:
    """Write every workbook; tell the fault, or None."""
    told: Exception | None = None
    try:
        with open_results(results) as con:
            for person in SHEETS:
                with _explained(folder / f"{person}.xlsx") as path:
                    write_one(path, person, [_read_sheet(con, table) for table in sheet_tables(person)], settings)
    except Exception as fault:
        told = fault
    with suppress(BrokenPipeError):  # a refresh that was killed hears nothing
        telling.send(told)


@contextmanager
def _explained(path: Path) -> Iterator[Path]:
    """A fault of the disk in the user's words."""
    from xlsxwriter.exceptions import FileCreateError

    try:
        yield path
    except (OSError, FileCreateError) as seen:
        fault = seen if isinstance(seen, OSError) else seen.args[0]
        if fault.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
            raise fault from None  # a full disk is said by the command, for every file alike
        raise UserError(
            f"the workbook cannot be written: {fault.strerror}",
            str(path),
            "close the spreadsheet that holds it, then: loopwear refresh",
        ) from None


def _read_sheet(con: duckdb.DuckDBPyConnection, table: dictionary.Table) -> Sheet:
    if not has_table(con, table.name):
        return Sheet(table, pd.DataFrame(columns=list(table.columns)), 0)
    counted = con.execute(f"select count(*) from {table.name}").fetchone()
    first_by = "rank" if "rank" in table.columns else None
    shown = read_model(con, table.name, first_by=first_by, rows=ROWS_AT_MOST)
    return Sheet(table, shown, counted[0] if counted else 0)


def sheet_tables(person: str) -> list[dictionary.Table]:
    """Export tables of one workbook, in the order of their sheets."""
    exports = dictionary.export_tables()
    named = [stem for stem in SHEETS[person] if stem in exports]
    placed = {stem for sheets in SHEETS.values() for stem in sheets}
    more = sorted(
        stem
        for stem, table in exports.items()
        if stem not in (*placed, *NO_SHEET) and lineage.topic_of(table) in TOPICS[person]
    )
    return [exports[stem] for stem in named + more]


def write_one(path: Path, person: str, sheets: list[Sheet], settings: Settings) -> None:
    """Write one workbook: the notes first, then a sheet a table."""
    import xlsxwriter

    as_of = settings.general.as_of or dt.date(1980, 1, 1)
    options = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False,
               "nan_inf_to_errors": False, "default_date_format": "yyyy-mm-dd"}  # fmt: skip
    with xlsxwriter.Workbook(str(path), options) as book:
        book.set_properties(
            {"title": f"loopwear: {person}", "created": dt.datetime(as_of.year, as_of.month, as_of.day)}
        )
        forms = make_formats(book)
        write_notes(book, forms, person, sheets, settings)
        for sheet in sheets:
            if sheet.rows:
                write_sheet(book, forms, sheet, settings)


def make_formats(book: Any) -> dict[str, Any]:
    """Cell formats by name."""
    face = {"font_name": "Cambria", "font_size": 10, "valign": "top"}
    head = {**face, "bold": True, "text_wrap": True, "bottom": 1, "top": 1, "valign": "bottom"}
    return {
        "text": book.add_format(face), "wrap": book.add_format({**face, "text_wrap": True}),
        "title": book.add_format({**face, "font_size": 15}), "bold": book.add_format({**face, "bold": True}),
        "head": book.add_format(head), "head_right": book.add_format({**head, "align": "right"}),
        "year": book.add_format({**face, "num_format": "0"}),
        "day": book.add_format({**face, "num_format": "yyyy-mm-dd"}),
        "moment": book.add_format({**face, "num_format": "yyyy-mm-dd hh:mm"}),
        **{f"number{n}": book.add_format({**face, "num_format": pattern}) for n, pattern in enumerate(PATTERNS)},
    }  # fmt: skip


def heading_of(column: str, currency: str) -> str:
    """Heading of a column with its unit, as the sheets and the notes write it."""
    unit = "UTC" if dictionary.columns()[column].type == "instant" else style.unit_of(column)
    return style.label_of(column) + (f" [{unit.replace('money', currency)}]" if unit else "")


def write_sheet(book: Any, forms: dict[str, Any], made: Sheet, settings: Settings) -> None:
    """Write one table: headings that stay in view, a filter, widths after the content."""
    table, shown = made.table, made.shown
    sheet = book.add_worksheet(table.stem[:31])
    sheet.freeze_panes(1, 1)
    sheet.autofilter(0, 0, len(shown), len(table.columns) - 1)
    sheet.set_landscape()
    sheet.set_paper(9)
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(0)
    for place, name in enumerate(table.columns):
        kind = dictionary.columns()[name].type
        heading = heading_of(name, settings.general.currency)
        sheet.write_string(0, place, heading, forms["head_right" if kind in ("number", "integer") else "head"])
        longest = write_column(sheet, forms, place, name, kind, shown[name])
        sheet.set_column(place, place, min(WIDEST, max(longest + 2, max(map(len, heading.split(" "))) + 2, 9)))


def write_column(sheet: Any, forms: dict[str, Any], place: int, name: str, kind: str, values: pd.Series) -> int:
    """Write the cells of one column under its heading, missing ones left empty; returns the longest text written."""
    rows = np.arange(1, len(values) + 1)
    if kind in ("number", "integer"):
        numbers = values.to_numpy(dtype=np.float64, na_value=np.nan)
        there = np.isfinite(numbers)
        decimals = style.decimals_of(name)
        form = forms["year" if name in style.CALENDAR_YEARS else f"number{2 if decimals is None else decimals}"]
        for row, number in zip(rows[there].tolist(), numbers[there].tolist(), strict=True):
            sheet.write_number(row, place, number, form)
        ends = (numbers[there].min(), numbers[there].max()) if there.any() else ()
        return max((len(style.number(end, decimals)) for end in ends), default=0)
    there = values.notna().to_numpy()
    cells = list(zip(rows[there].tolist(), values[there].tolist(), strict=True))
    if kind == "boolean":
        for row, value in cells:
            sheet.write_boolean(row, place, bool(value), forms["text"])
        return 0
    if kind in ("date", "instant"):
        for row, value in cells:
            moment = pd.Timestamp(value)
            bare = (moment.tz_convert("UTC").tz_localize(None) if moment.tzinfo else moment).to_pydatetime()
            sheet.write_datetime(row, place, bare, forms["day" if kind == "date" else "moment"])
        return 16 if kind == "instant" else 10
    for row, value in cells:
        sheet.write_string(row, place, str(value), forms["text"])
    return max((len(str(value)) for _, value in cells), default=0)


def write_notes(book: Any, forms: dict[str, Any], person: str, sheets: list[Sheet], settings: Settings) -> None:
    """Write the first sheet: what the workbook stands on, each table's rows and cautions, each column's meaning."""
    sheet = book.add_worksheet("notes")
    sheet.set_column(0, 0, 30)
    sheet.set_column(1, 1, 26)
    sheet.set_column(2, 2, 18)
    sheet.set_column(3, 3, 90)
    sheet.freeze_panes(1, 0)
    coverage, currency = style.percent(settings.general.interval_coverage), settings.general.currency
    stands = (
        f"As of {style.date_words(settings.general.as_of)}. Limits (low, high) cover {coverage} unless said otherwise; "
        f"how each is made is said beside the figures on reports/{person}.html."
    )
    units = (
        f"Times in minutes, lengths in metres or kilometres, money in {currency}. "
        "An empty cell is a value that is not known."
    )
    lines: list[tuple[str, tuple[str, ...]]] = [
        ("title", (f"loopwear: {person}",)), ("text", (stands,)), ("text", (units,)),
    ]  # fmt: skip
    for made in sheets:
        table = made.table
        size = f"{style.counted(made.rows, 'row')}" if made.rows else "no row, so no sheet"
        if made.rows > ROWS_AT_MOST:
            size += f"; the first {ROWS_AT_MOST:,} are here, all are in {table.stem}.csv"
        lines += [("text", ("",)), ("bold", (table.stem, "", "", f"One row is {table.grain}: {size}."))]
        lines += [("wrap", ("", "", "Caution", dictionary.caveats()[key])) for key in table.caveats]
        lines.append(("head", ("Heading", "Column in the CSV", "Unit", "Meaning")))
        for name in table.columns:
            unit = "UTC" if dictionary.columns()[name].type == "instant" else style.unit_of(name)
            cells = (heading_of(name, currency), name, unit.replace("money", currency), table.meaning_of(name))
            lines.append(("wrap", cells))
    for row, (form, texts) in enumerate(lines):
        for place, text in enumerate(texts):
            sheet.write_string(row, place, text, forms[form])
