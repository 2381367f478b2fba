"""One workbook for each of the three people: the export tables of their page, and what each column means.

No macros, no formulas, no links: every text is written as text, so nothing in the data can run. Beside some tables a
chart of the spreadsheet's own stands on their cells, to be taken over into slides.
"""

from __future__ import annotations

import datetime as dt
import errno
import multiprocessing
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from pipelines.maps import list_work_columns
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
        "section_options", "budget_curve", "backtest", "first_loops", "count_reconciliation",
        "duplicates_both_ways", "backtest_summary", "calibration_summary", "backtest_calibration", "backtest_money",
        "backtest_money_summary", "forecast_score", "before_after", "work_done",
        "programme_follow_up", "follow_up_effect", "ranking_churn", "ranking_sensitivity",
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
class Chart:
    """A chart beside a table, drawn by the spreadsheet from cells of the table."""

    title: str
    kind: str
    """limits: marks with a line from the low to the high limit; line, stacked, column, scatter."""
    names: str
    """Column along the foot."""
    values: tuple[str, ...]
    """A series each; those ending in _lo and _hi are limits."""
    where: str = ""
    """Rows that are drawn, as a condition on the columns; empty: all."""
    split: str = ""
    """Column of which each value has series of its own."""
    first: int | None = None
    """Rows drawn at most."""


CHARTS = {
    "loop_ranking": Chart("Failures expected of the first 25 loops", "limits", "loop_id",
        ("expected_failures", "expected_failures_lo", "expected_failures_hi"), first=25),
    "programme_years": Chart("Failures avoided by each year's work", "column", "plan_year", ("avoided_failures",)),
    "cost_curve": Chart("Failures avoided by what is spent", "scatter", "spent", ("avoided_failures",)),
    "budget_curve": Chart("Failures a year by share of the budget", "line", "years_of_plan",
        ("failures_per_year_with",), split="budget_share"),
    "calibration_summary": Chart("Failures expected and observed, by tenth", "limits", "decile",
        ("observed_distinct", "observed_lo", "observed_hi", "expected_distinct"), "decile > 0"),
    "class_survival": Chart("Failure rate by cable class", "limits", "cable_class",
        ("rate_per_100km_year", "rate_lo", "rate_hi")),
    "age_rates": Chart("Failure rate by age", "scatter", "age_from", ("rate_per_100km_year",), split="cable_class"),
    "mean_cumulative_failures": Chart("Failures so far by age", "scatter", "age_years", ("mcf_per_km",),
        split="cable_class"),
    "restoration_summary": Chart("Mean minutes by year", "line", "group_name",
        ("mean_time_to_restore_min", "mean_time_to_restore_lo", "mean_time_to_restore_hi",
         "mean_time_to_locate_min", "mean_time_to_locate_lo", "mean_time_to_locate_hi"), "grouped_by == 'year'"),
    "restoration_stages": Chart("Mean minutes of each stage, by year", "stacked", "group_name", ("mean_min",),
        "grouped_by == 'year' and stage in ('report_to_dispatch', 'dispatch_to_arrive', 'arrive_to_locate', "
        "'locate_to_restore')", "stage"),
    "restoration_trend": Chart("Time to locate by month, with control limits", "line", "reported_month",
        ("mean_min", "centre_min", "lower_min", "upper_min"), "measure == 'time_to_locate'"),
    "velocity_by_class": Chart("Velocity fitted, and the median setting", "limits", "cable_class",
        ("velocity_fitted_pct", "velocity_lo", "velocity_hi", "setting_median_pct")),
    "instrument_bias": Chart("Scale of each instrument", "limits", "instrument_id",
        ("scale", "scale_lo", "scale_hi")),
    "window_coverage": Chart("Share of dig windows along the loop that held the fault", "limits", "window_level",
        ("held_share", "held_lo", "held_hi"), "grouped_by == 'all' and way == 'along_loop'"),
}  # fmt: skip
"""Charts by table, where one answers the question of its sheet."""

KINDS = {
    "limits": {"type": "line"},
    "line": {"type": "line"},
    "column": {"type": "column"},
    "stacked": {"type": "column", "subtype": "stacked"},
    "scatter": {"type": "scatter", "subtype": "straight"},
}
"""Kind of chart as the library names it."""


@dataclass(frozen=True)
class Sheet:
    """An export table as its sheet shows it: the first rows, and how many there are in all."""

    table: dictionary.Table
    shown: pd.DataFrame
    rows: int

    @property
    def drawn(self) -> pd.DataFrame:
        """Rows of the sheet that its chart shows: none where there is no chart, or the rows wanted may be cut off."""
        chart, rows = CHARTS.get(self.table.stem), self.shown.reset_index(drop=True)
        if chart is None:
            return rows.iloc[:0]
        wanted = rows.query(chart.where) if chart.where else rows
        is_cut = self.rows > len(rows) and chart.first is None and wanted.index.max() == rows.index.max()
        return wanted.iloc[: 0 if is_cut else chart.first]

    @property
    def chart_at(self) -> str:
        """The cell at the chart's upper left: under the headings, a column away from the table."""
        from xlsxwriter.utility import xl_rowcol_to_cell

        return str(xl_rowcol_to_cell(1, len(self.table.columns) + 1))


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
    if "grouped_by" in table.columns:  # months, the most rows, come last: what is cut off is theirs
        whole = read_model(con, table.name, first_by=first_by)
        shown = whole.sort_values("grouped_by", key=lambda by: by == "month", kind="stable").head(ROWS_AT_MOST)
    else:
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
    ordered = {"programme": list_work_columns()}
    tables = [exports[stem] for stem in named + more]
    return [replace(table, columns=ordered.get(table.stem, table.columns)) for table in tables]


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
    if not made.drawn.empty:
        sheet.insert_chart(made.chart_at, draw_chart(book, made, settings), {"object_position": 3})


def draw_chart(book: Any, made: Sheet, settings: Settings) -> Any:
    """The chart of a table; every series names the cells it stands on, so that it follows a sorted sheet."""
    chart, columns = CHARTS[made.table.stem], list(made.table.columns)
    drawn = book.add_chart(KINDS[chart.kind])
    parts: list[tuple[Any, pd.DataFrame]] = [("", made.drawn)]
    if chart.split:
        known = list(dictionary.codes().get(dictionary.columns()[chart.split].codes or "", ()))
        parts = list(made.drawn.groupby(chart.split, sort=False))
        parts.sort(key=lambda part: known.index(part[0]) if part[0] in known else 0)
    for place, (value, rows) in enumerate(parts):
        for turn, name in enumerate(chart.values):
            is_limit = name.endswith(("_lo", "_hi"))
            ink = {"color": style.ink_of(place + turn // 3)}
            look: dict[str, Any] = {"fill": ink}
            if chart.kind in ("line", "scatter"):
                dash = "dash" if is_limit else "solid"
                look = {"line": {**ink, "width": 1 if is_limit else 2, "dash_type": dash}, "marker": {"type": "none"}}
            elif chart.kind == "limits":
                shape = "long_dash" if is_limit else "diamond" if turn else "circle"
                look = {"line": {"none": True}, "marker": {"type": shape, "size": 6, "border": ink, "fill": ink}}
            cells = {"categories": chart.names, "values": name}
            for part, column in cells.items():
                look[part] = _cells(made.table.stem, rows.index.to_numpy() + 1, columns.index(column))
                if look[part].startswith("=("):  # the library reads no cells of several ranges itself
                    look[f"{part}_data"] = [None if style.is_missing(v) else v for v in rows[column].tolist()]
            drawn.add_series(look | {"name": style.cell(value, chart.split) if chart.split else style.label_of(name)})
    if chart.kind == "limits":
        drawn.set_high_low_lines({"line": {"color": style.INKS["first"]}})
    face = {"name": "Cambria", "size": 10, "bold": False}
    title = f"{chart.title}, as of {style.date_words(settings.general.as_of)}"
    drawn.set_title({"name": title, "name_font": {**face, "size": 12}})
    for set_axis, name in ((drawn.set_x_axis, chart.names), (drawn.set_y_axis, chart.values[0])):
        heading = heading_of(name, settings.general.currency)
        set_axis({"name": heading, "name_font": face, "num_font": face, "line": {"color": style.INKS["soft"]}})
    drawn.set_legend({"position": "bottom", "font": face})
    drawn.set_size({"width": 760, "height": 440})
    return drawn


def _cells(sheet: str, rows: np.ndarray, column: int) -> str:
    """Cells of a column on some rows, as a chart names them: a run of rows as a range, several in brackets."""
    from xlsxwriter.utility import xl_range_abs

    runs = np.split(rows, np.flatnonzero(np.diff(rows) != 1) + 1)
    named = [f"'{sheet}'!{xl_range_abs(int(run[0]), column, int(run[-1]), column)}" for run in runs]
    return f"={named[0]}" if len(named) == 1 else f"=({','.join(named)})"


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
        if not made.drawn.empty:
            lines.append(
                ("wrap", ("", "", "Chart", f"{CHARTS[table.stem].title}: beside the table, at {made.chart_at}"))
            )
        lines.append(("head", ("Heading", "Column in the CSV", "Unit", "Meaning")))
        for name in table.columns:
            unit = "UTC" if dictionary.columns()[name].type == "instant" else style.unit_of(name)
            cells = (heading_of(name, currency), name, unit.replace("money", currency), table.meaning_of(name))
            lines.append(("wrap", cells))
    for row, (form, texts) in enumerate(lines):
        for place, text in enumerate(texts):
            sheet.write_string(row, place, text, forms[form])
