"""Did a district put all its failures on record in its early years? Judged beside the other districts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.survival.history import FailureHistory, code_names, counts_as_failure
from pipelines.survival.observation_windows import build_windows
from shared.arrays import Booleans, Floats, Integers
from shared.intervals import poisson_limits
from shared.settings import Settings
from shared.units import DAYS_PER_YEAR

FALSE_ALARMS = 0.03
"""Share of fleets drawn without a change that would have a district named; with the dispersion to be estimated as well,
fewer than 0.05 of fleets whose records are complete (tests/simulated/ranking_study.py)."""

LEAST_FAILURES = 10
"""Failures on record of a district that takes part."""

LATEST_CHANGE = 0.5
"""Early years are looked for in this first part of the years on record."""

LOST = 0.5
"""Share of its early failures that a district would have to lose unseen, for its years to be too few to tell."""

BAND_YEARS = 5
"""Ages over which cable of a class is taken to fail at one rate."""

DRAWS, BATCH = 1000, 100


@dataclass(frozen=True)
class Completeness:
    """What district and year have on record and what is to be expected of them.

    districts, years: names of the rows and columns. seen, expected: failures, shape (districts, years). is_visible: the
    loss of LOST of the failures up to that year would be seen. first_complete: first of the years that is not likely
    incomplete; the first on record where none is.
    """

    districts: list[str]
    years: Integers
    seen: Floats
    expected: Floats
    is_visible: Booleans
    first_complete: Integers

    @property
    def starts(self) -> dict[str, pd.Timestamp]:
        """First day of the first complete year of each district with years that are likely incomplete."""
        found = zip(self.districts, self.first_complete, strict=True)
        return {name: pd.Timestamp(f"{year}-01-01") for name, year in found if year > self.years[0]}


def tabulate_completeness(history: FailureHistory, settings: Settings) -> pd.DataFrame:
    """Failures of each district and year beside those to be expected, and whether the year's records are complete.

    Parameters
    ----------
    history
        Sections and failures; those known by loop alone and those of sections without a date count.
    settings
        general.interval_coverage.

    Returns
    -------
    DataFrame
        Columns of marts.record_completeness, a row a district and year.

    Notes
    -----
    See assess_completeness.

    Checked by: tests/unit/test_survival_completeness.py
    """
    found = history.keep(code_names).keep(assess_completeness)
    at, year = np.nonzero(found.expected > 0)
    expected, seen = found.expected[at, year], found.seen[at, year]
    lo, hi = poisson_limits(seen, settings.general.interval_coverage)
    is_early = found.years[year] < found.first_complete[at]
    return pd.DataFrame(
        {
            "district_id": np.array(found.districts, dtype=object)[at],
            "year": found.years[year],
            "failures": seen.astype(np.int64),
            "expected_failures": expected,
            "recorded_ratio": seen / expected,
            "recorded_ratio_lo": lo / expected,
            "recorded_ratio_hi": hi / expected,
            "completeness_verdict": np.select(
                [is_early, found.is_visible[at, year]], ["likely_incomplete", "complete"], "too_few_to_tell"
            ),
        }
    )


def assess_completeness(history: FailureHistory) -> Completeness:
    """Which districts have early years with failures missing, judged against the other districts.

    Parameters
    ----------
    history
        With codes (code_names).

    Notes
    -----
    Expected: km-years of each class and age, at the rates of the whole fleet without the years found incomplete, times
    the district's own level in its later years. A change is looked for by the likelihood ratio of two groups of
    districts and the years before and from a change: districts in the order of their early share, cut where the ratio
    is greatest, so that years good or bad for all districts, and a trend of all, are no change. Over the dispersion of
    districts' years about the change (never below 1), it has to pass what the greatest of all groups and years reaches
    in FALSE_ALARMS of DRAWS fleets drawn without a change (multinomial). Then the districts left are tried again. Years
    that are incomplete in every district alike cannot be seen.

    Checked by: tests/unit/test_survival_completeness.py, tests/simulated/ranking_study.py
    """
    districts, years, seen, exposure, struck = _count(history)
    first = np.zeros(len(districts), dtype=np.int64)
    is_visible = np.zeros(seen.shape, dtype=np.bool_)
    expected = _expect(exposure, struck, first)
    seen = np.where(expected > 0, seen, 0.0)
    left = np.flatnonzero(seen.sum(axis=1) >= LEAST_FAILURES)
    half = int(len(years) * LATEST_CHANGE)
    while len(left) >= 2 and half:
        group, change, limit = _find_change(seen[left], expected[left], half)
        early, both = _early(seen[left], expected[left], half)[1:]
        whole = early.sum(axis=0)
        lost = _contrast(early * (1.0 - LOST), early, both, whole - LOST * early, whole, both.sum())
        is_seen = np.maximum.accumulate(lost >= limit, axis=1)
        is_visible[left] = is_seen[:, np.minimum(np.arange(len(years)), half - 1)]
        if not len(group):
            break
        first[left[group]] = change
        expected = _expect(exposure, struck, first)
        left = np.delete(left, group)
    late = np.arange(len(years)) >= first[:, None]
    total = (expected * late).sum(axis=1)
    level = np.divide((seen * late).sum(axis=1), total, out=np.zeros(len(total)), where=total > 0)
    return Completeness(
        districts, years, seen, expected * level[:, None], is_visible, years[first] if len(years) else first
    )


def _find_change(seen: Floats, expected: Floats, half: int) -> tuple[Integers, int, float]:
    """Districts whose early years are incomplete (none within chance), how many years, and the limit of chance."""
    found, order = _split(seen, expected, half)
    cut, change = np.unravel_index(int(found.argmax()), found.shape)
    group = order[: cut + 1, change]
    usual = np.zeros_like(seen)
    for part in (np.arange(seen.shape[1]) <= change, np.arange(seen.shape[1]) > change):
        total = expected[:, part].sum(axis=1, keepdims=True)
        level = np.divide(seen[:, part].sum(axis=1, keepdims=True), total, out=np.zeros_like(total), where=total > 0)
        usual[:, part] = expected[:, part] * level
    of_year = np.divide(seen.sum(axis=0), usual.sum(axis=0), out=np.ones(seen.shape[1]), where=usual.sum(axis=0) > 0)
    usual = usual * of_year
    off = np.divide((seen - usual) ** 2, usual, out=np.zeros_like(usual), where=usual > 0).sum()
    dispersion = max(1.0, float(off) / ((len(seen) - 1) * (seen.shape[1] - 2)))
    rng, share = np.random.default_rng(0), expected / expected.sum(axis=1, keepdims=True)
    number = seen.sum(axis=1).round().astype(np.int64)
    greatest = [
        _split(rng.multinomial(number, share, size=(BATCH, len(seen))).astype(np.float64), expected, half)[0].max(
            (1, 2)
        )
        for _ in range(DRAWS // BATCH)
    ]
    limit = dispersion * float(np.quantile(np.concatenate(greatest), 1.0 - FALSE_ALARMS))
    return group if found.max() > limit else group[:0], int(change) + 1, limit


def _split(seen: Floats, expected: Floats, half: int) -> tuple[Floats, Integers]:
    """Likelihood ratio of the first so many districts, in the order of their early share, against the rest; the order.

    Shapes (..., districts - 1, half) and (..., districts, half): the last axis is the number of early years less one.
    """
    early, usual, both = _early(seen, expected, half)
    share = np.divide(early, usual, out=np.ones_like(early), where=usual > 0)
    order = np.argsort(share, axis=-2, kind="stable")
    early, usual, both = (np.cumsum(np.take_along_axis(x, order, -2), axis=-2) for x in (early, usual, both))
    wholes = [x[..., -1:, :] for x in (early, usual, both)]
    return _contrast(*(x[..., :-1, :] for x in (early, usual, both)), *wholes), order


def _early(seen: Floats, expected: Floats, half: int) -> tuple[Floats, Floats, Floats]:
    """Failures of the first so many years, the early ones' share of all by expectation, and all."""
    early, both = np.cumsum(seen, axis=-1)[..., :half], seen.sum(axis=-1, keepdims=True)
    usual = both * np.cumsum(expected, axis=-1)[..., :half] / expected.sum(axis=-1, keepdims=True)
    return early, usual, np.broadcast_to(both, early.shape)


def _contrast(early: Floats, usual: Floats, both: Floats, *wholes: Floats) -> Floats:
    """Likelihood ratio of a group having its own early share against that of all, 0 where it is not below."""
    whole_early, whole_usual, whole_both = wholes
    usual = np.minimum(usual * whole_early / np.maximum(whole_usual, 1e-12), both * (1.0 - 1e-9))
    ratio = 2.0 * (
        _times_log(early, usual)
        + _times_log(both - early, both - usual)
        + _times_log(whole_early - early, whole_early - usual)
        + _times_log(whole_both - whole_early - both + early, whole_both - whole_early - both + usual)
    )
    return np.where(early < usual, ratio, 0.0)


def _times_log(count: Floats, mean: Floats) -> Floats:
    """Count times the logarithm of count over mean, 0 of no count."""
    return count * np.log(np.where(count > 0, count, 1.0) / np.where((count > 0) & (mean > 0), mean, 1.0))


def _count(history: FailureHistory) -> tuple[list[str], Integers, Floats, Floats, Floats]:
    """Districts, years, failures of each; km-years of each and of each class and age, and the failures of these."""
    windows = history.keep(build_windows)
    sections = windows.sections
    district = pd.Categorical(sections["district_id"].astype(str))
    kind, kinds = pd.factorize(sections["cable_class"].astype(str))
    begun = pd.to_datetime(sections["recorded_from"]).min()
    years: Integers = np.arange(windows.as_of.year if pd.isna(begun) else begun.year, windows.as_of.year + 1)
    bands = int(windows.age_now.max(initial=0.0)) // BAND_YEARS + 1
    shape = (len(district.categories), len(years), len(kinds) * bands)
    exposure, of = np.zeros(shape), district.codes.astype(np.int64)[windows.owner]
    cell = kind[windows.owner] * bands
    ago = windows.as_of.year + windows.as_of.day_of_year / DAYS_PER_YEAR - years
    for place in range(len(years)):
        young = np.clip(windows.age_now - ago[place], windows.entry_years, windows.exit_years)
        old = np.clip(windows.age_now - ago[place] + 1.0, windows.entry_years, windows.exit_years)
        at = of * shape[2] + cell + ((young + old) / 2.0 // BAND_YEARS).astype(np.int64)
        exposure[:, place] = np.bincount(at, windows.km * (old - young), shape[0] * shape[2]).reshape(
            shape[0], shape[2]
        )
    struck = windows.event_window
    band = np.minimum(windows.event_age_years // BAND_YEARS, bands - 1).astype(np.int64)
    place = np.clip(pd.DatetimeIndex(windows.event_on).year.to_numpy() - years[0], 0, len(years) - 1)
    at = (of[struck] * shape[1] + place) * shape[2] + cell[struck] + band
    failed = np.bincount(at, windows.event_weight, int(np.prod(shape))).reshape(shape).astype(np.float64)
    failures = history.failures
    used = failures[counts_as_failure(failures) | failures["why_not"].eq("loop_only")]
    row = pd.Index(district.categories).get_indexer(pd.Index(used["district_id"].astype(str)))
    place = pd.to_datetime(used["failed_on"]).dt.year.to_numpy() - years[0]
    inside = (row >= 0) & (place >= 0) & (place < len(years))
    seen = np.bincount(row[inside] * shape[1] + place[inside], minlength=shape[0] * shape[1]).reshape(shape[:2])
    return list(district.categories), years, seen.astype(np.float64), exposure, failed


def _expect(exposure: Floats, failed: Floats, first: Integers) -> Floats:
    """Failures of each district and year at the class and age rates of the years that are not incomplete."""
    kept = (np.arange(exposure.shape[1]) >= first[:, None])[:, :, None]
    total, events = (exposure * kept).sum(axis=(0, 1)), (failed * kept).sum(axis=(0, 1))
    return np.asarray(exposure @ np.divide(events, total, out=np.zeros(len(total)), where=total > 0))
