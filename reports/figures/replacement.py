"""Figures of the replacement page: the ranking."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from reports import style

if TYPE_CHECKING:
    import plotly.graph_objects as go


def chart_loops(ranking: pd.DataFrame, horizon_years: float, name: str = "loop_id") -> go.Figure:
    """Expected failures of the first loops with limits, beside the failures on record.

    Parameters
    ----------
    ranking
        Rows of loop_ranking, or of section_ranking, in the order of the rank.
    horizon_years
        Years looked ahead.
    name
        Column that names a row.

    Notes
    -----
    Checked by: tests/end_to_end/test_reports_browser.py (through write_pages)
    """
    chart = style.new_chart(style.row_height(len(ranking), each=21, around=100))
    names = [f"{rank}  {loop}" for rank, loop in zip(ranking["rank"], ranking[name], strict=True)]
    expected = ranking["expected_failures"]
    chart.add_scatter(
        x=ranking["failures_recorded"].tolist(),
        y=names,
        mode="markers",
        name="on record so far, all years observed",
        marker={"symbol": "line-ns-open", "size": 10, "color": style.INKS["fourth"], "line": {"width": 2}},
        hovertemplate="%{y}<br>%{x} failures on record<extra></extra>",
    )
    chart.add_scatter(
        x=expected.tolist(),
        y=names,
        mode="markers",
        name=f"expected in {style.number(horizon_years)} years, with limits",
        marker={"symbol": "circle", "size": 8, "color": style.INKS["first"]},
        error_x=style.bars_between(expected, ranking["expected_failures_lo"], ranking["expected_failures_hi"]),
        customdata=ranking[["rank_lo", "rank_hi", "length_km"]].values.tolist(),
        hovertemplate="%{y}<br>expected %{x:.2f}; rank %{customdata[0]:.0f} to %{customdata[1]:.0f}<extra></extra>",
    )
    chart.update_yaxes(autorange="reversed", ticks="", showline=False, tickmode="array", tickvals=names)
    kind = name.removesuffix("_id")
    led = zip(names, ranking[name], strict=True)
    chart.update_layout(meta={"anchors": {shown: f"{kind}:{ident}" for shown, ident in led}})
    chart.update_xaxes(title_text=f"Failures of the {kind}", rangemode="tozero")
    return chart
