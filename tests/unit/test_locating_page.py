"""The locating page: what it says where nothing is fitted, and figures that hold their frames."""

from __future__ import annotations

import datetime as dt

import pandas as pd
import pytest

from reports.figures.locating_settings import chart_coverage, chart_drift, chart_levels, chart_proposals
from reports.marts import Judged, Marts
from reports.page import plain
from reports.pages import locating
from reports.pages import locating_digs as digs
from reports.pages.locating import drift_words, edge_words, out_words
from reports.pages.locating_settings import day_words, headline, standing
from shared.settings import Settings
from tests.report_marts import found_in

PROPOSALS = pd.DataFrame(
    {
        "instrument_id": ["R1", "R2"],
        "cable_class": ["A", "A"],
        "digs": [40, 60],
        "setting_median_pct": [53.0, 56.0],
        "setting_proposed_pct": [52.0, 51.9],
        "setting_proposed_lo": [51.8, 51.7],
        "setting_proposed_hi": [52.2, 52.1],
        "reads_long_pct": [1.9, 7.9],
        "verdict": ["in_tolerance", "out_of_tolerance"],
        "readings_needed": [0, 0],
        "error_before_m": [2.0, 7.0],
        "error_after_m": [1.0, 1.1],
    }
)


def test_without_readings_every_exhibit_says_what_to_load(make_warehouse) -> None:
    con = make_warehouse({}, build=("staging",))
    made = locating.build(Marts(con), Settings())
    assert all(exhibit.is_absent for exhibit in made.exhibits)
    assert locating.answer(Marts(con), Settings()).sentences[0] == (
        "There are no digs with a reading to answer from yet."
    )


def test_the_headline_names_the_instrument_on_the_wrong_setting() -> None:
    assert headline(PROPOSALS, found_in("locating", {"marts.setting_proposals": PROPOSALS})) == (
        "R2 is set to 56.0 % of c on A; 51.9 % (51.7 to 52.1) would match the dug distances; at its present setting it "
        "reads 7.9 % long. "
        "1 of 2 pairs of instrument and class is out of tolerance"
    )
    assert headline(PROPOSALS.iloc[:1], Judged()) == "None of 1 pair of instrument and class is out of tolerance"


def test_why_there_is_no_verdict_is_said_in_words() -> None:
    """Every reason says what is missing, and how many readings of what would settle it."""
    reasons = ["at_the_edge", "more_readings", "read_alone", "no_reading", "readings_now", "others_needed"]
    rows = pd.DataFrame(
        {
            "instrument_id": [f"R{n}" for n in range(1, 7)],
            "readings": [400, 5, 60, 0, 821, 90],
            "verdict": ["not_separable" if why == "read_alone" else "too_few_readings" for why in reasons],
            "verdict_reason": reasons,
            "readings_needed": pd.array([None, 12, None, None, None, None], dtype="Int64"),
            "tests_needed": pd.array([None, None, 4, None, 1, None], dtype="Int64"),
        }
    )
    given = {"marts.instrument_bias": rows, "marts.setting_proposals": PROPOSALS.assign(instrument_id="R3")}
    said = edge_words(rows, found_in("locating", given))
    assert said == (
        "Not decided: R1: the error lies at the edge of the tolerance, and more readings will hardly settle it; R2: "
        "about 12 more readings would decide it; R3: cannot be told apart from the cable class it was read on, since "
        "one instrument alone read it; about 4 known-length tests of A read by another instrument would tell; R4: no "
        "usable reading; R5: most of the doubt is about its error today; it would take about 1 reading of a run of "
        "known length now; R6: more readings of its own would not decide it; known-length tests by other instruments "
        "on the cable class it was read on would."
    )
    assert "too few" not in said.casefold()
    classes = pd.DataFrame({"cable_class": ["A"], "verdict": "too_few_readings", "verdict_reason": "others_needed"})
    classes["tests_needed"] = 7
    assert edge_words(classes, found_in("locating", {"marts.velocity_by_class": classes})) == (
        "Not decided: A: more readings by the same instruments would not decide it; known-length tests by "
        "other instruments on A would (about 7 readings)."
    )


BIAS = pd.DataFrame(
    {
        "instrument_id": ["R1"],
        "readings": 821,
        "verdict": "in_tolerance",
        "drift_verdict": "drifting",
        "scale_as_of": 1.012,
        "scale_as_of_lo": 1.004,
        "scale_as_of_hi": 1.019,
        "offset_as_of_m": 0.2,
        "offset_as_of_lo": -0.1,
        "offset_as_of_hi": 0.5,
    }
)
DRIFT = pd.DataFrame(
    {
        "instrument_id": ["R1"],
        "drift_pct_per_year": 0.6,
        "drift_lo": 0.4,
        "drift_hi": 0.8,
        "drift_from_at": pd.Timestamp("2019-05-01", tz="UTC"),
        "in_tolerance_until_on": pd.Timestamp("2023-12-02"),
    }
)
SETTINGS = Settings().override("general", as_of=dt.date(2025, 11, 30))


def stands(drift: bool = True, **changed: object) -> str:
    row = next(BIAS.assign(**changed).itertuples(index=False))
    return standing(row, next(DRIFT.itertuples(index=False)) if drift else None, SETTINGS)


def test_an_instrument_stands_as_of_a_day_in_one_statement() -> None:
    figures = " With its setting right its scale is 1.012 (1.004 to 1.019) and its offset 0.2 m (−0.1 m to 0.5 m)."
    moves = " It drifts by 0.60 % a year (0.40 to 0.80) since about 1 May 2019, so this holds for that day alone."
    left = " By its estimate it left the tolerance after 2 December 2023."
    assert plain(stands()).replace("\u00a0", " ") == f"R1 is in tolerance on 30 November 2025.{figures}{moves}"
    out = plain(stands(verdict="out_of_tolerance", drift_verdict="cannot_tell")).replace("\u00a0", " ")
    told = "R1 is out of tolerance on 30 November 2025."
    assert out == f"{told}{figures} Its readings do not say whether it moves.{left}"
    steady = plain(stands(verdict="too_few_readings", drift_verdict="steady"))
    assert steady.endswith("It has not moved between calibrations by more than is tolerated.")
    assert stands(drift=False, verdict="too_few_readings", readings=0) == (
        "Whether R1 is in tolerance on 30 November 2025 is not decided."
    )
    assert "scale" not in stands(drift=False, verdict="not_separable", drift_verdict="cannot_tell")


def test_levels_are_drawn_with_their_limits_the_tolerance_and_the_calibrations() -> None:
    levels = pd.DataFrame(
        {
            "level_on": [dt.date(2020, 1, 1), dt.date(2025, 1, 1)],
            "scale_error_pct": [0.1, 2.5],
            "scale_error_lo": [-0.5, 1.3],
            "scale_error_hi": [0.7, 3.8],
            "offset_m": [0.2, 0.3],
            "offset_lo": [-0.1, 0.0],
            "offset_hi": [0.5, 0.6],
        }
    )
    made = chart_levels(levels, [dt.date(2019, 5, 21)], tolerance_pct=2.0, tolerance_m=3.0).to_plotly_json()
    drawn = {(t["name"], t.get("yaxis", "y")): list(t["y"]) for t in made["data"] if t["mode"] == "lines"}
    assert drawn[("scale", "y")] == [0.1, 2.5] and drawn[("offset", "y2")] == [0.2, 0.3]
    assert drawn[("limits of the scale", "y")] == [0.7, 3.8]
    bands = [(shape["yref"], shape["y0"], shape["y1"]) for shape in made["layout"]["shapes"] if shape["type"] == "rect"]
    assert bands == [("y", -2.0, 2.0), ("y2", -3.0, 3.0)]
    assert [s["x0"] for s in made["layout"]["shapes"] if s["type"] == "line"] == ["2019-05-21"]


def test_charts_hold_their_frames() -> None:
    drawn = chart_proposals(PROPOSALS.assign(pair=["R1, A", "R2, A"])).to_plotly_json()["data"]
    proposed = next(t for t in drawn if t.get("name") == "proposed, with limits")
    assert list(proposed["x"]) == [52.0, 51.9]
    coverage = pd.DataFrame(
        {
            "group_name": ["all", "all"],
            "window_level": [0.5, 0.8],
            "held_share": [0.49, 0.81],
            "held_lo": [0.4, 0.7],
            "held_hi": [0.6, 0.9],
            "held": [49, 81],
            "tried": [100, 100],
        }
    )
    shares = [t["x"][0] for t in chart_coverage(coverage).to_plotly_json()["data"]]
    assert shares == pytest.approx([49.0, 81.0])
    times = pd.to_datetime(["2020-01-01", "2020-02-01"], utc=True)
    chart = pd.DataFrame({"instrument_id": "R1", "read_at": times, "ewma": [0.1, 0.2], "ewma_limit": [0.57, 0.73]})
    drift = pd.DataFrame(
        {"instrument_id": ["R1"], "drift_from_at": [times[0]], "last_calibrated_on": [pd.Timestamp("2019-05-01")]}
    )
    made = chart_drift(chart, drift).to_plotly_json()
    assert list(made["data"][0]["y"]) == [0.1, 0.2]
    assert {a["text"] for a in made["layout"]["annotations"]} == {"R1 drifts from", "R1 calibrated"}


def test_the_cure_names_the_error_that_passes_the_tolerance() -> None:
    rows = pd.DataFrame(
        {"instrument_id": ["R1", "R2", "R3"], "offset_as_of_m": [4.7, 0.1, 4.7], "scale_as_of": [1.002, 1.03, 0.97]}
    )
    rows = rows.assign(readings=9, offset_as_of_lo=0.0, offset_as_of_hi=9.0, scale_as_of_lo=0.9, scale_as_of_hi=1.1)
    found = found_in("locating", {"marts.instrument_bias": rows})
    said = [out_words(r, found).split(" readings. ")[1].split(" checked")[0] for r in rows.itertuples()]
    assert said == [
        "Have the zero and the length of lead it is set to",
        "Have its time base",
        "Have the zero and the length of lead it is set to and its time base",
    ]


def test_instruments_that_drift_stand_in_the_answer() -> None:
    drift = pd.DataFrame(
        {
            "instrument_id": ["R-01", "R-04"],
            "is_drifting": [False, True],
            "drift_pct_per_year": [0.0, 0.59],
            "drift_lo": [-0.1, 0.49],
            "drift_hi": [0.1, 0.69],
        }
    )
    bias = pd.DataFrame({"instrument_id": ["R-01", "R-04"], "verdict": ["out_of_tolerance", "in_tolerance"]})
    assert drift_words(drift, bias) == "Drifting: R-04 by 0.6 % a year (0.5 to 0.7), in tolerance that day."
    assert drift_words(drift.iloc[:1], bias) == ""


def test_a_day_of_the_year_is_said_as_a_date() -> None:
    assert (day_words(50), day_words(365)) == ("19 February", "31 December")


def test_records_that_contradict_themselves_are_counted_beside_the_share_they_are_left_out_of() -> None:
    errors = pd.DataFrame(
        {
            "cable_class": ["A"] * 6,
            "section_called_right": [True, False, None, None, None, None],
            "record_contradiction": [None, None, *["dug_outside_section"] * 2, "section_not_on_loop", None],
        }
    )
    exhibit = digs.called_sections(errors, found_in("locating", {"marts.locating_errors": errors}))
    assert exhibit.finding.startswith("The displayed distance falls in the section that was dug in 50\xa0% of 2 digs.")
    assert exhibit.finding.endswith(
        "3 records contradict themselves and are left out: in 2 the dug distance ends outside the section named; in 1 "
        "the section named is not on the loop in the register. Where the section is on the loop, the likeliest "
        "correction is proposed on the page of data quality."
    )
    sound = errors.head(2)
    assert (
        "contradict" not in digs.called_sections(sound, found_in("locating", {"marts.locating_errors": sound})).finding
    )
