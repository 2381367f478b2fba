"""Figures of cable compared by decade and attribute, shown on the replacement page."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reports import style

if TYPE_CHECKING:
    import plotly.graph_objects as go


def chart_vintages(curves: pd.DataFrame, points: int = 60) -> go.Figure:
    """Mean cumulative failures per kilometre against age, a line a decade of laying.

    Parameters
    ----------
    curves
        Rows of mean_cumulative_by_vintage of one class.
    points
        Steps drawn a decade at most; the last step is always among them.

    Notes
    -----
    Checked by: tests/end_to_end/test_reports_browser.py (through write_pages)
    """
    chart = style.new_chart(380)
    for place, (name, rows) in enumerate(curves.groupby("vintage", sort=True)):
        steps = rows.sort_values("age_years")
        if len(steps) > points:
            steps = steps.iloc[np.unique(np.linspace(0, len(steps) - 1, points).round().astype(int))]
        chart.add_scatter(
            x=[float(steps["in_view_from_age_years"].iloc[0]), *steps["age_years"].round(2).tolist()],
            y=[0.0, *steps["mcf_per_km"].round(4).tolist()],
            mode="lines",
            name=str(name),
            line={"shape": "hv", "color": style.ink_of(place), "width": 1.6, "dash": style.dash_of(place)},
            hovertemplate=f"laid {name}<br>to age %{{x:.1f}}: %{{y:.3f}} [1/km]<extra></extra>",
        )
    chart.update_xaxes(title_text="Age [years]", showgrid=False)
    chart.update_yaxes(title_text="Failures since first observed [1/km]", rangemode="tozero")
    return chart


def chart_attributes(effects: pd.DataFrame) -> go.Figure:
    """Hazard ratios with limits on a log scale; left of 1 the cable fails less than its reference.

    Parameters
    ----------
    effects
        Rows of attribute_effects with a ratio and value_words, in the order they are drawn, top first.

    Notes
    -----
    Checked by: tests/end_to_end/test_reports_browser.py (through write_pages)
    """
    chart = style.new_chart(style.row_height(len(effects), each=34, around=90))
    ratio = effects["hazard_ratio"]
    chart.add_scatter(
        x=ratio.tolist(),
        y=effects["value_words"].tolist(),
        mode="markers",
        showlegend=False,
        marker={"symbol": "circle", "size": 9, "color": style.INKS["first"]},
        error_x=style.bars_between(ratio, effects["hazard_ratio_lo"], effects["hazard_ratio_hi"]),
        customdata=effects[["reference_value", "failures"]].values.tolist(),
        hovertemplate="%{y}<br>%{x:.2f} times %{customdata[0]}, %{customdata[1]} failures<extra></extra>",
    )
    chart.add_vline(x=1, line={"color": style.INKS["second"], "width": 1, "dash": "dash"})
    chart.update_yaxes(autorange="reversed", ticks="", showline=False)
    chart.update_xaxes(
        title_text="Hazard ratio, log scale (1: fails as often as the reference)",
        type="log",
        exponentformat="none",
        tickvals=[0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100],
    )
    return chart


def chart_splices(bands: pd.DataFrame) -> go.Figure:
    """Splice and cable failures per 100 section-years by the time since the last repair, on a log scale.

    Parameters
    ----------
    bands
        Rows of splice_failures with band_words, in the order they are drawn.

    Notes
    -----
    A band without a failure has no place on a log scale: it is in the table.

    Checked by: tests/end_to_end/test_reports_browser.py (through write_pages)
    """
    chart = style.new_chart(340)
    for place, (kind, name) in enumerate((("splice", "splices"), ("cable", "cable"))):
        shown = bands[bands[f"{kind}_failures"] > 0]
        rate = shown[f"{kind}_rate_per_100_section_years"]
        chart.add_scatter(
            x=shown["band_words"].tolist(),
            y=rate.tolist(),
            mode="markers",
            name=name,
            marker={"symbol": style.mark_of(place), "size": 9, "color": style.ink_of(place)},
            error_y=style.bars_between(rate, shown[f"{kind}_rate_lo"], shown[f"{kind}_rate_hi"]),
            customdata=shown[f"{kind}_failures"].tolist(),
            hovertemplate=name + "<br>%{x} after: %{y:.2f} in 100 section-years, %{customdata} failures<extra></extra>",
        )
    chart.update_xaxes(
        title_text="Time since the last repair", categoryorder="array", categoryarray=bands["band_words"].tolist()
    )
    chart.update_yaxes(
        title_text="Failures in 100 section-years, log scale", type="log", dtick=1, exponentformat="none"
    )
    return chart
