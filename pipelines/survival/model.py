"""Which sections and loops fail next: class curve times multiplier, fitted to a failure history."""

import dataclasses
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from pipelines.survival import evidence, hierarchical_frailty, treatment
from pipelines.survival.curves import Curves, expect_between
from pipelines.survival.history import FailureHistory, known_at
from pipelines.survival.kinds import (
    DEFAULT_CHOICES,
    ModelChoices,
    fit_curves,
    fit_first_laws,
    fit_kinds,
    keep_untreated,
)
from pipelines.survival.observation_windows import Windows, build_windows, leave_out
from pipelines.survival.treatment import Treatment
from shared.arrays import Booleans, Floats, Integers
from shared.settings import Settings

__all__ = ["DEFAULT_CHOICES", "FailureHistory", "FailureModel", "ModelChoices", "fit_failure_model", "known_at"]


MANY_LOOPS = 1_000
"""From so many loops on, leaving some out changes no variance that matters."""

FOLDS = 4
"""Parts of the loops, each left out in turn where the variances of the multipliers are judged."""


@dataclass(frozen=True)
class FailureModel:
    """A fitted failure model: curves of the kinds of cable, multipliers of sections within half-loops within loops.

    codes: curve of each window. failures, expected: seen and expected by kind and length, of each section in view
    (failures shared from the loop included). recorded: whole failures on record of each section. end_factor,
    class_level, level_variation, spread: see evidence.fit_end_length, hold_levels and spread_of_counts, one a section.
    common_variation: see evidence.vary_together. treatment: what injection leaves of the failures.
    """

    windows: Windows
    coverage: float
    choices: ModelChoices
    codes: Integers
    curves: Curves
    recorded: Integers
    failures: Floats
    expected: Floats
    end_factor: Floats
    class_level: Floats
    level_variation: Floats
    common_variation: float
    spread: Floats
    treatment: Treatment
    tree: hierarchical_frailty.Tree
    variances: hierarchical_frailty.Variances
    posterior: hierarchical_frailty.Posterior

    def expected_by_class(self, years: float) -> Floats:
        """Failures its kind and length expect of each section over the years after the as-of date; 0 out of service."""
        w = self.windows
        ahead = self.expect_between(np.arange(len(w.owner)), w.age_now, w.age_now + years)
        return np.asarray(w.sum_by_section(w.km * ahead) * self.end_factor * self.class_level * w.in_service)

    def expect_between(self, window: Integers, low: Floats, high: Floats) -> Floats:
        """Failures of a kilometre that its kind expects of each window between two ages, injection considered."""
        codes, treated = self.codes[window], self.windows.treated_years[window]
        left = 1.0 - self.treatment.factor
        expected = expect_between(self.curves, codes, low, high)
        return np.asarray(
            expected - left * treatment.expect_treated(self.curves, codes, treated, low, high, self.treatment.years)
        )

    @property
    def is_treated(self) -> Booleans:
        """Sections under the effect of an injection on the as-of date."""
        w = self.windows
        under = treatment.is_treated(w.treated_years, w.age_now, self.treatment.years)
        return np.asarray(w.sum_by_section(under.astype(np.float64)) > 0)

    def ahead(self, years: float) -> Floats:
        """expected_by_class, worked out once for each horizon."""
        kept: dict[float, Floats] = self.__dict__.setdefault("_ahead", {})
        if years not in kept:
            kept[years] = self.expected_by_class(years)
        return kept[years]

    def totals_ahead(self, years: float) -> hierarchical_frailty.Totals:
        """Posterior moments of what half-loops and loops expect over the years ahead, worked out once a horizon."""
        kept: dict[float, hierarchical_frailty.Totals] = self.__dict__.setdefault("_totals", {})
        if years not in kept:
            kept[years] = hierarchical_frailty.fit_totals(
                self.tree, self.variances, self.ahead(years), self.posterior.messages
            )
        return kept[years]

    @cached_property
    def curve_error(self) -> Floats:
        """Coefficient of variation of the level of each section's curve over the years on record."""
        w = self.windows
        return w.sum_by_section(w.weight * self.curves.variation[self.codes]) * np.sqrt(self.spread)

    @cached_property
    def variation(self) -> Floats:
        """Coefficient of variation of what is expected of each section that its multiplier does not know of.

        Notes
        -----
        Three parts. The level of the years to come: level_variation, and common_variation of all classes alike. What
        injection leaves. The curve's own error, as far as the section's record has not made good for it: where a curve
        lies too high, more failures were expected than came, and the multipliers are the lower for it. The mean of a
        gamma of variance v given e expected failures answers a factor on e with its power -v e / (1 + v e); of sections
        within a loop so do both levels.
        """
        half, v, expected = self.tree.half_of_section, self.variances, self.tree.expected
        loop = self.tree.loop_of_half[half]
        own = 1.0 / (1.0 + v.section * expected)
        shared = 1.0 / (1.0 + (v.loop + v.half_loop) * np.bincount(loop, expected * own))
        curve = self.curve_error * own * shared[loop]
        ahead = np.hypot(self.level_variation, self.common_variation)
        return np.asarray(np.hypot(np.hypot(curve, ahead), self.is_treated * self.treatment.variation))

    def forecast(self, years: float) -> pd.DataFrame:
        """Failures to expect of every section in service over the years after the as-of date.

        Parameters
        ----------
        years
            Horizon, in years.

        Returns
        -------
        DataFrame
            One row a section in service, by section_id: section_id, loop_id, half_loop_id, district_id, cable_class,
            length_km, age_years (mean of the likely ages where the date is unknown), is_installed_on_known,
            failures_recorded, failures_shared (its share of failures known by loop alone), expected_recorded,
            expected_class, multiplier with limits, gamma_shape and gamma_rate (posterior of the multiplier),
            half_loop_multiplier, loop_multiplier, expected_failures with limits, probability_of_failure (one or more),
            injection_factor (what an injection leaves of its failures; 1 where none is at work).

        Notes
        -----
        Limits are of the mean number of failures: posterior of the multiplier, widened by the class curve's own error.

        Checked by: tests/unit/test_survival_model.py
        """
        w, post, order = self.windows, self.posterior, self.rows_in_service
        ahead, mean, shape, rate = (each[order] for each in (self.ahead(years), post.mean, post.shape, post.rate))
        half = self.tree.half_of_section[order]
        frame = w.sections[
            [
                "section_id",
                "loop_id",
                "half_loop_id",
                "district_id",
                "cable_class",
                "length_km",
                "is_installed_on_known",
            ]
        ].iloc[order]
        lo, hi = gamma_limits(shape, rate, self.coverage)
        wide_shape = 1.0 / (1.0 / shape + self.variation[order] ** 2)
        wide_lo, wide_hi = gamma_limits(wide_shape, wide_shape / mean, self.coverage)
        return frame.reset_index(drop=True).assign(
            age_years=w.sum_by_section(w.weight * w.age_now)[order],
            failures_recorded=self.recorded[order],
            failures_shared=np.maximum(self.failures - self.recorded, 0.0)[order],
            expected_recorded=self.expected[order],
            expected_class=ahead,
            multiplier=mean,
            multiplier_lo=lo,
            multiplier_hi=hi,
            gamma_shape=shape,
            gamma_rate=rate,
            half_loop_multiplier=post.half_loop[half],
            loop_multiplier=post.loop[self.tree.loop_of_half[half]],
            expected_failures=ahead * mean,
            expected_failures_lo=ahead * wide_lo,
            expected_failures_hi=ahead * wide_hi,
            probability_of_failure=1.0 - (rate / (rate + ahead)) ** shape,
            injection_factor=np.where(self.is_treated, self.treatment.factor, 1.0)[order],
        )

    @cached_property
    def rows_in_service(self) -> Integers:
        """Rows of the sections in service, by section_code."""
        code = self.windows.sections["section_code"].to_numpy()
        order = np.flatnonzero(self.windows.in_service)
        return order[np.argsort(code[order], kind="stable")]

    def forecast_means(self, years: float) -> pd.DataFrame:
        """What forecast says without limits: section_id, section_code, loop_id, length_km, expected_failures."""
        order, named = self.rows_in_service, ["section_id", "section_code", "loop_id", "length_km"]
        frame = self.windows.sections[named].iloc[order].reset_index(drop=True)
        return frame.assign(expected_failures=(self.ahead(years) * self.posterior.mean)[order])

    def forecast_groups(self, years: float, by: str) -> pd.DataFrame:
        """Failures to expect of every half-loop, loop or district with cable in service.

        Parameters
        ----------
        years
            Horizon, in years.
        by
            half_loop_id, loop_id or district_id.

        Returns
        -------
        DataFrame
            One row a group, by its id: the id (with loop_id, district_id where they are one), length_km and sections
            (in service), failures_recorded, failures_shared and expected_recorded (of cable in service),
            expected_class, multiplier with limits (expected_failures over expected_class), expected_failures with
            limits, gamma_shape and gamma_rate (posterior of the group's total), probability_of_failure, and for a loop
            loop_multiplier.

        Notes
        -----
        Sections of a loop share its multiplier; the total's posterior mean and variance are exact over the grid
        (hierarchical_frailty.fit_totals), its limits those of the gamma with the same two; loops of a district are
        independent.
        Limits of expected_failures also hold the class curves' own error.

        Checked by: tests/unit/test_survival_model.py
        """
        ahead, totals = self.ahead(years), self.totals_ahead(years)
        group, mean, variance, heads = self._group(by, totals)
        weight = self.windows.in_service.astype(np.float64)

        def total(values: Floats | Integers) -> Floats:
            return np.bincount(group, weights=values * weight, minlength=len(mean)).astype(np.float64)

        expected_class = total(ahead)
        floor = np.maximum(expected_class, 1e-100)  # its square is still a number
        mean = np.maximum(mean, 1e-12 * floor)
        shape = mean**2 / np.maximum(variance, 1e-9 * mean**2)
        lo, hi = gamma_limits(shape, shape * floor / mean, self.coverage)
        of_section = ahead * self.posterior.mean
        level_error = total(of_section * self.variation) / np.maximum(total(of_section), 1e-100)
        wide = 1.0 / (1.0 / shape + level_error**2)
        wide_lo, wide_hi = gamma_limits(wide, wide / mean, self.coverage)
        frame = heads.assign(
            length_km=total(self.windows.sections["length_km"].to_numpy(dtype=np.float64)),
            sections=total(np.ones(len(group))).astype(np.int64),
            failures_recorded=total(self.recorded).astype(np.int64),
            failures_shared=total(np.maximum(self.failures - self.recorded, 0.0)),
            expected_recorded=total(self.expected),
            expected_class=expected_class,
            multiplier=mean / floor,
            multiplier_lo=lo,
            multiplier_hi=hi,
            expected_failures=mean,
            expected_failures_lo=wide_lo,
            expected_failures_hi=wide_hi,
            gamma_shape=shape,
            gamma_rate=shape / mean,
            probability_of_failure=1.0 - (shape / (shape + mean)) ** shape,
        )
        return frame[frame["sections"] > 0].sort_values(by, ignore_index=True)

    def _group(self, by: str, totals: hierarchical_frailty.Totals) -> tuple[Integers, Floats, Floats, pd.DataFrame]:
        """Group of each section, mean and variance of each group's total, and the groups' names."""
        half = self.tree.half_of_section
        loop = self.tree.loop_of_half[half]
        named = self.windows.sections
        if by == "half_loop_id":
            heads = named[["half_loop_id", "loop_id", "district_id"]].iloc[np.searchsorted(half, np.unique(half))]
            return half, totals.half_mean, totals.half_variance, heads
        heads = named[["loop_id", "district_id"]].iloc[np.searchsorted(loop, np.unique(loop))]
        if by == "loop_id":
            return loop, totals.loop_mean, totals.loop_variance, heads.assign(loop_multiplier=self.posterior.loop)
        if by != "district_id":
            raise ValueError(f"cannot group by {by}")
        ids, place = np.unique(heads["district_id"].to_numpy(dtype=str), return_inverse=True)
        mean = np.bincount(place, weights=totals.loop_mean).astype(np.float64)
        variance = np.bincount(place, weights=totals.loop_variance).astype(np.float64)
        return place[loop].astype(np.int64), mean, variance, pd.DataFrame({"district_id": ids})


def fit_failure_model(
    history: FailureHistory,
    settings: Settings,
    choices: ModelChoices = DEFAULT_CHOICES,
    *,
    start: hierarchical_frailty.Variances | None = None,
) -> FailureModel:
    """Fit curves and multipliers to what is known of a fleet.

    Parameters
    ----------
    history
        Sections and failures as known at its as-of date.
    settings
        survival and general.interval_coverage are used.
    choices
        Form of the hazard, its penalty, and how variances go with length.
    start
        Where the search for the variances begins, e.g. what an earlier as-of date gave: a quarter of the time.

    Returns
    -------
    FailureModel
        Pure: the same history gives the same model.

    Notes
    -----
    1. Power law per class over the windows in view; a section without a date counts in parts over its likely years.
    2. Failures known by loop alone are shared over the loop's sections by the first curves, then curves are refitted.
    3. The hazard regression corrects the power laws by age, vintage, length and kind; the ends of a section count as
       so many metres of it; what lies ahead is held to the level of the class in the last years.
    4. Injected cable leaves the curves on the day of its injection; what it fails since, against what its own curve and
       multiplier expect of it left alone, gives the share of failures that injection leaves (treatment.fit_treatment).
    5. Variances of the loop, half-loop and section multipliers by maximum likelihood, from occasions on which a section
       is known to have failed (shares of a failure would look like less variation than there is); then the posterior
       of each multiplier, shared failures included. A repeat soon after a failure is no new occasion.

    Checked by: tests/unit/test_survival_model.py, tests/simulated/test_survival_simulated.py
    """
    windows = build_windows(history)
    laws, years = fit_first_laws(treatment.leave_out_treated(windows), settings)
    windows = dataclasses.replace(windows, times=years.of_window)
    bare = treatment.leave_out_treated(windows)
    money = settings.replacement
    assumed = treatment.assume_treatment(money.injection_multiplier, money.injection_years)
    class_codes, curves, codes, shared = fit_kinds(history, windows, bare, laws, settings, choices, assumed)
    early = keep_untreated(shared, windows)

    def expect_in_view(part: Windows) -> Floats:
        return part.sum_by_section(part.km * expect_between(curves, codes, part.entry_years, part.exit_years))

    occasions, untreated = evidence.count_occasions(bare), expect_in_view(bare)
    end_factor = evidence.fit_end_length(occasions, untreated, windows.sections["length_km"].to_numpy(dtype=np.float64))
    late, late_expected, *by_year = evidence.discount_years(bare, early, curves, codes, evidence.LEVEL_YEARS)
    fresh = occasions.sum() / max(bare.event_weight.sum() + early[2].sum(), 1e-300)
    tree = _grow_tree(windows, occasions, untreated * end_factor * fresh)
    variances = hierarchical_frailty.fit_variances(
        _grow_tree(windows, occasions, expect_apart(bare, choices, settings, untreated) * end_factor * fresh),
        choices.length_power,
        start,
    )
    of_section = _section_codes(windows, class_codes)
    rate_level, level_variation = evidence.hold_levels(of_section, late, late_expected * end_factor)
    under = (
        windows.sum_by_section(
            windows.km
            * treatment.expect_treated(
                curves, codes, windows.treated_years, windows.entry_years, windows.exit_years, assumed.years
            )
        )
        * end_factor
    )
    is_untreated = bare is windows
    seen = occasions if is_untreated else evidence.count_occasions(windows)
    left = treatment.fit_treatment(
        assumed,
        tree,
        variances,
        float((seen - occasions)[under > 0].sum()),
        under * rate_level * fresh,
        level_variation,
    )
    recorded = windows.sum_by_section(windows.event_weight, windows.event_window)
    shares = windows.sum_by_section(shared[2], shared[0])
    expected = (untreated if is_untreated else expect_in_view(windows)) * end_factor - (1.0 - left.factor) * under
    seen = seen + shares
    told = recorded.sum() + shares.sum()
    tree = dataclasses.replace(tree, failures=seen, expected=expected * (seen.sum() / max(told, 1e-300)))
    return FailureModel(
        windows=windows,
        coverage=settings.general.interval_coverage,
        choices=choices,
        codes=codes,
        curves=curves,
        recorded=recorded.round().astype(np.int64),
        failures=recorded + shares,
        expected=expected,
        end_factor=end_factor,
        class_level=rate_level,
        level_variation=level_variation,
        common_variation=evidence.vary_together(*by_year),
        spread=evidence.spread_of_counts(of_section, tree, variances),
        treatment=left,
        tree=tree,
        variances=variances,
        posterior=hierarchical_frailty.fit_posterior(tree, variances),
    )


def expect_apart(windows: Windows, choices: ModelChoices, settings: Settings, expected: Floats) -> Floats:
    """Failures expected in view of each section by curves that were fitted without its loop, a fold of loops in turn.

    Parameters
    ----------
    windows, choices, settings
        As for the curves of the whole fleet.
    expected
        What the curves of the whole fleet expect of each section: the sum that is kept, and the answer where the loops
        are MANY_LOOPS or more.

    Notes
    -----
    Curves bend towards the loops that they are fitted to, so that the loops look more alike than they are: variances
    are judged by what curves say of loops that they have not seen. Many loops leave no curve room to bend.

    Checked by: tests/unit/test_survival_forecast.py (through fit_failure_model)
    """
    loop = windows.sections["loop_code"].to_numpy(dtype=np.int64)
    if np.count_nonzero(np.bincount(loop)) >= MANY_LOOPS or not len(windows.event_window):
        return expected
    fold = loop[windows.owner] % FOLDS
    apart = np.zeros(len(windows.owner))
    for one in range(FOLDS):
        held = fold == one
        ((curves, codes),) = fit_curves(leave_out(windows, held), (choices,), settings)
        ages = windows.entry_years[held], windows.exit_years[held]
        apart[held] = windows.km[held] * expect_between(curves, codes[held], *ages)
    return np.asarray(windows.sum_by_section(apart) * (expected.sum() / max(apart.sum(), 1e-300)))


def _grow_tree(windows: Windows, failures: Floats, expected: Floats) -> hierarchical_frailty.Tree:
    """Sections in their half-loops and loops."""
    named = windows.sections
    return hierarchical_frailty.build_tree(
        failures,
        expected,
        named["length_km"].to_numpy(dtype=np.float64),
        named["half_code"].to_numpy(dtype=np.int64),
        named["loop_code"].to_numpy(dtype=np.int64),
    )


def _section_codes(windows: Windows, class_codes: Integers) -> Integers:
    """Class of each section from the class of its windows."""
    codes = np.zeros(len(windows.sections), dtype=np.int64)
    codes[windows.owner] = class_codes
    return codes


def gamma_limits(shape: Floats, rate: Floats, coverage: float) -> tuple[Floats, Floats]:
    """Equal-tailed limits of gamma distributions."""
    from scipy.special import gammaincinv

    tail = (1.0 - coverage) / 2.0
    return np.asarray(gammaincinv(shape, tail) / rate), np.asarray(gammaincinv(shape, 1.0 - tail) / rate)
