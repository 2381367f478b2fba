"""Figures of what pays: benefit over cost, the plan by year, and what a failure avoided costs."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from reports import style

if TYPE_CHECKING:
    import plotly.graph_objects as go

CURVE_POINTS = 400
"""Points of a curve at most: more than the pixels it is drawn on would only weigh."""

ACTION_NAMES = {"replaced_km": "replaced", "injected_km": "injected"}
ACTION_INKS = {"replaced_km": "first", "injected_km": "fourth"}
ACTION_PATTERNS = {"replaced_km": "", "injected_km": "/"}


def hatched(shape: str) -> dict[str, Any]:
    """Pattern of a bar over its ink, so that bars part in grey print."""
    return {"shape": shape, "fillmode": "overlay", "fgcolor": style.INKS["paper"], "size": 6, "solidity": 0.25}


def chart_benefit(sections: pd.DataFrame) -> go.Figure:
    """Benefit over cost against the length replaced, sections taken from the best downwards.

    Parameters
    ----------
    sections
        Rows of section_ranking with those of section_options: length_km, benefit_cost_ratio (the rate held) and
        benefit_cost_growing.

    Notes
    -----
    Checked by: tests/end_to_end/test_reports_browser.py (through write_pages)
    """
    chart = style.new_chart(340)
    for column, name, ink, dash in (
        ("benefit_cost_growing", "cable grows older", "first", "solid"),
        ("benefit_cost_ratio", "failure rate held", "fourth", "dash"),
    ):
        rows = sections.dropna(subset=[column]).sort_values([column, "section_id"], ascending=[False, True])
        if rows.empty:
            continue
        length, ratio = rows["length_km"].cumsum().to_numpy(), rows[column].to_numpy()
        if len(rows) > CURVE_POINTS:
            kept = np.unique(np.geomspace(1, len(rows), CURVE_POINTS).round().astype(int)) - 1
            length, ratio = length[kept], ratio[kept]
        chart.add_scatter(
            x=length.tolist(),
            y=ratio.tolist(),
            mode="lines",
            name=name,
            line={"color": style.INKS[ink], "width": 1.8, "dash": dash},
            hovertemplate=f"best %{{x:.1f}} [km]: the last section returns %{{y:.2f}} of its cost, {name}"
            "<extra></extra>",
        )
    chart.add_hline(y=1, line={"color": style.INKS["second"], "width": 1, "dash": "dash"})
    chart.update_xaxes(title_text="Length, sections from the best downwards [km]", rangemode="tozero", showgrid=False)
    chart.update_yaxes(title_text="Benefit over cost", rangemode="tozero")
    return chart


def chart_best_year(options: pd.DataFrame, life_years: float) -> go.Figure:
    """Sections by the years until they are best replaced, those never within the life beside them.

    Parameters
    ----------
    options
        Rows of section_options: wait_years, missing for never.
    life_years
        Life of new cable: as far as is looked.

    Notes
    -----
    Checked by: tests/unit/test_reports_replacement_money.py (through money.section)
    """
    waits = options["wait_years"].astype("Float64")
    ends = [0, 1, 3, 6, 11, 21, int(np.ceil(life_years)) + 1]
    names = ["now", "1 to 2 years", "3 to 5", "6 to 10", "11 to 20", "later"]
    counts = [int(waits.ge(a).mul(waits.lt(b)).sum()) for a, b in itertools.pairwise(ends)]
    chart = style.new_chart(300)
    chart.add_bar(
        x=[*names, f"not in {life_years:.0f} years"],
        y=[*counts, int(waits.isna().sum())],
        width=0.6,
        showlegend=False,
        marker={"color": style.INKS["first"]},
        hovertemplate="%{x}: %{y} sections<extra></extra>",
    )
    chart.update_xaxes(title_text="From now until replacing is best", showgrid=False, ticks="")
    chart.update_yaxes(title_text="Sections", rangemode="tozero")
    return chart


def chart_trajectory(budgets: pd.DataFrame) -> go.Figure:
    """Failures a year over the coming years, a line a budget, with limits of the first and of the whole budget.

    Parameters
    ----------
    budgets
        Rows of budget_curve by budget_share and years_of_plan.

    Notes
    -----
    Checked by: tests/unit/test_reports_replacement_money.py (through money.section)
    """
    chart = style.new_chart(400)
    names = {0.0: "nothing done", 0.5: "half the budget", 1.0: "the budget", 1.5: "1.5 budgets", 2.0: "two budgets"}
    for place, share in enumerate(sorted(set(budgets["budget_share"].tolist()))):
        rows = budgets[budgets["budget_share"].eq(share)]
        years, ink = rows["years_of_plan"].tolist(), style.ink_of(place)
        if share in (0.0, 1.0):
            chart.add_scatter(
                x=years + years[::-1],
                y=rows["hi"].tolist() + rows["lo"].tolist()[::-1],
                mode="lines",
                line={"width": 0},
                fill="toself",
                fillcolor=ink,
                opacity=0.15,
                showlegend=False,
                hoverinfo="skip",
            )
        chart.add_scatter(
            x=years,
            y=rows["failures_per_year_with"].tolist(),
            mode="lines",
            name=names.get(share, f"{share:g} budgets"),
            line={"color": ink, "width": 1.8, "dash": style.dash_of(place)},
            customdata=rows[["lo", "hi"]].values.tolist(),
            hovertemplate="year %{x}: %{y:.1f} failures (%{customdata[0]:.1f} to %{customdata[1]:.1f})<extra></extra>",
        )
    chart.update_xaxes(title_text="Year of the plan", showgrid=False)
    chart.update_yaxes(title_text="Failures in the year", rangemode="tozero")
    return chart


def chart_programme(programme: pd.DataFrame, currency: str) -> go.Figure:
    """Failures avoided against money spent, in the order of the programme.

    Parameters
    ----------
    programme
        Rows of programme in programme_order, of one year.
    currency
        Currency of the costs.

    Notes
    -----
    Checked by: tests/end_to_end/test_reports_browser.py (through write_pages)
    """
    spent = (programme["cost"] + programme["mobilising_cost"].fillna(0.0)).cumsum()
    cost = np.concatenate([[0.0], spent.to_numpy()]) / 1e6
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


def chart_years(years: pd.DataFrame) -> go.Figure:
    """Length replaced and injected in each year of the plan, a stacked bar a year.

    Parameters
    ----------
    years
        Rows of programme_years by plan_year.

    Notes
    -----
    Checked by: tests/unit/test_reports_replacement_money.py (through money.section)
    """
    chart = style.new_chart(340)
    names = [f"year {year}" for year in years["plan_year"]]
    for column, name in ACTION_NAMES.items():
        if not (years[column] > 0).any():
            continue
        chart.add_bar(
            x=names,
            y=years[column].tolist(),
            name=name,
            width=0.6,
            marker={"color": style.INKS[ACTION_INKS[column]], "pattern": hatched(ACTION_PATTERNS[column])},
            customdata=years[["loops", "avoided_failures"]].values.tolist(),
            hovertemplate="%{x}: %{y:.1f} [km] "
            + name
            + "; the year avoids %{customdata[1]:.1f} failures on %{customdata[0]} loops<extra></extra>",
        )
    chart.update_layout(barmode="stack")
    chart.update_xaxes(showgrid=False, ticks="")
    chart.update_yaxes(title_text="Length worked on [km]", rangemode="tozero")
    return chart


def chart_cost_curve(curve: pd.DataFrame, first_year: pd.Series | None, currency: str) -> go.Figure:
    """What one more failure avoided costs and is worth, against the failures avoided.

    Parameters
    ----------
    curve
        Rows of cost_curve by curve_point.
    first_year
        The first row of programme_years, marked on the curve; None where there is none.
    currency
        Currency of the costs.

    Notes
    -----
    Checked by: tests/unit/test_reports_replacement_money.py (through money.section)
    """
    chart = style.new_chart(400)
    each = curve["marginal_cost_per_failure_avoided"]
    lines = (
        ("one more costs", each, "first", "solid", "hv"),
        ("one more is worth", each * curve["marginal_return"], "third", "dot", "hv"),
        ("all so far cost, each", curve["cost_per_failure_avoided"], "fourth", "dash", "linear"),
    )
    for name, values, ink, dash, shape in lines:
        chart.add_scatter(
            x=curve["avoided_failures"].tolist(),
            y=(values / 1e3).tolist(),
            mode="lines",
            name=name,
            # A step of the curve reaches back to the point before.
            line={"color": style.INKS[ink], "width": 1.8, "dash": dash, "shape": "vh" if shape == "hv" else "linear"},
            customdata=(curve["spent"] / 1e6).tolist(),
            hovertemplate=f"%{{x:.0f}} failures avoided for %{{customdata:.2f}} million: {name} %{{y:.1f}} thousand"
            "<extra></extra>",
        )
    if first_year is not None and first_year["avoided_failures"] > 0:
        chart.add_scatter(
            x=[float(first_year["avoided_failures"])],
            y=[float(first_year["spent"] / first_year["avoided_failures"] / 1e3)],
            mode="markers",
            name="first year of the plan",
            marker={"symbol": "diamond", "size": 11, "color": style.INKS["second"]},
            hovertemplate="first year: %{x:.1f} failures at %{y:.1f} thousand each<extra></extra>",
        )
    chart.update_xaxes(title_text="Failures avoided", rangemode="tozero", showgrid=False)
    chart.update_yaxes(title_text=f"Money for a failure avoided [thousand {currency}]", rangemode="tozero")
    return chart
