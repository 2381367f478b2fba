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


def test_too_few_jobs_or_one_group_give_no_rows() -> None:
    jobs = make_jobs(np.random.default_rng(5), 50, {"A": 0.0})
    assert compare_groups(jobs, "district", "minutes", coverage=0.9, min_jobs=1).empty
    jobs = make_jobs(np.random.default_rng(5), 4, {"A": 0.0, "B": 0.0})
    assert compare_groups(jobs, "district", "minutes", coverage=0.9, min_jobs=1).empty
    assert compare_groups(jobs[:0], "district", "minutes", coverage=0.9, min_jobs=1).empty
