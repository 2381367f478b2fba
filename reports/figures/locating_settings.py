"""Figures of the locating page: settings in use and proposed, drift in time, coverage of dig windows."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from reports import style
from reports.figures.density import outline

if TYPE_CHECKING:
    import plotly.graph_objects as go


def chart_proposals(proposals: pd.DataFrame) -> go.Figure:
    """Setting in use beside the setting proposed, a line of text an instrument and class.

    Parameters
    ----------
    proposals
        Rows of setting_proposals in the order they are drawn, top first, with `pair`, the words of the axis.

    Notes
    -----
    Checked by: tests/unit/test_locating_page.py
    """
    chart = style.new_chart(style.row_height(len(proposals), each=30, around=110))
    names = proposals["pair"].tolist()
    proposed = proposals["setting_proposed_pct"]
    style.add_spans(chart, proposals["setting_median_pct"], proposed, names, "rule", 5)
    chart.add_scatter(
        x=proposed.tolist(),
        y=names,
        mode="markers",
        name="proposed, with limits",
        marker={"symbol": "diamond", "size": 9, "color": style.INKS["first"]},
        error_x=style.bars_between(proposed, proposals["setting_proposed_lo"], proposals["setting_proposed_hi"]),
        customdata=proposals["digs"].tolist(),
        hovertemplate="%{y}<br>proposed %{x:.2f} % of c, %{customdata} digs<extra></extra>",
    )
    chart.add_scatter(
        x=proposals["setting_median_pct"].tolist(),
        y=names,
        mode="markers",
        name="in use (median)",
        marker={"symbol": "square-open", "size": 10, "color": style.INKS["second"], "line": {"width": 2}},
        customdata=proposals["reads_long_pct"].tolist(),
        hovertemplate="%{y}<br>in use %{x:.2f} % of c, reads %{customdata:+.1f} %<extra></extra>",
    )
    chart.update_yaxes(autorange="reversed", ticks="", showline=False)
    chart.update_xaxes(title_text="Velocity setting [% of c]")
    return chart


def chart_drift(chart_rows: pd.DataFrame, drift: pd.DataFrame) -> go.Figure:
    """Moving average of each charted instrument in time, with its limits.

    Parameters
    ----------
    chart_rows
        Rows of drift_chart of the instruments to be drawn.
    drift
        Rows of instrument_drift of the same instruments.

    Notes
    -----
    The limits are those of a settled chart: the first readings have narrower ones (exports/drift_chart.csv).

    Checked by: tests/unit/test_locating_page.py
    """
    chart = style.new_chart(400)
    for place, (instrument, readings) in enumerate(chart_rows.groupby("instrument_id", sort=True)):
        rows = outline(readings, "ewma")
        chart.add_scatter(
            x=[f"{at:%Y-%m-%d}" for at in rows["read_at"]],
            y=[round(v, 3) for v in rows["ewma"]],
            mode="lines",
            name=str(instrument),
            line={"color": style.ink_of(place), "width": 2, "dash": style.dash_of(place)},
            hovertemplate="%{x}<br>average %{y:.2f} standard errors<extra>" + str(instrument) + "</extra>",
        )
    limit = float(chart_rows["ewma_limit"].max()) if len(chart_rows) else 1.0
    for height, dash in ((-limit, "dot"), (limit, "dot"), (0.0, "solid")):
        chart.add_hline(height, line={"color": style.INKS["soft"], "width": 1, "dash": dash})
    for row in drift.itertuples():
        for day, words in ((row.drift_from_at, "drifts from"), (row.last_calibrated_on, "calibrated")):
            if not style.is_missing(day):
                dash = "dash" if words == "calibrated" else "solid"
                chart.add_vline(
                    f"{day:%Y-%m-%d}", y1=0.94, line={"color": style.INKS["text"], "width": 1, "dash": dash}
                )
                chart.add_annotation(
                    x=f"{day:%Y-%m-%d}",
                    y=1.0,
                    yref="paper",
                    text=f"{row.instrument_id} {words}",
                    showarrow=False,
                    font={"size": 12},
                    xanchor="right" if words == "calibrated" else "left",
                )
    chart.update_yaxes(title_text="Moving average, in standard errors of a reading")
    chart.update_xaxes(type="date")
    return chart


def chart_levels(levels: pd.DataFrame, calibrated: list[Any], *, tolerance_pct: float, tolerance_m: float) -> go.Figure:
    """Scale and offset of one instrument in time with their limits, the tolerance as a band, calibrations marked.

    Parameters
    ----------
    levels
        Rows of instrument_levels of one instrument in order of time.
    calibrated
        Days of its calibrations.
    tolerance_pct, tolerance_m
        Tolerated error of scale in percent and tolerated offset in metres.

    Notes
    -----
    Checked by: tests/unit/test_locating_page.py
    """
    chart = style.new_chart(420)
    days = [f"{day:%Y-%m-%d}" for day in levels["level_on"]]
    panels = (
        ("scale_error_pct", "scale_error_lo", "scale_error_hi", "", "first", "scale", tolerance_pct),
        ("offset_m", "offset_lo", "offset_hi", "2", "third", "offset", tolerance_m),
    )
    for column, low, high, axis, ink, name, tolerance in panels:
        for bound in (low, high):
            chart.add_scatter(
                x=days, y=levels[bound].tolist(), yaxis=f"y{axis}", mode="lines", hoverinfo="skip",
                name=f"limits of the {name}", showlegend=bound == low, legendgroup=f"limits{axis}",
                line={"color": style.INKS[ink], "width": 1, "dash": "dot"},
            )  # fmt: skip
        chart.add_scatter(
            x=days, y=levels[column].tolist(), yaxis=f"y{axis}", mode="lines", name=name,
            line={"color": style.INKS[ink], "width": 2},
            hovertemplate="%{x}<br>" + name + (" %{y:.2f} %" if not axis else " %{y:.2f} [m]") + "<extra></extra>",
        )  # fmt: skip
        chart.add_hrect(-tolerance, tolerance, yref=f"y{axis}", **style.BAND)
    for day in calibrated:
        chart.add_shape(
            type="line", xref="x", yref="paper", x0=f"{day:%Y-%m-%d}", x1=f"{day:%Y-%m-%d}", y0=0, y1=1,
            line={"color": style.INKS["text"], "width": 1, "dash": "dash"},
        )  # fmt: skip
        chart.add_annotation(
            x=f"{day:%Y-%m-%d}", y=0.5, yref="paper", text="calibrated", showarrow=False, font={"size": 12},
            xanchor="right",
        )  # fmt: skip
    base = chart.layout.yaxis.to_plotly_json()
    chart.update_layout(
        yaxis={**base, "domain": [0.56, 1], "title": {**base["title"], "text": "Scale, error [%]"}},
        yaxis2={**base, "domain": [0, 0.44], "anchor": "x", "title": {**base["title"], "text": "Offset [m]"}},
    )
    chart.update_xaxes(type="date", showgrid=False, anchor="y2")
    return chart


def chart_coverage(coverage: pd.DataFrame) -> go.Figure:
    """Share of past digs that windows held, by distance band and level, beside the share promised.

    Parameters
    ----------
    coverage
        Rows of window_coverage of the method used, of grouped_by distance_band and all, in the order drawn.

    Notes
    -----
    Checked by: tests/unit/test_locating_page.py
    """
    names = list(dict.fromkeys(coverage["group_name"]))
    chart = style.new_chart(style.row_height(len(names), each=48, around=110))
    for place, (share_promised, rows) in enumerate(coverage.groupby("window_level", sort=True)):
        promised = 100 * float(str(share_promised))
        share = 100 * rows["held_share"]
        chart.add_scatter(
            x=share.tolist(),
            y=rows["group_name"].tolist(),
            mode="markers",
            name=f"windows of {promised:.0f}%",
            marker={"symbol": style.mark_of(place), "size": 9, "color": style.ink_of(place)},
            error_x=style.bars_between(share, 100 * rows["held_lo"], 100 * rows["held_hi"]),
            customdata=[[int(h), int(t)] for h, t in zip(rows["held"], rows["tried"], strict=True)],
            hovertemplate="%{y}<br>held %{customdata[0]} of %{customdata[1]} (%{x:.0f} %)<extra></extra>",
        )
        chart.add_vline(x=promised, line={"color": style.ink_of(place), "width": 1, "dash": "dot"}, layer="below")
    chart.update_yaxes(autorange="reversed", ticks="", showline=False)
    chart.update_xaxes(title_text="Digs inside their window [%]", range=[0, 102])
    return chart
