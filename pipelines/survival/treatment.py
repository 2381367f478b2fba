"""Cable injected in place: what its failures are to those of the same cable left alone.

Cable is injected because it failed, so that a plain before and after flatters the fluid. Here the years after injection
are compared with what the section's own curve and multiplier, both from the years before, expect of them untreated.
"""

import dataclasses
from dataclasses import dataclass

import numpy as np

from pipelines.survival import hierarchical_frailty
from pipelines.survival.curves import Curves, expect_between
from pipelines.survival.observation_windows import Windows, keep_events
from shared.arrays import Booleans, Floats, Integers

PRIOR_FAILURES = 1.0
"""Failures' worth of trust in the settings' share of failures left, against the record."""


@dataclass(frozen=True)
class Treatment:
    """Share of failures left after injection: a gamma posterior about the settings' share.

    factor: posterior mean. shape: of the gamma. years: how long an injection lasts. failures: occasions on which
    injected cable failed since. expected: failures the same cable, left alone, was to have. expected_variation:
    coefficient of variation of that expectation.
    """

    factor: float
    shape: float
    years: float
    failures: float = 0.0
    expected: float = 0.0
    expected_variation: float = 0.0

    @property
    def variation(self) -> float:
        """Coefficient of variation of the factor: of the count, and of what is expected untreated."""
        return float(np.sqrt(1.0 / self.shape + self.expected_variation**2))


def assume_treatment(multiplier: float, years: float) -> Treatment:
    """What the settings say of injection, before any record: the prior."""
    return Treatment(multiplier, PRIOR_FAILURES, years)


def leave_out_treated(windows: Windows) -> Windows:
    """Windows and failures up to the injection of each section; all there is where none was injected.

    Checked by: tests/unit/test_survival_treatment.py
    """
    if not np.isfinite(windows.treated_years).any():
        return windows
    kept = windows.event_age_years <= windows.treated_years[windows.event_window]
    leaves = np.clip(windows.treated_years, windows.entry_years, windows.exit_years)
    return dataclasses.replace(keep_events(windows, kept), exit_years=leaves)


def is_treated(treated_years: Floats, ages_years: Floats, years: float) -> Booleans:
    """Whether cable injected at one age is under the effect of it at another."""
    return np.asarray((ages_years > treated_years) & (ages_years <= treated_years + years))


def expect_treated(
    curves: Curves, codes: Integers, treated_years: Floats, low: Floats, high: Floats, years: float
) -> Floats:
    """Failures of a kilometre that the curves expect, untreated, of the ages that are under the effect of injection.

    Parameters
    ----------
    curves, codes
        Curves and the curve of each window.
    treated_years
        Age at injection; infinite where never injected.
    low, high
        Ages between which to look, in years.
    years
        How long an injection lasts.

    Notes
    -----
    Checked by: tests/unit/test_survival_treatment.py
    """
    expected = np.zeros(len(codes))
    begin, end = np.maximum(treated_years, low), np.minimum(treated_years + years, high)
    some = end > begin  # few sections are injected: the curves are asked for those alone
    expected[some] = expect_between(curves, codes[some], begin[some], end[some])
    return expected


def fit_treatment(
    prior: Treatment,
    tree: hierarchical_frailty.Tree,
    variances: hierarchical_frailty.Variances,
    failures: float,
    expected: Floats,
    level_variation: Floats,
) -> Treatment:
    """Share of failures left after injection, from the record.

    Parameters
    ----------
    prior
        assume_treatment.
    tree, variances
        Sections with what was seen and expected of each before injection, and the variances of their multipliers.
    failures
        Occasions on which injected cable failed since.
    expected
        Of each section: failures its curve expects of the years since its injection, untreated.
    level_variation
        Of each section: coefficient of variation of the level of its curve.

    Returns
    -------
    Treatment
        The prior where nothing was injected.

    Notes
    -----
    expected times the multiplier's posterior is what would have been, with nothing done; its variance is the
    posterior's, loop by loop, with the error of the curves' level. Given that, the count is Poisson and the factor's
    posterior a gamma: (a + failures) / (a / m + expected), a = PRIOR_FAILURES, m the settings' share.

    References
    ----------
    E. Hauer, Observational Before-After Studies in Road Safety (1997), ch. 11: the empirical Bayes estimate.

    Checked by: tests/unit/test_survival_treatment.py (through fit_failure_model)
    """
    if not expected.any():
        return prior
    totals = hierarchical_frailty.fit_totals(tree, variances, expected)
    mean = float(totals.loop_mean.sum())
    level_spread = float(expected @ level_variation / expected.sum())
    variation = float(np.sqrt(totals.loop_variance.sum() / mean**2 + level_spread**2))
    shape = prior.shape + failures
    return dataclasses.replace(
        prior,
        factor=shape / (prior.shape / max(prior.factor, 1e-6) + mean),
        shape=shape,
        failures=failures,
        expected=mean,
        expected_variation=variation,
    )
