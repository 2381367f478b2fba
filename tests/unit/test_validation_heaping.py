"""Rounded and default values: counted where they were planted, not where only the column's own digit shows."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from pipelines.validation.heaping import (
    MIDNIGHTS_BY_CHANCE,
    QUARTERS_BY_CHANCE,
    binomial_limits,
    count_tens,
    measure_heaping,
)
from pipelines.validation.heaps import count_heaps


def shares(metres: np.ndarray) -> dict[str, tuple[int, float]]:
    counts = count_tens(metres)
    return {r.heap: (r.values_heaped, r.by_chance) for r in counts.itertuples()}


def rounded(counts: pd.DataFrame) -> dict[str, tuple[float, bool]]:
    made = measure_heaping(counts.assign(table="jobs", column="dug_distance_m", file="jobs.csv"), 0.9)
    return {r.heap: (r.rounded_pct, r.is_heaped) for r in made.itertuples()}


def test_limits_are_those_of_scipy() -> None:
    lo, hi = binomial_limits([0, 3, 20], [20, 20, 20], 0.9)
    for k, low, high in zip((0, 3, 20), lo, hi, strict=True):
        expected = stats.binomtest(k, 20).proportion_ci(0.9, method="exact")
        assert (low, high) == pytest.approx((expected.low, expected.high))


def test_tenths_whole_metres_and_feet_without_rounding_gather_nowhere() -> None:
    drawn = np.random.default_rng(5).uniform(10, 300, 4000)
    for metres in (drawn.round(1), drawn.round(0), (drawn / 0.3048).round(0) * 0.3048, drawn):
        assert {heap: heaped for heap, (_, heaped) in rounded(count_tens(metres)).items()} == {
            "tens_of_metres": False,
            "tens_of_feet": False,
        }, metres[:3]


def test_chance_is_a_tenth_of_the_column_s_own_digit() -> None:
    drawn = np.random.default_rng(6).uniform(10, 300, 500)
    assert shares(drawn.round(1))["tens_of_metres"][1] == pytest.approx(0.01)
    assert shares(drawn.round(0))["tens_of_metres"][1] == pytest.approx(0.1)
    assert shares((drawn / 0.3048).round(0) * 0.3048)["tens_of_feet"][1] == pytest.approx(0.1)
    assert shares(drawn.round(1))["tens_of_feet"][1] == pytest.approx(0.1 / 3.048)


@pytest.mark.parametrize(("step", "heap"), [(10.0, "tens_of_metres"), (3.048, "tens_of_feet")])
def test_the_planted_share_of_rounded_lengths_is_found(step: float, heap: str) -> None:
    rng = np.random.default_rng(7)
    metres = rng.uniform(10, 300, 3000).round(1)
    planted = rng.random(3000) < 0.2
    metres[planted] = (step * np.round(metres[planted] / step)).round(1)
    share, heaped = rounded(count_tens(metres))[heap]
    assert heaped
    assert share == pytest.approx(20.0, abs=2.5)


def test_stamps_are_counted_by_the_district_s_clock_and_by_file(make_warehouse) -> None:
    at = pd.date_range("2018-03-05 06:00", periods=24, freq="1h", tz="UTC")  # midnight in Chicago is 06:00 UTC
    jobs = pd.DataFrame(
        {
            "job_id": [f"J{n:02d}" for n in range(24)],
            "revision": 1,
            "status": "closed",
            "loop_id": "L1",
            "reported_at": at,
            "arrived_at": at + pd.Timedelta(minutes=7),
            "restored_at": at + pd.Timedelta(minutes=90),
            "dug_distance_m": [10.0 * (n + 1) if n < 12 else n + 0.5 for n in range(24)],
        }
    )
    con = make_warehouse(
        {
            "districts": "| district_id | timezone | recorded_from |\n| D1 | America/Chicago | 2005-01-01 |",
            "loops": "| loop_id | district_id |\n| L1 | D1 |",
            "jobs": jobs,
        },
        build=("staging",),
    )
    counts = count_heaps(con).set_index(["column", "heap"])
    assert set(counts["file"]) == {"jobs.csv"}
    told = counts[["values_given", "values_heaped"]].apply(tuple, axis=1).to_dict()
    assert told[("reported_at", "midnight")] == (24, 1)
    assert told[("reported_at", "quarter_hour")] == (23, 23)
    assert told[("arrived_at", "midnight")] == (24, 0)
    assert told[("arrived_at", "quarter_hour")] == (24, 0)
    assert told[("dug_distance_m", "tens_of_metres")] == (24, 12)
    made = measure_heaping(count_heaps(con), 0.9).set_index(["column", "heap"])
    assert made.loc[("reported_at", "quarter_hour"), "is_heaped"]
    assert not made.loc[("arrived_at", "midnight"), "is_heaped"]


def test_few_values_are_not_measured() -> None:
    counts = count_tens(np.arange(10.0, 200.0, 10.0)).assign(table="jobs", column="dug_distance_m", file="a.csv")
    assert measure_heaping(counts, 0.9).empty
    enough = count_tens(np.arange(10.0, 210.0, 10.0)).assign(table="jobs", column="dug_distance_m", file="a.csv")
    found = measure_heaping(enough, 0.9)
    assert list(found.columns) == list(measure_heaping(counts, 0.9).columns)
    tens = found.set_index("heap").loc["tens_of_metres"]
    assert tens[["values_given", "values_heaped", "heaped_pct", "by_chance_pct", "rounded_pct"]].tolist() == [
        20,
        20,
        100,
        10,
        100,
    ]


@pytest.mark.parametrize(("hits", "others", "is_heaped"), [(6, 4, False), (7, 4, True), (7, 19, True), (7, 21, False)])
def test_heaping_is_told_where_chance_would_make_it_once_in_twenty_tables(
    hits: int, others: int, is_heaped: bool
) -> None:
    """Six or more of 20 values at one in ten have a chance of 1.1 %, seven of 0.24 %; bound: 5 % over all rows."""
    row = {"table": "jobs", "column": "a", "file": "a.csv", "values_given": 20, "by_chance": 0.1}
    counts = pd.DataFrame(
        [row | {"heap": "tens_of_metres", "values_heaped": hits}]
        + [row | {"heap": f"h{n}", "values_heaped": 0} for n in range(others)]
    )
    assert bool(stats.binom.sf(hits - 1, 20, 0.1) * (1 + others) < 0.05) is is_heaped
    found = measure_heaping(counts, 0.9)
    assert found["is_heaped"].tolist() == [False] * others + [is_heaped]
    assert found["rounded_pct"].tolist() == pytest.approx([0] * others + [100 * (hits / 20 - 0.1) / 0.9])


@pytest.mark.parametrize(
    ("metres", "metre_tens", "feet_tens"),
    [
        # whole metres: a ten once in ten; tens of feet (30.48 and 33.528) are met to half a metre, by 30 and 34
        ([10, 30, 31, 34, 0, -10], (4, 2, 0.1), (4, 2, 0.1 / 0.3048)),
        # tenths: once in a hundred; tens of feet (3.048 and 9.144) to 5 cm, by 3.0 and 9.1
        ([10.0, 20.1, 3.1, 3.0, 9.1], (5, 1, 0.01), (5, 2, 0.01 / 0.3048)),
        # hundredths: 6.1 is two tens of feet (6.096) to half a hundredth, 3.06 is not one
        ([10.01, 6.1, 3.06, 20.0], (4, 1, 0.001), (4, 1, 0.001 / 0.3048)),
        # 10, 33, 66 and 426 feet: tens of metres are met to half a foot, by 10.0584 and 20.1168, not by 129.8448
        ([3.048, 10.0584, 20.1168, 129.8448], (4, 2, 0.03048), (4, 1, 0.1)),
        # on no grid of either unit: to half a hundredth of the other
        ([10.0042, 20.0062, 3.0521, 6.1173], (4, 0, 0.001 * 0.3048), (4, 1, 0.001 / 0.3048)),
    ],
)
def test_tens_by_hand(metres, metre_tens, feet_tens) -> None:
    found = count_tens(metres).set_index("heap")
    for heap, wanted in (("tens_of_metres", metre_tens), ("tens_of_feet", feet_tens)):
        assert found.loc[heap].tolist() == pytest.approx(list(wanted)), heap


def test_a_column_stands_on_a_grid_where_nineteen_in_twenty_values_do() -> None:
    whole = np.arange(11.0, 31.0)
    assert shares(np.where(whole == 11, 11.5, whole))["tens_of_metres"] == (2, pytest.approx(0.1))
    assert shares(np.where(whole < 13, whole + 0.5, whole))["tens_of_metres"] == (2, pytest.approx(0.01))


def test_shares_limits_and_chance_are_given_in_percent_and_in_order() -> None:
    row = {"column": "a", "file": "a.csv", "heap": "h"}
    counts = pd.DataFrame(
        [
            row | {"table": "t3", "values_given": 20, "values_heaped": 1, "by_chance": 1.0},
            row | {"table": "t2", "values_given": 50, "values_heaped": 2, "by_chance": 0.1},
            row | {"table": "t1", "values_given": 40, "values_heaped": 30, "by_chance": 0.2},
            row | {"table": "t0", "values_given": 19, "values_heaped": 19, "by_chance": 0.2},
        ]
    )
    found = measure_heaping(counts, 0.8)
    assert found["table"].tolist() == ["t1", "t2", "t3"] and found.index.tolist() == [0, 1, 2]
    for at, (k, n) in enumerate(((30, 40), (2, 50), (1, 20))):
        limits = stats.binomtest(k, n).proportion_ci(0.8, method="exact")
        wanted = [100 * k / n, 100 * limits.low, 100 * limits.high]
        assert found.loc[at, ["heaped_pct", "heaped_lo", "heaped_hi"]].tolist() == pytest.approx(wanted)
    assert found["by_chance_pct"].tolist() == [20, 10, 100]
    assert found["rounded_pct"].tolist() == pytest.approx([100 * (0.75 - 0.2) / 0.8, 0, 0])
    assert found["is_heaped"].tolist() == [True, False, False]


def test_what_chance_alone_makes() -> None:
    assert MIDNIGHTS_BY_CHANCE == 1 / (24 * 60)
    assert QUARTERS_BY_CHANCE == (4 * 24 - 1) / (24 * 60 - 1)


def test_heaps_of_every_table_are_counted_in_one_frame(make_warehouse) -> None:
    con = make_warehouse({}, build=("staging",))
    empty = count_heaps(con)
    assert empty.empty and list(measure_heaping(empty, 0.9).columns)[:4] == ["table", "column", "file", "heap"]
    at = pd.Timestamp("2018-03-05 06:00", tz="UTC")
    con = make_warehouse(
        {
            "districts": "| district_id | timezone | recorded_from |\n| D1 | America/Chicago | 2005-01-01 |",
            "loops": "| loop_id | district_id |\n| L1 | D1 |",
            "jobs": pd.DataFrame(
                [{"job_id": "J1", "revision": 1, "status": "closed", "loop_id": "L1", "reported_at": at}]
            ).assign(restored_at=at + pd.Timedelta(minutes=15), dug_distance_m=20.0),
            "sections": pd.DataFrame([{"section_id": "S1", "loop_id": "L1", "length_m": 30.5}]),
        },
        build=("staging",),
    )
    found = count_heaps(con)
    assert list(found.columns) == list(empty.columns) and found.index.tolist() == list(range(len(found)))
    told = found[["table", "column", "heap", "values_given", "values_heaped"]].to_numpy().tolist()
    assert told == [
        ["jobs", "reported_at", "midnight", 1, 1],
        ["jobs", "reported_at", "quarter_hour", 0, 0],
        ["jobs", "restored_at", "midnight", 1, 0],
        ["jobs", "restored_at", "quarter_hour", 1, 1],
        ["sections", "length_m", "tens_of_metres", 1, 0],
        ["sections", "length_m", "tens_of_feet", 1, 1],
        ["jobs", "dug_distance_m", "tens_of_metres", 1, 1],
        ["jobs", "dug_distance_m", "tens_of_feet", 1, 0],
    ]
    assert set(found["by_chance"][:4]) == {MIDNIGHTS_BY_CHANCE, QUARTERS_BY_CHANCE}
