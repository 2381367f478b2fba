"""How often each class fails, by age: exposure, exact limits, power law and mean cumulative failures."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipelines.survival.history import FailureHistory, code_names, years_between
from pipelines.survival.mean_cumulative import estimate_mean_cumulative
from pipelines.survival.power_law import Clusters, PowerLaw, PowerLawData, fit_power_law, summarise_ages
from shared import dictionary
from shared.arrays import Booleans, Floats, Integers
from shared.intervals import poisson_limits
from shared.settings import Settings

LEAST_JUDGED = 10
"""Failures below which nothing is said to differ, grow or lead: a few more may be one bad loop."""


@dataclass(frozen=True)
class ClassView:
    """Sections of one class in view, with ages in years, and their failures.

    entry_years, exit_years, km, cluster, laid_in (year): one a section. owner, event_ages_years, event_components: one
    a failure.
    """

    name: str
    entry_years: Floats
    exit_years: Floats
    km: Floats
    cluster: Integers
    laid_in: Integers
    owner: Integers
    event_ages_years: Floats
    event_components: NDArray[np.object_] | None = None

    def exposure_between(self, age_from: float, age_to: float) -> float:
        """Exposure between two ages, in km-years."""
        overlap = np.minimum(self.exit_years, age_to) - np.maximum(self.entry_years, age_from)
        return float(self.km @ np.maximum(overlap, 0.0))

    @cached_property
    def ages(self) -> PowerLawData:
        """What a power law needs to know of the class."""
        return summarise_ages(self.entry_years, self.exit_years, self.km, self.event_ages_years)

    def cluster_failures(self, some: Booleans | None = None) -> Clusters:
        """Failures, or some of them, by loop."""
        owner, ages = self.owner, self.event_ages_years
        if some is not None:
            owner, ages = owner[some], ages[some]
        return Clusters(self.entry_years, self.exit_years, self.km, self.cluster, owner, ages)

    def fit(self, settings: Settings) -> PowerLaw | None:
        """Power law of the class; None where it has too few failures."""
        if len(self.event_ages_years) < settings.survival.min_failures:
            return None
        coverage = settings.general.interval_coverage
        if coverage not in self._laws:
            self._laws[coverage] = fit_power_law(self.ages, coverage, self.cluster_failures())
        return self._laws[coverage]

    @cached_property
    def _laws(self) -> dict[float, PowerLaw | None]:
        return {}


def view_classes(history: FailureHistory) -> list[ClassView]:
    """Every class with a section on the register: its dated sections observed and their counted failures.

    Checked by: tests/sql/test_survival_core.py (through tabulate_classes)
    """
    return history.keep(_view_classes)


def _view_classes(history: FailureHistory) -> list[ClassView]:
    coded = history.keep(code_names)
    sections = coded.sections
    code, names = pd.factorize(sections["cable_class"], sort=True)
    order = np.lexsort((sections["section_code"].to_numpy(), code))
    order = order[sections["in_view_from"].notna().to_numpy()[order]]
    ends = np.searchsorted(code[order], np.arange(len(names) + 1))
    installed = pd.to_datetime(sections["installed_on"])
    entry, leave = (
        years_between(installed, pd.to_datetime(sections[name]))[order] for name in ("in_view_from", "in_view_to")
    )
    laid_in = installed.dt.year.to_numpy()[order].astype(np.int64)
    km, cluster = (sections[name].to_numpy()[order] for name in ("length_km", "loop_code"))
    row = np.full(int(sections["section_code"].max() if len(sections) else -1) + 2, -1)
    row[sections["section_code"].to_numpy()[order]] = np.arange(len(order))
    counted = coded.failures[coded.failures["is_counted"].astype(bool)]
    owner = row[np.minimum(counted["section_code"].to_numpy(), len(row) - 1)]
    age, component = counted["age_years"].to_numpy(dtype=np.float64), counted["failed_component"].to_numpy()
    of_class = np.append(code[order], -1)[owner]
    by_class = np.argsort(of_class, kind="stable")
    events = np.searchsorted(of_class[by_class], np.arange(len(names) + 1))
    views = []
    for number, name in enumerate(names):
        mine = slice(ends[number], ends[number + 1])
        own = by_class[events[number] : events[number + 1]]
        views.append(
            ClassView(
                name=str(name),
                entry_years=entry[mine],
                exit_years=leave[mine],
                km=km[mine].astype(np.float64),
                cluster=cluster[mine],
                laid_in=laid_in[mine],
                owner=owner[own] - ends[number],
                event_ages_years=age[own],
                event_components=component[own],
            )
        )
    return views


def tabulate_classes(history: FailureHistory, settings: Settings) -> pd.DataFrame:
    """One row a class: what was observed, its rate with exact limits, its power law with likelihood limits.

    Parameters
    ----------
    history
        Sections and failures.
    settings
        survival.min_failures and general.interval_coverage.

    Returns
    -------
    DataFrame
        Columns of marts.class_survival. Rate limits missing without exposure; shape and scale missing below
        min_failures. sections and length_km count cable with time observed.

    Notes
    -----
    Checked by: tests/sql/test_survival_core.py
    """
    undated = history.sections[~history.sections["is_installed_on_known"].astype(bool)].groupby("cable_class").size()
    late = history.failures[history.failures["why_not"] == "undated_section"].groupby("cable_class").size()
    rows = []
    for view in view_classes(history):
        exposure, failures = float(view.km @ (view.exit_years - view.entry_years)), len(view.event_ages_years)
        law = view.fit(settings)
        rate, lo, hi = _rate_with_limits(failures, exposure, settings.general.interval_coverage)
        rows.append(
            {
                "cable_class": view.name,
                "sections": len(view.km),
                "length_km": float(view.km.sum()),
                "exposure_km_years": exposure,
                "failures": failures,
                "rate_per_100km_year": rate,
                "rate_lo": lo,
                "rate_hi": hi,
                "shape": law and law.shape,
                "shape_lo": law and law.shape_lo,
                "shape_hi": law and law.shape_hi,
                "scale_years_1km": law and law.scale_years,
                "scale_lo": law and law.scale_lo,
                "scale_hi": law and law.scale_hi,
                "sections_without_date": int(undated.get(view.name, 0)),
                "failures_without_date": int(late.get(view.name, 0)),
            }
        )
    return pd.DataFrame(rows)


def tabulate_age_rates(history: FailureHistory, settings: Settings) -> pd.DataFrame:
    """One row an age band of a class: exposure, failures, rate with exact limits, and the power law's rate beside it.

    Notes
    -----
    Columns of marts.age_rates; bands without exposure are left out. The fitted rate is the power law's
    expected failures over the very cable in view in the band, over that exposure.

    Checked by: tests/sql/test_survival_core.py
    """
    width, rows = settings.survival.age_band_years, []
    for view in view_classes(history):
        law = view.fit(settings)
        band = np.floor(view.event_ages_years / width).astype(np.int64)
        for number in range(int(np.max(view.exit_years, initial=0.0) / width) + 1):
            start, end = number * width, (number + 1) * width
            exposure, failures = view.exposure_between(start, end), int((band == number).sum())
            if exposure == 0.0 and failures == 0:
                continue
            rate, lo, hi = _rate_with_limits(failures, exposure, settings.general.interval_coverage)
            fitted = None
            if law is not None and exposure > 0:
                expected = np.diff(view.ages.cumulate_hazard(np.array([start, end], dtype=np.float64), law.cumulative))
                fitted = 100.0 * float(expected[0]) / exposure
            rows.append(
                {
                    "cable_class": view.name,
                    "age_from": start,
                    "age_to": end,
                    "exposure_km_years": exposure,
                    "failures": failures,
                    "rate_per_100km_year": rate,
                    "rate_lo": lo,
                    "rate_hi": hi,
                    "fitted_rate_per_100km_year": fitted,
                }
            )
    return pd.DataFrame(rows)


def tabulate_mean_cumulative(history: FailureHistory, settings: Settings) -> pd.DataFrame:
    """One row a step of a class's mean cumulative failures, limits robust to failures clustering on loops.

    Notes
    -----
    Columns of marts.mean_cumulative_failures.

    Checked by: tests/unit/test_survival_audit.py
    """
    frames = []
    for view in view_classes(history):
        if len(view.event_ages_years):
            curve = estimate_mean_cumulative(
                view.entry_years,
                view.exit_years,
                view.km,
                view.owner,
                view.event_ages_years,
                settings.general.interval_coverage,
                cluster=view.cluster,
            )
            frames.append(curve.to_frame().assign(cable_class=view.name))
    return dictionary.stack_frames("marts.mean_cumulative_failures", frames)


@dataclass(frozen=True)
class RateRatio:
    """First rate over second, with exact limits and the central p-value of equal rates."""

    ratio: float
    lo: float
    hi: float
    p_value: float


def compare_rates(counts: Sequence[float], exposures: Sequence[float], coverage: float) -> RateRatio:
    """How many times the second rate is the first?

    Parameters
    ----------
    counts
        Failures of the two groups.
    exposures
        Their exposures, in one unit.
    coverage
        Two-sided coverage.

    Notes
    -----
    Given the total, the first count is binomial; limits are Clopper and Pearson's, turned into a ratio. The p-value is
    twice the smaller tail, so that it agrees with the limits.

    Checked by: tests/published/test_survival_published.py
    """
    from scipy.special import bdtr, bdtrc, betaincinv

    first, second = (float(c) for c in counts)
    total, tail = first + second, (1.0 - coverage) / 2.0
    share = exposures[0] / (exposures[0] + exposures[1])
    lo = float(betaincinv(first, second + 1.0, tail)) if first > 0 else 0.0
    hi = float(betaincinv(first + 1.0, second, 1.0 - tail)) if second > 0 else 1.0
    at_most = float(bdtr(first, int(total), share))
    at_least = float(bdtrc(first - 1.0, int(total), share)) if first > 0 else 1.0

    def ratio(p: float) -> float:
        return p / (1.0 - p) * exposures[1] / exposures[0] if p < 1.0 else float("inf")

    observed = first / exposures[0] / (second / exposures[1]) if second > 0 else float("inf")
    return RateRatio(observed, ratio(lo), ratio(hi), min(1.0, 2.0 * min(at_most, at_least)))


YOUNG_BANDS = ("up_to_3_months", "3_to_12_months", "1_to_2_years")
LATER_BANDS = ("2_to_5_years", "over_5_years")


def compare_splices(bands: pd.DataFrame, coverage: float) -> pd.DataFrame:
    """Do splices fail more in the first two years after a repair than later?

    Parameters
    ----------
    bands
        marts.splice_failures: repair_band, section_years, splice_failures.
    coverage
        Two-sided coverage of the ratio's limits.

    Returns
    -------
    DataFrame
        fitted.splice_comparison: one row, or none where no splice has failed after a repair in view.

    Checked by: tests/unit/test_reports_survival_groups.py
    """
    groups = [bands[bands["repair_band"].isin(names)] for names in (YOUNG_BANDS, LATER_BANDS)]
    counts = [float(part["splice_failures"].sum()) for part in groups]
    years = [float(part["section_years"].sum()) for part in groups]
    columns = ["splices", "young_splice_rate", "later_splice_rate", "rate_ratio", "ratio_lo", "ratio_hi", "judged"]
    if not all(years) or not any(counts):
        return pd.DataFrame(columns=columns)
    rates = [100.0 * count / span for count, span in zip(counts, years, strict=True)]
    if not all(counts):
        judged = "all_young" if counts[0] else "all_later"
        return pd.DataFrame([(int(sum(counts)), *rates, None, None, None, judged)], columns=columns)
    found = compare_rates(counts, years, coverage)
    is_clear = sum(counts) >= LEAST_JUDGED and (found.lo > 1.0 or found.hi < 1.0)
    judged = "beyond_chance" if is_clear else "within_chance"
    return pd.DataFrame([(int(sum(counts)), *rates, found.ratio, found.lo, found.hi, judged)], columns=columns)


def _rate_with_limits(failures: int, exposure_km_years: float, coverage: float) -> tuple[float | None, ...]:
    """Failures per 100 km and year with exact Poisson limits; missing without exposure."""
    if exposure_km_years <= 0:
        return None, None, None
    lo, hi = poisson_limits(failures, coverage)
    per_100km = 100.0 / exposure_km_years
    return failures * per_100km, float(lo) * per_100km, float(hi) * per_100km
