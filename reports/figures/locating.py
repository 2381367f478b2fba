"""Figures of the locating page."""

from __future__ import annotations

from typing import TYPE_CHECKING
from urllib.parse import quote

import numpy as np
import pandas as pd

from reports import style
from reports.figures.density import MANY_POINTS, densities

if TYPE_CHECKING:
    import plotly.graph_objects as go


def chart_velocities(classes: pd.DataFrame) -> go.Figure:
    """The setting in use beside the velocity fitted to the digs, a line of text a cable class.

    Parameters
    ----------
    classes
        Rows of velocity_by_class in the order they are drawn, top first.

    Notes
    -----
    Checked by: tests/unit/test_locating_page.py (through locating.build),
    tests/end_to_end/test_reports_browser.py (through write_pages)
    """
    chart = style.new_chart(style.row_height(len(classes), each=40, around=96))
    names = classes["cable_class"].tolist()
    fitted = classes["velocity_fitted_pct"]
    style.add_spans(chart, classes["setting_median_pct"], fitted, names, "rule", 5)
    chart.add_scatter(
        x=fitted.tolist(),
        y=names,
        mode="markers",
        name="fitted to the digs, with limits",
        marker={"symbol": "circle", "size": 10, "color": style.INKS["first"]},
        error_x=style.bars_between(fitted, classes["velocity_lo"], classes["velocity_hi"]),
        customdata=classes["readings"].tolist(),
        hovertemplate="%{y}<br>fitted %{x:.2f} % of c, %{customdata} readings<extra></extra>",
    )
    chart.add_scatter(
        x=classes["setting_median_pct"].tolist(),
        y=names,
        mode="markers",
        name="median setting in use",
        marker={"symbol": "square-open", "size": 11, "color": style.INKS["second"], "line": {"width": 2}},
        hovertemplate="%{y}<br>median setting %{x:.2f} % of c<extra></extra>",
    )
    chart.update_yaxes(autorange="reversed", ticks="", showline=False)
    chart.update_xaxes(title_text="Velocity [% of c]")
    return chart


def chart_instruments(bias: pd.DataFrame, *, tolerance_m: float, tolerance_pct: float) -> go.Figure:
    """Offset and scale of every instrument with limits, the tolerance as a band.

    Parameters
    ----------
    bias
        Rows of instrument_bias in the order they are drawn, top first.
    tolerance_m, tolerance_pct
        Tolerated offset in metres and tolerated error of scale in percent.

    Notes
    -----
    Checked by: tests/unit/test_locating_page.py (through locating.build),
    tests/end_to_end/test_reports_browser.py (through write_pages)
    """
    chart = style.new_chart(style.row_height(len(bias), each=34, around=96))
    names = bias["instrument_id"].tolist()
    panels = (
        ("offset_as_of_m", "offset_as_of_lo", "offset_as_of_hi", "", "first"),
        ("scale_as_of", "scale_as_of_lo", "scale_as_of_hi", "2", "third"),
    )
    for column, low, high, axis, ink in panels:
        chart.add_scatter(
            x=bias[column].tolist(),
            y=names,
            mode="markers",
            xaxis=f"x{axis}",
            showlegend=False,
            marker={"symbol": "circle" if not axis else "square", "size": 9, "color": style.INKS[ink]},
            error_x=style.bars_between(bias[column], bias[low], bias[high]),
            customdata=bias["readings"].tolist(),
            hovertemplate="%{y}<br>"
            + ("offset %{x:.2f} [m]" if not axis else "scale %{x:.4f}")
            + ", %{customdata} readings<extra></extra>",
        )
    base = chart.layout.xaxis.to_plotly_json()
    chart.update_layout(
        xaxis={**base, "domain": [0, 0.48], "title": {**base["title"], "text": "Offset [m]"}},
        xaxis2={
            **base,
            "domain": [0.54, 1],
            "anchor": "y",
            "title": {**base["title"], "text": "Scale, displayed over true"},
        },
    )
    for axis, centre, half in (("x", 0.0, tolerance_m), ("x2", 1.0, tolerance_pct / 100)):
        chart.add_vrect(centre - half, centre + half, xref=axis, **style.BAND)
        dotted = {"color": style.INKS["soft"], "width": 1, "dash": "dot"}
        chart.add_vline(centre, xref=axis, line=dotted, layer="below")
    chart.update_yaxes(autorange="reversed", ticks="", showline=False)
    return chart


def reach_of(errors: pd.DataFrame) -> float:
    """Half height of the error chart: beyond the bulk of the corrected errors, and most of the displayed ones."""
    sizes = [
        float(errors[column].abs().quantile(share)) * 1.3
        for column, share in (("error_m", 0.90), ("corrected_error_m", 0.95))
        if errors[column].notna().any()
    ]
    return max([*sizes, 5.0])


def chart_errors(errors: pd.DataFrame) -> go.Figure:
    """Error against dug distance, job by job, as displayed and as corrected, with the middle of each tenth.

    Parameters
    ----------
    errors
        Rows of locating_errors: job_id, dug_distance_m, error_m, corrected_error_m.

    Notes
    -----
    Metres against metres, so that an offset shows as a step and a wrong velocity as a slope. Errors beyond the chart
    stand at its edge as triangles: gross slips would squeeze everything else to a line. Of very many, the chart shows
    how many lie where, and the farthest by themselves.

    Checked by: tests/unit/test_locating_page.py (through locating.build),
    tests/end_to_end/test_reports_browser.py (through write_pages)
    """
    chart = style.new_chart(430)
    reach = reach_of(errors)
    for column, name, mark, ink in (
        ("error_m", "as displayed", "circle-open", "second"),
        ("corrected_error_m", "corrected", "diamond", "first"),
    ):
        rows = errors.dropna(subset=[column, "dug_distance_m"])
        drawn, shown = rows, True
        if len(rows) > MANY_POINTS:
            cells, drawn = densities(rows, "dug_distance_m", column, reach)
            shown = False
            chart.add_scatter(
                x=cells["dug_distance_m"].tolist(), y=cells[column].tolist(), mode="markers", name=name,
                marker={"symbol": mark, "size": cells["size"].tolist(), "color": style.INKS[ink], "opacity": 0.75},
                customdata=cells["points"].tolist(),
                hovertemplate="%{customdata} digs about %{x:.0f} [m]<extra>" + name + "</extra>",
            )  # fmt: skip
        beyond = drawn[column].abs() > reach
        for is_beyond, part in ((False, drawn[~beyond]), (True, drawn[beyond])):
            if is_beyond and part.empty:
                continue
            edge = ["triangle-up" if y > 0 else "triangle-down" for y in part[column]]
            chart.add_scatter(
                x=part["dug_distance_m"].tolist(),
                y=part[column].clip(-reach, reach).tolist(),
                mode="markers",
                name=name,
                legendgroup=name,
                showlegend=shown and not is_beyond,
                marker={"symbol": edge if is_beyond else mark, "size": 5, "color": style.INKS[ink], "opacity": 0.75},
                meta={"to": [f"job:{job}" for job in part["job_id"]]},
                customdata=[[job, round(y, 1)] for job, y in zip(part["job_id"], part[column], strict=True)],
                hovertemplate="%{customdata[0]}<br>dug at %{x:.1f} [m], error %{customdata[1]} metres<extra>"
                + name
                + "</extra>",
            )
        middle = middle_of_tenths(rows, column)
        chart.add_scatter(
            x=middle["dug_distance_m"].tolist(),
            y=middle[column].tolist(),
            mode="lines",
            name=f"{name}, middle of each tenth",
            hoverinfo="skip",
            line={"color": style.INKS[ink], "width": 3, "dash": "dash" if ink == "second" else "solid"},
        )
    chart.add_hline(y=0, line={"color": style.INKS["soft"], "width": 1})
    chart.update_xaxes(title_text="Dug distance [m]", rangemode="tozero", showgrid=False)
    chart.update_yaxes(title_text="Estimated minus dug [m]", range=[-1.05 * reach, 1.05 * reach])
    return chart


def chart_errors_in_time(errors: pd.DataFrame) -> go.Figure:
    """Error of each dig in per cent of its distance, as displayed and as corrected, in the order of time.

    Parameters
    ----------
    errors
        Rows of locating_errors of one instrument: job_id, read_at, error_pct, and corrected_pct.

    Notes
    -----
    Errors beyond the chart stand at its edge as triangles.

    Checked by: tests/end_to_end/test_sheets.py (through render_sheet)
    """
    chart = style.new_chart(320)
    sizes = [errors[name].abs().quantile(share) for name, share in (("error_pct", 0.90), ("corrected_pct", 0.95))]
    reach = 1.3 * float(np.nanmax([*sizes, 4.0]))
    for column, name, mark, ink in (
        ("error_pct", "as displayed", "circle-open", "second"),
        ("corrected_pct", "corrected as of its day", "diamond", "first"),
    ):
        drawn = errors.dropna(subset=[column])
        if len(drawn) > MANY_POINTS:
            days = drawn.assign(day=drawn["read_at"].astype("int64") / 86_400e9)
            cells, drawn = densities(days, "day", column, reach)
            chart.add_scatter(
                x=pd.to_datetime(cells["day"] * 86_400e9).dt.strftime("%Y-%m-%d").tolist(),
                y=cells[column].tolist(), mode="markers", name=name, showlegend=False,
                marker={"symbol": mark, "size": cells["size"].tolist(), "color": style.INKS[ink], "opacity": 0.75},
                customdata=cells["points"].tolist(),
                hovertemplate="%{customdata} digs about %{x}<extra>" + name + "</extra>",
            )  # fmt: skip
        chart.add_scatter(
            x=drawn["read_at"].dt.strftime("%Y-%m-%d").tolist(), y=drawn[column].clip(-reach, reach).tolist(),
            mode="markers", name=name, meta={"to": [f"job:{job}" for job in drawn["job_id"]]},
            marker={
                "symbol": [mark if abs(y) <= reach else f"triangle-{'up' if y > 0 else 'down'}" for y in drawn[column]],
                "size": 6, "color": style.INKS[ink], "opacity": 0.75,
            },
            customdata=[[job, round(y, 1)] for job, y in zip(drawn["job_id"], drawn[column], strict=True)],
            hovertemplate="%{customdata[0]}<br>%{x}: %{customdata[1]} %<extra>" + name + "</extra>",
        )  # fmt: skip
    chart.update_xaxes(title_text="Day of the reading", type="date", showgrid=False)
    chart.update_yaxes(
        title_text="Displayed less dug [%]", zeroline=True, zerolinecolor=style.INKS["soft"],
        range=[-1.05 * reach, 1.05 * reach],
    )  # fmt: skip
    return chart


def middle_of_tenths(rows: pd.DataFrame, column: str) -> pd.DataFrame:
    """Median distance and median error of each tenth of the digs by distance; nothing below forty digs."""
    if len(rows) < 40:
        return rows.iloc[:0][["dug_distance_m", column]]
    tenth = pd.qcut(rows["dug_distance_m"].rank(method="first"), 10, labels=False)
    return rows.groupby(tenth)[["dug_distance_m", column]].median()


def chart_spread(spread: pd.DataFrame) -> go.Figure:
    """Median and middle 80 % of the error of each instrument, as displayed and as corrected.

    Parameters
    ----------
    spread
        instrument_id, error_lo, error_median, error_hi and corrected_lo, corrected_median, corrected_hi, in metres,
        in the order they are drawn, top first.

    Notes
    -----
    Checked by: tests/unit/test_locating_page.py (through locating.build),
    tests/end_to_end/test_reports_browser.py (through write_pages)
    """
    chart = style.new_chart(style.row_height(len(spread), each=38, around=96))
    names = spread["instrument_id"].tolist()
    places = list(range(len(spread)))
    for shift, prefix, name, mark, ink in (
        (-0.16, "error", "as displayed", "circle-open", "second"),
        (0.16, "corrected", "corrected", "diamond", "first"),
    ):
        middle = spread[f"{prefix}_median"]
        chart.add_scatter(
            x=middle.tolist(),
            y=[p + shift for p in places],
            mode="markers",
            name=name,
            marker={"symbol": mark, "size": 9, "color": style.INKS[ink], "line": {"width": 2}},
            error_x=style.bars_between(middle, spread[f"{prefix}_lo"], spread[f"{prefix}_hi"]),
            customdata=names,
            meta={"to": [f"readings?instrument_id={quote(name)}" for name in names]},
            hovertemplate="%{customdata}<br>median %{x:.1f} [m]<extra>" + name + "</extra>",
        )
    chart.add_vline(x=0, line={"color": style.INKS["soft"], "width": 1})
    chart.update_yaxes(
        range=[len(spread) - 0.5, -0.5], tickmode="array", tickvals=places, ticktext=names, ticks="", showline=False
    )
    chart.update_xaxes(title_text="Estimated minus dug: median and middle 80 % [m]")
    return chart
