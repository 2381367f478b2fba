"""Figures of scenarios: what each plan does, and which setting moved it."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

import pandas as pd

from reports import style
from reports.figures.replacement_money import ACTION_INKS, ACTION_NAMES, ACTION_PATTERNS, hatched

if TYPE_CHECKING:
    import plotly.graph_objects as go

NAME_WIDTH = 20
"""Letters of a line beside a bar."""


def broken(name: str) -> str:
    """A name over as many lines as it takes."""
    return "<br>".join(textwrap.wrap(name, NAME_WIDTH))


def setting_words(key: str) -> str:
    """A setting in words: its name without the section."""
    return key.rpartition(".")[2].replace("_", " ")


def add_lengths(
    chart: go.Figure, rows: pd.DataFrame, names: list[str], number: str, width: float | None = None
) -> None:
    """A bar for each row and action: kilometres, written with the format of number."""
    for column, name in ACTION_NAMES.items():
        chart.add_bar(
            x=rows[column].tolist(),
            y=names,
            orientation="h",
            name=name,
            width=width,
            marker={"color": style.INKS[ACTION_INKS[column]], "pattern": hatched(ACTION_PATTERNS[column])},
            hovertemplate=f"%{{y}}: %{{x:{number}}} [km] {name}<extra></extra>",
        )


def chart_plans(plans: pd.DataFrame) -> go.Figure:
    """Length replaced and injected by the whole plan of each scenario, the base at the top; what it avoids beside it.

    Parameters
    ----------
    plans
        Rows of scenario_comparison without changed_setting.

    Notes
    -----
    Checked by: tests/unit/test_reports_scenarios.py (through build)
    """
    chart = style.new_chart(style.row_height(len(plans), each=52))
    each = zip(plans["scenario"], plans["avoided_failures"], strict=True)
    names = [f"{broken(name)}<br>avoids {style.counted(round(failures), 'failure')}" for name, failures in each]
    add_lengths(chart, plans, names, ".1f", width=0.6)
    chart.update_layout(barmode="stack", legend_traceorder="normal")
    chart.update_yaxes(autorange="reversed", ticks="", showgrid=False)
    chart.update_xaxes(title_text="Length worked on in all years [km]", rangemode="tozero")
    return chart


def chart_changes(changes: pd.DataFrame) -> go.Figure:
    """What each setting of each scenario changes alone: length replaced and injected, against the base.

    Parameters
    ----------
    changes
        Rows of tabulate_changes.

    Notes
    -----
    Checked by: tests/unit/test_reports_scenarios.py (through build)
    """
    chart = style.new_chart(style.row_height(len(changes), each=72))
    columns = ["scenario", "changed_setting", "from_value", "to_value"]
    names = [
        "<br>".join([broken(scenario), broken(setting_words(setting))]) + (f"<br>{old} to {new}" if old or new else "")
        for scenario, setting, old, new in changes[columns].itertuples(index=False)
    ]
    add_lengths(chart, changes, names, "+.1f")
    chart.add_vline(x=0, line={"color": style.INKS["text"], "width": 1})
    chart.update_yaxes(autorange="reversed", ticks="", showgrid=False)
    chart.update_xaxes(title_text="Change against the base [km]")
    return chart
