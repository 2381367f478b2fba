"""The failure model: windows, what was known at a date, sharing, forecast, and the choice of the hazard's form."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from pipelines.survival.history import code_names, known_at
from pipelines.survival.missing_dates import spread_dates
from pipelines.survival.model import fit_failure_model
from pipelines.survival.model_selection import CANDIDATES, choose_model, cut_windows
from pipelines.survival.observation_windows import build_windows
from pipelines.survival.treatment import leave_out_treated
from shared.settings import Settings
from tests.survival_fleets import AS_OF, make_fleet

SETTINGS = Settings().override("general", as_of=AS_OF)


@pytest.fixture(scope="module")
def fleet():
    return make_fleet(1)


@pytest.fixture(scope="module")
def fitted(fleet):
    return fit_failure_model(fleet.history, SETTINGS)


def test_what_was_known_holds_nothing_later(fleet) -> None:
    then = known_at(fleet.history, dt.date(2015, 1, 1))
    day = pd.Timestamp("2015-01-01")
    assert (then.failures["closed_on"] <= day).all()
    assert not (then.sections["retired_on"] > day).any()
    assert not (then.sections["installed_on"] > day).any()
    assert (then.sections["in_view_to"].dropna() <= day).all()
    late = fleet.history.sections["retired_on"] > day
    assert then.sections["section_id"].isin(fleet.history.sections.loc[late, "section_id"]).sum() > 0


def test_a_section_without_a_date_is_spread_over_the_years_of_its_like() -> None:
    sections = pd.DataFrame(
        {
            "loop_id": ["L1", "L1", "L1", "L2"],
            "district_id": "D1",
            "cable_class": "A",
            "insulation": "A",
            "length_km": [0.3, 0.1, 0.2, 0.2],
            "is_installed_on_known": [True, True, False, False],
            "installed_on": pd.to_datetime(["1975-03-01", "1980-03-01", None, None]),
            "retired_on": pd.NaT,
        }
    )
    first = pd.Series([pd.NaT, pd.NaT, pd.NaT, pd.Timestamp("1978-02-01")])
    spread = spread_dates(sections, first, pd.Timestamp("2020-01-01"))
    third = spread[spread["row"] == 2]
    assert third["installed_on"].dt.year.tolist() == [1975, 1980]
    assert_allclose(third["weight"], [0.75, 0.25])
    fourth = spread[spread["row"] == 3]  # it failed in 1978: the cable of 1980 is ruled out
    assert fourth["installed_on"].dt.year.tolist() == [1975]
    assert_allclose(spread.groupby("row")["weight"].sum(), 1.0)


def test_windows_add_up_to_the_exposure_and_the_failures(fleet) -> None:
    windows = build_windows(fleet.history)
    dated = windows.sections["is_installed_on_known"].to_numpy(dtype=bool)
    exposure = windows.sum_by_section(windows.km * (windows.exit_years - windows.entry_years))
    assert_allclose(exposure[dated], windows.sections["exposure_km_years"][dated], atol=1e-9)
    used = fleet.history.failures["why_not"].isna() | (fleet.history.failures["why_not"] == "undated_section")
    assert windows.event_weight.sum() == pytest.approx(used.sum())


def test_every_failure_is_used_once(fleet, fitted) -> None:
    lost = fleet.history.failures["why_not"] == "not_in_register"
    assert fitted.failures.sum() == pytest.approx((~lost).sum())
    assert_allclose(fitted.expected.sum(), fitted.failures.sum(), rtol=0.02)


def test_sections_add_up_to_half_loops_loops_and_districts(fitted) -> None:
    sections = fitted.forecast(5.0)
    for by in ("half_loop_id", "loop_id", "district_id"):
        groups = fitted.forecast_groups(5.0, by).set_index(by)
        assert_allclose(groups["expected_failures"], sections.groupby(by)["expected_failures"].sum(), rtol=1e-5)
        assert_allclose(groups["gamma_shape"] / groups["gamma_rate"], groups["expected_failures"], rtol=1e-9)
    assert (sections["expected_failures_lo"] < sections["expected_failures"]).all()
    assert (sections["expected_failures"] < sections["expected_failures_hi"]).all()
    with pytest.raises(ValueError, match="cannot group"):
        fitted.forecast_groups(5.0, "cable_class")


def test_the_same_history_in_another_order_gives_the_same_forecast(fleet, fitted) -> None:
    h = fleet.history
    turned = type(h)(h.sections.sample(frac=1.0, random_state=1), h.failures.sample(frac=1.0, random_state=2), h.as_of)
    pd.testing.assert_frame_equal(fit_failure_model(turned, SETTINGS).forecast(5.0), fitted.forecast(5.0), rtol=1e-7)


def test_a_failure_raises_its_section_and_its_loop(fitted) -> None:
    sections = fitted.forecast(5.0)
    failed = sections[sections["failures_recorded"] >= 2]
    assert (failed["multiplier"] > failed["loop_multiplier"]).mean() > 0.9
    quiet = sections[sections["failures_recorded"] == 0]
    assert failed["loop_multiplier"].mean() > quiet["loop_multiplier"].mean()


def test_the_form_is_chosen_on_later_years_alone(fleet) -> None:
    windows = build_windows(fleet.history)
    before, after = cut_windows(windows, 6.0, 3.0)
    ago = (windows.as_of.to_datetime64() - before.event_on) / np.timedelta64(1, "D") / 365.25
    assert ago.min() >= 6.0
    spans = (after.exit_years - after.entry_years)[windows.in_service[windows.owner]]
    assert spans.max() == pytest.approx(3.0)
    choice = choose_model(fleet.history, SETTINGS)
    # the six years before the as-of date, three years at a time: what was seen in them, and about as much expected
    weights = leave_out_treated(windows)
    since = (windows.as_of.to_datetime64() - weights.event_on) / np.timedelta64(1, "D") / 365.25
    seen = weights.event_weight[since < 6.0].sum()
    assert choice.scores["observed"].tolist() == [round(seen)] * len(CANDIDATES)
    assert choice.scores["expected"].between(0.8 * seen, 1.25 * seen).all()
    # a failure of a cable of some tens of metres at a rate of about 0.01 a km and year, less what was expected
    assert choice.scores["log_likelihood"].between(np.log(0.001) - 2, 0).all()
    assert choice.scores["is_chosen"].sum() == 1
    best, chosen = choice.scores["log_likelihood"].idxmax(), choice.scores.query("is_chosen").iloc[0]
    assert chosen["hazard"] in ("blend", choice.scores.loc[best, "hazard"])
    assert (choice.chosen.hazard, choice.chosen.penalty) == (chosen["hazard"], chosen["penalty"])
    assert len(choice.scores) == len(CANDIDATES)


def test_numbers_stand_for_names(fleet) -> None:
    coded = code_names(fleet.history)
    assert code_names(coded) is coded
    sections, failures = coded.sections, coded.failures
    named = sections.sort_values(["loop_id", "half_loop_id", "section_id"], ignore_index=True)
    assert named["section_id"].tolist() == sections["section_id"].tolist()
    for name, code in (("section_id", "section_code"), ("loop_id", "loop_code"), ("half_loop_id", "half_code")):
        assert sections.sort_values(code)[name].is_monotonic_increasing
        assert sections[name].nunique() == sections[code].nunique()
    number = dict(zip(sections["section_id"], sections["section_code"], strict=True))
    wanted = failures["section_id"].map(number).fillna(-1).astype(int)
    assert failures["section_code"].tolist() == wanted.tolist()
    assert failures["section_code"].ge(0).any()


def test_what_a_history_keeps_is_made_once(fleet) -> None:
    asked: list[int] = []
    assert fleet.history.keep(asked.append) is None
    assert fleet.history.keep(asked.append) is None
    assert len(asked) == 1
