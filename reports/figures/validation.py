"""Figures of the data quality page."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from reports import style

if TYPE_CHECKING:
    import plotly.graph_objects as go


def chart_rules(counts: pd.DataFrame) -> go.Figure:
    """Findings of each rule, those that keep a row out, take a value out of it and flag it apart.

    Parameters
    ----------
    counts
        rule, severity, findings, in the order they are drawn, top first.

    Notes
    -----
    Checked by: tests/end_to_end/test_reports_browser.py (through write_pages)
    """
    rules = list(dict.fromkeys(counts["rule"]))
    chart = style.new_chart(style.row_height(len(rules), each=24, around=96))
    for severity, name, ink in (
        ("reject", "row kept out", "second"),
        ("empty", "value taken out", "third"),
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
    Checked by: tests/end_to_end/test_reports_browser.py (through write_pages)
    """
    chart = style.new_chart(style.row_height(len(files), each=26, around=96))
    names = files["file"].tolist()
    for column, ink in (("loaded", "first"), ("unchanged", "pale"), ("superseded", "third"), ("quarantined", "second")):
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
    Checked by: tests/end_to_end/test_reports_browser.py (through write_pages)
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


def chart_completeness(by_month: pd.DataFrame) -> go.Figure:
    """Share of jobs that give each field, a row a field and a column a month: the darker, the more.

    Parameters
    ----------
    by_month
        Percent given, one row a month (its index, '2019-04'), one column a field, in the order drawn, top first; a
        month without jobs is missing.

    Notes
    -----
    Checked by: tests/end_to_end/test_reports_browser.py (through write_pages)
    """
    chart = style.new_chart(style.row_height(len(by_month.columns), each=19, around=110))
    given = by_month.rename_axis("month").reset_index().melt("month", var_name="field", value_name="share").dropna()
    chart.add_scatter(
        x=given["month"].tolist(), y=given["field"].tolist(), mode="markers",
        showlegend=False,
        marker={
            "symbol": "line-ns-open", "size": 12, "line": {"width": 1 + max(round(440 / len(by_month)), 1)},
            "color": given["share"].astype(float).round(1).tolist(), "cmin": 0, "cmax": 100, "showscale": True,
            "colorscale": [[0, style.INKS["rule"]], [1, style.INKS["first"]]],
            "colorbar": {"title": {"text": "Given [%]"}, "thickness": 10, "outlinewidth": 0, "len": 0.6, "x": 1.0},
        },
        hovertemplate="%{y}, %{x}: %{marker.color:.0f} % given<extra></extra>",
    )  # fmt: skip
    chart.update_yaxes(categoryorder="array", categoryarray=list(by_month.columns))
    chart.update_yaxes(autorange="reversed", ticks="", showline=False, tickfont={"size": 11})
    chart.update_xaxes(title_text="Month of the report", type="date", tickformat="%Y", showgrid=False)
    return chart


def chart_orphans(counts: pd.DataFrame) -> go.Figure:
    """Share of a year's jobs on sections that are not in the register, with limits.

    Parameters
    ----------
    counts
        reported_year, jobs, orphans, orphan_pct, pct_lo, pct_hi.

    Notes
    -----
    Checked by: tests/end_to_end/test_reports_browser.py (through write_pages)
    """
    chart = style.new_chart(320)
    chart.add_scatter(
        x=counts["reported_year"].tolist(), y=counts["orphan_pct"].tolist(), mode="markers+lines", showlegend=False,
        line={"color": style.INKS["first"], "width": 1}, marker={"color": style.INKS["first"], "size": 7},
        error_y=style.bars_between(counts["orphan_pct"], counts["pct_lo"], counts["pct_hi"]),
        customdata=counts[["orphans", "jobs"]].astype(int).to_numpy().tolist(),
        hovertemplate="%{x}: %{customdata[0]} of %{customdata[1]} jobs<extra></extra>",
    )  # fmt: skip
    chart.update_yaxes(title_text="Not in the register [%]", rangemode="tozero")
    chart.update_xaxes(title_text="Year of the report", tickformat="d")
    return chart


def chart_heaping(rows: pd.DataFrame) -> go.Figure:
    """Share of values at round places with limits, against what chance would put there.

    Parameters
    ----------
    rows
        column, file, heap, heaped_pct, heaped_lo, heaped_hi, by_chance_pct, is_heaped, in the order drawn, top first.

    Notes
    -----
    Checked by: tests/end_to_end/test_reports_browser.py (through write_pages)
    """
    names = [f"{r.column}, {str(r.heap).replace('_', ' ')}<br>{r.file}" for r in rows.itertuples()]
    chart = style.new_chart(style.row_height(len(rows), each=36, around=96))
    chart.add_scatter(
        x=rows["by_chance_pct"].tolist(), y=names, mode="markers", name="by chance",
        marker={"color": style.INKS["pale"], "symbol": "line-ns-open", "size": 12, "line": {"width": 2}},
        hovertemplate="by chance %{x:.1f} %<extra></extra>",
    )  # fmt: skip
    for is_heaped, name, ink, mark in ((True, "more than chance", "second", "circle"), (False, "as chance", "first",
                                                                                       "circle-open")):  # fmt: skip
        part = rows["is_heaped"].astype(bool) == is_heaped
        own = rows[part]
        if own.empty:
            continue
        chart.add_scatter(
            x=own["heaped_pct"].tolist(), y=[n for n, keep in zip(names, part, strict=True) if keep], mode="markers",
            name=name, marker={"color": style.INKS[ink], "symbol": mark, "size": 8},
            error_x=style.bars_between(own["heaped_pct"], own["heaped_lo"], own["heaped_hi"]),
            hovertemplate="%{x:.1f} % of the values<extra></extra>",
        )  # fmt: skip
    chart.update_yaxes(categoryorder="array", categoryarray=names[::-1], ticks="", showline=False,
                       tickfont={"size": 11})  # fmt: skip
    chart.update_xaxes(title_text="Share of the values [%]", rangemode="tozero")
    return chart


def chart_trend(rows: pd.DataFrame) -> go.Figure:
    """Share of rows kept out and flagged, load by load.

    Parameters
    ----------
    rows
        load_id, out_pct, warned_pct, in the order of the loads.

    Notes
    -----
    Checked by: tests/end_to_end/test_reports_browser.py (through write_pages)
    """
    chart = style.new_chart(300)
    for place, (column, name) in enumerate((("out_pct", "kept out"), ("warned_pct", "kept and flagged"))):
        chart.add_scatter(
            x=rows["load_id"].tolist(), y=rows[column].tolist(), mode="markers+lines", name=name,
            line={"color": style.ink_of(place), "dash": style.dash_of(place), "width": 1.6},
            marker={"color": style.ink_of(place), "symbol": style.mark_of(place), "size": 7},
            hovertemplate="%{x}: %{y:.2f} %<extra>" + name + "</extra>",
        )  # fmt: skip
    chart.update_yaxes(title_text="Share of the rows read [%]", rangemode="tozero")
    chart.update_xaxes(title_text="Load")
    return chart


def chart_effects(names: list[str], changes: dict[str, list[float]]) -> go.Figure:
    """How far each answer moves in each version of the records, percent of the answer at present.

    Parameters
    ----------
    names
        Answers, in the order drawn, top first.
    changes
        Version to the change of each answer in percent; missing where it has no answer.

    Notes
    -----
    Checked by: tests/end_to_end/test_reports_browser.py (through write_pages)
    """
    bare = [name.partition(" [")[0] for name in names]
    wrapped = [name.replace(" to ", " to<br>", 1).replace(" of ", " of<br>", 1) for name in bare]
    chart = style.new_chart(style.row_height(len(names), each=38, around=110))
    for place, (version, values) in enumerate(changes.items()):
        chart.add_scatter(
            x=[None if style.is_missing(v) else float(v) for v in values], y=wrapped, mode="markers", name=version,
            marker={"color": style.ink_of(place), "symbol": style.mark_of(place), "size": 8},
            hovertemplate="%{y}: %{x:+.2f} %<extra>" + version + "</extra>",
        )  # fmt: skip
    chart.add_vline(x=0, line={"color": style.INKS["soft"], "width": 1})
    chart.update_yaxes(categoryorder="array", categoryarray=wrapped[::-1], ticks="", showline=False,
                       tickfont={"size": 11})  # fmt: skip
    chart.update_xaxes(title_text="Change of the answer [%]")
    return chart
