"""Figures that hold the ranking against what followed: back-test, calibration, before and after, past forecasts."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from reports import style

if TYPE_CHECKING:
    import plotly.graph_objects as go

RULE_NAMES = {
    "model": "this model",
    "model_per_cost": "this model, per unit of cost",
    "most_failures": "most failures",
    "recent_failures": "most recent failures",
    "failures_per_km": "failures per km",
    "class_rate_times_failures": "class rate × (failures + ½)",
    "class_age_times_failures": "class rate at its age × (failures + ½)",
    "oldest_first": "oldest first",
    "three_in_five_years": "three in five years",
    "random": "random",
    "present_rule": "the rule in use",
}
"""Rules of the back-test in words, the model first."""


def chart_capture(summary: pd.DataFrame, by: str = "length") -> go.Figure:
    """Share of the later failures caught against the share of length or cost picked, a line a rule.

    Parameters
    ----------
    summary
        rule, length_fraction or cost_fraction, capture_fraction with limits, and is_own_length where length is picked:
        one level. A rule at its own length is a mark without a line, named so.
    by
        length or cost.

    Notes
    -----
    Checked by: tests/end_to_end/test_reports_browser.py (through write_pages)
    """
    is_own = summary.get("is_own_length", pd.Series(False, index=summary.index)).astype(bool)
    lines = [
        (rule, own) for own in (False, True) for rule in RULE_NAMES if (summary["rule"].eq(rule) & is_own.eq(own)).any()
    ]
    chart = style.new_chart(330 + 24 * len(lines))  # the legend has a line a rule, and half the height
    for place, (rule, own) in enumerate(lines):
        rows = summary[summary["rule"].eq(rule) & is_own.eq(own)].sort_values(f"{by}_fraction")
        name = f"{RULE_NAMES[rule]}, at its own length" if own else RULE_NAMES[rule]
        # there are more rules than inks: the marks of a second round are open, their dashes one on
        again = place // len(style.MARKS)
        chart.add_scatter(
            x=(100 * rows[f"{by}_fraction"]).tolist(),
            y=(100 * rows["capture_fraction"]).tolist(),
            mode="markers" if own else "lines+markers",
            name=name,
            line={
                "color": style.ink_of(place),
                "width": 2.4 if rule == "model" else 1.3,
                "dash": style.dash_of(place + again),
            },
            marker={"symbol": style.mark_of(place) + "-open" * bool(again), "size": 8},
            hovertemplate=f"first %{{x:.1f}} % of {by}: %{{y:.0f}} % of failures<extra>{name}</extra>",
        )
    title = "Length picked [%]" if by == "length" else "Money spent, of the cost of it all [%]"
    chart.update_xaxes(title_text=title, rangemode="tozero", showgrid=False)
    chart.update_yaxes(title_text="Later failures on it [%]", rangemode="tozero")
    return chart


def chart_calibration(tenths: pd.DataFrame) -> go.Figure:
    """Failures seen against failures expected, a mark a tenth of the length.

    Parameters
    ----------
    tenths
        Rows of calibration_summary, without the whole.

    Notes
    -----
    Checked by: tests/end_to_end/test_reports_browser.py (through write_pages)
    """
    chart = style.new_chart(400)
    top = float(max(tenths["expected_distinct"].max(), tenths["observed_hi"].max(), 1.0))
    chart.add_scatter(
        x=[0, top],
        y=[0, top],
        mode="lines",
        name="as expected",
        hoverinfo="skip",
        line={"color": style.INKS["soft"], "width": 1, "dash": "dot"},
    )
    chart.add_scatter(
        x=tenths["expected_distinct"].tolist(),
        y=tenths["observed_distinct"].tolist(),
        mode="markers",
        name="a tenth of the length",
        marker={"symbol": style.mark_of(0), "size": 9, "color": style.ink_of(0)},
        error_y=style.bars_between(tenths["observed_distinct"], tenths["observed_lo"], tenths["observed_hi"]),
        customdata=tenths["decile"].tolist(),
        hovertemplate="tenth %{customdata}: expected %{x:.1f}, seen %{y:.1f}<extra></extra>",
    )
    chart.update_xaxes(title_text="Failures expected", rangemode="tozero", showgrid=False)
    chart.update_yaxes(title_text="Failures seen", rangemode="tozero")
    return chart


PICKED_WORDS = {
    "watched": "watched",
    "replaced_in": "replaced in",
    "replaced_because": "replaced because of",
    "injected_in": "injected in",
    "recent_failures": "recent record",
    "most_failures": "whole record",
}
"""How a set was picked, in words, in the order they are shown."""

SHORT_WORDS = {
    "watched": "",
    "replaced_in": "replaced",
    "injected_in": "injected",
    "recent_failures": "recent record",
    "most_failures": "whole record",
}
"""The same beside a line of the chart, where a year follows; reasons have no line."""


def chart_past_forecasts(whole: pd.DataFrame) -> go.Figure:
    """Failures of the year after each past date: forecast with limits, and those that came.

    Parameters
    ----------
    whole
        Rows of forecast_score for all cable.

    Notes
    -----
    Checked by: tests/end_to_end/test_reports_browser.py (through write_pages)
    """
    chart = style.new_chart(style.row_height(len(whole), each=34))
    names = [f"{origin:%Y-%m-%d}" for origin in whole["origin"]]
    chart.add_scatter(
        x=whole["expected"].tolist(),
        y=names,
        mode="markers",
        name="forecast, with limits of the count",
        marker={"symbol": style.mark_of(0), "size": 9, "color": style.INKS["first"]},
        error_x=style.bars_between(whole["expected"], whole["expected_lo"], whole["expected_hi"]),
        hovertemplate="year after %{y}<br>forecast %{x:.1f}<extra></extra>",
    )
    chart.add_scatter(
        x=whole["observed_failures"].tolist(),
        y=names,
        mode="markers",
        name="came",
        marker={"symbol": "line-ns-open", "size": 14, "color": style.INKS["second"], "line": {"width": 2.5}},
        hovertemplate="year after %{y}<br>%{x:.0f} came<extra></extra>",
    )
    # names that look like dates would else be drawn on an axis of time
    chart.update_yaxes(type="category", autorange="reversed", ticks="", showline=False, title_text="Year after")
    chart.update_xaxes(title_text="Failures of the fleet in the year", rangemode="tozero")
    return chart


def chart_before_after(sets: pd.DataFrame) -> go.Figure:
    """Failures after the day: the record carried on, expected with nothing done, and seen.

    Parameters
    ----------
    sets
        Rows of before_after in the order they are shown, those by reason left out.

    Notes
    -----
    Checked by: tests/end_to_end/test_reports_browser.py (through write_pages)
    """
    chart = style.new_chart(style.row_height(len(sets), each=24, around=130))
    names = [
        f"{SHORT_WORDS[how]} {name[:4] if name[:4].isdigit() and how != 'watched' else name}".strip()
        for how, name in zip(sets["grouped_by"], sets["group_name"], strict=True)
    ]
    chart.add_scatter(
        x=sets["naive_after"].tolist(),
        y=names,
        mode="markers",
        name="record carried on",
        marker={"symbol": "line-ns-open", "size": 12, "color": style.INKS["fourth"], "line": {"width": 2}},
        hovertemplate="%{y}<br>record carried on %{x:.1f}<extra></extra>",
    )
    for place, (column, name) in enumerate(
        (("expected_after", "expected with nothing done"), ("seen_after", "seen after"))
    ):
        chart.add_scatter(
            x=sets[column].tolist(),
            y=names,
            mode="markers",
            name=name,
            marker={"symbol": style.mark_of(place), "size": 8, "color": style.ink_of(place)},
            error_x=style.bars_between(sets[column], sets[f"{column}_lo"], sets[f"{column}_hi"]),
            hovertemplate="%{y}<br>" + name + " %{x:.1f}<extra></extra>",
        )
    chart.update_yaxes(autorange="reversed", ticks="", showline=False, tickmode="array", tickvals=names)
    chart.update_xaxes(title_text="Failures after the day", rangemode="tozero")
    return chart


FOLLOWED_WORDS = {"done": "since the work", "not_done": "not worked on yet", "cohort": "cohort"}
"""Groups of the follow-up in words, in the order they are shown."""


def chart_follow_up(groups: pd.DataFrame) -> go.Figure:
    """Failures seen over those expected without the work, with limits; what was planned beside it.

    Parameters
    ----------
    groups
        Rows of follow_up_effect with limits.

    Notes
    -----
    Checked by: tests/unit/test_reports_follow_up.py (through effect)
    """
    several = len(set(groups["commitment_id"])) > 1
    names = [
        FOLLOWED_WORDS[group] + (f"<br>{name}" if several else "")
        for name, group in zip(groups["commitment_id"], groups["followed_group"], strict=True)
    ]
    chart = style.new_chart(style.row_height(len(groups), each=48, around=130))
    chart.add_scatter(
        x=groups["effect_ratio"].tolist(),
        y=names,
        mode="markers",
        name="seen, with limits",
        marker={"symbol": style.mark_of(0), "size": 9, "color": style.ink_of(0)},
        error_x=style.bars_between(groups["effect_ratio"], groups["effect_ratio_lo"], groups["effect_ratio_hi"]),
        customdata=groups[["seen_after", "expected_adjusted"]].to_numpy().tolist(),
        hovertemplate="%{y}<br>%{customdata[0]:.0f} seen, %{customdata[1]:.1f} expected: %{x:.2f}<extra></extra>",
    )
    chart.add_scatter(
        x=groups["planned_ratio"].tolist(),
        y=names,
        mode="markers",
        name="planned",
        marker={"symbol": "line-ns-open", "size": 16, "color": style.ink_of(1), "line": {"width": 2.5}},
        hovertemplate="%{y}<br>planned %{x:.2f}<extra></extra>",
    )
    chart.add_vline(x=1.0, line={"color": style.INKS["soft"], "width": 1, "dash": "dot"})
    chart.update_yaxes(autorange="reversed", ticks="", showline=False)
    most = float(groups["effect_ratio"].fillna(0.0).max())
    chart.update_xaxes(
        title_text="Failures seen over expected without the work (1: no effect)",
        range=[0, min(max(1.5, 1.15 * float(groups["effect_ratio_hi"].max())), max(4.0, 1.15 * most))],
    )
    return chart


def chart_churn(moves: pd.DataFrame) -> go.Figure:
    """Rank then and now of the first loops, a line a loop.

    Parameters
    ----------
    moves
        Rows of ranking_churn that have both ranks, in the order of the rank now.

    Notes
    -----
    Checked by: tests/end_to_end/test_reports_browser.py (through write_pages)
    """
    chart = style.new_chart(style.row_height(len(moves), each=21, around=100))
    names = moves["loop_id"].tolist()
    style.add_spans(chart, moves["rank_then"], moves["rank_now"], names, "soft", 1.2)
    for column, name, place in (("rank_then", "then", 1), ("rank_now", "now", 0)):
        chart.add_scatter(
            x=moves[column].astype(float).tolist(),
            y=names,
            mode="markers",
            name=name,
            marker={"symbol": style.mark_of(place), "size": 8, "color": style.ink_of(place)},
            customdata=moves["places_moved"].astype(float).tolist(),
            hovertemplate="%{y}<br>rank " + name + " %{x}; moved %{customdata:+d}<extra></extra>",
        )
    chart.update_yaxes(autorange="reversed", ticks="", showline=False, tickmode="array", tickvals=names)
    # a place near the head matters more than one far down, and one loop that fell to the end would flatten the rest
    chart.update_xaxes(
        title_text="Rank, on a scale of ratios",
        type="log",
        tickvals=[1, 2, 5, 10, 25, 50, 100, 250, 500, 1000, 5000, 20000],
    )
    return chart


def chart_sensitivity(variants: pd.DataFrame) -> go.Figure:
    """How many of the first loops stay first, a bar a reading of the records.

    Parameters
    ----------
    variants
        Rows of ranking_sensitivity with reading, in words.

    Notes
    -----
    Checked by: tests/end_to_end/test_reports_browser.py (through write_pages)
    """
    chart = style.new_chart(style.row_height(len(variants), each=42, around=90))
    names = [SHORT_READINGS.get(variant, variant) for variant in variants["variant"]]
    chart.add_bar(
        x=variants["top_stay"].astype(float).tolist(),
        y=names,
        orientation="h",
        showlegend=False,
        width=0.5,
        marker={"color": style.INKS["first"]},
        text=variants["top_stay"].astype(int).tolist(),
        textposition="outside",
        cliponaxis=False,
        hovertemplate="%{y}<br>%{x} stay<extra></extra>",
    )
    chart.update_yaxes(type="category", autorange="reversed", ticks="", showline=False, automargin=True)
    chart.update_xaxes(title_text="First loops that stay first", range=[0, float(variants["top_loops"].max()) * 1.08])
    return chart


SHORT_READINGS = {
    "unknown_causes_left_out": "no unknown<br>causes",
    "unknown_causes_in_proportion": "unknown causes<br>in proportion",
    "loop_only_left_out": "no failures known<br>by loop alone",
    "undated_left_out": "no sections<br>without a date",
}
"""Readings of the records beside their bars."""
