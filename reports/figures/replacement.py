"""Figures of the replacement page: ranking, back-test."""

from __future__ import annotations

from typing import TYPE_CHECKING

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

def chart_loops(ranking: pd.DataFrame, horizon_years: float) -> go.Figure:
    """Expected failures of the first loops with limits, beside the failures on record.

    Parameters
    ----------
    ranking
        Rows of loop_ranking in the order of the rank.
    horizon_years
        Years looked ahead.

    Notes
    -----
    Checked by: tests/end_to_end/test_reports_browser.py
    """
    chart = style.new_chart(style.row_height(len(ranking), each=21, around=100))
    names = [f"{rank}  {loop}" for rank, loop in zip(ranking["rank"], ranking["loop_id"], strict=True)]
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
    chart.update_xaxes(title_text="Failures of the loop", rangemode="tozero")
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
