"""Lengths of the register against readings of cable ends."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipelines.locating.register import _tabulate, find_contradicted_lengths

SECTIONS = pd.DataFrame(
    {
        "section_id": ["S1", "S2", "S3"],
        "loop_id": "L1",
        "cable_class": "XLPE/bare/buried",
        "length_m": [100.0, 80.0, 120.0],
    }
)


def found_for(paths: dict[str, list[str]], excess: dict[str, float], error: float = 1.0) -> pd.DataFrame:
    spans = pd.DataFrame([(r, s) for r, path in paths.items() for s in path], columns=["reading_id", "section_id"])
    readings = pd.DataFrame({"reading_id": list(excess), "excess_m": list(excess.values()), "standard_error_m": error})
    return find_contradicted_lengths(spans.astype("str"), readings.astype({"reading_id": "str"}), SECTIONS).set_index(
        "section_id"
    )


def test_a_length_in_feet_is_named() -> None:
    # 100 m on the register stand for 100 ft of cable
    found = found_for({"r1": ["S1"], "r2": ["S1"]}, {"r1": 100 * (0.3048 - 1), "r2": 100 * (0.3048 - 1) + 0.5})
    assert found.loc["S1", "is_contradicted"]
    assert found.loc["S1", "implied_length_m"] == pytest.approx(30.5, abs=2.0)
    assert found.loc["S1", "likely_slip"] == "feet standing as metres in the register"


def test_paths_of_several_sections_give_the_difference_to_the_right_one() -> None:
    found = found_for(
        {"r1": ["S1"], "r2": ["S1", "S2"], "r3": ["S1", "S2", "S3"], "r4": ["S3"]},
        {"r1": 0.2, "r2": 15.1, "r3": 14.8, "r4": -0.3},
    )
    assert list(found.index[found["is_contradicted"]]) == ["S2"]
    assert found.loc["S2", "difference_m"] == pytest.approx(15, abs=1.0)
    assert found.index[0] == "S2"  # strongest evidence first


def test_lengths_within_the_noise_are_left_alone() -> None:
    assert not found_for({"r1": ["S1"], "r2": ["S2"]}, {"r1": 2.0, "r2": -2.0})["is_contradicted"].any()


def test_readings_that_disagree_are_weaker_evidence() -> None:
    agree = found_for({"r1": ["S1"], "r2": ["S1"]}, {"r1": 10.0, "r2": 10.0})
    differ = found_for({"r1": ["S1"], "r2": ["S1"]}, {"r1": 20.0, "r2": 0.0})
    assert differ.loc["S1", "evidence_se"] < 0.5 * agree.loc["S1", "evidence_se"]


def test_nothing_read_gives_no_row() -> None:
    nothing, one = found_for({}, {}), found_for({"r1": ["S3"]}, {"r1": 0.0})
    assert nothing.empty
    assert list(nothing.columns) == list(one.columns)
    assert one[["readings", "length_m", "difference_m", "is_contradicted"]].to_numpy().tolist() == [[1, 120, 0, False]]


def test_differences_are_least_squares_with_a_prior_of_a_tenth_of_the_length_widened_to_what_is_found() -> None:
    """Two loops in one table give what each gives alone; by numpy's lstsq with a row for the prior of each section."""
    sections = pd.DataFrame(
        {
            "section_id": ["S1", "S2", "S3", "T1"],
            "loop_id": ["L2", "L2", "L2", "L1"],
            "cable_class": ["A", "B", "C", "D"],
            "length_m": [100.0, 80.0, 120.0, 60.0],
        }
    )
    paths = {"r1": [0], "r2": [0, 1], "r3": [0, 1, 2], "r4": [2], "r5": [1]}
    excess, error = np.array([2.0, 15.0, 35.0, 30.0, 13.0]), np.array([1.0, 2.0, 1.5, 3.0, 0.5])
    names = sections["section_id"]
    found = find_contradicted_lengths(
        pd.DataFrame(
            [(r, names[k]) for r, path in paths.items() for k in path] + [("t1", "T1"), ("t2", "T1")],
            columns=["reading_id", "section_id"],
        ),
        pd.DataFrame(
            {
                "reading_id": [*paths, "t1", "t2"],
                "excess_m": [*excess, 4.0, 5.0],
                "standard_error_m": [*error, 2.0, 1.0],
            }
        ),
        sections,
    ).set_index("section_id")
    passed = np.array([[k in path for k in range(3)] for path in paths.values()], dtype=float)
    tenth = np.array([10.0, 8.0, 12.0])
    sd, delta = tenth, np.zeros(3)
    for _ in range(3):
        rows = np.vstack([passed / error[:, None], np.diag(1 / sd)])
        delta = np.linalg.lstsq(rows, np.append(excess / error, np.zeros(3)))[0]
        covariance = np.linalg.inv(rows.T @ rows)
        sd = np.maximum(np.abs(delta), tenth)
    misfit = np.abs(excess - passed @ delta) / error
    widened = [max(1.0, np.median(misfit[passed[:, k] > 0])) for k in range(3)]
    assert max(widened) > 1 and np.abs(delta[1:]).min() > 9
    spread = np.sqrt(np.diag(covariance)) * widened
    assert found.loc[names[:3], "difference_m"].to_numpy() == pytest.approx(delta)
    assert found.loc[names[:3], "evidence_se"].to_numpy() == pytest.approx(np.abs(delta) / spread)
    assert found.loc[names[:3], "readings"].tolist() == [3, 3, 2]
    # alone: (4 / 4 + 5 / 1) / (1 / 4 + 1 + 1 / 36)
    assert found.loc["T1", "difference_m"] == pytest.approx(6 / (1.25 + 1 / 36))
    assert found.loc["T1", ["loop_id", "cable_class", "readings", "length_m"]].tolist() == ["L1", "D", 2, 60.0]


def test_a_length_is_contradicted_beyond_three_standard_errors_and_beyond_three_metres_and_a_twentieth() -> None:
    delta = np.array([3.0, 3.2, 3.2, 10.0, 10.4, 228.0, -70.0, -69.52, -5.0])
    length = np.array([40.0, 40.0, 40.0, 200.0, 200.0, 100.0, 100.0, 100.0, 40.0])
    spread = np.array([0.5, 1.0, 1.1, 0.5, 0.5, 1.0, 1.0, 20.0, 1.0])
    facts = pd.DataFrame({"section_id": [f"S{i}" for i in range(9)], "loop_id": "L", "cable_class": "A"})
    found = _tabulate(facts, np.arange(9), length, delta, spread).set_index("section_id").sort_index()
    assert found["is_contradicted"].tolist() == [False, True, False, False, True, True, True, True, True]
    slip = ["metres taken for feet when the register was filled", "feet standing as metres in the register"]
    assert found["likely_slip"].tolist() == ["", "", "", "", "", slip[0], slip[1], slip[1], ""]
    one = found.loc["S4"]
    assert (one["implied_length_m"], one["difference_pct"], one["evidence_se"]) == pytest.approx((210.4, 5.2, 20.8))
    assert (one["implied_lo"], one["implied_hi"]) == pytest.approx((210.4 - 0.8225, 210.4 + 0.8225))
    exact = _tabulate(facts[:2], np.ones(2), np.array([40.0, 40.0]), np.array([6.0, 6.0]), np.array([2.0, 2.0]))
    assert (exact["is_contradicted"].tolist(), exact["section_id"].tolist()) == ([False, False], ["S0", "S1"])


@pytest.mark.parametrize(("of_one", "word"), [(0.87, ""), (0.89, "named"), (1.11, "named"), (1.13, "")])
@pytest.mark.parametrize(("unit", "words"), [(0.3048, "feet"), (1 / 0.3048, "metres")])
def test_a_slip_of_units_is_named_within_an_eighth(of_one: float, word: str, unit: float, words: str) -> None:
    ratio = of_one * unit
    facts = pd.DataFrame({"section_id": ["S1"], "loop_id": "L", "cable_class": "A"})
    row = _tabulate(facts, np.ones(1), np.array([100.0]), np.array([100 * (ratio - 1)]), np.ones(1)).iloc[0]
    assert row["likely_slip"].split(" ")[0] == (words if word else "")


def test_no_length_and_no_limit_is_at_or_below_zero_whatever_the_readings_say() -> None:
    draws = np.random.default_rng(14)
    for _ in range(200):
        size = int(draws.integers(1, 9))
        length = draws.lognormal(4.3, 0.8, size)
        sections = pd.DataFrame(
            {"section_id": [f"S{k}" for k in range(size)], "loop_id": "L1", "cable_class": "A", "length_m": length}
        )
        paths = [np.arange(a, draws.integers(a + 1, size + 1)) for a in draws.integers(0, size, 6)]
        spans = [(f"r{j}", f"S{k}") for j, path in enumerate(paths) for k in path]
        # some excesses ask for more than the whole path
        excess = [length[path].sum() * draws.normal(-0.7, 0.6) for path in paths]
        found = find_contradicted_lengths(
            pd.DataFrame(spans, columns=["reading_id", "section_id"]),
            pd.DataFrame(
                {
                    "reading_id": [f"r{j}" for j in range(6)],
                    "excess_m": excess,
                    "standard_error_m": draws.uniform(0.1, 20, 6),
                }
            ),
            sections,
        )
        assert (found["implied_length_m"] >= 0.0999 * found["length_m"]).all()
        assert (found["implied_lo"] > 0).all()
        told = found[found["is_contradicted"]]
        assert (told["implied_lo"] < told["implied_length_m"]).all()
        assert (told["implied_length_m"] < told["implied_hi"]).all()


def test_what_a_section_cannot_give_is_asked_of_the_others_on_the_path() -> None:
    """150 m too many on paths over S1 (100 m) and S2 (80 m); those of S1 alone ask for 95 m of it."""
    found = found_for(
        {"r1": ["S1"], "r2": ["S1"], "r3": ["S1", "S2"], "r4": ["S1", "S2"]},
        {"r1": -95.0, "r2": -95.0, "r3": -150.0, "r4": -150.0},
        error=0.5,
    )
    assert found.loc["S1", "implied_length_m"] == pytest.approx(10.0)  # a tenth, the least
    assert found.loc["S2", "difference_m"] == pytest.approx(-60.0, abs=0.1)
    # of the readings of S1 half ask for 5 m more than it can give: ten standard errors of theirs
    assert found.loc["S1", "evidence_se"] < 0.2 * 90 / (0.5 / 2**0.5)


def test_limits_are_those_of_a_normal_distribution_cut_off_at_no_length() -> None:
    facts = pd.DataFrame({"section_id": ["S1", "S2"], "loop_id": "L", "cable_class": "A"})
    row = _tabulate(facts, np.ones(2), np.array([100.0, 99.0]), np.array([-80.0, 1.0]), np.array([20.0, 0.1]))
    cut, plain = row.set_index("section_id").loc["S1"], row.set_index("section_id").loc["S2"]
    draws = np.random.default_rng(3).normal(20, 20, 1_000_000)
    assert [cut["implied_lo"], cut["implied_hi"]] == pytest.approx(np.quantile(draws[draws > 0], [0.05, 0.95]), abs=0.1)
    assert [plain["implied_lo"], plain["implied_hi"]] == pytest.approx([100 - 0.1645, 100 + 0.1645], abs=1e-12)
