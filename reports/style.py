"""The one style of the reports: inks, marks, the plotly template, and how numbers are written.

Inks differ in lightness as well as hue, so that they part in grey print; every series also has its
own mark and dash. The dark scheme is a second set of inks under the same names.
"""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from shared import dictionary

if TYPE_CHECKING:
    import plotly.graph_objects as go

INKS: Final = {
    "paper": "#fcfbf8",
    "text": "#20252a",
    "soft": "#5a6068",
    "rule": "#d9d5cb",
    "pale": "#8f8b82",
    "first": "#143049",
    "second": "#8a2f1f",
    "third": "#39705f",
    "fourth": "#a87716",
    "fifth": "#6d5f8a",
}
"""Ink by role, as printed on paper."""

DARK_INKS: Final = {
    "paper": "#16191c",
    "text": "#e8e4da",
    "soft": "#b1aea6",
    "rule": "#3a3f44",
    "pale": "#84878b",
    "first": "#b5d0ea",
    "second": "#dd7560",
    "third": "#86c8b2",
    "fourth": "#bd9138",
    "fifth": "#a394c6",
}
"""The same roles on a dark screen."""

SERIES: Final = ("first", "second", "third", "fourth", "fifth", "pale", "soft")
MARKS: Final = ("circle", "square", "diamond", "triangle-up", "cross", "x", "star-diamond")
DASHES: Final = ("solid", "dash", "dot", "dashdot", "longdash", "longdashdot", "2px,5px")
TYPEFACE: Final = (
    "Charter, 'Bitstream Charter', 'Iowan Old Style', 'Palatino Linotype', Palatino, Georgia, 'DejaVu Serif', serif"
)
CHART_WIDTH_PX: Final = 640
"""Charts are never wider than the text column, which fits A4 and Letter between their margins."""

MISSING: Final = "–"

DECIMALS: Final = {
    "min": 1,
    "m": 1,
    "km": 2,
    "money": 0,
    "%": 1,
    "% of c": 2,
    "points of c": 2,
    "years": 1,
    "km-years": 1,
    "1/(100 km year)": 2,
    "1/km": 3,
}
"""Decimals of a table cell, by the unit of its column."""

DECIMALS_OF_COLUMN: Final = {
    column: decimals
    for decimals, columns in {
        0: "customer_minutes customer_minutes_at_risk avoided_customer_minutes customer_minutes_naive "
        "customer_minutes_sustained saved_customer_minutes saved_lo saved_hi saved_per_year jobs_expected",
        1: "m_per_us half_m_per_us ft_per_us half_ft_per_us error_median corrected_median error_lo error_hi "
        "corrected_lo corrected_hi",
        2: "length_fraction",
        3: "scale scale_lo scale_hi scale_as_of scale_as_of_lo scale_as_of_hi saifi capture_fraction maifi "
        "share_over_4h share_over_4h_lo share_over_4h_hi share_over_8h",
        4: "share_of_served gap season_p_value",
        5: "plan_gap",
    }.items()
    for column in columns.split()
}
"""Decimals of the columns whose unit does not settle them."""

CALENDAR_YEARS: Final = frozenset(("year", "reported_year", "installed_year", "best_year"))
"""Whole numbers that are written without commas."""

ACRONYMS: Final = {
    "saidi": "SAIDI",
    "saifi": "SAIFI",
    "caidi": "CAIDI",
    "maifi": "MAIFI",
    "p90": "90th percentile of",
    "ewma": "EWMA",
    "cusum": "CUSUM",
    "pct": "percent",
}
"""Words of column names that are not read as they stand."""

BAND: Final = {"fillcolor": INKS["rule"], "opacity": 0.45, "line": {"width": 0}, "layer": "below"}
"""A tolerance, drawn behind the marks."""

LENGTH_UNITS: Final = {
    "m": ("ft", 1 / 0.3048),
    "km": ("mi", 1 / 1.609344),
    "km-years": ("mile-years", 1 / 1.609344),
    "1/(100 km year)": ("1/(100 mi year)", 1.609344),
    "1/km": ("1/mi", 1.609344),
}
"""Unit -> the other unit and the factor to it. 1 ft = 0.3048 m and 1 mile = 5280 ft exactly (1959 agreement)."""


def ink_of(place: int) -> str:
    """Ink of the series at a place, counted from 0."""
    return INKS[SERIES[place % len(SERIES)]]


def mark_of(place: int) -> str:
    """Mark of the series at a place, counted from 0."""
    return MARKS[place % len(MARKS)]


def dash_of(place: int) -> str:
    """Dash of the series at a place, counted from 0."""
    return DASHES[place % len(DASHES)]


# ------------------------------------------------------------------ numbers in sentences


def is_missing(value: Any) -> bool:
    """Whether a scalar holds nothing."""
    return value is None or bool(pd.isna(value))


def number(value: Any, decimals: int | None = None) -> str:
    """A number for a sentence: three digits that matter, or the decimals asked for; thousands parted by commas."""
    if is_missing(value):
        return MISSING
    if decimals is None:
        value = float(value)
        size = abs(value)
        decimals = 0 if size >= 100 or value == int(value) else 1 if size >= 10 else 2 if size >= 0.095 else 3
    text = f"{value:,.{decimals}f}"
    return text.removeprefix("-") if float(text.replace(",", "")) == 0 else text.replace("-", "−")


def limits(lo: Any, hi: Any, decimals: int | None = None) -> str:
    """Both limits of an interval: '3.1 to 5.8', or that there are too few days or storms for them."""
    if is_missing(lo) or is_missing(hi):
        return "too few days or storms for limits"
    return f"{number(lo, decimals)} to {number(hi, decimals)}"


def percent(share: Any, decimals: int = 0) -> str:
    """A share between 0 and 1 as a percentage."""
    return MISSING if is_missing(share) else f"{number(100 * float(share), decimals)} %"


def counted(n: Any, noun: str, plural: str | None = None) -> str:
    """A count with its noun: '1 job', '1,204 jobs'."""
    return f"{int(n):,} {noun if int(n) == 1 else plural or noun + 's'}"


def counted_range(numbers: pd.Series, noun: str) -> str:
    """Counts of several groups: '12 to 900 jobs', or '900 jobs' where all are alike."""
    low, high = int(numbers.min()), int(numbers.max())
    return counted(high, noun) if low == high else f"{low:,} to {counted(high, noun)}"


def money(value: Any, currency: str) -> str:
    """Money for a sentence: 'USD 1.24 million', 'USD 6,500'."""
    if is_missing(value):
        return MISSING
    return f"{currency} {number(value / 1e6, 2)} million" if abs(value) >= 1e6 else f"{currency} {number(value, 0)}"


def date_words(day: Any) -> str:
    """A date for a sentence: '31 December 2025'."""
    return MISSING if is_missing(day) else f"{day.day} {day:%B} {day.year}"


def quantity(value: Any, unit: str, decimals: int | None = None) -> str:
    """A length, or a rate by length, for a sentence; the page's unit switch can rewrite it.

    The text carries value and unit between two rare brackets; the page turns it into words (page.py).
    """
    if is_missing(value):
        return MISSING
    return f"⟦{value:.6g}|{unit}|{'' if decimals is None else decimals}⟧"


# ------------------------------------------------------------------ numbers in tables


def label_of(column: str) -> str:
    """Heading of a column in plain words; its unit is printed below."""
    facts = dictionary.columns().get(column)
    words = {"mcf_per_km": "failures_so_far"}.get(column, column).replace("mcf_", "failures_so_far_")
    if facts is not None and facts.unit:
        for ending in ("_min", "_pct", "_km_years", "_per_100km_year", "_km", "_m", "_years", "_per_km"):
            if words.endswith(ending) and len(words) > len(ending):
                words = words.removesuffix(ending)
                break
    for ending, meaning in (("_lo", ", low"), ("_hi", ", high")):
        if words.endswith(ending):
            words = words.removesuffix(ending) + meaning
    if facts is not None and facts.type in ("instant", "date"):
        words = words.removesuffix("_at").removesuffix("_on")
    words = words.removesuffix("_id") if words.endswith("_id") else words
    words = "90th percentile" if words == "p90" else "_".join(ACRONYMS.get(word, word) for word in words.split("_"))
    return (words[:1].upper() + words[1:]).replace("_", " ")


def unit_of(column: str) -> str:
    """Unit of a column by the dictionary, or nothing."""
    facts = dictionary.columns().get(column)
    return (facts.unit or "") if facts is not None else ""


def cell(value: Any, column: str) -> str:
    """A table cell as text, by the dictionary's type and unit of its column."""
    if is_missing(value):
        return MISSING
    facts = dictionary.columns().get(column)
    if isinstance(value, bool) or (facts is not None and facts.type == "boolean"):
        return "yes" if value else "no"
    if isinstance(value, pd.Timestamp | dt.datetime | dt.date):
        is_day = facts is None or facts.type == "date" or not isinstance(value, dt.datetime)
        return f"{value:%Y-%m-%d}" if is_day else f"{value:%Y-%m-%d %H:%M}"
    if isinstance(value, str):
        return value.replace("_", " ") if facts is not None and facts.codes else value
    if column in CALENDAR_YEARS:
        return str(int(value))
    return number(value, decimals_of(column))


def decimals_of(column: str) -> int | None:
    """Decimals of a column of numbers: by its name, else its type, else its unit, else two."""
    facts = dictionary.columns().get(column)
    if column in DECIMALS_OF_COLUMN:
        return DECIMALS_OF_COLUMN[column]
    if facts is None:
        return None
    return 0 if facts.type == "integer" else DECIMALS.get(facts.unit or "", 2)


# ------------------------------------------------------------------ charts


def new_chart(height: int = 360) -> go.Figure:
    """An empty chart in the style: give it traces, axis titles with the unit in [brackets], and no title.

    The finding above the chart is its title. Nothing can be dragged, so that a finger scrolls the page.
    """
    import plotly.graph_objects as go

    axis: dict[str, Any] = {
        "showline": True,
        "linecolor": INKS["soft"],
        "linewidth": 1,
        "ticks": "outside",
        "tickcolor": INKS["soft"],
        "ticklen": 4,
        "gridcolor": INKS["rule"],
        "gridwidth": 1,
        "zeroline": False,
        "automargin": True,
        "title": {"standoff": 10, "font": {"size": 13}},
        "ticklabelstandoff": 4,
    }
    return go.Figure(
        layout={
            "template": "none",
            "autotypenumbers": "strict",  # an id of digits is a name, and no number
            "height": height,
            "autosize": True,
            "dragmode": False,
            "separators": ".,",
            "paper_bgcolor": "rgba(0,0,0,0)",
            "plot_bgcolor": "rgba(0,0,0,0)",
            "font": {"family": TYPEFACE, "size": 13, "color": INKS["text"]},
            "colorway": [INKS[s] for s in SERIES],
            "margin": {"l": 56, "r": 16, "t": 16, "b": 48},
            "xaxis": axis,
            "yaxis": axis,
            "legend": {
                "orientation": "h",
                "x": 0,
                "y": 1.02,
                "yanchor": "bottom",
                "xanchor": "left",
                "bgcolor": "rgba(0,0,0,0)",
                "itemclick": "toggle",
            },
            "hoverlabel": {"font": {"family": TYPEFACE, "size": 13}},
            "hovermode": "closest",
        }
    )


def bars_between(values: pd.Series, lo: pd.Series, hi: pd.Series) -> dict[str, Any]:
    """Error bars reaching from lo to hi around the values, thin and without caps."""
    return {
        "type": "data",
        "symmetric": False,
        "thickness": 1.2,
        "width": 0,
        "array": (hi - values).tolist(),
        "arrayminus": (values - lo).tolist(),
    }


def add_spans(chart: go.Figure, lo: pd.Series, hi: pd.Series, names: list[str], ink: str, width: float) -> None:
    """A line from lo to hi in the row of each name, below the marks that are added later."""
    chart.add_scatter(
        x=[end for ends in zip(lo, hi, strict=True) for end in (*ends, None)],
        y=[end for name in names for end in (name, name, None)],
        mode="lines",
        line={"color": INKS[ink], "width": width},
        showlegend=False,
        hoverinfo="skip",
    )


def row_height(rows: int, *, each: int = 24, around: int = 96) -> int:
    """Height in pixels of a chart with one line of text a row."""
    return around + each * max(rows, 1)
