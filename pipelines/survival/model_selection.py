"""Which form of the hazard foretells later years best? Chosen on years it was not fitted on."""

import dataclasses
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.survival import kinds
from pipelines.survival.curves import Curves, expect_between
from pipelines.survival.history import FailureHistory
from pipelines.survival.observation_windows import Windows, build_windows, keep_events
from pipelines.survival.treatment import leave_out_treated
from shared.arrays import Floats, Integers
from shared.settings import Settings
from shared.units import DAYS_PER_YEAR

CANDIDATES = (
    kinds.ModelChoices("power_law"),
    kinds.ModelChoices("spline", penalty=3.0),
    kinds.ModelChoices("spline", penalty=10.0),
    kinds.ModelChoices("boosted", penalty=10.0),
    kinds.ModelChoices("blend", penalty=10.0),
)

ROLLS_YEARS = (6.0, 3.0)
"""Years before the as-of date at which the fit stops; it is scored on the three years that follow."""

LEAST_FAILURES = 100.0
"""With fewer failures in all there is nothing to choose with, and the default stands."""


@dataclass(frozen=True)
class Choice:
    """The candidate that won, and what each scored."""

    chosen: kinds.ModelChoices
    scores: pd.DataFrame


def choose_model(history: FailureHistory, settings: Settings) -> Choice:
    """Choose the hazard's form and penalty by rolling-origin validation inside a history.

    Parameters
    ----------
    history
        What is known; nothing later is looked at.
    settings
        As in fit_failure_model.

    Returns
    -------
    Choice
        scores has hazard, penalty, log_likelihood (Poisson, of the failures of the years after each roll, per failure),
        expected, observed, is_chosen.

    Notes
    -----
    At each roll every window is cut at that day, the candidate is fitted to what lies before and scored on the three
    years after it, without multipliers: it is the curves that are chosen. The default, the mean of the forms, gives
    way only to a form that scores better by more than two standard errors of the difference (sections taken as
    independent): a lead within chance is no lead.

    Checked by: tests/unit/test_survival_model.py
    """
    windows = leave_out_treated(history.keep(build_windows))  # the curves are those of cable left alone
    if windows.event_weight.sum() < LEAST_FAILURES:
        return Choice(kinds.DEFAULT_CHOICES, _table(CANDIDATES, np.full((len(CANDIDATES), 3), np.nan)))
    scores, sums = np.zeros((len(CANDIDATES), len(windows.sections))), np.zeros((len(CANDIDATES), 3))
    for years in ROLLS_YEARS:
        before, after = cut_windows(windows, years, years - 3.0)
        for place, fitted in enumerate(kinds.fit_curves(before, CANDIDATES, settings)):
            score, expected = _score(after, *fitted)
            scores[place] += score
            sums[place] += score.sum(), expected.sum(), after.event_weight.sum()
    best = _choose(scores)
    return Choice(
        dataclasses.replace(kinds.DEFAULT_CHOICES, hazard=best.hazard, penalty=best.penalty),
        _table(CANDIDATES, sums, best),
    )


def _choose(scores: Floats) -> kinds.ModelChoices:
    """The best candidate by scores of shape (candidates, sections), where it beats the default clearly."""
    standing = CANDIDATES.index(kinds.DEFAULT_CHOICES)
    lead = scores - scores[standing]
    error = lead.std(axis=1) * np.sqrt(lead.shape[1])
    best = int(np.argmax(lead.sum(axis=1)))
    return CANDIDATES[best if lead[best].sum() > 2.0 * error[best] else standing]


def cut_windows(windows: Windows, years_ago: float, until_years_ago: float) -> tuple[Windows, Windows]:
    """Windows as they stood some years ago, and the years that followed up to a later day."""
    ago = (windows.as_of.to_datetime64() - windows.event_on) / np.timedelta64(1, "D") / DAYS_PER_YEAR
    cut, end = windows.age_now - years_ago, windows.age_now - until_years_ago
    early, late = ago >= years_ago, (ago < years_ago) & (ago >= until_years_ago)
    leaves = np.clip(windows.exit_years, None, np.maximum(cut, windows.entry_years))
    entry = np.maximum(windows.entry_years, cut)
    end = np.maximum(np.minimum(windows.exit_years, end), entry)
    return (
        dataclasses.replace(keep_events(windows, early), exit_years=leaves),
        dataclasses.replace(keep_events(windows, late), entry_years=entry, exit_years=end),
    )


def _score(after: Windows, curves: Curves, codes: Integers) -> tuple[Floats, Floats]:
    """Log-likelihood of the later years, and failures expected of them, of each section."""
    expected = after.sum_by_section(after.km * expect_between(curves, codes, after.entry_years, after.exit_years))
    rate = curves.intensity(codes[after.event_window], after.event_age_years)
    seen = after.sum_by_section(after.event_weight * np.log(np.maximum(rate, 1e-12)), after.event_window)
    return seen - expected, expected


def _table(
    candidates: tuple[kinds.ModelChoices, ...], scores: Floats, best: kinds.ModelChoices = kinds.DEFAULT_CHOICES
) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "hazard": [c.hazard for c in candidates],
            "penalty": [c.penalty for c in candidates],
            "log_likelihood": scores[:, 0] / np.maximum(scores[:, 2], 1.0),
            "expected": scores[:, 1],
            "observed": np.nan_to_num(scores[:, 2]).round().astype(np.int64),
            "is_chosen": [c == best for c in candidates],
        }
    )
