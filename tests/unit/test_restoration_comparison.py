"""The adjusted comparison against statsmodels, against matrices written out, and against groups known to be alike."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import stats

from pipelines.restoration.comparison import FALSE_FIGURES, PRIOR_FREEDOM, compare_groups, fit_groups
from tests.simulated.comparison_study import WORLDS, simulate_jobs, study


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
            "cluster": range(size),
            "sections_on_loop": sections,
            "is_night": night,
            "is_radial": radial,
            "season": rng.choice(["a", "b", "c"], size),
        }
    )


def compare(jobs: pd.DataFrame, grouping: str = "district", min_jobs: int = 1) -> pd.DataFrame:
    return compare_groups(jobs, grouping, "minutes", coverage=0.9, min_jobs=min_jobs)


def test_effects_without_clusters_agree_with_statsmodels() -> None:
    jobs = make_jobs(np.random.default_rng(1), 900, {"A": 0.0, "B": 0.1, "C": -0.1})
    found = compare(jobs)
    formula = "np.log(minutes) ~ 0 + C(district) + np.log(sections_on_loop) + is_night + is_radial + C(season)"
    fit = smf.ols(formula, jobs.astype({"is_night": float, "is_radial": float})).fit(cov_type="HC3")
    share = jobs["district"].value_counts(normalize=True).sort_index().to_numpy()
    for n in range(3):
        contrast = np.zeros(8)
        contrast[:3] = np.eye(3)[n] - share
        test = fit.t_test(contrast)
        assert np.log(found["ratio_adjusted"][n]) == pytest.approx(float(np.ravel(test.effect)[0]))
        # jackknifed by statsmodels with all terms' leverage, here with the groups'; and moderated
        assert tuple(np.log(found.loc[n, ["ratio_lo", "ratio_hi"]].astype(float))) == pytest.approx(
            tuple(test.conf_int(alpha=0.1)[0]), rel=0.05
        )


def draw_clustered(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Log minutes, terms, groups and clusters of 240 jobs, most of them in 30 clusters."""
    clusters = pd.factorize(np.where(rng.random(240) < 0.8, rng.integers(0, 30, 240), np.arange(100, 340)))[0]
    codes = rng.integers(0, 4, 240)
    terms = np.column_stack([np.ones(240), rng.normal(size=240), codes == rng.integers(0, 4, 240)])
    y = 4 + terms[:, 1] * 0.3 + rng.normal(0, 0.2, 4)[codes] + rng.normal(0, 0.4, 400)[clusters]
    return y + rng.normal(0, 0.5, 240), terms, codes, clusters


def test_effects_errors_and_pooling_equal_those_of_matrices_written_out() -> None:
    y, terms, codes, clusters = draw_clustered(np.random.default_rng(2))
    found = fit_groups(y, terms, codes, clusters)
    n, dummies, of_cluster = len(y), np.eye(4)[codes], np.eye(clusters.max() + 1)[clusters]
    plain = np.hstack([terms, dummies])
    rest = y - plain @ np.linalg.pinv(plain) @ y
    same = of_cluster @ of_cluster.T - np.eye(n)
    between, total = rest @ same @ rest / same.sum(), rest @ rest / (n - 4 - 3 + 1)
    assert (found.cluster_variance, found.rest_variance) == pytest.approx((between, total - between))
    weigh = np.linalg.inv(of_cluster @ of_cluster.T * between / (total - between) + np.eye(n))
    effects = np.linalg.pinv(plain.T @ weigh @ plain) @ plain.T @ weigh @ y
    contrast = np.eye(4) - dummies.mean(axis=0)
    assert found.difference == pytest.approx(contrast @ effects[3:])
    # the sandwich over clusters, the scores of each group by what the cluster leaves of its information
    share = np.linalg.pinv(terms.T @ weigh @ terms) @ terms.T @ weigh @ dummies
    score = weigh @ (y - plain @ effects)
    own = np.array([[g[k] @ weigh[np.ix_(k, k)] @ g[k] for g in dummies.T] for k in of_cluster.T.astype(bool)])
    summed = of_cluster.T @ (dummies * score[:, None]) / (1 - own / own.sum(axis=0))
    summed -= of_cluster.T @ (terms * score[:, None]) @ share
    information = dummies.T @ weigh @ dummies - dummies.T @ weigh @ terms @ share
    reached = np.linalg.pinv(information) @ contrast.T
    sandwich = ((summed @ reached) ** 2).sum(axis=0) * n / (n - 3)
    parts = own @ reached**2
    freedom = parts.sum(axis=0) ** 2 / (parts**2).sum(axis=0) - 1
    model = (total - between) * np.diag(contrast @ reached)
    variance = (freedom * sandwich + PRIOR_FREEDOM * model) / (freedom + PRIOR_FREEDOM)
    assert found.freedom == pytest.approx(freedom + PRIOR_FREEDOM)
    assert found.error == pytest.approx(np.sqrt(variance))
    # Henderson's equations with the variances found
    penalty = np.diag([0.0] * 3 + [found.rest_variance / found.group_variance] * 4)
    predicted = np.linalg.solve(plain.T @ weigh @ plain + penalty, plain.T @ weigh @ y)[3:]
    assert found.shrunk == pytest.approx(contrast @ predicted, abs=1e-9)


def test_the_variance_between_groups_is_that_of_statsmodels() -> None:
    rng = np.random.default_rng(3)
    codes = np.repeat(np.arange(12), rng.integers(5, 60, 12))
    frame = pd.DataFrame({"x": rng.normal(size=len(codes)), "g": codes})
    frame["y"] = 0.3 * frame["x"] + rng.normal(0, 0.3, 12)[codes] + rng.normal(0, 0.5, len(codes))
    fit = smf.mixedlm("y ~ x", frame, groups="g").fit(reml=True)
    terms = np.column_stack([np.ones(len(codes)), frame["x"] - frame["x"].mean()])
    found = fit_groups(frame["y"].to_numpy(), terms, codes, np.arange(len(codes)))
    # the rest's variance is here that within the groups, there of both together
    assert found.group_variance == pytest.approx(float(fit.cov_re.iloc[0, 0]), rel=0.01)
    assert found.rest_variance == pytest.approx(fit.scale, rel=0.01)
    effects = np.array([fit.random_effects[k].iloc[0] for k in range(12)])
    assert found.shrunk == pytest.approx(effects - effects[codes].mean(), abs=0.004)


def test_longer_loops_are_no_fault_of_the_group() -> None:
    found = compare(make_jobs(np.random.default_rng(2), 3000, {"A": 0.0, "B": 0.0, "C": 0.0})).set_index("group_name")
    assert found.loc["B", "ratio_seen"] > 1.15
    assert found.loc["B", "ratio_adjusted"] == pytest.approx(1.0, abs=0.05)
    assert found["verdict"].tolist() == ["within"] * 3


def test_a_group_that_is_slower_is_found_and_a_small_one_is_not_listed() -> None:
    rng = np.random.default_rng(3)
    jobs = make_jobs(rng, 3000, {"A": 0.0, "B": 0.0, "C": 0.35})
    jobs.loc[jobs.index[:7], "district"] = "D"
    found = compare(jobs, min_jobs=10).set_index("group_name")
    assert found.loc["C", "verdict"] == "slower"
    assert "D" not in found.index
    assert 1 < found.loc["C", "ratio_shrunk"] < found.loc["C", "ratio_adjusted"]


def test_by_chance_alone_one_group_in_five_hundred_leaves_the_funnel() -> None:
    rng = np.random.default_rng(4)
    outside = groups = 0
    for _ in range(100):
        found = compare(make_jobs(rng, 400, dict.fromkeys("ABCDEFGHIJ", 0.0)))
        outside += int((found["verdict"] != "within").sum())
        groups += len(found)
    assert outside / groups < 0.01


@pytest.mark.parametrize("name", ["night-only crew, 30 % slower", "storms, equal", "seasons with storms, equal"])
def test_limits_hold_and_few_figures_name_a_group_without_reason(name: str) -> None:
    found = study(WORLDS[name], 60, 1)
    assert 84 <= found["held_pct"] <= 95
    assert found["false_figures_pct"] <= 10
    assert found["error_shrunk"] < 1.2 * found["error_own"]


def test_a_crew_at_night_is_told_from_the_night_where_others_work_at_night_and_else_not() -> None:
    jobs, _ = simulate_jobs(WORLDS["night-only crew, 30 % slower"], np.random.default_rng(5))
    by_crew = compare(jobs, "crew").set_index("group_name")
    assert by_crew.loc["C00", "verdict"] == "slower"
    alone = jobs.assign(is_night=jobs["crew"] == "C00")
    found = compare(alone, "crew").set_index("group_name")
    assert found.loc["C00", "verdict"] == "not_separable"
    assert found.loc["C00", "ratio_shrunk"] == pytest.approx(1.0, abs=0.05)
    # its limits are as wide as crews differ, those of the others nearly as they were
    others = found.drop(index="C00")
    assert set(others["verdict"]) <= {"within", "faster", "slower"}
    assert np.allclose(
        others["ratio_hi"] / others["ratio_lo"], (by_crew["ratio_hi"] / by_crew["ratio_lo"])[1:], rtol=0.1
    )


def test_hours_and_seasons_are_not_adjusted_for_themselves() -> None:
    jobs = make_jobs(np.random.default_rng(6), 2000, {"A": 0.0, "B": 0.0})
    jobs["hour"] = np.where(jobs["is_night"], "night", "day")
    jobs.loc[jobs["season"] == "b", "minutes"] *= 1.5
    by_hour, by_season = (compare(jobs, grouping).set_index("group_name") for grouping in ("hour", "season"))
    ratio = by_hour.loc["night", "ratio_adjusted"] / by_hour.loc["day", "ratio_adjusted"]
    assert np.log(ratio) == pytest.approx(0.2, abs=0.05)
    assert by_season["verdict"].to_dict() == {"a": "faster", "b": "slower", "c": "faster"}


def alike(minutes: list[float], names: str) -> pd.DataFrame:
    usual = {"sections_on_loop": 3, "is_night": False, "is_radial": False, "season": "a"}
    return pd.DataFrame({"district": list(names), "minutes": minutes, "cluster": range(len(names))}).assign(**usual)


def test_four_jobs_in_two_groups_by_hand() -> None:
    """Log minutes 1 and 3 against 2 and 6, their means 2 and 4 one below and above the fleet's. Squares of 1, 1, 4 and
    4 over two degrees of freedom: 5. Jobs without minutes or a known group count nowhere."""
    jobs = alike([*np.exp([1.0, 3.0, 2.0, 6.0]), 0.0, np.nan, 9.0], "AABBAB?").replace({"district": {"?": "unknown"}})
    found = compare(jobs, min_jobs=2)
    assert found["group_name"].tolist() == ["A", "B"]
    assert found["jobs"].tolist() == [2, 2]
    assert np.log(found["ratio_seen"]).tolist() == pytest.approx([-1, 1])
    assert np.log(found["ratio_adjusted"]).tolist() == pytest.approx([-1, 1])
    # each job reaches the contrast with 1/4; each is half of its group's information. All four weigh alike: 3 free
    sandwich = (1 + 1 + 4 + 4) / 4**2 * 2**2 * 4 / 3
    error = ((3 * sandwich + 10 * 5 / 4) / 13) ** 0.5
    together = (1 - FALSE_FIGURES) ** 0.5
    for column, coverage in (("funnel_95", 0.95), ("funnel_998", 0.998), ("funnel_all", together)):
        reach = stats.t(13).ppf(0.5 + coverage / 2) * error
        assert np.log(found[f"{column}_hi"]).tolist() == pytest.approx([reach] * 2, rel=1e-6)
        assert np.log(found[f"{column}_lo"]).tolist() == pytest.approx([-reach] * 2, rel=1e-6)
    reach = stats.t(13).ppf(0.95) * error
    assert np.log(found["ratio_hi"]).tolist() == pytest.approx([-1 + reach, 1 + reach], rel=1e-6)
    assert np.log(found["ratio_lo"]).tolist() == pytest.approx([-1 - reach, 1 - reach], rel=1e-6)
    assert compare(jobs, min_jobs=3).empty


def test_a_group_beyond_the_limits_of_the_figure_is_faster_or_slower() -> None:
    jobs = alike(np.exp([0.0, 0.1, 0.2, 2.0, 2.1, 2.2, 1.0, 1.1, 1.2]).tolist(), "AAABBBCCC")
    assert compare(jobs)["verdict"].tolist() == ["faster", "slower", "within"]


def test_too_few_jobs_one_group_or_one_day_give_no_rows() -> None:
    jobs = make_jobs(np.random.default_rng(5), 50, {"A": 0.0})
    two = alike([1.0, 2.0, 3.0, 4.0], "ABAB")
    full = compare(two)
    assert full["jobs"].tolist() == [2, 2]
    for given in (jobs, two[:3], two[:0]):  # two groups leave one of three jobs, none to tell the spread by
        found = compare(given)
        assert found.empty
        assert list(found.columns) == list(full.columns)
    stormy = alike(np.exp(np.arange(9.0) % 4).tolist(), "AAABBBCCC")
    stormy.loc[:2, "cluster"] = 0  # what one storm did to the group is not to be told from the group
    assert compare(stormy)["group_name"].tolist() == ["B", "C"]


def test_a_loop_without_sections_counts_as_one_section_and_groups_come_by_name() -> None:
    """Against least squares with the terms as they stand, not centred."""
    rng = np.random.default_rng(6)
    jobs = alike(rng.lognormal(4, 0.5, 60).tolist(), "CBA" * 20)
    jobs["sections_on_loop"] = rng.choice([0, 1, 2, 9], 60)
    found = compare(jobs, min_jobs=20)
    assert found["group_name"].tolist() == ["A", "B", "C"] and found.index.tolist() == [0, 1, 2]
    names = np.array(list("CBA" * 20))
    design = np.column_stack([*(names == n for n in "ABC"), np.log(jobs["sections_on_loop"].clip(lower=1))])
    effects = np.linalg.lstsq(design.astype(float), np.log(jobs["minutes"]), rcond=None)[0][:3]
    assert np.log(found["ratio_adjusted"]).tolist() == pytest.approx((effects - effects.mean()).tolist())
