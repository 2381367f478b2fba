"""Figures of restoration over time and between groups."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from reports import style
from reports.links import jobs_listed, jobs_of

if TYPE_CHECKING:
    import plotly.graph_objects as go


def chart_trend(trend: pd.DataFrame, title: str) -> go.Figure:
    """Monthly means between the limits of an individuals chart; immature months hollow, with their adjusted mean.

    Parameters
    ----------
    trend
        Rows of restoration_trend of one measure, in order of the months.
    title
        Title of the axis, with its unit in brackets.

    Notes
    -----
    Checked by: tests/unit/test_reports_restoration.py (through restoration.build)
    """
    months = trend["reported_month"].dt.strftime("%Y-%m-%d").tolist()
    chart = style.new_chart(340)
    for column, name, dash in (
        ("upper_min", "limits", "dash"),
        ("lower_min", "limits", "dash"),
        ("centre_min", "centre", "solid"),
    ):
        chart.add_scatter(
            x=months,
            y=trend[column].tolist(),
            mode="lines",
            name=name,
            showlegend=column != "lower_min",
            line={"color": style.INKS["pale"], "width": 1.4, "dash": dash},
            hoverinfo="skip",
        )
    mature = ~trend["is_immature"].astype(bool)
    chart.add_scatter(
        x=months,
        y=trend["mean_min"].where(mature).tolist(),
        mode="lines+markers",
        name="month",
        line={"color": style.INKS["first"], "width": 1.2},
        marker={"size": 5},
        meta={"to": [f"jobs?reported_month={month}" for month in months]},
        customdata=trend["jobs"].tolist(),
        connectgaps=True,
        hovertemplate="%{x|%B %Y}<br>mean %{y:.0f} min, %{customdata} jobs<extra></extra>",
    )
    signal = trend[trend["signal"] != ""]
    if len(signal):
        chart.add_scatter(
            x=signal["reported_month"].dt.strftime("%Y-%m-%d").tolist(),
            y=signal["mean_min"].tolist(),
            mode="markers",
            name="out of the ordinary",
            customdata=signal["signal"].tolist(),
            marker={"symbol": "square-open", "size": 13, "color": style.INKS["second"], "line": {"width": 2}},
            hovertemplate="%{x|%B %Y}: %{customdata}<extra></extra>",
        )
    late = trend[~mature]
    if len(late):
        when = late["reported_month"].dt.strftime("%Y-%m-%d").tolist()
        chart.add_scatter(
            x=when,
            y=late["mean_min"].tolist(),
            mode="markers",
            name="not complete, as seen",
            marker={"symbol": "circle-open", "size": 9, "color": style.INKS["pale"], "line": {"width": 2}},
            customdata=(100 * late["share_closed"]).tolist(),
            hovertemplate="%{x|%B %Y}<br>mean %{y:.0f} min with %{customdata:.0f} % closed<extra></extra>",
        )
        chart.add_scatter(
            x=when,
            y=late["adjusted_mean_min"].tolist(),
            mode="markers",
            name="not complete, adjusted",
            marker={"symbol": "diamond", "size": 9, "color": style.INKS["third"]},
            error_y=style.bars_between(late["adjusted_mean_min"], late["adjusted_lo"], late["adjusted_hi"]),
            hovertemplate="%{x|%B %Y}<br>adjusted %{y:.0f} min<extra></extra>",
        )
    chart.update_xaxes(title_text="Month of the report", type="date", showgrid=False)
    chart.update_yaxes(title_text=title, rangemode="tozero")
    return chart


def chart_closing_lag(lag: pd.DataFrame) -> go.Figure:
    """Share of the jobs closed by the days since their report.

    Parameters
    ----------
    lag
        fitted.closing_lag, in order of the days.

    Notes
    -----
    Checked by: tests/unit/test_reports_restoration.py (through restoration.build)
    """
    chart = style.new_chart(300)
    chart.add_scatter(
        x=lag["lag_days"].tolist(),
        y=(100 * lag["share_closed"]).tolist(),
        mode="lines",
        showlegend=False,
        line={"color": style.INKS["first"], "width": 2, "shape": "hv"},
        hovertemplate="after %{x:.0f} days %{y:.0f} % are closed<extra></extra>",
    )
    chart.update_xaxes(title_text="Days since the report", rangemode="tozero")
    chart.update_yaxes(title_text="Closed, and so on file [%]", range=[0, 102])
    return chart


def chart_funnel(comparison: pd.DataFrame) -> go.Figure:
    """Adjusted ratio of each group to the fleet against its jobs, within the funnel of chance.

    Parameters
    ----------
    comparison
        Rows of restoration_comparison of one grouping and measure.

    Notes
    -----
    The funnel is drawn through the limits of the groups themselves, in order of their jobs: it has corners where groups
    of as many jobs have other storms and days.

    Checked by: tests/unit/test_reports_restoration.py
    """
    rows = comparison.sort_values(["jobs", "group_name"])
    jobs = rows["jobs"].tolist()
    # names of many groups would lie over one another: those within chance are then named by the table and on hover
    few = len(rows) <= 6
    chart = style.new_chart(380)
    for coverage, dash, name in (("all", "solid", "chance, all groups"), ("95", "dot", "chance, one group")):
        for side in ("lo", "hi"):
            chart.add_scatter(
                x=jobs,
                y=(100 * (rows[f"funnel_{coverage}_{side}"] - 1)).tolist(),
                mode="lines",
                name=name,
                showlegend=side == "lo",
                line={"color": style.INKS["pale"], "width": 1.4, "dash": dash},
                hoverinfo="skip",
            )
    for verdict, mark, ink, name in (
        ("within", "circle", "first", "within chance"),
        ("slower", "triangle-up", "second", "slower"),
        ("faster", "triangle-down", "third", "faster"),
        ("not_separable", "circle-open", "soft", "unknown"),
    ):
        own = rows[rows["verdict"] == verdict]
        if own.empty:
            continue
        difference = 100 * (own["ratio_adjusted"] - 1)
        names = own["group_name"].str.replace("_", " ").tolist()
        chart.add_scatter(
            x=own["jobs"].tolist(),
            y=difference.tolist(),
            mode="markers+text",
            name=name,
            text=names if few or verdict != "within" else [""] * len(names),
            textposition=["middle left" if n > 0.6 * max(jobs) else "middle right" for n in own["jobs"]],
            hovertext=names,
            marker={"symbol": mark, "size": 10, "color": style.INKS[ink]},
            meta={"to": [jobs_of(*group) for group in own[["grouped_by", "group_name"]].itertuples(index=False)]},
            error_y=style.bars_between(difference, 100 * (own["ratio_lo"] - 1), 100 * (own["ratio_hi"] - 1)),
            customdata=(100 * (own["ratio_seen"] - 1)).tolist(),
            hovertemplate="%{hovertext}: %{y:+.0f} % once adjusted, %{customdata:+.0f} % as seen<extra></extra>",
        )
    chart.update_xaxes(title_text="Jobs", range=[0, 1.06 * max(jobs)])
    chart.update_yaxes(title_text="Against the fleet [%]", zeroline=True, zerolinecolor=style.INKS["soft"])
    return chart


SERIES: dict[str, dict[object, str]] = {
    "is_without_major_events": {False: "all days", True: "without major event days"},
    "basis": {"as_recorded": "as recorded", "reconciled": "reconciled", "duplicates_joined": "duplicates joined"},
}


def chart_years(indices: pd.DataFrame, by: str) -> go.Figure:
    """SAIDI, SAIFI and CAIDI by year, one above the other, a line for each value of a column of ``SERIES``.

    Parameters
    ----------
    indices
        Rows of restoration_indices, in order of the years.
    by
        Column whose values are drawn apart.

    Notes
    -----
    Checked by: tests/unit/test_reports_restoration.py (through restoration.build)
    """
    chart = style.new_chart(480)
    panels = (("saidi_min", "SAIDI [min]", ""), ("saifi", "SAIFI", "2"), ("caidi_min", "CAIDI [min]", "3"))
    for place, (column, title, axis) in enumerate(panels):
        for number, (value, name) in enumerate(SERIES[by].items()):
            rows = indices[indices[by] == value]
            chart.add_scatter(
                x=rows["year"].astype(str).tolist(),
                y=rows[column].tolist(),
                mode="lines+markers",
                name=name,
                showlegend=place == 0,
                yaxis=f"y{axis}",
                line={"color": style.ink_of(number), "width": 1.4, "dash": style.dash_of(number)},
                marker={"symbol": style.mark_of(number), "size": 6},
                meta={"to": [f"jobs?reported_year={year}&by=-customer_minutes" for year in rows["year"]]},
                hovertemplate="%{x}: %{y:.3g}, " + name + "<extra>" + title.split()[0] + "</extra>",
            )
        top = 1 - place * 0.35
        chart.update_layout(
            {
                f"yaxis{axis}": {
                    **chart.layout.yaxis.to_plotly_json(),
                    "domain": [top - 0.29, top],
                    "title": {"text": title, "standoff": 10, "font": {"size": 13}},
                    "rangemode": "tozero",
                    "anchor": "x",
                    "nticks": 4,
                }
            }
        )
    chart.update_xaxes(title_text="Year of the report", showgrid=False, anchor="y3", nticks=10)
    return chart


def chart_customers(customers: pd.DataFrame) -> go.Figure:
    """Customers with several, or with long, interruptions, by year.

    Parameters
    ----------
    customers
        Rows of restoration_customers, in order of the years, of the measures and thresholds to be shown.

    Notes
    -----
    Checked by: tests/unit/test_reports_restoration.py (through restoration.build)
    """
    words = {"cemi": "{} or more interruptions", "celid": "one of {} hours or more"}
    years = sorted(customers["year"].unique())
    chart = style.new_chart(340)
    for place, ((measure, threshold), rows) in enumerate(customers.groupby(["measure", "threshold"], sort=True)):
        counts = rows.set_index("year")["customers"].reindex(years, fill_value=0)
        chart.add_scatter(
            x=[str(y) for y in years],
            y=counts.tolist(),
            mode="lines+markers",
            name=words[str(measure)].format(threshold),
            line={"color": style.ink_of(place), "width": 1.4, "dash": style.dash_of(place)},
            marker={"symbol": style.mark_of(place), "size": 7},
            # the half-loops behind customers interrupted repeatedly; the longest jobs behind long interruptions
            meta={
                "to": [
                    f"most_interrupted?period={year}"
                    if measure == "cemi"
                    else f"jobs?reported_year={year}&has=report_to_restore_min&by=-report_to_restore_min"
                    for year in years
                ]
            },
            hovertemplate="%{x}: %{y:,.0f} customers<extra></extra>",
        )
    chart.update_xaxes(title_text="Year of the report", showgrid=False, nticks=10)
    chart.update_yaxes(title_text="Customers", rangemode="tozero")
    return chart


def chart_interrupted(rows: pd.DataFrame) -> go.Figure:
    """Sustained interruptions of half-loops; a bar leads to its jobs.

    Parameters
    ----------
    rows
        Rows of most_interrupted of one period, in order of their rank.

    Notes
    -----
    Checked by: tests/unit/test_reports_restoration.py
    """
    chart = style.new_chart(style.row_height(len(rows), each=30, around=84))
    chart.add_bar(
        x=rows["interruptions"].tolist(),
        y=rows["half_loop_id"].tolist(),
        orientation="h",
        showlegend=False,
        marker={"color": style.INKS["first"]},
        customdata=rows[["customers", "customer_minutes"]].values.tolist(),
        meta={"to": [jobs_listed(ids) for ids in rows["job_ids"]]},
        hovertemplate="%{y}<br>%{x} interruptions, %{customdata[0]} customers, "
        "%{customdata[1]:,.0f} customer-minutes<extra></extra>",
    )
    chart.update_yaxes(autorange="reversed", showgrid=False, ticks="", showline=False)
    chart.update_xaxes(title_text="Sustained interruptions", rangemode="tozero", dtick=1)
    return chart
