"""The locating page: what it says where nothing is fitted, and figures that hold their frames."""

from __future__ import annotations

import pandas as pd
import pytest

from reports.figures.locating_settings import chart_coverage, chart_drift, chart_proposals
from reports.marts import Judged, Marts
from reports.pages import locating
from reports.pages import locating_digs as digs
from reports.pages.locating import drift_words, edge_words, out_words
from reports.pages.locating_settings import day_words, headline
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
    rows = pd.DataFrame(
        {
            "instrument_id": ["R1", "R2", "R3", "R4"],
            "readings": [400, 5, 60, 0],
            "verdict": ["too_few_readings", "too_few_readings", "not_separable", "too_few_readings"],
            "readings_needed": pd.array([None, 12, None, None], dtype="Int64"),
        }
    )
    assert edge_words(rows, found_in("locating", {"marts.instrument_bias": rows})) == (
        "Not decided: R1: more readings alone would not decide it; R2: about 12 more readings would decide it; R3: "
        "cannot be told apart from the only cable class it was read with; R4: no usable reading."
    )


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
        {"instrument_id": ["R1", "R2", "R3"], "offset_m": [4.7, 0.1, 4.7], "scale": [1.002, 1.03, 0.97]}
    )
    rows = rows.assign(readings=9, offset_lo=0.0, offset_hi=9.0, scale_lo=0.9, scale_hi=1.1)
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
    assert drift_words(drift) == "Drifting: R-04 by 0.6 % a year (0.5 to 0.7)."
    assert drift_words(drift.iloc[:1]) == ""


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
        "the section named is not on the loop in the register. What may be wrong in them is among the proposed "
        "corrections."
    )
    sound = errors.head(2)
    assert (
        "contradict" not in digs.called_sections(sound, found_in("locating", {"marts.locating_errors": sound})).finding
    )
