"""Figures of the replacement page: ranking, programme, back-test."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reports import style

if TYPE_CHECKING:
    import plotly.graph_objects as go

RULE_NAMES = {
    "model": "this model",
    "most_failures": "most failures",
    "recent_failures": "most recent failures",
    "failures_per_km": "failures per km",
    "oldest_first": "oldest first",
    "three_in_five_years": "three in five years",
    "random": "random",
}
"""Rules of the back-test in words, the model first."""

CURVE_POINTS = 400
"""Points of a curve at most: more than the pixels it is drawn on would only weigh."""


def chart_loops(
    ranking: pd.DataFrame, horizon_years: float, name: str = "loop_id", anchors: dict[str, str] | None = None
) -> go.Figure:
    """Expected failures of the first loops with limits, beside the failures on record.

    Parameters
    ----------
    ranking
        Rows of loop_ranking, or of section_ranking, in the order of the rank.
    horizon_years
        Years looked ahead.
    name
        Column that names a row.
    anchors
        Name to the place on the page that its row leads to.

    Notes
    -----
    Checked by: tests/end_to_end/test_reports_browser.py
    """
    chart = style.new_chart(style.row_height(len(ranking), each=21, around=100))
    names = [f"{rank}  {loop}" for rank, loop in zip(ranking["rank"], ranking[name], strict=True)]
    expected = ranking["expected_failures"]
    chart.add_scatter(
        x=ranking["failures_recorded"].tolist(),
        y=names,
        mode="markers",
        name="on record so far",
        marker={"symbol": "line-ns-open", "size": 10, "color": style.INKS["fourth"], "line": {"width": 2}},
        hovertemplate="%{y}<br>%{x} failures on record<extra></extra>",
    )
    chart.add_scatter(
        x=expected.tolist(),
        y=names,
        mode="markers",
        name=f"expected in {style.number(horizon_years)} years, with limits",
        marker={"symbol": "circle", "size": 8, "color": style.INKS["first"]},
        error_x={
            **style.bars_between(expected, ranking["expected_failures_lo"], ranking["expected_failures_hi"]),
            "color": style.INKS["first"],
        },
        customdata=ranking[["rank_lo", "rank_hi", "length_km"]].values.tolist(),
        hovertemplate="%{y}<br>expected %{x:.2f}; rank %{customdata[0]:.0f} to %{customdata[1]:.0f}<extra></extra>",
    )
    chart.update_yaxes(autorange="reversed", ticks="", showline=False, tickmode="array", tickvals=names)
    # the page's script follows them from a mark or a name
    led = {shown: (anchors or {}).get(row, "") for shown, row in zip(names, ranking[name], strict=True)}
    chart.update_layout(meta={"anchors": {shown: anchor for shown, anchor in led.items() if anchor}})
    chart.update_xaxes(title_text=f"Failures of the {name.removesuffix('_id')}", rangemode="tozero")
    return chart


def chart_benefit(sections: pd.DataFrame) -> go.Figure:
    """Benefit over cost against the length replaced, sections taken from the best downwards.

    Parameters
    ----------
    sections
        Rows of section_ranking: length_km, benefit_cost_ratio.

    Notes
    -----
    Checked by: tests/end_to_end/test_reports_browser.py
    """
    rows = sections.dropna(subset=["benefit_cost_ratio"]).sort_values(
        ["benefit_cost_ratio", "section_id"], ascending=[False, True]
    )
    length = rows["length_km"].cumsum().to_numpy()
    ratio = rows["benefit_cost_ratio"].to_numpy()
    if len(rows) > CURVE_POINTS:
        kept = np.unique(np.geomspace(1, len(rows), CURVE_POINTS).round().astype(int)) - 1
        length, ratio = length[kept], ratio[kept]
    chart = style.new_chart(340)
    chart.add_scatter(
        x=length.tolist(),
        y=ratio.tolist(),
        mode="lines",
        showlegend=False,
        line={"color": style.INKS["first"], "width": 1.8},
        hovertemplate="best %{x:.1f} [km]: the last section returns %{y:.2f} of its cost<extra></extra>",
    )
    chart.add_shape(
        type="line",
        xref="paper",
        yref="y",
        x0=0,
        x1=1,
        y0=1,
        y1=1,
        line={"color": style.INKS["second"], "width": 1, "dash": "dash"},
    )
    chart.update_xaxes(title_text="Length, sections from the best downwards [km]", rangemode="tozero", showgrid=False)
    chart.update_yaxes(title_text="Benefit over cost", rangemode="tozero")
    return chart


def chart_programme(programme: pd.DataFrame, currency: str) -> go.Figure:
    """Failures avoided against money spent, in the order of the programme.

    Parameters
    ----------
    programme
        Rows of programme in programme_order.
    currency
        Currency of the costs.

    Notes
    -----
    Checked by: tests/end_to_end/test_reports_browser.py
    """
    cost = np.concatenate([[0.0], programme["cost"].cumsum().to_numpy()]) / 1e6
    avoided = np.concatenate([[0.0], programme["avoided_failures"].cumsum().to_numpy()])
    chart = style.new_chart(320)
    chart.add_scatter(
        x=cost.tolist(),
        y=avoided.tolist(),
        mode="lines",
        showlegend=False,
        line={"color": style.INKS["first"], "width": 1.8, "shape": "hv"},
        hovertemplate="%{x:.2f} million: %{y:.1f} failures avoided<extra></extra>",
    )
    chart.update_xaxes(
        title_text=f"Money spent, in programme order [million {currency}]", rangemode="tozero", showgrid=False
    )
    chart.update_yaxes(title_text="Failures avoided", rangemode="tozero")
    return chart


def chart_capture(pooled: pd.DataFrame) -> go.Figure:
    """Share of the later failures caught against the share of length picked, a line a rule.

    Parameters
    ----------
    pooled
        rule, length_fraction, capture_fraction: one level, origins pooled, rules in the order of RULE_NAMES.

    Notes
    -----
    Checked by: tests/end_to_end/test_reports_browser.py
    """
    chart = style.new_chart(430)
    rules = [rule for rule in RULE_NAMES if (pooled["rule"] == rule).any()]
    for place, rule in enumerate(rules):
        rows = pooled[pooled["rule"] == rule].sort_values("length_fraction")
        chart.add_scatter(
            x=(100 * rows["length_fraction"]).tolist(),
            y=(100 * rows["capture_fraction"]).tolist(),
            mode="lines+markers",
            name=RULE_NAMES[rule],
            line={"color": style.ink_of(place), "width": 2.4 if rule == "model" else 1.3, "dash": style.dash_of(place)},
            marker={"symbol": style.mark_of(place), "size": 8},
            hovertemplate="worst %{x:.0f} % of length: %{y:.0f} % of failures<extra>" + RULE_NAMES[rule] + "</extra>",
        )
    chart.update_xaxes(title_text="Length picked [%]", rangemode="tozero", showgrid=False)
    chart.update_yaxes(title_text="Later failures on it [%]", rangemode="tozero")
    return chart


def chart_calibration(deciles: pd.DataFrame) -> go.Figure:
    """Failures seen against failures expected, a mark a tenth of the length and past date.

    Parameters
    ----------
    deciles
        Rows of backtest_calibration with observed_lo and observed_hi, limits of the mean behind the count.

    Notes
    -----
    Checked by: tests/end_to_end/test_reports_browser.py
    """
    chart = style.new_chart(400)
    top = float(max(deciles["expected"].max(), deciles["observed_hi"].max(), 1.0))
    chart.add_scatter(
        x=[0, top],
        y=[0, top],
        mode="lines",
        name="as expected",
        hoverinfo="skip",
        line={"color": style.INKS["soft"], "width": 1, "dash": "dot"},
    )
    for place, (origin, rows) in enumerate(deciles.groupby("origin", sort=True)):
        chart.add_scatter(
            x=rows["expected"].tolist(),
            y=rows["observed"].tolist(),
            mode="markers",
            name=f"from {pd.Timestamp(str(origin)):%Y-%m-%d}",
            marker={"symbol": style.mark_of(place), "size": 9, "color": style.ink_of(place)},
            error_y={
                **style.bars_between(rows["observed"], rows["observed_lo"], rows["observed_hi"]),
                "color": style.ink_of(place),
            },
            customdata=rows["decile"].tolist(),
            hovertemplate="tenth %{customdata}: expected %{x:.1f}, seen %{y}<extra></extra>",
        )
    chart.update_xaxes(title_text="Failures expected", rangemode="tozero", showgrid=False)
    chart.update_yaxes(title_text="Failures seen", rangemode="tozero")
    return chart
