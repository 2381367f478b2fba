"""A fitted model's figures from their definitions: evidence, level, injection, posterior, forecast and its groups."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy.stats import gamma

from pipelines.survival import evidence, treatment
from pipelines.survival import hierarchical_frailty as nested
from pipelines.survival.curves import expect_between
from pipelines.survival.kinds import fit_curves, fit_first_laws, fit_kinds, keep_untreated
from pipelines.survival.model import DEFAULT_CHOICES, ModelChoices, fit_failure_model, gamma_limits
from pipelines.survival.observation_windows import EVENT_FIELDS, build_windows
from shared.settings import Settings
from tests.survival_fleets import AS_OF, make_fleet

SETTINGS = Settings().override("general", as_of=AS_OF).override("replacement", injection_years=4.0)
CHOICES = ModelChoices("power_law", length_power=1.0)


@pytest.fixture(scope="module")
def history():
    """Two districts; every seventh section injected in 2014 or 2024, short ones failing more than their length says."""
    fleet = make_fleet(2, loops=25, loop_only=0.15, missing_dates=0.2).history
    sections = fleet.sections
    number = np.arange(len(sections))
    injected = pd.Series(pd.to_datetime(np.where(number % 14, "2014-03-01", "2024-03-01"))).where(number % 7 == 0)
    injected = injected.where(~(sections["retired_on"] < pd.Timestamp("2025-01-01")))
    busiest = fleet.failures.loc[fleet.failures["is_counted"], "section_id"].mode()[0]
    injected[sections["section_id"] == busiest] = pd.Timestamp("1999-01-01")  # its effect was over before the records
    district = np.where(sections["loop_id"] < "L00010", "D2", "D1")
    repeats = fleet.failures[fleet.failures["is_counted"]].head(9)
    repeats = repeats.assign(failed_on=repeats["failed_on"] + pd.Timedelta(days=9), job_id=repeats["job_id"] + "b")
    short = sections[sections["is_installed_on_known"] & sections["retired_on"].isna()].nsmallest(12, "length_km")
    at_the_ends = pd.DataFrame(
        {
            "job_id": "K" + short["section_id"],
            "failed_on": pd.Timestamp("2019-05-01"),
            "is_counted": True,
            "failed_component": "cable",
        }
    ).join(short[["section_id", "loop_id", "cable_class"]])
    return dataclasses.replace(
        fleet,
        sections=sections.assign(rejuvenated_on=injected, district_id=district),
        failures=pd.concat([fleet.failures, repeats, at_the_ends], ignore_index=True),
    )


@pytest.fixture(scope="module")
def model(history):
    return fit_failure_model(history, SETTINGS, CHOICES)


def in_view(model, windows) -> np.ndarray:
    mean = expect_between(model.curves, model.codes, windows.entry_years, windows.exit_years)
    return windows.sum_by_section(windows.km * mean)


def under_injection(model) -> np.ndarray:
    """What the curves expect of each section in view and within four years of its injection, its ends counted."""
    w = model.windows
    low, high = np.maximum(w.treated_years, w.entry_years), np.minimum(w.treated_years + 4.0, w.exit_years)
    some = high > low
    expected = np.zeros(len(w.owner))
    expected[some] = expect_between(model.curves, model.codes[some], low[some], high[some])
    return w.sum_by_section(w.km * expected) * model.end_factor


def without_own_fold(bare, untreated) -> np.ndarray:
    """What curves say of loops that they have not seen, four parts of the loops in turn, at the fleet's sum."""
    loop = bare.sections["loop_code"].to_numpy()[bare.owner]
    expected = np.zeros(len(loop))
    for one in range(4):
        held = loop % 4 == one
        kept = ~held[bare.event_window]
        seen = {name: getattr(bare, name)[kept] for name in EVENT_FIELDS}
        rest = dataclasses.replace(bare, entry_years=np.where(held, bare.exit_years, bare.entry_years), **seen)
        [(curves, codes)] = fit_curves(rest, (CHOICES,), SETTINGS)
        mean = expect_between(curves, codes, bare.entry_years, bare.exit_years)
        expected += np.where(held, bare.km * mean, 0.0)
    of_section = bare.sum_by_section(expected)
    return of_section * untreated.sum() / of_section.sum()


def test_every_part_of_the_fit_follows_from_the_parts_before(history, model) -> None:
    w = build_windows(history)
    bare, assumed = treatment.leave_out_treated(w), treatment.assume_treatment(0.3, 4.0)
    laws, years = fit_first_laws(bare, SETTINGS)
    assert not years.table["is_apart"].any()
    classes, _, _, shared = fit_kinds(history, w, bare, laws, SETTINGS, CHOICES, assumed)
    early = keep_untreated(shared, w)
    assert 0 < len(early[0]) < len(shared[0])
    occasions, untreated = evidence.count_occasions(bare), in_view(model, bare)
    length = w.sections["length_km"].to_numpy()
    assert_allclose(model.end_factor, evidence.fit_end_length(occasions, untreated, length))
    assert np.ptp(model.end_factor) > 0
    late, late_expected, *by_year = evidence.discount_years(bare, early, model.curves, model.codes, 5.0)
    assert model.common_variation == evidence.vary_together(*by_year)
    of_section = np.zeros(len(w.sections), dtype=np.int64)
    of_section[w.owner] = classes
    level, variation = evidence.hold_levels(of_section, late, late_expected * model.end_factor)
    assert_allclose([model.class_level, model.level_variation], [level, variation])
    # repeats and shares are no occasions: what is expected is brought down to them
    fresh = occasions.sum() / (bare.event_weight.sum() + early[2].sum())
    assert fresh < 0.97
    first = dataclasses.replace(model.tree, failures=occasions, expected=untreated * model.end_factor * fresh)
    apart = dataclasses.replace(first, expected=without_own_fold(bare, untreated) * model.end_factor * fresh)
    assert model.variances == nested.fit_variances(apart, 1.0)
    assert model.variances.length_power == 1.0
    under, seen = under_injection(model), evidence.count_occasions(w)
    left = treatment.fit_treatment(
        assumed, first, model.variances, (seen - occasions)[under > 0].sum(), under * level * fresh, variation
    )
    assert model.treatment == left
    assert left.failures > 0
    recorded = w.sum_by_section(w.event_weight, w.event_window)
    shares = w.sum_by_section(shared[2], shared[0])
    assert model.recorded.tolist() == recorded.round().tolist()
    assert_allclose(model.failures, recorded + shares)
    expected = in_view(model, w) * model.end_factor - (1 - left.factor) * under
    assert_allclose(model.expected, expected)
    assert_allclose(model.tree.failures, seen + shares)
    told = (seen + shares).sum() / (recorded + shares).sum()
    assert told < 1
    assert_allclose(model.tree.expected, expected * told)
    post = nested.fit_posterior(model.tree, model.variances)
    assert_allclose(model.posterior.shape, post.shape)
    assert model.coverage == 0.9
    from_there = fit_failure_model(history, SETTINGS, CHOICES, start=model.variances)
    assert from_there.variances == nested.fit_variances(apart, 1.0, model.variances)


def test_what_lies_ahead_is_the_curve_of_each_window_less_what_injection_saves(model) -> None:
    w = model.windows
    low, high = w.age_now, w.age_now + 5.0
    left = np.minimum(np.maximum(w.treated_years + 4.0, low), high)
    treated = np.isfinite(w.treated_years)
    untreated = expect_between(model.curves, model.codes, low, high)
    saved = np.zeros(len(low))
    saved[treated] = expect_between(model.curves, model.codes[treated], low[treated], left[treated])
    ahead = w.sum_by_section(w.km * (untreated - (1 - model.treatment.factor) * saved))
    ahead *= model.end_factor * model.class_level * w.in_service
    assert_allclose(model.expected_by_class(5.0), ahead)
    assert model.ahead(5.0) is model.ahead(5.0)
    assert model.totals_ahead(5.0) is model.totals_ahead(5.0)
    assert_allclose(model.ahead(2.0), model.expected_by_class(2.0))
    injected = pd.to_datetime(w.sections["rejuvenated_on"])
    assert model.is_treated.tolist() == (injected > pd.Timestamp("2021-12-31")).tolist()
    v, e, half = model.variances, model.tree.expected, model.tree.half_of_section
    code = pd.factorize(w.sections["cable_class"], sort=True)[0]
    frame = pd.DataFrame({"class": code, "loop": model.tree.loop_of_half[half], "half": half, "e": e})
    more = v.section * (e**2)
    more = pd.Series(more).groupby(code).sum()
    for level, variance in (("half", v.half_loop), ("loop", v.loop)):
        more = more + variance * (frame.groupby(["class", level])["e"].sum() ** 2).groupby("class").sum()
    spread = (1 + more / frame.groupby("class")["e"].sum()).to_numpy()[code]
    assert_allclose(model.spread, spread)
    own = 1 / (1 + v.section * e)
    shared = 1 / (1 + (v.loop + v.half_loop) * pd.Series(e * own).groupby(frame["loop"]).transform("sum").to_numpy())
    curve = w.sum_by_section(w.weight * model.curves.variation[model.codes]) * np.sqrt(spread) * own * shared
    injected_part = np.where(model.is_treated, model.treatment.variation, 0)
    parts = np.stack([curve, model.level_variation, np.full(len(e), model.common_variation), injected_part])
    assert_allclose(model.variation, np.sqrt((parts**2).sum(axis=0)))


def limits(shape: np.ndarray, mean: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Five and ninety-five per cent points of gammas by scipy."""
    return gamma.ppf(0.05, shape, scale=mean / shape), gamma.ppf(0.95, shape, scale=mean / shape)


def test_a_forecast_by_its_definitions(model) -> None:
    w, post = model.windows, model.posterior
    order = np.argsort(w.sections["section_id"].to_numpy(), kind="stable")
    order = order[w.in_service[order]]
    frame = model.forecast(5.0)
    assert frame["section_id"].tolist() == w.sections["section_id"].iloc[order].tolist()
    assert frame.index.tolist() == list(range(len(order)))
    mean, ahead = post.shape / post.rate, model.ahead(5.0)
    lo, hi = limits(post.shape, mean)
    wide_lo, wide_hi = limits(1 / (1 / post.shape + model.variation**2), mean)
    age = np.bincount(w.owner, w.weight * w.age_now)
    half = model.tree.half_of_section
    wanted = {
        "age_years": age,
        "failures_recorded": model.recorded,
        "failures_shared": np.maximum(model.failures - model.recorded, 0),
        "expected_recorded": model.expected,
        "expected_class": ahead,
        "multiplier": mean,
        "multiplier_lo": lo,
        "multiplier_hi": hi,
        "gamma_shape": post.shape,
        "gamma_rate": post.rate,
        "half_loop_multiplier": post.half_loop[half],
        "loop_multiplier": post.loop[model.tree.loop_of_half[half]],
        "expected_failures": ahead * mean,
        "expected_failures_lo": ahead * wide_lo,
        "expected_failures_hi": ahead * wide_hi,
        # none of a Poisson count with a gamma mean
        "probability_of_failure": 1 - (1 + ahead / post.rate) ** -post.shape,
        "injection_factor": np.where(model.is_treated, model.treatment.factor, 1.0),
    }
    for name, values in wanted.items():
        assert_allclose(frame[name], values[order], rtol=1e-9, err_msg=name)
    assert set(frame["is_installed_on_known"]) == {True, False}
    means = model.forecast_means(5.0)
    assert means.columns.tolist() == ["section_id", "section_code", "loop_id", "length_km", "expected_failures"]
    pd.testing.assert_frame_equal(means.drop(columns="section_code"), frame[means.columns.drop("section_code")])
    named = model.windows.sections.set_index("section_code")["section_id"]
    assert named[means["section_code"]].tolist() == means["section_id"].tolist()


@pytest.mark.parametrize("by", ["half_loop_id", "loop_id", "district_id"])
def test_groups_by_their_definitions(model, by: str) -> None:
    w, ahead, totals = model.windows, model.ahead(5.0), model.totals_ahead(5.0)
    assert_allclose(totals.loop_mean, nested.fit_totals(model.tree, model.variances, ahead).loop_mean)
    groups = model.forecast_groups(5.0, by).set_index(by)
    named = w.sections[by].to_numpy(dtype=str)
    loops = w.sections.drop_duplicates("loop_id")
    moments = {
        "half_loop_id": (w.sections.drop_duplicates("half_loop_id")[by], totals.half_mean, totals.half_variance),
        "loop_id": (loops[by], totals.loop_mean, totals.loop_variance),
        "district_id": (loops[by], totals.loop_mean, totals.loop_variance),
    }[by]
    serving = pd.Index(np.unique(named[w.in_service]))
    assert groups.index.tolist() == serving.tolist()
    mean, variance = (
        pd.Series(m).groupby(moments[0].to_numpy(dtype=str)).sum()[serving].to_numpy() for m in moments[1:]
    )

    def total(values: np.ndarray) -> np.ndarray:
        return pd.Series(values * w.in_service).groupby(named).sum()[serving].to_numpy()

    expected, shape = total(ahead), mean**2 / variance
    lo, hi = limits(shape, mean / expected)
    of_section = ahead * model.posterior.shape / model.posterior.rate
    error = total(of_section * model.variation) / total(of_section)
    wide_lo, wide_hi = limits(1 / (1 / shape + error**2), mean)
    wanted = {
        "length_km": total(w.sections["length_km"].to_numpy()),
        "sections": total(np.ones(len(named))),
        "failures_recorded": total(model.recorded),
        "failures_shared": total(np.maximum(model.failures - model.recorded, 0)),
        "expected_recorded": total(model.expected),
        "expected_class": expected,
        "multiplier": mean / expected,
        "multiplier_lo": lo,
        "multiplier_hi": hi,
        "expected_failures": mean,
        "expected_failures_lo": wide_lo,
        "expected_failures_hi": wide_hi,
        "gamma_shape": shape,
        "gamma_rate": shape / mean,
        "probability_of_failure": 1 - (1 + mean / shape) ** -shape,
    }
    for name, values in wanted.items():
        assert_allclose(groups[name], values, rtol=1e-7, err_msg=name)
    if by == "loop_id":
        of_loop = pd.Series(model.posterior.loop, index=loops["loop_id"].to_numpy(dtype=str))
        assert_allclose(groups["loop_multiplier"], of_loop[serving])
    if by != "district_id":
        of = w.sections.drop_duplicates(by).set_index(by)
        assert groups["district_id"].tolist() == of.loc[serving, "district_id"].tolist()


def test_a_gamma_s_limits_leave_half_of_the_rest_on_each_side() -> None:
    lo, hi = gamma_limits(np.array([2.0, 0.5]), np.array([3.0, 0.1]), 0.8)
    assert_allclose(lo, gamma.ppf(0.1, [2.0, 0.5], scale=[1 / 3, 10]))
    assert_allclose(hi, gamma.ppf(0.9, [2.0, 0.5], scale=[1 / 3, 10]))
    assert dataclasses.astuple(DEFAULT_CHOICES) == ("blend", 10.0, 0.0)
