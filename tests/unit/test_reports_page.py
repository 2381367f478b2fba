"""The shell of the pages: sentences, quantities, cells, JSON, cautions, what is missing."""

from __future__ import annotations

import datetime as dt
import html
import itertools
import json
from pathlib import Path

import pandas as pd
import pytest

from reports import page, style
from reports import table as tables
from reports.figures import replacement
from reports.page import ACTED_ON, SAFETY, Exhibit, Frame, Page, Section, Table
from reports.pages import reference
from shared import dictionary

FRAME = Frame(dt.date(2025, 12, 31), 0.9, 5.0, "USD", (("index", "In short"), ("sample", "Sample")))


def render_one(exhibit: Exhibit) -> str:
    return page.render(Page("sample", "Sample", "Why?", (), (Section("Part", (exhibit,)),)), FRAME)


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [
        (1204, None, "1,204"),
        (12.34, None, "12.3"),
        (1.234, None, "1.23"),
        (0.0456, None, "0.046"),
        (-3.25, 1, "−3.2"),
        (-0.001, 1, "0.0"),
        (None, None, "–"),
        (float("nan"), 2, "–"),
        (pd.NA, None, "–"),
        (99.96, None, "100.0"),
    ],
)
def test_numbers_in_sentences(value: object, decimals: int | None, text: str) -> None:
    assert style.number(value, decimals) == text


def test_counts_shares_money_and_dates() -> None:
    assert style.counted(1, "class", "classes") == "1 class"
    assert style.counted(1204, "class", "classes") == "1,204 classes"
    assert style.counted_range(pd.Series([12, 900]), "job") == "12 to 900 jobs"
    assert style.percent(0.1234, 1) == "12.3\u00a0%"
    assert style.money(1_240_000, "USD") == "USD 1.24 million"
    assert style.money(6_500, "EUR") == "EUR 6,500"
    assert style.date_words(dt.date(2025, 3, 1)) == "1 March 2025"


def test_a_quantity_is_said_in_either_unit() -> None:
    # 100 m / 0.3048 = 328.08 ft; 1.609344 km = 1 mile, both exact by the international agreement of 1959
    text = f"off by {style.quantity(100.0, 'm', 1)} over {style.quantity(1.609344, 'km', 3)}"
    assert page.plain(text) == "off by 100.0\u00a0m over 1.609\u00a0km"
    assert page.plain(text, other_units=True) == "off by 328.1\u00a0ft over 1.000\u00a0mi"


def test_a_rate_by_length_turns_the_other_way() -> None:
    # 10 failures per 100 km are 16.09 per 100 miles
    text = style.quantity(10.0, "1/(100 km year)", 2)
    assert page.plain(text, other_units=True) == "16.09\u00a0per 100 miles and year"


def test_a_quantity_becomes_a_span_and_the_rest_is_escaped() -> None:
    made = str(page.words(f"a < b & {style.quantity(2.5, 'm')}"))
    assert made == 'a &lt; b &amp; <span class="q" data-v="2.5" data-u="m" data-d="">2.50\u00a0m</span>'


def test_the_first_sentence_is_the_heading() -> None:
    assert page.split_finding("It is 3.4 km. Then more. And more.") == ("It is 3.4 km.", "Then more. And more.")
    assert page.split_finding("Only one of c. d") == ("Only one of c. d", "")


def test_data_cannot_close_their_script_element() -> None:
    hostile = "</script><script>alert(1)</script>"
    made = str(tables.as_json({"x": [hostile, float("nan"), 1.123456789012, pd.NA]}))
    assert "</script" not in made
    assert json.loads(made) == {"x": [hostile, None, 1.12345679, None]}


def test_arrays_of_a_chart_are_written_as_plain_lists() -> None:
    chart = style.new_chart()
    chart.add_scatter(x=pd.Series([1.0, 2.0]).to_numpy(), y=[3.0, None])
    made = json.loads(page.chart_json(chart))
    assert made["data"][0]["x"] == [1.0, 2.0]
    assert made["data"][0]["y"] == [3.0, None]


def test_text_from_the_data_is_inert_in_the_page() -> None:
    frame = pd.DataFrame({"loop_id": ["<img src=x onerror=alert(1)>"], "jobs": [3]})
    made = render_one(Exhibit("k", "T", "F.", (), tables=(Table(frame, ("loop_id", "jobs"), "marts.loop_ranking"),)))
    assert "<img" not in made
    assert "&lt;img src=x" in made


def test_cautions_are_at_the_head_and_at_what_could_be_acted_on_limits_of_the_data_once() -> None:
    both = Exhibit("k", "T", "F.", ("marts.locating_errors", "marts.velocity_by_class"))
    made = html.unescape(render_one(both))
    times = {"no_permission_to_dig": 1, "setting_is_a_proposal": 2, "slope_and_offset_absorb": 1, "planning_aid": 0}
    assert {key: made.count(dictionary.caveats()[key]) for key in times} == times
    assert made.index(dictionary.caveats()["no_permission_to_dig"]) < made.index('id="k"')
    assert made.index('id="k"') < made.index('id="limits"')
    assert made.index('id="limits"') < made.index(dictionary.caveats()["slope_and_offset_absorb"])
    assert both.cautions == [dictionary.caveats()["setting_is_a_proposal"]]


def test_what_can_be_acted_on_has_a_caution_of_safety() -> None:
    assert set(SAFETY) <= set(dictionary.caveats())
    for table in ACTED_ON:
        assert set(dictionary.tables()[table].caveats) & set(SAFETY), table


def test_the_script_is_told_what_can_be_picked_and_added_up() -> None:
    frame = pd.DataFrame({"loop_id": ["L 1&2", "L3"], "length_km": [1.0, 2 / 3]})
    table = Table(
        frame, ("loop_id", "length_km"), "marts.loop_ranking", filters=("loop_id",), sums=("length_km",)
    )  # fmt: skip
    made = render_one(Exhibit("k", "T", "F.", (), tables=(table,)))
    assert "<tr><th scope=row>L3<td data-v=0.666666667>0.67" in made
    assert 'data-filters="loop_id" data-sums="length_km"' in made and "data-more" not in made and 'class="n2 "' in made


def test_cells_follow_the_dictionary() -> None:
    assert style.cell(pd.Timestamp("2025-03-01"), "installed_on") == "2025-03-01"
    assert style.cell(pd.Timestamp("2025-03-01 10:05", tz="UTC"), "reported_at") == "2025-03-01 10:05"
    assert style.cell(True, "section_called_right") == "yes"
    assert style.cell(12.345, "length_m") == "12.3"
    assert style.cell(3.0, "failures") == "3"
    assert style.cell("out_of_tolerance", "verdict") == "out of tolerance"
    assert style.cell(None, "length_m") == "–"


def luminance(ink: str) -> float:
    """Relative luminance (W3C, Web Content Accessibility Guidelines 2.2, definition)."""
    parts = [int(ink[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("inks", [style.INKS, style.DARK_INKS], ids=["light", "dark"])
def test_inks_stand_out_from_the_paper(inks: dict[str, str]) -> None:
    # WCAG 2.2, 1.4.3: 4.5 to 1 for text; 1.4.11: 3 to 1 for the parts of a chart.
    def contrast(ink: str) -> float:
        light, dark = sorted((luminance(inks[ink]), luminance(inks["paper"])), reverse=True)
        return (light + 0.05) / (dark + 0.05)

    assert all(contrast(ink) >= 4.5 for ink in ("text", "soft", "first", "second"))
    assert all(contrast(ink) >= 3 for ink in style.SERIES)


def test_the_first_four_inks_part_in_grey_print() -> None:
    # CIE 1976 lightness from luminance; a step of 8 is plainly seen beside its neighbour (our choice).
    def lightness(ink: str) -> float:
        return 116 * luminance(style.INKS[ink]) ** (1 / 3) - 16

    steps = sorted(lightness(ink) for ink in style.SERIES[:4])
    assert min(b - a for a, b in itertools.pairwise(steps)) >= 8


def test_an_id_of_digits_is_a_name_on_every_axis() -> None:
    """Plotly reads "1  11696" as a number unless it is told not to; in the browser: test_reports_browser.py."""
    assert style.new_chart().layout.autotypenumbers == "strict"
    ranking = pd.DataFrame(
        {
            "rank": [1, 2],
            "rank_lo": 1,
            "rank_hi": 2,
            "loop_id": ["11696", "10720"],
            "length_km": 1.0,
            "failures_recorded": [3, 1],
            "expected_failures": 1.0,
            "expected_failures_lo": 0.5,
            "expected_failures_hi": 2.0,
        }
    )
    assert list(replacement.chart_loops(ranking, 5.0).data[0].y) == ["1  11696", "2  10720"]


def test_years_carry_no_comma_and_acronyms_are_written_as_they_are_read() -> None:
    assert style.cell(2006, "year") == "2006"
    assert style.cell(2006, "jobs") == "2,006"
    assert [style.label_of(name) for name in ("saidi_min", "p90_min", "p90_time_to_locate_min", "ewma_out_at")] == [
        "SAIDI",
        "90th percentile",
        "90th percentile of time to locate",
        "EWMA out",
    ]


def test_settings_are_printed_as_the_file_writes_them() -> None:
    assert [reference.in_words(v) for v in (20260101, 2.5, True, None, {})] == ["20260101", "2.5", "true", "–", "–"]
    assert [reference.bounds_words(*b) for b in ((1, 5), (1, None), (None, 5), (None, None))] == [
        "1 to 5",
        "1 or more",
        "5 or less",
        "",
    ]


def test_paper_shows_as_many_rows_as_the_line_under_the_table_says() -> None:
    sheet = Path(tables.__file__).with_name("templates") / "style.css"
    rule = f".exhibit tbody tr:nth-child(n + {tables.PRINTED_ROWS + 1}) {{ display: none; }}"
    assert rule in sheet.read_text("utf-8")
