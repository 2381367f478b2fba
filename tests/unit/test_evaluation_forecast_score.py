"""The score of a forecast: counts that add up, deviance by the textbook, a worse forecast scored worse."""

from __future__ import annotations

import dataclasses
import datetime as dt
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats

from pipelines.evaluation.forecast_score import (
    _row,
    _sum_cells,
    constant_rates,
    count_seen,
    deviance,
    judge_loops,
    relative_variance,
    score_forecast,
    years_in_service,
)
from pipelines.survival.history import FailureHistory, code_names, known_at
from pipelines.survival.model import FailureModel, fit_failure_model
from shared.settings import Settings
from tests.survival_fleets import make_fleet

ORIGIN = dt.date(2024, 12, 31)


@pytest.fixture(scope="module")
def history() -> FailureHistory:
    made = make_fleet(21, loops=120).history
    return dataclasses.replace(made, sections=made.sections.assign(position=np.arange(len(made.sections))))


@pytest.fixture(scope="module")
def model(history: FailureHistory) -> FailureModel:
    return fit_failure_model(known_at(history, ORIGIN), Settings())


@pytest.fixture(scope="module")
def scores(history: FailureHistory, model: FailureModel) -> pd.DataFrame:
    return score_forecast(history, model, 0.90)


def test_classes_add_up_to_the_whole(scores: pd.DataFrame) -> None:
    whole, classes = scores[scores["grouped_by"] == "all"].iloc[0], scores[scores["grouped_by"] == "cable_class"]
    for column in ("length_km", "expected", "observed_failures", "deviance_model", "deviance_constant"):
        assert classes[column].sum() == pytest.approx(whole[column]), column


def test_every_failure_of_the_year_on_cable_in_service_then_is_seen(
    history: FailureHistory, model: FailureModel, scores: pd.DataFrame
) -> None:
    failures = history.failures
    year = pd.to_datetime(failures["failed_on"]).between(pd.Timestamp("2025-01-01"), pd.Timestamp("2025-12-31"))
    then = set(model.windows.sections.loc[model.windows.in_service, "section_id"])
    own = failures["section_id"].isin(then) & (failures["is_counted"] | failures["why_not"].eq("undated_section"))
    alone = failures["why_not"].eq("loop_only")
    assert scores["observed_failures"].iloc[0] == pytest.approx((year & (own | alone)).sum())


def test_the_forecast_is_the_models_own(history: FailureHistory, model: FailureModel, scores: pd.DataFrame) -> None:
    forecast = model.forecast(1.0).set_index("section_id")["expected_failures"]
    retired = pd.to_datetime(history.sections.set_index("section_id")["retired_on"]).reindex(forecast.index)
    stays = ((retired - pd.Timestamp(ORIGIN)).dt.days / 365.25).clip(0, 1).fillna(1.0)
    assert scores["expected"].iloc[0] == pytest.approx((forecast * stays).sum())


def test_deviance_is_that_of_a_generalised_linear_model() -> None:
    seen, mean = pd.Series([0.0, 1.0, 4.0, 2.0]), pd.Series([0.3, 1.0, 2.2, 3.5])
    # statsmodels, family Poisson: the general library's own deviance
    assert deviance(seen, mean).sum() == pytest.approx(sm.families.Poisson().deviance(seen, mean))


def test_a_year_not_yet_over_is_not_scored(history: FailureHistory) -> None:
    """ORIGIN is a year before the last day known, and scored; the day after is not."""
    assert history.as_of == dt.date(2025, 12, 31)
    late = fit_failure_model(known_at(history, dt.date(2025, 1, 1)), Settings())
    assert score_forecast(history, late, 0.90).empty


@pytest.fixture(scope="module")
def twelve() -> pd.DataFrame:
    """The whole's score on twelve fleets of known truth."""
    rows = []
    for seed in range(12):
        made = make_fleet(300 + seed, loops=80, loop_only=0.0).history
        made = dataclasses.replace(made, sections=made.sections.assign(position=np.arange(len(made.sections))))
        rows.append(score_forecast(made, fit_failure_model(known_at(made, ORIGIN), Settings()), 0.90).iloc[0])
    return pd.DataFrame(rows)


def test_the_model_scores_better_than_a_constant_rate(twelve: pd.DataFrame) -> None:
    sums = twelve[["deviance_model", "deviance_constant", "deviance_class_constant"]].sum()
    assert sums["deviance_model"] < sums["deviance_class_constant"] < sums["deviance_constant"]


def test_limits_hold_as_many_fleets_and_loops_as_they_promise(twelve: pd.DataFrame) -> None:
    assert twelve["is_inside"].sum() >= 9  # of 12 at 0.9: fewer than 9 has a chance of 3 %
    assert twelve["loops_inside_fraction"].mean() == pytest.approx(twelve["loops_inside_promised"].mean(), abs=0.02)


CELLS = pd.DataFrame(
    {
        "loop": [0, 0, 1, 2],
        "code": [0, 1, 0, 0],
        "km": [1.0, 2, 3, 4],
        "expected": [2.0, 1.0, 4.0, 0.1],
        "seen": [3.0, 0.5, 4.0, 2.0],
        "level_error": [0.5, 0.25, 1.0, 0.0],
        "noise": [0.3, 0.2, 0.4, 0.0],
        "deviance_model": [1.0, 2, 3, 4],
        "deviance_constant": [5.0, 6, 7, 8],
        "deviance_class_constant": [9.0, 1, 2, 3],
    }
)


def test_a_row_of_the_score_by_hand() -> None:
    row = _row(CELLS, "all", "all", 0.8)
    # levels of a class err together: (0.5 + 1.0 + 0)^2 and 0.25^2; the multipliers' noise adds up
    variance = 0.3 + 0.2 + 0.4 + 1.5**2 + 0.25**2
    shape = 7.1**2 / variance
    known = stats.nbinom(shape, shape / (shape + 7.1))
    assert (row["expected_lo"], row["expected_hi"]) == (known.ppf(0.1), known.ppf(0.9))
    assert (row["length_km"], row["loops"], row["expected"], row["observed_failures"]) == (
        10,
        3,
        pytest.approx(7.1),
        9.5,
    )
    assert [row[f"deviance_{kind}"] for kind in ("model", "constant", "class_constant")] == [10, 26, 15]
    low, high = row["expected_lo"], row["expected_hi"]
    for seen, inside in (
        (low, True),
        (low - 0.01, False),
        (high, True),
        (high + 0.01, False),
        (high + 4e-7, True),
        (high + 4e-6, False),
    ):
        assert _row(CELLS.assign(seen=seen / 4), "all", "all", 0.8)["is_inside"] == inside


def test_loops_within_their_own_limits() -> None:
    found = judge_loops(CELLS, 0.8)
    # loop 0: 3 expected, 3.5 seen, which rounds to 4; loop 1: 4 and 4; loop 2: 0.1 and 2, of a Poisson count
    spread = [(0.5 + 0.75**2) / 9, (0.4 + 1) / 16]
    inside, promised = [], []
    for mean, seen, part in zip((3.0, 4.0, 0.1), (4, 4, 2), (*spread, 1e-9), strict=True):
        known = stats.nbinom(1 / part, 1 / (1 + part * mean))
        lo, hi = known.ppf(0.1), known.ppf(0.9)
        inside.append(lo <= seen <= hi)
        promised.append(known.cdf(hi) - known.cdf(lo - 1))
    assert inside == [True, True, False]
    assert found["loops_inside_fraction"] == pytest.approx(2 / 3)
    assert found["loops_inside_promised"] == pytest.approx(np.mean(promised), rel=1e-6)
    lo, hi = stats.nbinom(1 / spread[1], 1 / (1 + spread[1] * 4)).ppf([0.1, 0.9])
    for seen, share in ((lo, 1.0), (hi, 1.0), (lo - 1, 0.0), (hi + 1, 0.0)):
        assert judge_loops(CELLS[2:3].assign(seen=seen), 0.8)["loops_inside_fraction"] == share


def test_rates_and_variances_by_hand() -> None:
    windows = SimpleNamespace(
        km=np.array([1.0, 2.0, 0.0]),
        exit_years=np.array([5.0, 4.0, 9.0]),
        entry_years=np.array([1.0, 1.0, 1.0]),
        sum_by_section=lambda values: values,
    )
    stub = SimpleNamespace(windows=windows, failures=np.array([2.0, 3.0, 0.0]))
    fleet, by_class = constant_rates(stub, np.array([0, 1, 2]))
    # half a failure more for each class, so that none has a rate of nought
    assert fleet == 5 / (4 + 6)
    assert by_class.tolist() == pytest.approx([2.5 / 4, 3.5 / 6, 0.5 / 1e-9])
    totals = SimpleNamespace(loop_mean=np.array([2.0, 0.0, 0.5]), loop_variance=np.array([1.0, 1.0, 1.0]))
    stub = SimpleNamespace(totals_ahead=lambda years: {1.0: totals}[years])
    assert relative_variance(stub).tolist() == [1 / 4, 0, 1 / 0.5**2]
    assert deviance(pd.Series([1.0, 0.0]), pd.Series([0.0, 0.0])).tolist() == pytest.approx(
        [2 * (np.log(1e12) - 1), 0], abs=1e-9
    )


def test_a_year_is_365_days_and_a_section_counts_for_its_part_of_it(
    history: FailureHistory, model: FailureModel
) -> None:
    coded, codes = history.keep(code_names), model.windows.sections["section_code"].to_numpy()
    stand, own = pd.Timestamp(ORIGIN), model.windows.sections["section_id"]
    gone = dict(zip(own[:4], pd.to_timedelta([0, 73, 400, -5], unit="D"), strict=True))
    retired = coded.sections["section_id"].map(gone).astype("timedelta64[ns]") + stand
    changed = dataclasses.replace(coded, sections=coded.sections.assign(retired_on=retired))
    assert years_in_service(changed, model)[:5].tolist() == pytest.approx([0, 73 / 365.25, 1, 0, 1])
    assert (years_in_service(changed, model)[4:] == 1).all()

    days = pd.to_timedelta([0, 1, 365, 366, 1, 365, 366, 1], unit="D")
    loop = model.windows.sections["loop_id"].iloc[0]
    jobs = coded.failures.iloc[:8].assign(
        section_code=[*codes[[2, 2, 0, 2]], -1, -1, -1, -1],
        loop_id=[loop] * 7 + ["nowhere"],
        failed_on=stand + days,
        is_counted=[True] * 4 + [False] * 4,
        why_not=pd.array([None] * 4 + ["loop_only"] * 4, dtype=object),
    )
    expected = model.ahead(1.0)
    seen = count_seen(dataclasses.replace(coded, failures=jobs), model, expected)
    # one each of the first and the third section, and two of their loop shared by what was expected
    mine = model.windows.sections["loop_id"].eq(loop).to_numpy()
    share = expected * mine / expected[mine].sum()
    assert seen == pytest.approx(2 * share + np.isin(np.arange(len(seen)), [0, 2]))


def test_cells_are_sums_by_loop_and_class(history: FailureHistory, model: FailureModel) -> None:
    code, _ = pd.factorize(model.windows.sections["cable_class"], sort=True)
    mixed = np.where(np.arange(len(code)) % 5 == 0, 2, code)
    cells = _sum_cells(history.keep(code_names), model, mixed)
    w, years = model.windows, years_in_service(history.keep(code_names), model)
    frame = pd.DataFrame(
        {
            "loop": model.tree.loop_of_half[model.tree.half_of_section],
            "code": mixed,
            "km": w.sections["length_km"].to_numpy(),
            "expected": model.forecast(1.0)
            .set_index("section_id")["expected_failures"]
            .reindex(w.sections["section_id"]),
        }
    ).assign(variation=model.variation, years=years)[w.in_service]
    frame = frame.assign(
        expected=frame["expected"] * frame["years"],
        km_years=frame["km"] * frame["years"],
        level_error=frame["expected"] * frame["years"] * frame["variation"],
    )
    sums = frame.groupby(["code", "loop"])[["km", "km_years", "expected", "level_error"]].sum().reset_index()
    assert cells[["loop", "code"]].to_numpy().tolist() == sums[["loop", "code"]].to_numpy().tolist()
    for column in ("km", "km_years", "expected", "level_error"):
        assert cells[column].to_numpy() == pytest.approx(sums[column].to_numpy()), column


def test_the_whole_row_is_put_together_from_its_parts(
    history: FailureHistory, model: FailureModel, scores: pd.DataFrame
) -> None:
    code, classes = pd.factorize(model.windows.sections["cable_class"], sort=True)
    cells = _sum_cells(history.keep(code_names), model, code)
    fleet, by_class = constant_rates(model, code)
    noise = relative_variance(model)[cells["loop"]] * cells["expected"] ** 2
    whole = scores.iloc[0]
    for name, mean in (
        ("constant", fleet * cells["km_years"]),
        ("class_constant", by_class[cells["code"]] * cells["km_years"]),
    ):
        assert whole[f"deviance_{name}"] == pytest.approx(sm.families.Poisson().deviance(cells["seen"], mean), rel=1e-6)
    levels = cells.groupby("code")["level_error"].sum()
    shape = whole["expected"] ** 2 / (noise.sum() + (levels**2).sum())
    known = stats.nbinom(shape, shape / (shape + whole["expected"]))
    assert (whole["expected_lo"], whole["expected_hi"]) == (known.ppf(0.05), known.ppf(0.95))
    assert scores["group_name"].tolist() == ["all", *sorted(classes)]
    assert scores["loops_inside_promised"].notna().tolist() == [True] + [False] * len(classes)
    assert scores["origin"].eq(pd.Timestamp(ORIGIN)).all()
