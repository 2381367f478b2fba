"""One workbook for each of the three people: the export tables of their page, and what each column means.

No macros, no formulas, no links: every text is written as text, so nothing in the data can run.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from pipelines.warehouse import models
from reports import style
from reports.marts import Marts
from shared import dictionary
from shared.errors import UserError

if TYPE_CHECKING:
    import duckdb

    from shared.settings import Settings

SHEETS = {
    "replacement": (
        "loop_ranking", "section_ranking", "group_ranking", "programme", "programme_years", "programme_curve",
        "money_tornado", "backtest", "backtest_differences", "backtest_calibration", "before_after",
        "watched_half_loops", "loop_churn", "replacement_figures", "class_survival", "age_rates",
        "mean_cumulative_failures",
    ),
    "restoration": ("restoration_summary", "restoration_stages"),
    "locating": ("velocity_by_class", "instrument_bias", "locating_errors"),
}  # fmt: skip
"""Sheets of each workbook in their order; export tables of the same topic that are not named follow by name."""

TOPICS = {
    "replacement": ("replacement", "survival"), "restoration": ("restoration",), "locating": ("locating",),
}  # fmt: skip
"""Topics whose export tables go into each workbook."""

ROWS_AT_MOST = 2_000
"""Rows of a sheet at most; a spreadsheet is no place for more, and the CSV holds all."""

PATTERNS = ("#,##0", "#,##0.0", "#,##0.00", "#,##0.000", "#,##0.0000")
"""Number formats by their decimals."""

WIDEST = 48
"""Characters of the widest column."""


def write_workbooks(con: duckdb.DuckDBPyConnection, settings: Settings, folder: Path) -> list[Path]:
    """Write replacement.xlsx, restoration.xlsx and locating.xlsx.

    Parameters
    ----------
    con
        The warehouse, marts built.
    settings
        general.as_of is set; the currency is printed.
    folder
        Where the workbooks go.

    Returns
    -------
    list of Path
        The workbooks written. A table that is not built has no sheet; the notes say so.

    Raises
    ------
    UserError
        A workbook cannot be written, for instance because a spreadsheet holds it open.

    Notes
    -----
    Same warehouse and settings, same bytes.

    Checked by: tests/unit/test_reports_workbooks.py
    """
    folder.mkdir(parents=True, exist_ok=True)
    marts = Marts(con)
    written = []
    for person in SHEETS:
        path = folder / f"{person}.xlsx"
        unfinished = folder / f".{person}.xlsx.new"
        try:
            write_one(unfinished, person, marts, settings)
            unfinished.replace(path)
        except OSError as fault:
            raise UserError(
                f"the workbook cannot be written: {fault.strerror}", str(path),
                "close the spreadsheet that holds it, then: loopwear refresh",
            ) from None
        written.append(path)
    return written


def sheet_tables(person: str) -> list[dictionary.Table]:
    """Export tables of one workbook, in the order of their sheets."""
    exports = dictionary.export_tables()
    named = [stem for stem in SHEETS[person] if stem in exports]
    placed = {stem for sheets in SHEETS.values() for stem in sheets}
    topics = {model.path.stem: model.path.parent.name for model in models().values()}
    more = sorted(stem for stem in exports if stem not in placed and topics.get(stem) in TOPICS[person])
    return [exports[stem] for stem in named + more]


def write_one(path: Path, person: str, marts: Marts, settings: Settings) -> None:
    """Write one workbook: the notes first, then a sheet a table."""
    import xlsxwriter

    as_of = settings.general.as_of or dt.date(1980, 1, 1)
    options = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False,
               "nan_inf_to_errors": False, "default_date_format": "yyyy-mm-dd"}  # fmt: skip
    with xlsxwriter.Workbook(str(path), options) as book:
        book.set_properties({
            "title": f"loopwear: {person}", "created": dt.datetime(as_of.year, as_of.month, as_of.day),
        })
        forms = make_formats(book)
        tables = [(table, marts.read(table.name)) for table in sheet_tables(person)]
        write_notes(book, forms, person, tables, settings)
        for table, frame in tables:
            if len(frame):
                write_sheet(book, forms, table, frame, settings)


def make_formats(book: Any) -> dict[str, Any]:
    """Cell formats by name."""
    face = {"font_name": "Cambria", "font_size": 10, "valign": "top"}
    head = {**face, "bold": True, "text_wrap": True, "bottom": 1, "top": 1, "valign": "bottom"}
    return {
        "text": book.add_format(face), "wrap": book.add_format({**face, "text_wrap": True}),
        "title": book.add_format({**face, "font_size": 15}), "bold": book.add_format({**face, "bold": True}),
        "head": book.add_format(head), "head_right": book.add_format({**head, "align": "right"}),
        "day": book.add_format({**face, "num_format": "yyyy-mm-dd"}),
        "moment": book.add_format({**face, "num_format": "yyyy-mm-dd hh:mm"}),
        **{f"number{n}": book.add_format({**face, "num_format": pattern}) for n, pattern in enumerate(PATTERNS)},
    }  # fmt: skip


def heading_of(column: str, currency: str) -> str:
    """Heading of a column with its unit, as the sheets and the notes write it."""
    unit = "UTC" if dictionary.columns()[column].type == "instant" else style.unit_of(column)
    return style.label_of(column) + (f" [{unit.replace('money', currency)}]" if unit else "")


def write_sheet(
    book: Any, forms: dict[str, Any], table: dictionary.Table, frame: pd.DataFrame, settings: Settings,
) -> None:
    """Write one table: headings that stay in view, a filter, widths after the content."""
    sheet = book.add_worksheet(table.stem[:31])
    shown = frame.head(ROWS_AT_MOST)
    if "rank" in shown.columns:
        shown = frame.sort_values(["rank", *table.key]).head(ROWS_AT_MOST)
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
        longest = write_column(sheet, forms, place, name, kind, shown[name].tolist())
        sheet.set_column(place, place, min(WIDEST, max(longest + 2, max(map(len, heading.split(" "))) + 2, 9)))


def write_column(sheet: Any, forms: dict[str, Any], place: int, name: str, kind: str, values: list[Any]) -> int:
    """Write the cells of one column under its heading; returns the longest text written."""
    decimals = style.decimals_of(name)
    longest = 0
    for row, value in enumerate(values, start=1):
        if style.is_missing(value):
            continue
        if kind in ("number", "integer"):
            if style.finite(value):
                sheet.write_number(row, place, float(value), forms[f"number{2 if decimals is None else decimals}"])
                longest = max(longest, len(style.number(value, decimals)))
        elif kind == "boolean":
            sheet.write_boolean(row, place, bool(value), forms["text"])
        elif kind in ("date", "instant"):
            moment = pd.Timestamp(value)
            bare = (moment.tz_convert("UTC").tz_localize(None) if moment.tzinfo else moment).to_pydatetime()
            sheet.write_datetime(row, place, bare, forms["day" if kind == "date" else "moment"])
            longest = 16 if kind == "instant" else 10
        else:
            sheet.write_string(row, place, str(value), forms["text"])
            longest = max(longest, len(str(value)))
    return longest


def write_notes(
    book: Any,
    forms: dict[str, Any],
    person: str,
    tables: list[tuple[dictionary.Table, pd.DataFrame]],
    settings: Settings,
) -> None:
    """Write the first sheet: what the workbook stands on, each table's rows and cautions, each column's meaning."""
    sheet = book.add_worksheet("notes")
    sheet.set_column(0, 0, 30)
    sheet.set_column(1, 1, 26)
    sheet.set_column(2, 2, 18)
    sheet.set_column(3, 3, 90)
    sheet.freeze_panes(1, 0)
    level, currency = style.percent(settings.general.interval_level), settings.general.currency
    stands = (
        f"As of {style.date_words(settings.general.as_of)}. Limits (low, high) cover {level} unless said otherwise; "
        f"how each is made stands beside the figures on reports/{person}.html."
    )
    units = (
        f"Times in minutes, lengths in metres or kilometres, money in {currency}. "
        "An empty cell is a value that is not known."
    )
    lines: list[tuple[str, tuple[str, ...]]] = [
        ("title", (f"loopwear: {person}",)), ("text", (stands,)), ("text", (units,)),
    ]  # fmt: skip
    for table, frame in tables:
        size = f"{style.counted(len(frame), 'row')}" if len(frame) else "no row, so no sheet"
        if len(frame) > ROWS_AT_MOST:
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
