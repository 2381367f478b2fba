"""Figures of the restoration page."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from reports import style
from reports.links import jobs_of

if TYPE_CHECKING:
    import plotly.graph_objects as go

CUSTOMER_STAGES = ("report_to_dispatch", "dispatch_to_arrive", "arrive_to_locate", "locate_to_restore")
"""Stages that follow one another on the customer's clock."""

LATER_STAGES = ("locate_to_pinpoint", "restore_to_repair", "repair_to_normal", "repair_to_close")
"""Stages after the section is known or the customers are back: hours to days."""

STAGE_NAMES = {
    "report_to_dispatch": "Report to dispatch",
    "dispatch_to_arrive": "Travel",
    "arrive_to_locate": "Finding the section",
    "locate_to_restore": "Switching customers back",
    "report_to_restore": "Report to last customer back",
    "locate_to_pinpoint": "Pinpointing the fault",
    "restore_to_repair": "Repair, customers back",
    "repair_to_normal": "Return to normal",
    "repair_to_close": "Closing the paper",
}
"""Stages in words."""


def chart_customer_stages(stages: pd.DataFrame) -> go.Figure:
    """Where the customer's minutes go: the mean of each stage as a bar that begins where the one before ends.

    Parameters
    ----------
    stages
        Rows of restoration_stages of one group: stage, mean_min, mean_lo, mean_hi, median_min.

    Notes
    -----
    Checked by: tests/unit/test_reports_restoration.py
    """
    rows = (
        stages[stages["stage"].isin(CUSTOMER_STAGES)]
        .set_index("stage")
        .reindex(CUSTOMER_STAGES)
        .dropna(subset=["mean_min"])
    )
    names = [STAGE_NAMES[s] for s in rows.index]
    base = rows["mean_min"].cumsum() - rows["mean_min"]
    chart = style.new_chart(style.row_height(len(rows), each=52, around=84))
    chart.add_bar(
        x=rows["mean_min"].tolist(),
        y=names,
        base=base.tolist(),
        orientation="h",
        name="mean, with limits",
        width=0.46,
        marker={"color": style.INKS["first"]},
        meta={"to": [jobs_of(stage=stage) for stage in rows.index]},
        customdata=[style.limits(row.mean_lo, row.mean_hi, 1) for row in rows.itertuples()],
        error_x={
            **style.bars_between(rows["mean_min"], rows["mean_lo"], rows["mean_hi"]),
            "color": style.INKS["second"],
            "thickness": 2,
        },
        hovertemplate="%{y}<br>mean %{x:.1f} min (%{customdata})<extra></extra>",
    )
    chart.add_scatter(
        x=(base + rows["median_min"]).tolist(),
        y=names,
        mode="markers",
        name="median, from the same start",
        marker={"symbol": "diamond-open", "size": 10, "color": style.INKS["fourth"], "line": {"width": 2}},
        customdata=rows["median_min"].tolist(),
        hovertemplate="%{y}<br>median %{customdata:.1f} min<extra></extra>",
    )
    chart.update_yaxes(autorange="reversed", showgrid=False, ticks="", showline=False)
    chart.update_xaxes(title_text="Minutes since the report [min]", rangemode="tozero")
    return chart


def chart_periods(rows: pd.DataFrame, before: str) -> go.Figure:
    """Mean of each stage in this period and in the one it is compared with, on a log axis.

    Parameters
    ----------
    rows
        stage, mean_min, mean_before_min.
    before
        The period compared with, in words.

    Notes
    -----
    A bar of this period leads to the jobs it counts, the longest first.

    Checked by: tests/unit/test_reports_restoration.py
    """
    names = [STAGE_NAMES[stage] for stage in rows["stage"]]
    chart = style.new_chart(style.row_height(len(rows), each=40, around=96))
    for column, name, ink in (("mean_before_min", before, "second"), ("mean_min", "this period", "first")):
        behind = [jobs_of(stage=stage) if column == "mean_min" else None for stage in rows["stage"]]
        chart.add_bar(
            x=rows[column].tolist(),
            y=names,
            orientation="h",
            name=name,
            marker={"color": style.INKS[ink]},
            meta={"to": behind},
            hovertemplate="%{y}<br>mean %{x:.1f} min<extra></extra>",
        )
    chart.update_yaxes(autorange="reversed", showgrid=False, ticks="", showline=False)
    chart.update_xaxes(title_text="Mean [min]", type="log")
    return chart


def chart_timeline(moments: pd.DataFrame) -> go.Figure:
    """A job in time: customers still out as steps, stamps and tests as marks above them.

    Parameters
    ----------
    moments
        Rows of jobs_timeline of one job in the order of time: moment, minutes_since_report, customers_out.

    Notes
    -----
    To scale up to a day after the last customer was back, at the least; later moments stand at the edge with their
    time in the text.

    Checked by: tests/end_to_end/test_sheets.py (through render_sheet)
    """
    out = moments.dropna(subset=["customers_out"])
    back = out.loc[out["customers_out"] <= 0, "minutes_since_report"]
    edge = float(back.min() * 1.6 if len(back) else moments["minutes_since_report"].quantile(0.7)) or 60.0
    shown = moments[moments["minutes_since_report"] <= edge]
    later = moments[moments["minutes_since_report"] > edge]
    chart = style.new_chart(340)
    chart.add_scatter(
        x=shown.loc[shown["customers_out"].notna(), "minutes_since_report"].tolist(),
        y=shown["customers_out"].dropna().tolist(),
        mode="lines",
        name="customers out",
        line={"shape": "hv", "color": style.INKS["first"], "width": 3},
        hovertemplate="%{y} customers out from %{x:.0f} min<extra></extra>",
    )
    top = float(moments["customers_out"].max()) if moments["customers_out"].notna().any() else 1.0
    heights = [top * (1.06 + 0.09 * (place % 4)) for place in range(len(shown))]
    chart.add_scatter(
        x=shown["minutes_since_report"].tolist(),
        y=heights,
        mode="markers+text",
        name="stamps, steps and tests",
        text=shown["moment"].tolist(),
        textposition="middle right",
        textfont={"size": 11},
        marker={"symbol": "line-ns-open", "size": 9, "color": style.INKS["second"]},
        hovertemplate="%{text}: %{x:.0f} min<extra></extra>",
    )
    if len(later):
        said = ", ".join(
            f"{m} {x / 60:.0f} h" for m, x in zip(later["moment"], later["minutes_since_report"], strict=True)
        )
        chart.add_annotation(
            text=f"later: {said}",
            xref="paper",
            yref="paper",
            x=1,
            y=0.02,
            xanchor="right",
            showarrow=False,
            font={"size": 11},
        )
    chart.update_xaxes(
        title_text="Minutes since the report [min]",
        range=[min(0.0, float(shown["minutes_since_report"].min())), edge * 1.08],
    )
    chart.update_yaxes(title_text="Customers out", rangemode="tozero")
    return chart


def chart_later_stages(stages: pd.DataFrame) -> go.Figure:
    """Length of the stages after the section is known: mean with limits, median and 90th percentile, in hours.

    Parameters
    ----------
    stages
        Rows of restoration_stages of one group.

    Notes
    -----
    A log axis, since the stages run from an hour to weeks.

    Checked by: tests/unit/test_reports_restoration.py (through restoration.build)
    """
    rows = (
        stages[stages["stage"].isin(LATER_STAGES)].set_index("stage").reindex(LATER_STAGES).dropna(subset=["mean_min"])
    )
    rows = rows[rows["median_min"] > 0]
    names = [STAGE_NAMES[s] for s in rows.index]
    chart = style.new_chart(style.row_height(len(rows), each=44, around=96))
    for column, name, mark, ink in (
        ("median_min", "median", "diamond-open", "fourth"),
        ("mean_min", "mean with limits", "circle", "first"),
        ("p90_min", "90th percentile", "line-ns-open", "second"),
    ):
        hours = rows[column] / 60
        bars = style.bars_between(hours, rows["mean_lo"] / 60, rows["mean_hi"] / 60) if column == "mean_min" else None
        chart.add_scatter(
            x=hours.tolist(),
            y=names,
            mode="markers",
            meta={"to": [jobs_of(stage=stage) for stage in rows.index]},
            name=name,
            error_x=bars,
            marker={"symbol": mark, "size": 10, "color": style.INKS[ink], "line": {"width": 2}},
            hovertemplate="%{y}<br>" + name + " %{x:.1f} h<extra></extra>",
        )
    chart.update_yaxes(autorange="reversed", ticks="", showline=False)
    chart.update_xaxes(title_text="Hours, log scale [h]", type="log", tickvals=[1, 10, 100, 1000])
    return chart


def chart_groups(summary: pd.DataFrame, few: list[bool]) -> go.Figure:
    """Mean time to locate and to restore of each group with limits, groups of too few jobs in pale ink.

    Parameters
    ----------
    summary
        Rows of restoration_summary of one grouping, in the order they are drawn, top first.
    few
        Whether each group has too few jobs to be compared.

    Notes
    -----
    Checked by: tests/unit/test_reports_restoration.py (through restoration.build)
    """
    chart = style.new_chart(style.row_height(len(summary), each=38, around=96))
    names = [f"{group} ({jobs:,})" for group, jobs in zip(summary["group_name"], summary["jobs"], strict=True)]
    for place, (what, name) in enumerate((("locate", "time to locate"), ("restore", "time to restore"))):
        mean = summary[f"mean_time_to_{what}_min"]
        inks = [style.INKS["pale"] if p else style.ink_of(place) for p in few]
        chart.add_scatter(
            x=mean.tolist(),
            y=names,
            mode="markers",
            name=name,
            meta={"to": [jobs_of("cable_class", group) for group in summary["group_name"]]},
            marker={"symbol": style.mark_of(place), "size": 9, "color": inks},
            error_x={
                **style.bars_between(mean, summary[f"mean_time_to_{what}_lo"], summary[f"mean_time_to_{what}_hi"]),
                "color": style.ink_of(place),
            },
            hovertemplate="%{y}<br>mean " + name + " %{x:.1f} min<extra></extra>",
        )
    chart.update_yaxes(autorange="reversed", ticks="", showline=False)
    chart.update_xaxes(title_text="Mean [min]", rangemode="tozero")
    return chart
