"""Slips with a signature: found where planted, not where the record is only odd, with their evidence."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from pipelines.validation.suspected_errors import (
    _log_span,
    propose_contradictions,
    propose_customers,
    propose_swapped_ends,
    propose_terminals,
    propose_unit_errors,
    propose_velocities,
    propose_zone_errors,
)


def readings(rng: np.random.Generator, rows: int = 200) -> pd.DataFrame:
    dug = rng.uniform(30, 300, rows)
    return pd.DataFrame(
        {
            "job_id": [f"J{n}" for n in range(rows)],
            "dug_distance_m": dug,
            "estimated_distance_m": dug * np.exp(rng.normal(0.02, 0.03, rows)),
        }
    )


def test_feet_for_metres_are_proposed_and_a_plain_error_is_not() -> None:
    frame = readings(np.random.default_rng(1))
    frame.loc[3, "estimated_distance_m"] = frame.loc[3, "dug_distance_m"] / 0.3048
    frame.loc[7, "dug_distance_m"] = frame.loc[7, "estimated_distance_m"] / 0.3048
    frame.loc[9, "estimated_distance_m"] *= 1.8  # the wrong fault, or a splice taken for it
    found = propose_unit_errors(frame)
    assert list(zip(found["job_id"], found["column"], found["slip"], strict=True)) == [
        ("J3", "estimated_distance_m", "feet_for_metres"),
        ("J7", "dug_distance_m", "dug_feet_for_metres"),
    ]
    assert (found["likelihood"] > 0.9).all()
    assert float(found["value_proposed"][0]) == round(frame.loc[3, "dug_distance_m"], 1)
    assert found["grounds"][0] == "estimate / dug = 3.28, that of the others 1.02; one metre is 3.28 feet"


def test_the_chance_of_feet_is_bayes_rule() -> None:
    """Three in a hundred estimates and one in a hundred dug distances in feet, one in twenty of no known kind."""
    frame = readings(np.random.default_rng(1), rows=9)
    ratio = np.array([-0.04, -0.03, 0.0, 0.01, 0.02, 0.03, 0.04, 0.05, 1.15])
    frame["estimated_distance_m"] = frame["dug_distance_m"] * np.exp(ratio)
    step, spread = np.log(1 / 0.3048), 1.4826 * np.median(np.abs(ratio - 0.02))
    near = stats.norm(0.02, spread).pdf
    feet, dug = 0.03 * near(1.15 - step), 0.01 * near(1.15 + step)
    whole = 0.91 * near(1.15) + 0.05 * stats.norm(0.02, 1.2).pdf(1.15) + feet + dug
    assert propose_unit_errors(frame)["likelihood"].tolist() == pytest.approx([feet / whole])
    # the spread of estimates that agree too well is held to 2 %
    frame["estimated_distance_m"] = frame["dug_distance_m"] * np.exp(np.where(ratio > 1, step - 0.03, 0.0))
    near = stats.norm(0, 0.02).pdf
    feet, whole = 0.03 * near(-0.03), 0.05 * stats.norm(0, 1.2).pdf(step - 0.03)
    assert propose_unit_errors(frame)["likelihood"].tolist() == pytest.approx([feet / (feet + whole)])
    assert len(propose_unit_errors(frame.tail(5))) == 1  # five records tell what is usual, four do not
    assert list(propose_unit_errors(frame.tail(4)).columns) == list(propose_unit_errors(frame).columns)
    assert propose_unit_errors(frame.tail(4)).empty


def test_a_neighbouring_terminal_is_proposed_only_where_it_fits_and_the_recorded_one_does_not() -> None:
    # Chain T1 -100- T2 -100- T3 -100- T4; the repaired section lies at 250 to 300 m.
    places = {"T1": 0.0, "T2": 100.0, "T3": 200.0}
    rows = [
        {
            "job_id": job,
            "dug_distance_m": dug,
            "test_terminal_id": "T2",
            "candidate_terminal_id": t,
            "candidate_at_m": at,
            "section_from_m": 250.0,
            "section_to_m": 300.0,
        }
        for job, dug in (("wrong", 80.0), ("sound", 170.0))
        for t, at in places.items()
    ]
    found = propose_terminals(pd.DataFrame(rows))
    assert found[["job_id", "value_now", "value_proposed"]].to_numpy().tolist() == [["wrong", "T2", "T3"]]
    assert found["grounds"][0] == (
        "from T2 the dug distance of 80 m ends 70 m outside the repaired section, from T3 0 m"
    )
    # T1 and T2 miss by 170 and 70 m with a spread of 4 m and 2 % of 80 m, T3 by none; were the map in feet, 80 m from
    # T2 would end beyond the section, 200 ft away; a thousandth for each as the section itself may be wrong
    fits = np.exp(-0.5 * (np.array([170.0, 70.0, 0.0, 80 - 200 * 0.3048]) / 5.6) ** 2)
    weight = np.array([0.015, 0.97, 0.015]) * (fits[:3] + np.array([0, 0.05 * fits[3], 0]) + 1e-3)
    assert found["likelihood"].tolist() == pytest.approx([weight[2] / weight.sum()])


def test_a_loop_whose_map_stands_in_feet_is_no_slip_of_the_crew() -> None:
    # Everything on the map is 3.28 times too long; from T2 the fault of 40 m lies well inside the true section.
    rows = [
        {
            "job_id": "map",
            "dug_distance_m": 150.0,
            "test_terminal_id": "T2",
            "candidate_terminal_id": t,
            "candidate_at_m": at,
            "section_from_m": 656.0,
            "section_to_m": 984.0,
        }
        for t, at in {"T1": 0.0, "T2": 328.0, "T3": 656.0}.items()
    ]
    assert propose_terminals(pd.DataFrame(rows)).empty
    # at 760 m no map in feet explains it, and T1 fits
    beside = pd.DataFrame(rows).assign(dug_distance_m=760.0)
    assert propose_terminals(beside)[["job_id", "value_now", "value_proposed"]].to_numpy().tolist() == [
        ["map", "T2", "T1"]
    ]
    assert list(propose_terminals(beside.head(0)).columns) == list(propose_terminals(beside).columns)


def test_a_far_end_that_is_the_test_terminal_says_that_the_ends_were_exchanged() -> None:
    jobs = pd.DataFrame(
        {
            "job_id": ["a", "b"],
            "test_terminal_id": ["T1", "T1"],
            "toward_terminal_id": ["T2", "T2"],
            "far_end_terminal_id": ["T1", "T2"],
        }
    )
    found = propose_swapped_ends(jobs)
    assert found[["job_id", "column", "value_proposed"]].to_numpy().tolist() == [
        ["a", "test_terminal_id", "T2"],
        ["a", "toward_terminal_id", "T1"],
    ]
    # three exchanged in a hundred against one far end wrong in five hundred
    assert found["likelihood"].tolist() == pytest.approx([0.03 / (0.03 + 0.002)] * 2)


def test_utc_in_a_local_field_is_proposed_for_a_season_and_not_for_a_long_drive() -> None:
    rng = np.random.default_rng(2)
    rows = 120
    reported = pd.Timestamp("2012-01-01 12:00", tz="UTC") + pd.to_timedelta(np.arange(rows) * 3, unit="D")
    frame = pd.DataFrame({"job_id": [f"J{n:03d}" for n in range(rows)], "dispatched_at": reported})
    frame["source_file"] = "jobs.csv"
    frame["arrived_at"] = reported + pd.to_timedelta(rng.lognormal(np.log(35), 0.4, rows), unit="min")
    frame["located_at"] = frame["arrived_at"] + pd.Timedelta(minutes=50)
    frame["restored_at"] = frame["located_at"] + pd.to_timedelta(rng.lognormal(np.log(45), 0.5, rows), unit="min")
    frame["utc_offset_min"] = 360.0
    for job in (10, 20, 30):
        frame.loc[job, ["arrived_at", "located_at"]] += pd.Timedelta(hours=6)
    frame.loc[50, ["arrived_at", "located_at", "restored_at"]] += pd.Timedelta(hours=6)  # a storm: everything late
    found = propose_zone_errors(frame)
    assert sorted(set(found["job_id"])) == ["J010", "J020", "J030"]
    assert set(found["column"]) == {"arrived_at", "located_at"}
    first = found[(found["job_id"] == "J010") & (found["column"] == "arrived_at")].iloc[0]
    assert pd.Timestamp(first["value_now"]) - pd.Timestamp(first["value_proposed"]) == pd.Timedelta(hours=6)
    assert first["grounds"] == (
        "6 hours late against dispatch and restoration, as UTC in a local field is; "
        "so are 3 of 120 jobs of 2012 in jobs.csv"
    )
    assert propose_zone_errors(frame.assign(source_file=[f"{n % 40}.csv" for n in range(rows)])).empty  # no one source

    def score(span: float, spans: np.ndarray) -> float:
        """Log density of Student's t with 4 degrees of freedom, 1 in its middle, of the log of a span."""
        logs = np.log(spans[spans > 1])
        spread = 1.4826 * stats.median_abs_deviation(logs)
        t = stats.t(4)
        return float(t.logpdf((np.log(span) - np.median(logs)) / spread) - t.logpdf(0)) if span > 1 else np.log(1e-4)

    before = ((frame["arrived_at"] - frame["dispatched_at"]) / pd.Timedelta(minutes=1)).to_numpy()
    after = ((frame["restored_at"] - frame["located_at"]) / pd.Timedelta(minutes=1)).to_numpy()
    gain = score(before[10] - 360, before) + score(after[10] + 360, after)
    gain -= score(before[10], before) + score(after[10], after)
    assert first["likelihood"] == pytest.approx(1 / (1 + np.exp(-gain) * (1 - 0.012) / 0.012))
    # an offset below an hour is no zone; twenty jobs tell what is usual, nineteen do not
    assert propose_zone_errors(frame.assign(utc_offset_min=59.0)).empty
    few = frame.iloc[5:25]
    assert sorted(set(propose_zone_errors(few)["job_id"])) == ["J010", "J020"]
    assert propose_zone_errors(few.iloc[1:]).empty


def test_one_odd_job_alone_is_no_season() -> None:
    rng = np.random.default_rng(3)
    reported = pd.Timestamp("2012-01-01", tz="UTC") + pd.to_timedelta(np.arange(40), unit="D")
    frame = pd.DataFrame({"job_id": [str(n) for n in range(40)], "dispatched_at": reported, "utc_offset_min": 360.0})
    frame["source_file"] = "jobs.csv"
    frame["arrived_at"] = reported + pd.to_timedelta(rng.lognormal(3.5, 0.4, 40), unit="min")
    frame["located_at"] = frame["arrived_at"] + pd.Timedelta(minutes=50)
    frame["restored_at"] = frame["located_at"] + pd.Timedelta(minutes=45)
    frame.loc[5, ["arrived_at", "located_at"]] += pd.Timedelta(hours=6)
    assert propose_zone_errors(frame).empty
    frame.loc[9, ["arrived_at", "located_at"]] += pd.Timedelta(hours=6)
    assert propose_zone_errors(frame)["job_id"].tolist() == ["5", "5", "9", "9"]  # two are


def test_half_velocities_are_proposed_by_the_instrument_s_usual_setting() -> None:
    refused = pd.DataFrame(
        {
            "job_id": ["a", "b", "c", "d"],
            "value": ["26.6", "26.6", "0.53", "oops"],
            "usual_pct": [53.0, 40.0, 53.0, 53.0],
        }
    )
    found = propose_velocities(refused)
    assert found[["job_id", "value_proposed"]].to_numpy().tolist() == [["a", "53.2"]]
    # eight in ten such values are halves, spread by two points about the usual setting; the others lie anywhere to 80
    half = 0.8 * stats.norm(53, 2).pdf(53.2)
    assert found["likelihood"].tolist() == pytest.approx([half / (half + 0.2 / 80)])
    # without a usual setting: twice the value from 45 to 60, all alike
    unknown = pd.DataFrame({"value": ["22.4", "22.5", "30", "30.1"]}).assign(job_id=range(4), usual_pct=np.nan)
    found = propose_velocities(unknown)
    assert found["value_proposed"].tolist() == ["45", "60"]
    assert found["likelihood"].tolist() == pytest.approx([(0.8 / 15) / (0.8 / 15 + 0.2 / 80)] * 2)
    # 15 to 40 may be halves of a velocity, whatever the usual setting
    odd = pd.DataFrame({"value": ["14.9", "15", "40", "40.1"], "usual_pct": [29.8, 30, 80, 80.2]}).assign(
        job_id=range(4)
    )
    assert propose_velocities(odd)["value_proposed"].tolist() == ["30", "80"]


def test_of_two_terminals_the_other_has_the_whole_prior() -> None:
    """From T1 the dug 100 m end 52 m before the section, from T2 2 m before it: spreads of 4 m and 2 % of 100 m."""
    rows = pd.DataFrame(
        {
            "job_id": "a",
            "dug_distance_m": 100.0,
            "test_terminal_id": "T1",
            "candidate_terminal_id": ["T1", "T2"],
            "candidate_at_m": [0.0, 50.0],
            "section_from_m": 152.0,
            "section_to_m": 190.0,
        },
        index=[5, 9],
    )
    feet = 0.3048 * 152 - 100  # below 0: in feet the distance would end inside or beyond the section
    beyond = 100 - 0.3048 * 190
    assert feet < 0 < beyond
    own = 0.97 * (np.exp(-0.5 * (52 / 6) ** 2) + 0.05 * np.exp(-0.5 * (beyond / 6) ** 2) + 1e-3)
    other = 0.03 * (np.exp(-0.5 * (2 / 6) ** 2) + 1e-3)
    assert propose_terminals(rows)["likelihood"].tolist() == pytest.approx([other / (own + other)])
    # laid off the other way, from 290 m, the distance ends in the section
    back = rows.assign(candidate_at_m=[0.0, 290.0])
    other = 0.03 * (1 + 1e-3)
    assert propose_terminals(back)["likelihood"].tolist() == pytest.approx([other / (own + other)])
    assert propose_terminals(rows.assign(candidate_at_m=[60.0, 50.0])).empty  # both fit: the record stands


def test_ends_are_exchanged_only_where_the_other_end_is_known_and_another() -> None:
    jobs = pd.DataFrame(
        {
            "job_id": list("abcd"),
            "test_terminal_id": "T1",
            "toward_terminal_id": ["T1", None, "T2", "T2"],
            "far_end_terminal_id": ["T1", "T1", None, "T1"],
            "notes": None,
        }
    )
    assert propose_swapped_ends(jobs)["job_id"].tolist() == ["d", "d"]
    assert list(propose_swapped_ends(jobs[:0]).columns) == list(propose_swapped_ends(jobs).columns)


@pytest.mark.parametrize("offset", [60.0, -120.0])
def test_the_chance_of_another_zone_is_bayes_rule(offset: float) -> None:
    """All alike but two of one file and year: spans of 40 and 45 minutes, their spread held to 0.2 of the log."""
    reported = pd.Timestamp("2012-03-01 12:00", tz="UTC") + pd.to_timedelta(np.arange(26), unit="D")
    frame = pd.DataFrame(
        {"job_id": [f"J{n:02}" for n in range(26)], "dispatched_at": reported, "utc_offset_min": offset}
    )
    frame["source_file"] = ["a.csv"] * 20 + ["b.csv"] * 6
    frame["arrived_at"] = reported + pd.Timedelta(minutes=40)
    frame["located_at"] = frame["arrived_at"] + pd.Timedelta(minutes=50)
    frame["restored_at"] = frame["located_at"] + pd.Timedelta(minutes=45)
    frame.loc[[3, 4, 22], ["arrived_at", "located_at"]] += pd.Timedelta(minutes=offset)
    stamps = ["dispatched_at", "arrived_at", "located_at", "restored_at"]
    frame.loc[[0, 1, 5], stamps] -= pd.DateOffset(years=1)
    frame.loc[6, "located_at"] = pd.NaT
    frame["notes"] = None
    found = propose_zone_errors(frame)
    assert found["job_id"].tolist() == ["J03", "J03", "J04", "J04"]  # the one of the other file stands alone
    assert found["column"].tolist() == ["arrived_at", "located_at"] * 2
    late, usual = (40 + offset, 40) if offset > 0 else (45 - offset, 45)
    seen = (1 + (np.log(late / usual) / 0.2) ** 2 / 4) ** -2.5
    odds = 0.012 / 0.988 / (seen * 1e-4)
    assert (found["likelihood"] / (1 - found["likelihood"])).tolist() == pytest.approx([odds] * 4, rel=1e-6)
    for column in ("arrived_at", "located_at"):
        told = found[(found["job_id"] == "J03") & (found["column"] == column)].iloc[0]
        assert told["value_now"] == f"{frame.loc[3, column]:%Y-%m-%d %H:%M:%SZ}"
        assert pd.Timestamp(told["value_now"]) - pd.Timestamp(told["value_proposed"]) == pd.Timedelta(minutes=offset)
        # of the 20 jobs of the file three are of the year before and one has no location
        assert told["grounds"] == (
            f"{offset / 60:g} hours late against dispatch and restoration, as UTC in a local field is; "
            "so are 2 of 16 jobs of 2012 in a.csv"
        )
    other_year = frame.copy()
    other_year.loc[4, stamps] -= pd.DateOffset(years=1)
    assert propose_zone_errors(other_year).empty
    assert propose_zone_errors(frame.assign(utc_offset_min=offset * 0.4)).empty
    assert list(propose_zone_errors(frame[:19]).columns) == list(found.columns)


def test_spans_of_a_minute_or_less_say_nothing_of_what_is_usual() -> None:
    """Of 1.05, 4 and 16 minutes the middle is 4, the deviations of the logs ln(4 / 1.05), 0 and ln 4."""
    found = _log_span(np.array([-5.0, 1.0, 1.05, 4.0, 16.0]), np.array([0.5, 1.0, 1.05, 4.0, 16.0]))
    z = np.log([1.05 / 4, 1, 4]) / (1.4826 * np.log(4 / 1.05))
    assert found == pytest.approx([np.log(1e-4)] * 2 + (stats.t(4).logpdf(z) - stats.t(4).logpdf(0)).tolist())


def test_a_halved_velocity_says_what_it_was_held_against() -> None:
    refused = pd.DataFrame({"job_id": ["a", "b"], "value": ["26.5", "25"], "usual_pct": [53.0, np.nan]})
    found = propose_velocities(refused)
    assert found[["value_now", "value_proposed", "grounds"]].to_numpy().tolist() == [
        ["", "53", "received as 26.5 and taken out; twice that is 53 % of c; the instrument is usually set to 53.0"],
        ["", "50", "received as 25 and taken out; twice that is 50 % of c; no setting of this instrument is on record"],
    ]
    assert list(propose_velocities(refused[:0]).columns) == list(found.columns)
    assert propose_velocities(refused[:0]).empty


def test_a_dug_distance_in_feet_is_put_back_into_metres() -> None:
    frame = readings(np.random.default_rng(1), rows=30)
    frame.loc[2, ["dug_distance_m", "estimated_distance_m"]] = [100 / 0.3048, 100.0]
    assert propose_unit_errors(frame)[["value_now", "value_proposed"]].to_numpy().tolist() == [["328.084", "100.0"]]


CONTRADICTIONS = """
    job    record_contradiction    section lo  hi  test toward gap other dug dug_section ahead
    feet   dug_outside_section     S4      213 493 T2   T3     216 T1    89  S3          4
    next   dug_outside_section     S2      100 160 T1   T2     100 -     90  S1          5
    beyond dug_outside_section     S2      100 160 T1   T2     100 -     900 -           5
    ends   section_behind_terminal S1      0   100 T2   T3     30  T1    80  S2          9
    turned section_behind_terminal S1      0   100 T2   T3     300 T1    80  S2          9
    far    section_behind_terminal S1      0   100 T2   -      -   T1    300 S5          9
    gone   section_not_on_loop     S9      -   -   T2   T3     60  T1    80  S2          9
"""
NAMES = {
    "job": "job_id",
    "section": "section_id",
    "lo": "section_from_m",
    "hi": "section_to_m",
    "test": "test_terminal_id",
    "toward": "toward_terminal_id",
    "gap": "toward_at_m",
    "other": "other_toward_terminal_id",
    "dug": "dug_distance_m",
    "dug_section": "dug_section_id",
    "ahead": "sections_ahead",
}


def test_what_contradicts_itself_gets_its_likeliest_correction_with_both_readings_of_the_record() -> None:
    head, *rows = (line.split() for line in CONTRADICTIONS.strip().splitlines())
    frame = pd.DataFrame(rows, columns=head).replace("-", None).rename(columns=NAMES)
    numbers = ["section_from_m", "section_to_m", "toward_at_m", "dug_distance_m", "sections_ahead"]
    frame[numbers] = frame[numbers].astype(float)
    found = propose_contradictions(frame)
    said = [tuple(row) for row in found[["job_id", "column", "slip", "value_now", "value_proposed"]].to_numpy()]
    assert said == [  # and nothing of a section that the register may lack
        ("feet", "section_id", "wrong_section", "S4", "S3"),
        ("next", "section_id", "wrong_section", "S2", "S1"),
        ("beyond", "dug_distance_m", "wrong_dug_distance", "900", ""),
        ("ends", "test_terminal_id", "wrong_terminal", "T2", "T3"),
        ("ends", "toward_terminal_id", "wrong_terminal", "T3", "T2"),
        ("turned", "toward_terminal_id", "wrong_direction", "T3", "T1"),
        ("far", "section_id", "wrong_section", "S1", "S5"),
    ]
    found = found.drop_duplicates("job_id").set_index("job_id")

    def near(miss: float, spread: float) -> float:
        return float(np.exp(-0.5 * (miss / spread) ** 2))

    # Bayes: one in a hundred each, exchanged ends three, where the distance ends a coincidence among the sections
    # ahead; in one of twenty the lengths are feet, in one of twenty they are off by a fifth
    register = 0.05 * 1 + 0.05 * near(213 - 89, 4 + 0.02 * 89 + 0.2 * 493)
    assert found.loc["feet", "likelihood"] == pytest.approx(0.0025 / (2 * 0.0025 + register))
    register = 0.05 * near(90 - 160 * 0.3048, 4 + 0.02 * 90) + 0.05 * near(100 - 90, 4 + 0.02 * 90 + 0.2 * 160)
    assert found.loc["next", "likelihood"] == pytest.approx(0.002 / (2 * 0.002 + register))
    register = 0.05 * near(900 - 160, 4 + 0.02 * 900 + 0.2 * 160)
    assert found.loc["beyond", "likelihood"] == pytest.approx(0.002 / (0.002 + register))
    assert found.loc["ends", "likelihood"] == pytest.approx(0.03 / (0.03 + 0.01 + 2 * 0.01 / 9))
    assert found.loc["turned", "likelihood"] == pytest.approx(0.01 / (0.01 + 2 * 0.01 / 9))
    assert found.loc["far", "likelihood"] == pytest.approx(0.5)
    assert found.loc["feet", "grounds"] == (
        "by the distance, 89 m from T2 toward T3, it was dug in S3; the section named, S4, lies at 213 to 493 m; "
        "check the register's lengths first"
    )
    assert found.loc["turned", "grounds"] == (
        "by the distance, 80 m from T2 toward T3, it was dug in S2; the section named, S1, lies behind T2, "
        "0 to 100 m the other way"
    )
    assert found.loc["beyond", "grounds"] == (
        "by the distance, 900 m from T1 toward T2, it was dug beyond the loop; the section named, S2, lies at "
        "100 to 160 m"
    )
    assert found.loc["far", "grounds"].startswith("by the distance, 300 m from T2, it was dug in S5")


def test_a_count_of_both_halves_is_told_by_the_steps_of_one() -> None:
    jobs = pd.DataFrame(
        {
            "job_id": ["J1", "J2", "J3", "J4"],
            # the whole loop with one half brought back; a step lost; one half; the whole loop, all of it brought back
            "customers_interrupted": [60, 50, 30, 60],
            "customers_back": [35, 30, 30, 60],
            "loop_customers": [60, 60, 60, 60],
        }
    )
    found = propose_customers(jobs)
    assert found.drop(columns=["likelihood", "grounds"]).values.tolist() == [
        ["J1", "customers_interrupted", "both_halves_counted", "60", "35"]
    ]
    # one of four was out as a whole: Bayes' rule over 3 in 100 and that share times the steps lost, 5 in 100
    assert found["likelihood"].tolist() == pytest.approx([0.03 / (0.03 + 0.05 * 1.5 / 5)])
    said = "all 60 customers of the loop are counted, the steps brought back 35; of 4 jobs with steps 1 brought"
    assert found["grounds"].tolist() == [f"{said} back a whole loop"]
    # where loops are mostly out as a whole, a lost step is likelier
    often = pd.concat([jobs.iloc[[0]], *[jobs.iloc[[3]]] * 9], ignore_index=True)
    assert propose_customers(often).empty
    assert propose_customers(jobs.head(0)).empty
