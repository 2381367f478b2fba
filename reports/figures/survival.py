"""Figures of failure rates by class and age, shown on the replacement page."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reports import style

if TYPE_CHECKING:
    import plotly.graph_objects as go


def chart_age_rates(rates: pd.DataFrame, classes: list[str]) -> go.Figure:
    """Failure rate by age band and class with limits, the fitted rate as a line, on a log scale.

    Parameters
    ----------
    rates
        Rows of age_rates.
    classes
        Classes drawn, in the order of their ink and mark.

    Notes
    -----
    A band without a failure has no place on a log scale: its upper limit is drawn as a mark pointing down.

    Checked by: tests/end_to_end/test_reports_browser.py (through write_pages)
    """
    chart = style.new_chart(460)
    for place, name in enumerate(classes):
        rows = rates[(rates["cable_class"] == name) & (rates["exposure_km_years"] > 0)].sort_values("age_from")
        ages = (rows["age_from"] + rows["age_to"]) / 2
        seen = rows["failures"] > 0
        shift = (place - (len(classes) - 1) / 2) * 0.35
        shown = rows[seen]
        chart.add_scatter(
            x=(ages[seen] + shift).tolist(),
            y=shown["rate_per_100km_year"].tolist(),
            mode="markers",
            name=name,
            legendgroup=name,
            marker={"symbol": style.mark_of(place), "size": 8, "color": style.ink_of(place)},
            error_y=style.bars_between(shown["rate_per_100km_year"], shown["rate_lo"], shown["rate_hi"]),
            customdata=shown[["failures", "exposure_km_years", "age_from", "age_to"]].values.tolist(),
            hovertemplate=name + "<br>age %{customdata[2]:.0f} to %{customdata[3]:.0f}: %{y:.2f} [1/(100 km year)]"
            "<br>%{customdata[0]} failures<extra></extra>",
        )
        none = rows[~seen]
        chart.add_scatter(
            x=(ages[~seen] + shift).tolist(),
            y=none["rate_hi"].tolist(),
            mode="markers",
            legendgroup=name,
            showlegend=False,
            marker={"symbol": "triangle-down-open", "size": 8, "color": style.ink_of(place)},
            hovertemplate=name + "<br>no failure: rate below %{y:.2f} [1/(100 km year)]<extra></extra>",
        )
        fitted = rows[rows["fitted_rate_per_100km_year"] > 0]
        chart.add_scatter(
            x=ages[fitted.index].tolist(),
            y=fitted["fitted_rate_per_100km_year"].tolist(),
            mode="lines",
            legendgroup=name,
            showlegend=False,
            hoverinfo="skip",
            line={"color": style.ink_of(place), "width": 1.3, "dash": style.dash_of(place)},
        )
    chart.update_xaxes(title_text="Age [years]", rangemode="tozero", showgrid=False)
    chart.update_yaxes(title_text="Failures, log scale [1/(100 km year)]", type="log", dtick=1, exponentformat="none")
    return chart


def chart_shapes(classes: pd.DataFrame) -> go.Figure:
    """Shape of the power law by class with limits; right of 1 the rate grows with age.

    Parameters
    ----------
    classes
        Rows of class_survival with a shape, in the order they are drawn, top first.

    Notes
    -----
    Checked by: tests/end_to_end/test_reports_browser.py (through write_pages)
    """
    chart = style.new_chart(style.row_height(len(classes), each=34, around=90))
    chart.add_scatter(
        x=classes["shape"].tolist(),
        y=classes["cable_class"].tolist(),
        mode="markers",
        showlegend=False,
        marker={"symbol": "circle", "size": 9, "color": style.INKS["first"]},
        error_x=style.bars_between(classes["shape"], classes["shape_lo"], classes["shape_hi"]),
        customdata=classes["failures"].tolist(),
        hovertemplate="%{y}<br>shape %{x:.2f}, %{customdata} failures<extra></extra>",
    )
    chart.add_vline(x=1, line={"color": style.INKS["second"], "width": 1, "dash": "dash"})
    chart.update_yaxes(autorange="reversed", ticks="", showline=False)
    chart.update_xaxes(title_text="Shape of the power law (1: rate does not change with age)", rangemode="tozero")
    return chart


def chart_mean_cumulative(curves: pd.DataFrame, classes: list[str], points: int = 120) -> go.Figure:
    """Mean cumulative failures per kilometre against age, by class.

    Parameters
    ----------
    curves
        Rows of mean_cumulative_failures.
    classes
        Classes drawn, in the order of their ink.
    points
        Steps drawn a class at most; the last step is always among them.

    Notes
    -----
    Checked by: tests/end_to_end/test_reports_browser.py (through write_pages)
    """
    chart = style.new_chart(420)
    for place, name in enumerate(classes):
        rows = curves[curves["cable_class"] == name].sort_values("age_years")
        if len(rows) > points:
            rows = rows.iloc[np.unique(np.linspace(0, len(rows) - 1, points).round().astype(int))]
        chart.add_scatter(
            x=rows["age_years"].tolist(),
            y=rows["mcf_per_km"].tolist(),
            mode="lines",
            name=name,
            line={"shape": "hv", "color": style.ink_of(place), "width": 1.6, "dash": style.dash_of(place)},
            customdata=rows[["mcf_lo", "mcf_hi", "at_risk_km"]].values.tolist(),
            hovertemplate=name
            + "<br>to age %{x:.1f}: %{y:.3f} [1/km] (%{customdata[0]:.3f} to %{customdata[1]:.3f})<extra></extra>",
        )
    chart.update_xaxes(title_text="Age [years]", rangemode="tozero", showgrid=False)
    chart.update_yaxes(title_text="Failures so far [1/km]", rangemode="tozero")
    return chart
