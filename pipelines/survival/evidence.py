"""What of a failure record speaks for the multipliers, for the level of a class, and for the ends of a section."""

import numpy as np

from pipelines.survival import chunks
from pipelines.survival.curves import Curves
from pipelines.survival.frailty import fit_dispersion, log_likelihood
from pipelines.survival.frailty_tree import Tree, Variances
from pipelines.survival.integer_codes import pair_codes
from pipelines.survival.observation_windows import Windows
from shared.arrays import Floats, Integers
from shared.units import DAYS_PER_YEAR

Shares = tuple[Integers, Floats, Floats, Floats]
"""Window, age in years, weight, and years ago of each share of a failure known by loop alone."""

REPEAT_DAYS = 90
"""A section that fails again within so many days of its last failure tells of the repair, or of one season, and not
once more of the cable. Common practice, no source; records of buried mains show such repeats far above chance."""

LONGEST_END_M = 30.0
"""Most that the two ends of a section can stand for, metres of its own cable."""

LEVEL_YEARS = 5.0
"""Memory of a class's level: a year so long ago counts 1/e of the last one."""

MOST_YEARS = 100
"""Years back that are told apart; whatever lies further back is counted with the last."""

LEVEL_FAILURES = 10.0
"""Failures' worth of trust in the fitted curve against the level of the last years."""

DRIFT = 0.04
"""Coefficient of variation of what the calendar may do to all classes alike beside what its years have shown. Ours, no
source: with it limits of totals hold in the worlds of tests/simulated/ranking_study.py."""


def count_occasions(windows: Windows) -> Floats:
    """Occasions on which each section failed: a failure within REPEAT_DAYS of the one before is no new occasion.

    Checked by: tests/unit/test_survival_evidence.py
    """
    owner = windows.owner[windows.event_window]
    day = windows.event_on.astype("datetime64[D]").astype(np.int64)
    if not len(owner):
        return np.zeros(len(windows.sections))
    span = int(np.ptp(day)) + REPEAT_DAYS + 2  # failures of two sections are further apart than any repeat
    moment = np.sort(owner * span + day - day.min())  # numbers sort faster than an order is found
    fresh = np.diff(moment, prepend=-span) > REPEAT_DAYS
    return np.bincount(moment[fresh] // span, minlength=len(windows.sections)).astype(np.float64)


def fit_end_length(occasions: Floats, expected: Floats, length_km: Floats) -> Floats:
    """How many times its share by length each section is expected to fail, its two ends counted as cable.

    Parameters
    ----------
    occasions, expected
        Of each section: occasions on which it failed, and failures expected in proportion to its length.
    length_km
        Of each section, km.

    Returns
    -------
    array of shape (sections,)
        (length + ends) / length, scaled so that the sum expected of the fleet stays.

    Notes
    -----
    A section has two terminations whatever its length, and short ones fail more per km. The length that the ends stand
    for is found by maximum likelihood (negative binomial with the dispersion of the sections) between 0 and
    LONGEST_END_M; at 0 all factors are 1.

    Checked by: tests/unit/test_survival_evidence.py
    """
    from scipy.optimize import minimize_scalar

    used = expected > 0
    if occasions[used].sum() == 0:
        return np.ones(len(expected))
    n = occasions[used]
    scaled = expected[used] * n.sum() / expected[used].sum()
    dispersion = max(fit_dispersion(n, scaled), 1e-3)

    def factor(end_m: float) -> Floats:
        longer = 1.0 + end_m / 1000.0 / np.maximum(length_km, 1e-4)
        return np.asarray(longer * expected.sum() / (longer @ expected))

    def loss(end_m: float) -> float:
        return -log_likelihood(n, scaled * factor(end_m)[used], dispersion)

    found = minimize_scalar(loss, bounds=(0.0, LONGEST_END_M), method="bounded", options={"xatol": 0.01})
    return factor(float(found.x)) if found.fun < loss(0.0) else np.ones(len(expected))


def spread_of_counts(class_codes: Integers, tree: Tree, variances: Variances) -> Floats:
    """How many times a Poisson count's variance that of the failures of each section's class is.

    Parameters
    ----------
    class_codes
        Class of each section.
    tree, variances
        Sections in their loops with what was expected of them, and the variances of their multipliers.

    Notes
    -----
    A count of expected e_i with multipliers shared at nested levels has the variance sum e + sum over levels of the
    level's variance times the sum of its units' squared e.

    Checked by: tests/unit/test_survival_evidence.py
    """
    half, expected = tree.half_of_section, tree.expected
    levels = (
        (variances.section, np.arange(len(half))),
        (variances.half_loop, half),
        (variances.loop, tree.loop_of_half[half]),
    )
    size = int(class_codes.max(initial=-1)) + 1
    total, more = np.bincount(class_codes, expected, size), np.zeros(size)
    for variance, unit in levels:
        of_pair, pair = pair_codes(class_codes, unit)
        more += variance * np.bincount(of_pair, np.bincount(pair, expected) ** 2, size)
    return (1.0 + more / np.maximum(total, 1e-300))[class_codes]


def hold_levels(class_codes: Integers, failures: Floats, expected: Floats) -> tuple[Floats, Floats]:
    """Level of each section's class in the last years against its curve, and that level's coefficient of variation.

    Parameters
    ----------
    class_codes
        Class of each section.
    failures, expected
        Of each section, old years discounted with a memory of LEVEL_YEARS.

    Notes
    -----
    A curve by age and vintage says nothing of what changes with the calendar: repair practice, loading, drought. The
    level is a gamma-Poisson mean, (LEVEL_FAILURES + failures) / (LEVEL_FAILURES + expected).

    Checked by: tests/unit/test_survival_evidence.py
    """
    seen, awaited = np.bincount(class_codes, failures), np.bincount(class_codes, expected)
    level = (LEVEL_FAILURES + seen) / (LEVEL_FAILURES + awaited)
    return np.asarray(level[class_codes]), np.asarray(1.0 / np.sqrt(LEVEL_FAILURES + seen))[class_codes]


def vary_together(yearly_failures: Floats, yearly_expected: Floats) -> float:
    """Coefficient of variation of the coming years' level of all classes alike.

    Parameters
    ----------
    yearly_failures, yearly_expected
        Of the fleet, by years before the as-of date: seen, and expected by the curves.

    Notes
    -----
    Three parts: the failures on record are so many and no more; years differ by more than chance (their dispersion d is
    a gamma-Poisson's), and a level remembered over LEVEL_YEARS averages few of them; DRIFT.

    Checked by: tests/unit/test_survival_evidence.py
    """
    seen = yearly_expected > 0
    weight = np.exp(-(np.flatnonzero(seen) + 0.5) / LEVEL_YEARS)
    dispersion = fit_dispersion(yearly_failures[seen], yearly_expected[seen]) if seen.sum() > 2 else 0.0
    years = dispersion * (weight**2).sum() / max(weight.sum() ** 2, 1e-12)
    return float(np.sqrt(DRIFT**2 + years + 1.0 / max(yearly_failures.sum(), 1.0)))


def discount_years(
    windows: Windows, shared: Shares, curves: Curves, codes: Integers, memory_years: float
) -> tuple[Floats, Floats, Floats, Floats]:
    """Failures and expected failures of each section, older ones counting less; and the fleet's by years ago."""
    ago = (windows.as_of.to_datetime64() - windows.event_on) / np.timedelta64(1, "D") / DAYS_PER_YEAR
    failures = windows.sum_by_section(windows.event_weight * np.exp(-ago / memory_years), windows.event_window)
    failures += windows.sum_by_section(shared[2] * np.exp(-shared[3] / memory_years), shared[0])
    expected, yearly = np.zeros(len(codes)), np.zeros(MOST_YEARS)
    for part in chunks.split(len(codes)):
        ages = windows.age_now[part], windows.entry_years[part], windows.exit_years[part]
        expected[part] = _discount_curves(curves, codes[part], windows.km[part], *ages, memory_years, yearly)
    seen = np.bincount(
        np.clip(np.concatenate([ago, shared[3]]), 0, MOST_YEARS - 1).astype(np.int64),
        np.concatenate([windows.event_weight, shared[2]]),
        MOST_YEARS,
    )
    return failures, windows.sum_by_section(expected), seen.astype(np.float64), yearly


def _discount_curves(
    curves: Curves,
    codes: Integers,
    km: Floats,
    age_now: Floats,
    entry_years: Floats,
    exit_years: Floats,
    memory_years: float,
    yearly: Floats,
) -> Floats:
    """Failures each window was to have, year by year back from now, older years counting less; yearly is added to."""
    expected = np.zeros(len(codes))
    up_to = curves.cumulative(codes, np.clip(age_now, entry_years, exit_years))
    some = np.arange(len(codes))  # windows that reach back so far
    year = 0
    while len(some):
        low = np.clip(age_now - (year + 1), entry_years, exit_years)
        before = curves.cumulative(codes, low)
        of_year = km[some] * (up_to - before)
        expected[some] += np.exp(-(year + 0.5) / memory_years) * of_year
        yearly[min(year, MOST_YEARS - 1)] += of_year.sum()
        further = np.flatnonzero(low > entry_years)
        some, codes = some[further], codes[further]
        up_to, age_now, entry_years, exit_years = (each[further] for each in (before, age_now, entry_years, exit_years))
        year += 1
    return expected
