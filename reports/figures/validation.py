"""Figures of the data quality page."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from reports import style

if TYPE_CHECKING:
    import plotly.graph_objects as go


def chart_rules(counts: pd.DataFrame) -> go.Figure:
    """Findings of each rule, those that keep a row out apart from those that flag it.

    Parameters
    ----------
    counts
        rule, severity, findings, in the order they are drawn, top first.

    Notes
    -----
    Checked by: tests/end_to_end/test_reports_browser.py
    """
    rules = list(dict.fromkeys(counts["rule"]))
    chart = style.new_chart(style.row_height(len(rules), each=24, around=96))
    for severity, name, ink in (
        ("reject", "row kept out", "second"),
        ("warn", "row kept and flagged", "fourth"),
    ):
        rows = counts[counts["severity"] == severity]
        chart.add_bar(
            x=rows["findings"].tolist(),
            y=rows["rule"].tolist(),
            orientation="h",
            name=name,
            marker={"color": style.INKS[ink]},
            hovertemplate="%{y}: %{x} findings<extra>" + name + "</extra>",
        )
    chart.update_layout(barmode="stack", bargap=0.35)
    chart.update_yaxes(categoryorder="array", categoryarray=rules[::-1], ticks="", showline=False)
    chart.update_xaxes(title_text="Findings", rangemode="tozero")
    return chart


def chart_files(files: pd.DataFrame) -> go.Figure:
    """Rows of every file by what became of them.

    Parameters
    ----------
    files
        file, loaded, unchanged, superseded, quarantined, in the order they are drawn, top first.

    Notes
    -----
    Checked by: tests/end_to_end/test_reports_browser.py
    """
    chart = style.new_chart(style.row_height(len(files), each=26, around=96))
    names = files["file"].tolist()
    for column, ink in (
        ("loaded", "first"),
        ("unchanged", "pale"),
        ("superseded", "third"),
        ("quarantined", "second"),
    ):
        chart.add_bar(
            x=files[column].tolist(),
            y=names,
            orientation="h",
            name=column,
            marker={"color": style.INKS[ink]},
            hovertemplate="%{y}<br>%{x} rows " + column + "<extra></extra>",
        )
    chart.update_layout(barmode="stack", bargap=0.35)
    chart.update_yaxes(categoryorder="array", categoryarray=names[::-1], ticks="", showline=False)
    chart.update_xaxes(title_text="Rows of the file", rangemode="tozero")
    return chart


def chart_gaps(gaps: pd.DataFrame) -> go.Figure:
    """Share of rows without a wanted value, a line of text a column.

    Parameters
    ----------
    gaps
        name (table and column), share missing between 0 and 1, in the order they are drawn, top first.

    Notes
    -----
    Checked by: tests/end_to_end/test_reports_browser.py
    """
    chart = style.new_chart(style.row_height(len(gaps), each=24, around=80))
    chart.add_bar(
        x=(100 * gaps["share"]).tolist(),
        y=gaps["name"].tolist(),
        orientation="h",
        showlegend=False,
        marker={"color": style.INKS["first"]},
        hovertemplate="%{y}: %{x:.1f} % missing<extra></extra>",
    )
    chart.update_layout(bargap=0.4)
    chart.update_yaxes(autorange="reversed", ticks="", showline=False)
    chart.update_xaxes(title_text="Rows without it [%]", rangemode="tozero")
    return chart
