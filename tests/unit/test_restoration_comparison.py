"""The adjusted comparison against statsmodels, and against groups that are known to be alike."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from pipelines.restoration.comparison import compare_groups


def make_jobs(rng: np.random.Generator, size: int, effects: dict[str, float], size_effect: float = 0.4) -> pd.DataFrame:
    names = rng.choice(sorted(effects), size)
    # group B works on longer loops: seen, it looks slow
    sections = rng.poisson(np.where(names == "B", 14, 7)) + 1
    night, radial = rng.random(size) < 0.3, rng.random(size) < 0.1
    log = (
        3.5
        + size_effect * np.log(sections)
        + 0.2 * night
        + 0.3 * radial
        + np.array([effects[n] for n in names])
        + rng.normal(0, 0.4, size)
    )
    return pd.DataFrame(
        {
            "district": names,
            "minutes": np.exp(log),
            "sections_on_loop": sections,
            "is_night": night,
            "is_radial": radial,
        }
    )


def test_effects_and_errors_agree_with_statsmodels() -> None:
    jobs = make_jobs(np.random.default_rng(1), 900, {"A": 0.0, "B": 0.1, "C": -0.1})
    found = compare_groups(jobs, "district", "minutes", coverage=0.9, min_jobs=1)
    fit = smf.ols(
        "np.log(minutes) ~ 0 + C(district) + np.log(sections_on_loop) + is_night + is_radial",
        jobs.astype({"is_night": float, "is_radial": float}),
    ).fit(cov_type="HC1")
    share = jobs["district"].value_counts(normalize=True).sort_index().to_numpy()
    for n in range(3):
        contrast = np.zeros(6)
        contrast[:3] = np.eye(3)[n] - share
        test = fit.t_test(contrast)
        assert np.log(found["ratio_adjusted"][n]) == pytest.approx(float(test.effect[0]))
        assert tuple(np.log(found.loc[n, ["ratio_lo", "ratio_hi"]].astype(float))) == pytest.approx(
            tuple(test.conf_int(alpha=0.1)[0])
        )


def test_longer_loops_are_no_fault_of_the_group() -> None:
    jobs = make_jobs(np.random.default_rng(2), 3000, {"A": 0.0, "B": 0.0, "C": 0.0})
    found = compare_groups(jobs, "district", "minutes", coverage=0.9, min_jobs=1).set_index("group_name")
    assert found.loc["B", "ratio_seen"] > 1.15
    assert found.loc["B", "ratio_adjusted"] == pytest.approx(1.0, abs=0.05)
    assert found["verdict"].tolist() == ["within"] * 3


def test_a_group_that_is_slower_is_found_and_a_small_one_is_not_listed() -> None:
    rng = np.random.default_rng(3)
    jobs = make_jobs(rng, 3000, {"A": 0.0, "B": 0.0, "C": 0.35})
    jobs.loc[jobs.index[:7], "district"] = "D"
    found = compare_groups(jobs, "district", "minutes", coverage=0.9, min_jobs=10).set_index("group_name")
    assert found.loc["C", "verdict"] == "slower"
    assert "D" not in found.index


def test_by_chance_alone_one_group_in_five_hundred_leaves_the_funnel() -> None:
    rng = np.random.default_rng(4)
    outside = groups = 0
    for _ in range(100):
        jobs = make_jobs(rng, 400, dict.fromkeys("ABCDEFGHIJ", 0.0))
        found = compare_groups(jobs, "district", "minutes", coverage=0.9, min_jobs=1)
        outside += int((found["verdict"] != "within").sum())
        groups += len(found)
    assert outside / groups < 0.01


def alike(minutes: list[float], names: str) -> pd.DataFrame:
    return pd.DataFrame(
        {"district": list(names), "minutes": minutes, "sections_on_loop": 3, "is_night": False, "is_radial": False}
    )


def test_four_jobs_in_two_groups_by_hand() -> None:
    """Log minutes 1 and 3 against 2 and 6, their means 2 and 4 one below and above the fleet's. Squares of 1, 1, 4 and
    4 over two degrees of freedom: 5. Jobs without minutes or a known group count nowhere."""
    jobs = alike([*np.exp([1.0, 3.0, 2.0, 6.0]), 0.0, np.nan, 9.0], "AABBAB?").replace({"district": {"?": "unknown"}})
    found = compare_groups(jobs, "district", "minutes", coverage=0.9, min_jobs=2)
    assert found["group_name"].tolist() == ["A", "B"]
    assert found["jobs"].tolist() == [2, 2]
    assert np.log(found["ratio_seen"]).tolist() == pytest.approx([-1, 1])
    assert np.log(found["ratio_adjusted"]).tolist() == pytest.approx([-1, 1])
    chance = (5 * (1 / 2 - 1 / 4)) ** 0.5
    for column, z in (("funnel_95_hi", 1.959964), ("funnel_998_hi", 3.090232)):
        assert np.log(found[column]).tolist() == pytest.approx([z * chance] * 2, rel=1e-6)
        assert (found[column] * found[column.replace("hi", "lo")]).tolist() == pytest.approx([1, 1])
    # HC1: mean squares of the two groups, 1 and 4, over their two jobs, times 4 / 2; the contrast takes half of each
    reach = 1.644854 * (2 * (1 / 2 + 4 / 2) / 4) ** 0.5
    assert np.log(found["ratio_hi"]).tolist() == pytest.approx([-1 + reach, 1 + reach], rel=1e-6)
    assert compare_groups(jobs, "district", "minutes", coverage=0.9, min_jobs=3).empty


def test_a_group_beyond_the_outer_funnel_is_faster_or_slower() -> None:
    jobs = alike(np.exp([0.0, 0.1, 0.2, 2.0, 2.1, 2.2, 1.0, 1.1, 1.2]).tolist(), "AAABBBCCC")
    found = compare_groups(jobs, "district", "minutes", coverage=0.9, min_jobs=1)
    assert found["verdict"].tolist() == ["faster", "slower", "within"]


def test_too_few_jobs_or_one_group_give_no_rows() -> None:
    jobs = make_jobs(np.random.default_rng(5), 50, {"A": 0.0})
    two = alike([1.0, 2.0, 3.0, 4.0], "ABAB")
    full = compare_groups(two, "district", "minutes", coverage=0.9, min_jobs=1)
    assert full["jobs"].tolist() == [2, 2]
    for given in (jobs, two[:3], two[:0]):  # two groups leave one of three jobs, none to tell the spread by
        found = compare_groups(given, "district", "minutes", coverage=0.9, min_jobs=1)
        assert found.empty
        assert list(found.columns) == list(full.columns)


def test_a_loop_without_sections_counts_as_one_section_and_groups_come_by_name() -> None:
    """Against least squares with the terms as they stand, not centred."""
    rng = np.random.default_rng(6)
    jobs = alike(rng.lognormal(4, 0.5, 60).tolist(), "CBA" * 20)
    jobs["sections_on_loop"] = rng.choice([0, 1, 2, 9], 60)
    found = compare_groups(jobs, "district", "minutes", coverage=0.9, min_jobs=20)
    assert found["group_name"].tolist() == ["A", "B", "C"] and found.index.tolist() == [0, 1, 2]
    names = np.array(list("CBA" * 20))
    design = np.column_stack([*(names == n for n in "ABC"), np.log(jobs["sections_on_loop"].clip(lower=1))])
    effects = np.linalg.lstsq(design.astype(float), np.log(jobs["minutes"]), rcond=None)[0][:3]
    assert np.log(found["ratio_adjusted"]).tolist() == pytest.approx((effects - effects.mean()).tolist())
