"""Figures of where customer-minutes pass and what would save them."""

from __future__ import annotations

from typing import TYPE_CHECKING
from urllib.parse import quote

import pandas as pd

from reports import style
from reports.links import jobs_of

if TYPE_CHECKING:
    import plotly.graph_objects as go

PARTS = ("report_to_dispatch", "dispatch_to_arrive", "arrive_to_locate", "locate_to_restore", "unsplit")
"""Parts of the customer-minutes, in order of time."""

PART_NAMES = {
    "report_to_dispatch": "before dispatch",
    "dispatch_to_arrive": "travel",
    "arrive_to_locate": "finding the section",
    "locate_to_restore": "section found, not yet back",
    "unsplit": "unknown",
}

PART_INKS = ("pale", "fourth", "first", "third", "rule")
PART_PATTERNS = ("", ".", "", "/", "x")
"""Finding is the one dark, plain part; the others differ in lightness and pattern, in grey print too."""


def behind(rows: pd.DataFrame) -> list[str | None]:
    """Tokens of the jobs of each group."""
    return [jobs_of(grouping, name) for grouping, name in zip(rows["grouped_by"], rows["group_name"], strict=True)]


def chart_waterfall(waterfall: pd.DataFrame, names: dict[str, str]) -> go.Figure:
    """Shares of the customer-minutes by stage, one bar a group.

    Parameters
    ----------
    waterfall
        Rows of restoration_waterfall: group_name, part, share_of_minutes, customer_minutes.
    names
        Group name -> words beside its bar, in the order drawn, top first.

    Notes
    -----
    Checked by: tests/unit/test_reports_restoration.py
    """
    chart = style.new_chart(style.row_height(len(names), each=46, around=110))
    table = waterfall.pivot_table(index="group_name", columns="part", values="share_of_minutes").reindex(list(names))
    for part, ink, pattern in zip(PARTS, PART_INKS, PART_PATTERNS, strict=True):
        if part not in table or not (table[part] > 0.001).any():
            continue
        shares = table[part].fillna(0.0)
        chart.add_bar(
            x=(100 * shares).tolist(),
            y=list(names.values()),
            orientation="h",
            name=PART_NAMES[part],
            width=0.62,
            meta={"to": [f"jobs?loop_size={quote(size)}&by=-customer_minutes" for size in names]},
            marker={
                "color": style.INKS[ink],
                "line": {"color": style.INKS["paper"], "width": 1},
                "pattern": {
                    "shape": pattern,
                    "fillmode": "overlay",
                    "fgcolor": style.INKS["paper"],
                    "size": 6,
                    "solidity": 0.25,
                },
            },
            text=[style.percent(s) if part == "arrive_to_locate" else "" for s in shares],
            textposition="inside",
            insidetextanchor="middle",
            textfont={"color": style.INKS["paper"]},
            hovertemplate="%{y}<br>" + PART_NAMES[part] + " %{x:.0f} % of the minutes<extra></extra>",
        )
    chart.update_layout(barmode="stack", legend={"traceorder": "normal"})
    chart.update_yaxes(autorange="reversed", showgrid=False, ticks="", showline=False)
    chart.update_xaxes(title_text="Share of minutes [%]", range=[0, 100])
    return chart


CLOCK_NAMES = {"customer_clock": "Customer", "crew_clock": "Crew", "asset_clock": "Cable"}


def chart_clocks(clocks: pd.DataFrame) -> go.Figure:
    """Median with limits and 90th percentile of each clock, loops and radials apart, in hours.

    Parameters
    ----------
    clocks
        Rows of restoration_clocks: stage, group_name (loop, radial), median_min, median_lo, median_hi, p90_min.

    Notes
    -----
    A log axis, since the clocks run from hours to weeks.

    Checked by: tests/unit/test_reports_restoration.py (through restoration.build)
    """
    chart = style.new_chart(style.row_height(2 * len(CLOCK_NAMES), each=40, around=104))
    for place, group in enumerate(("loop", "radial")):
        rows = clocks[clocks["group_name"] == group].set_index("stage").reindex(list(CLOCK_NAMES))
        rows = rows.dropna(subset=["mean_min"])
        labels = [f"{CLOCK_NAMES[str(stage)]}, {group}s" for stage in rows.index]
        median = rows["median_min"] / 60
        chart.add_scatter(
            x=median.tolist(),
            y=labels,
            mode="markers",
            meta={"to": [jobs_of("configuration", group)] * len(rows)},
            name=f"{group}s, median",
            marker={"symbol": style.mark_of(place), "size": 10, "color": style.ink_of(place)},
            error_x=style.bars_between(median, rows["median_lo"] / 60, rows["median_hi"] / 60),
            hovertemplate="%{y}<br>half within %{x:.1f} h<extra></extra>",
        )
        chart.add_scatter(
            x=(rows["p90_min"] / 60).tolist(),
            y=labels,
            mode="markers",
            meta={"to": [jobs_of("configuration", group)] * len(rows)},
            name=f"{group}s, 90th percentile",
            marker={"symbol": "line-ns-open", "size": 12, "color": style.ink_of(place), "line": {"width": 2}},
            hovertemplate="%{y}<br>nine of ten within %{x:.1f} h<extra></extra>",
        )
    chart.update_yaxes(
        autorange="reversed",
        ticks="",
        showline=False,
        categoryorder="array",
        categoryarray=[f"{name}, {group}s" for name in CLOCK_NAMES.values() for group in ("loop", "radial")],
    )
    chart.update_xaxes(title_text="Hours, log scale [h]", type="log", tickvals=[1, 3, 10, 30, 100, 300, 1000])
    return chart


def chart_naive(naive: pd.DataFrame, names: dict[str, str]) -> go.Figure:
    """Customer-minutes a job from the steps, and with everyone out until the last, one pair a group.

    Parameters
    ----------
    naive
        Rows of restoration_naive of one grouping.
    names
        Group name -> words, in the order drawn.

    Notes
    -----
    Checked by: tests/unit/test_reports_restoration.py (through restoration.build)
    """
    rows = naive.set_index("group_name").reindex(list(names)).dropna(subset=["customer_minutes"])
    labels = [names[str(name)] for name in rows.index]
    chart = style.new_chart(style.row_height(len(rows), each=52, around=104))
    for place, (column, name) in enumerate(
        (("customer_minutes", "from the steps"), ("customer_minutes_naive", "everyone out until the last"))
    ):
        chart.add_bar(
            x=(rows[column] / rows["jobs"]).tolist(),
            y=labels,
            orientation="h",
            name=name,
            meta={"to": [jobs_of("loop_size", name) for name in rows.index]},
            width=0.34,
            offset=-0.36 + 0.36 * place,
            marker={
                "color": style.INKS[("first", "pale")[place]],
                "pattern": {
                    "shape": ("", "/")[place],
                    "fillmode": "overlay",
                    "fgcolor": style.INKS["paper"],
                    "size": 6,
                },
            },
            hovertemplate="%{y}<br>%{x:,.0f} customer-minutes a job, " + name + "<extra></extra>",
        )
    chart.update_yaxes(autorange="reversed", showgrid=False, ticks="", showline=False)
    chart.update_xaxes(title_text="A job [customer-min]", rangemode="tozero")
    return chart


def chart_savings(what_if: pd.DataFrame, names: dict[str, str]) -> go.Figure:
    """Customer-minutes a year each lever would have saved, with limits, and what of them the levers above leave.

    Parameters
    ----------
    what_if
        Rows of restoration_what_if of all jobs, one a lever: saved_per_year, saved_lo, saved_hi and
        added_customer_minutes (of the whole span), saved_customer_minutes.
    names
        Lever -> words beside its bar, in the order drawn.

    Notes
    -----
    Checked by: tests/unit/test_reports_restoration.py (through restoration.build)
    """
    rows = what_if.set_index("lever").reindex(list(names)).dropna(subset=["saved_per_year"])
    labels = [names[str(lever)] for lever in rows.index]
    scale = (rows["saved_per_year"] / rows["saved_customer_minutes"]).fillna(0.0)
    chart = style.new_chart(style.row_height(len(rows), each=44, around=104))
    chart.add_bar(
        x=rows["saved_per_year"].tolist(),
        y=labels,
        orientation="h",
        name="alone, with limits",
        width=0.46,
        marker={"color": style.INKS["first"]},
        error_x={
            **style.bars_between(rows["saved_per_year"], rows["saved_lo"] * scale, rows["saved_hi"] * scale),
            "color": style.INKS["second"],
            "thickness": 2,
        },
        customdata=(100 * rows["saved_share"]).tolist(),
        hovertemplate="%{y}<br>%{x:,.0f} customer-minutes a year, %{customdata:.0f} % of all<extra></extra>",
    )
    chart.add_scatter(
        x=(rows["added_customer_minutes"] * scale).tolist(),
        y=labels,
        mode="markers",
        name="on top of the levers above it",
        marker={
            "symbol": "diamond",
            "size": 11,
            "color": style.INKS["third"],
            "line": {"width": 1, "color": style.INKS["paper"]},
        },
        hovertemplate="%{y}<br>%{x:,.0f} customer-minutes a year on top of those above<extra></extra>",
    )
    chart.update_yaxes(autorange="reversed", showgrid=False, ticks="", showline=False)
    chart.update_xaxes(title_text="Saved a year [customer-min]", rangemode="tozero")
    return chart


def chart_search(search: pd.DataFrame) -> go.Figure:
    """Tests used and the least that halving needs, a line between them for each group.

    Parameters
    ----------
    search
        Rows of restoration_search of one grouping, in the order drawn.

    Notes
    -----
    Checked by: tests/unit/test_reports_restoration.py (through restoration.build)
    """
    groups = search["group_name"].str.replace("_", " ")
    names = [f"{group} ({jobs:,})" for group, jobs in zip(groups, search["jobs"], strict=True)]
    chart = style.new_chart(style.row_height(len(search), each=38, around=100))
    least = search["mean_least_tests"]
    style.add_spans(chart, least, search["mean_tests"], names, "pale", 2)
    chart.add_scatter(
        x=least.tolist(),
        y=names,
        mode="markers",
        name="least by halving",
        marker={"symbol": "diamond-open", "size": 11, "color": style.INKS["third"], "line": {"width": 2}},
        hovertemplate="%{y}<br>%{x:.2f} tests would do<extra></extra>",
    )
    chart.add_scatter(
        x=search["mean_tests"].tolist(),
        y=names,
        mode="markers",
        meta={"to": behind(search)},
        name="used, with the limits of the excess",
        marker={"symbol": "circle", "size": 10, "color": style.INKS["first"]},
        error_x=style.bars_between(search["mean_tests"], least + search["excess_lo"], least + search["excess_hi"]),
        hovertemplate="%{y}<br>%{x:.2f} tests used<extra></extra>",
    )
    chart.update_yaxes(autorange="reversed", ticks="", showline=False)
    chart.update_xaxes(title_text="Tests a job, on average", rangemode="tozero")
    return chart


def chart_abnormal(abnormal: pd.DataFrame) -> go.Figure:
    """Days from the report to normal switching: median, mean with limits and 90th percentile of each group.

    Parameters
    ----------
    abnormal
        Rows of restoration_abnormal of one grouping, in the order drawn.

    Notes
    -----
    Checked by: tests/unit/test_reports_restoration.py (through restoration.build)
    """
    names = [f"{group} ({jobs:,})" for group, jobs in zip(abnormal["group_name"], abnormal["jobs"], strict=True)]
    chart = style.new_chart(style.row_height(len(abnormal), each=38, around=100))
    for column, name, mark, ink in (
        ("median_days", "median", "diamond-open", "fourth"),
        ("mean_days", "mean with limits", "circle", "first"),
        ("p90_days", "90th percentile", "line-ns-open", "second"),
    ):
        bars = None
        if column == "mean_days":
            bars = style.bars_between(abnormal["mean_days"], abnormal["mean_days_lo"], abnormal["mean_days_hi"])
        chart.add_scatter(
            x=abnormal[column].tolist(),
            y=names,
            mode="markers",
            name=name,
            meta={"to": behind(abnormal)},
            error_x=bars,
            marker={"symbol": mark, "size": 10, "color": style.INKS[ink], "line": {"width": 2}},
            hovertemplate="%{y}<br>" + name + " %{x:.1f} days<extra></extra>",
        )
    chart.update_yaxes(autorange="reversed", ticks="", showline=False)
    chart.update_xaxes(title_text="Days away from normal", rangemode="tozero")
    return chart
