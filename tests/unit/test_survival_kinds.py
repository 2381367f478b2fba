"""Curves of the kinds of cable, how failures known by loop alone are shared, and how a form is chosen: by hand."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from numpy.testing import assert_allclose

from pipelines.survival import hazard, kinds, model_selection
from pipelines.survival.curves import PowerLawCurves, fit_power_law_curves
from pipelines.survival.hazard import PatternCurves, blend_curves
from pipelines.survival.kinds import ModelChoices, fit_curves, fit_first_laws, fit_kinds, keep_untreated
from pipelines.survival.model_selection import CANDIDATES, choose_model, cut_windows
from pipelines.survival.observation_windows import build_windows
from pipelines.survival.treatment import assume_treatment, leave_out_treated
from shared.settings import Settings
from tests.survival_fleets import small_history

SETTINGS = Settings().override("survival", min_failures=3)
ASSUMED = assume_treatment(0.25, 6.0)
POWER_LAW = ModelChoices("power_law")


def fitted(history, choices: ModelChoices = POWER_LAW):
    windows = build_windows(history)
    bare = leave_out_treated(windows)
    laws, _ = fit_first_laws(bare, SETTINGS)
    return windows, fit_kinds(history, windows, bare, laws, SETTINGS, choices, ASSUMED)


def test_a_failure_known_by_loop_alone_is_shared_by_km_and_intensity() -> None:
    """The section injected in 2008 counts a quarter in 2012; in 2016 its six years are over."""
    sections = [
        {"length_km": 2.0, "rejuvenated_on": "2008-01-01"},
        {"installed_on": "2004-01-01"},
        {"cable_class": "B"},
    ]
    own = [("S0", "2004"), ("S1", "2008"), ("S1", "2016"), ("S2", "2008")]
    failures = [{"section_id": s, "failed_on": f"{year}-01-01"} for s, year in own]
    failures += [{"loop_id": "L1", "failed_on": f"{y}-01-01", "why_not": "loop_only"} for y in (2012, 2016, 2004)]
    windows, (class_codes, laws, codes, shared) = fitted(small_history(sections, failures))
    assert class_codes.tolist() == codes.tolist() == [0, 0, 1]
    entry, leave, km = np.array([12.0, 0, 12]), np.array([20.0, 16, 32]), np.array([2.0, 1, 1])
    struck = np.array([0, 0, 0, 1]), np.array([16.0, 4, 12, 20]), np.ones(4)
    alone = fit_power_law_curves(class_codes, 2, entry, leave, km, *struck, 3)
    window, age, weight, ago = shared
    assert window.tolist() == [0, 1, 2] * 3
    assert age.tolist() == [24, 8, 24, 28, 12, 28, 16, 0, 16]
    assert ago.tolist() == [8] * 3 + [4] * 3 + [16] * 3
    pull = (km[window] * alone.intensity(class_codes[window], age)).reshape(3, 3)
    pull[0, 0] *= 0.25
    assert_allclose(weight.reshape(3, 3), pull / pull.sum(axis=1, keepdims=True), rtol=1e-9)
    # the curves of cable left alone are refitted without the shares of the injected section
    early = keep_untreated(shared, windows)
    assert early[0].tolist() == [1, 2, 1, 2, 0, 1, 2]
    assert [part.tolist() for part in early[1:]] == [part[[1, 2, 4, 5, 6, 7, 8]].tolist() for part in shared[1:]]
    joined = (np.r_[struck[0], class_codes[early[0]]], np.r_[struck[1], early[1]], np.r_[struck[2], early[2]])
    again = fit_power_law_curves(class_codes, 2, entry, leave, km, *joined, 3)
    assert_allclose([laws.shape, laws.rate, laws.variation], [again.shape, again.rate, again.variation])
    at_the_injection = np.array([0]), np.array([20.0]), np.ones(1), np.ones(1)
    assert len(keep_untreated(at_the_injection, windows)[0]) == 1


def with_failures(count: int, alone: int = 0):
    days = [str(np.datetime64("2001-01-01") + 200 * n) for n in range(count)]
    failures = [{"section_id": f"S{n % 3}", "failed_on": day} for n, day in enumerate(days)]
    failures += [{"loop_id": "L1", "failed_on": "2012-01-01", "why_not": "loop_only"}] * alone
    return small_history([{}, {"installed_on": "1996-01-01"}, {"neutral": "jacketed", "cable_class": "B"}], failures)


def test_thirty_failures_are_needed_to_correct_the_power_laws(monkeypatch: pytest.MonkeyPatch) -> None:
    drawn: list[tuple] = []
    monkeypatch.setattr(hazard, "make_hazard", lambda *of: drawn.append(of) or of)
    monkeypatch.setattr(hazard, "fit_hazard", lambda of, *_: of)
    tables = {"spline": np.full((3, 50), 2.0), "boosted": np.full((3, 50), 5.0)}
    ahead: list[int] = []

    def draw_up(of, _cells, _patterns, laws, code, years_ahead):
        ahead.append(years_ahead)
        return PatternCurves(tables[of[0]] * of[1], laws.variation[code])

    monkeypatch.setattr(hazard, "draw_up_curves", draw_up)
    for history in (with_failures(29), with_failures(28, 1)):
        windows, (class_codes, curves, codes, _) = fitted(history, ModelChoices())
        assert isinstance(curves, PowerLawCurves)
        assert codes.tolist() == class_codes.tolist() == [0, 0, 1]
        for laws, code in fit_curves(windows, (ModelChoices(), POWER_LAW), SETTINGS):
            assert isinstance(laws, PowerLawCurves)
            assert code.tolist() == [0, 0, 1]
    assert drawn == []
    for history in (with_failures(30), with_failures(29, 1)):
        windows, (_, curves, codes, _) = fitted(history, ModelChoices())
        assert isinstance(curves, PatternCurves)
        assert sorted(codes.tolist()) == [0, 1, 2]
    assert set(ahead) == {10}
    drawn.clear()
    forms = (POWER_LAW, ModelChoices("spline", 3.0), ModelChoices("spline"), ModelChoices("boosted"), ModelChoices())
    windows = build_windows(with_failures(30))
    (laws, code), *others = fit_curves(windows, forms, SETTINGS)
    assert drawn == [("spline", 3.0), ("spline", 10.0), ("boosted", 10.0)]  # the blend draws nothing anew
    assert code.tolist() == [0, 0, 1]
    spline, fine, boosted, blend = (curves for curves, _ in others)
    assert [part.up_to[0, 0] for part in (spline, fine, boosted)] == [6.0, 20.0, 50.0]
    class_of_pattern = np.zeros(3, dtype=np.int64)
    class_of_pattern[others[0][1]] = [0, 0, 1]
    assert_allclose(blend.up_to, blend_curves(laws, class_of_pattern, fine, boosted).up_to)
    assert all(pattern.tolist() == codes.tolist() for _, pattern in others)


def test_the_curves_reach_ten_years_beyond_what_was_seen() -> None:
    _, (_, curves, _, _) = fitted(with_failures(30), ModelChoices("spline"))
    assert curves.up_to.shape == (3, 31 + 10 + 3)  # the oldest year in view is that from 31 to 32
    assert fitted(with_failures(30))[1][1].shape.shape == (2,)


def test_windows_are_cut_by_years_before_the_as_of_date() -> None:
    sections = [{}, {"retired_on": "2014-01-01"}, {"installed_on": "2014-01-01"}]
    struck = [("S0", "2008"), ("S0", "2012"), ("S0", "2016"), ("S1", "2012"), ("S2", "2018")]
    windows = build_windows(small_history(sections, [{"section_id": s, "failed_on": f"{y}-01-01"} for s, y in struck]))
    before, after = cut_windows(windows, 8.0, 4.0)
    retired, young = 9497 / 365.25, 2191 / 365.25
    assert_allclose(before.entry_years, windows.entry_years)
    assert_allclose(before.exit_years, [24, 24, 0])
    assert before.event_window.tolist() == [0, 0, 1]  # eight years ago to the day is before
    assert before.event_age_years.tolist() == [20, 24, 24]
    assert before.event_on.astype("datetime64[Y]").astype(int).tolist() == [38, 42, 42]
    assert_allclose(after.entry_years, [24, 24, 0])
    assert_allclose(after.exit_years, [28, retired, young - 4])
    assert after.event_window.tolist() == [0]  # four years ago to the day is within
    assert (after.event_age_years.tolist(), after.event_weight.tolist()) == ([28], [1])
    assert after.event_on.astype("datetime64[Y]").astype(int).tolist() == [46]
    late = cut_windows(windows, 1.0, 0.0)
    assert late[0].exit_years.tolist() == [31, retired, pytest.approx(young - 1)]
    assert_allclose(late[1].entry_years, [31, 31, young - 1])
    assert_allclose(late[1].exit_years, [32, 31, young])  # the retired one has no such year


def busy_fleet(count: int):
    """Two km in service and one retired four years before the as-of date, failing once in two months, turn by turn."""
    days = np.datetime64("2020-01-01") - 61 * np.arange(count)
    sections = [{}, {"cable_class": "B"}, {"retired_on": "2016-01-01", "length_km": 0.01}]
    failures = [{"section_id": f"S{n % 2}", "failed_on": str(day)} for n, day in enumerate(days)]
    return small_history(sections, failures), int((days > np.datetime64("2014-01-01")).sum())


def test_forms_are_scored_by_the_poisson_likelihood_of_later_years(monkeypatch: pytest.MonkeyPatch) -> None:
    rates, cuts = [1.0, 3.0, 1.5, 0.5, 0.8], []

    def told(before, forms, _settings):
        assert forms == CANDIDATES
        cuts.append(before.exit_years.max())
        curves = [PowerLawCurves(np.ones(1), np.array([rate]), np.zeros(1)) for rate in rates]
        return [(curve, np.zeros(3, dtype=np.int64)) for curve in curves]

    monkeypatch.setattr(kinds, "fit_curves", told)
    history, seen = busy_fleet(100)
    choice = choose_model(history, SETTINGS)
    assert cuts == [32 - 6, 32 - 3]
    assert choice.scores["hazard"].tolist() == ["power_law", "spline", "spline", "boosted", "blend"]
    assert choice.scores["penalty"].tolist() == [10, 3, 10, 10, 10]
    exposure = 2 * 6 + 0.01 * 2  # the retired one was seen for two years of the first three
    assert choice.scores["observed"].tolist() == [seen] * 5
    assert_allclose(choice.scores["expected"], np.array(rates) * exposure)
    assert_allclose(choice.scores["log_likelihood"], (seen * np.log(rates) - np.array(rates) * exposure) / seen)
    assert choice.scores["is_chosen"].tolist() == [False, True, False, False, False]
    assert choice.chosen == ModelChoices("spline", 3.0, 0.0)
    cuts.clear()
    none = choose_model(busy_fleet(99)[0], SETTINGS)
    assert (none.chosen, cuts) == (ModelChoices("blend", 10.0, 0.0), [])
    assert none.scores[["log_likelihood", "expected"]].isna().all(axis=None)
    assert none.scores["observed"].tolist() == [0] * 5
    assert none.scores["is_chosen"].tolist() == [False] * 4 + [True]


def test_a_rate_of_nought_scores_low_but_finite() -> None:
    windows = build_windows(busy_fleet(10)[0])
    curves = PowerLawCurves(np.ones(1), np.zeros(1), np.zeros(1))
    score, expected = model_selection._score(windows, curves, np.zeros(3, dtype=np.int64))
    assert score.tolist() == pytest.approx([5 * np.log(1e-12)] * 2 + [0])
    assert expected.tolist() == [0, 0, 0]
    assert dataclasses.asdict(ModelChoices()) == {"hazard": "blend", "penalty": 10.0, "length_power": 0.0}
