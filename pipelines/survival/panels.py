"""What late entry does to the rates, survival to the first failure, and whether the power law holds."""

import dataclasses

import numpy as np
import pandas as pd

from pipelines.survival.history import FailureHistory
from pipelines.survival.kaplan_meier import estimate_survival
from pipelines.survival.power_law import PowerLaw, fit_power_law
from pipelines.survival.rates import ClassView, view_classes
from pipelines.survival.trend import TrendTest, run_laplace_test, run_log_ratio_test
from shared import dictionary
from shared.arrays import Booleans, Floats
from shared.settings import Settings

THIN_SECTIONS = 20
"""The curve of first failures starts where this many sections are observed: before it one alone would set its level."""

LEAST_EXPECTED = 5.0
"""Bands are joined until each expects this many failures: common practice for a chi-square test."""


def compare_late_entry(history: FailureHistory, settings: Settings) -> pd.DataFrame:
    """Rates by age band with the time before the records left out, and wrongly counted, side by side.

    Notes
    -----
    Without late entry each section counts from its installation, though no failure of those years is on record: old
    rates fall, young ones most, and the growth with age is overstated. Columns of marts.late_entry; the shape
    of the class stands in every row.

    Checked by: tests/unit/test_survival_audit.py
    """
    width, rows = settings.survival.age_band_years, []
    for view in view_classes(history):
        naive = dataclasses.replace(view, entry_years=np.zeros(len(view.km)))
        right, wrong = view.fit(settings), naive.fit(settings)
        band = np.floor(view.event_ages_years / width)
        for number in range(int(np.max(view.exit_years, initial=0.0) / width) + 1):
            start, end = number * width, (number + 1) * width
            seen, counted = view.exposure_between(start, end), naive.exposure_between(start, end)
            failures = int((band == number).sum())
            if counted > 0:
                rows.append(
                    {
                        "cable_class": view.name,
                        "age_from": start,
                        "age_to": end,
                        "failures": failures,
                        "exposure_km_years": seen,
                        "rate_per_100km_year": 100 * failures / seen if seen > 0 else None,
                        "exposure_from_installation": counted,
                        "rate_from_installation": 100 * failures / counted,
                        "shape": right and right.shape,
                        "shape_from_installation": wrong and wrong.shape,
                    }
                )
    return dictionary.make_frame("marts.late_entry", rows)


def tabulate_first_failures(history: FailureHistory, settings: Settings) -> pd.DataFrame:
    """Share of sections without a recorded failure by age, given survival to the age at which enough are observed.

    Notes
    -----
    Kaplan-Meier with late entry. The first failure on record: a section may have failed before records began, so this
    is no life of new cable. Columns of marts.first_failures.

    Checked by: tests/unit/test_survival_audit.py
    """
    frames = []
    for view in view_classes(history):
        first = np.full(len(view.exit_years), np.inf)
        np.minimum.at(first, view.owner, view.event_ages_years)
        failed = np.isfinite(first)
        leave = np.where(failed, np.maximum(first, view.entry_years + 1e-9), view.exit_years)
        start = _thick_from(view.entry_years, leave)
        curve = estimate_survival(
            view.entry_years, leave, failed, settings.general.interval_coverage, start_years=start
        ).to_frame()
        frames.append(curve.assign(cable_class=view.name, start_years=start))
    return dictionary.stack_frames("marts.first_failures", frames).astype({"at_risk": "int64", "failures": "int64"})


def tabulate_fits(history: FailureHistory, settings: Settings) -> pd.DataFrame:
    """Power law by class and failed component, with tests of trend and of fit.

    Returns
    -------
    DataFrame
        cable_class, failed_component (all, cable, splice, unknown), failures, shape with limits, scale_years_1km,
        laplace_z, laplace_p, log_ratio_p (no trend), fit_chi_square, fit_degrees, fit_p (power law against age bands).

    Notes
    -----
    Small fit_p: the intensity is no power law of age. Failures cluster on sections and loops, so the p-values of all
    three tests are too small where multipliers vary much.

    Checked by: tests/unit/test_survival_audit.py
    """
    rows = []
    for view in view_classes(history):
        kinds = np.asarray(view.event_components)
        for component in ("all", "cable", "splice", "unknown"):
            some = np.ones(len(kinds), dtype=bool) if component == "all" else kinds == component
            if some.sum() >= settings.survival.min_failures:
                rows.append({"cable_class": view.name, "failed_component": component, **_fit(view, some, settings)})
    return dictionary.make_frame("marts.power_law_fits", rows)


def run_fit_test(view: ClassView, ages: Floats, law: PowerLaw) -> TrendTest:
    """Chi-square test of a power law against failures by year of age, years joined until enough are expected."""
    from scipy.special import chdtrc

    top = int(np.max(view.exit_years, initial=0.0)) + 1
    edges = np.arange(top + 1, dtype=np.float64)
    expected = np.diff(view.ages.cumulate_hazard(edges, law.cumulative))
    observed = np.histogram(ages, bins=edges)[0].astype(np.float64)
    joined: list[list[float]] = [[0.0, 0.0]]
    for e, o in zip(expected, observed, strict=True):
        joined[-1][0] += e
        joined[-1][1] += o
        if joined[-1][0] >= LEAST_EXPECTED:
            joined.append([0.0, 0.0])
    if len(joined) > 1:  # what is left over expects too few
        last = joined.pop()
        joined[-1] = [joined[-1][0] + last[0], joined[-1][1] + last[1]]
    bands = np.array(joined)
    degrees = len(bands) - 2
    if degrees < 1:
        return TrendTest(float("nan"), max(degrees, 0), float("nan"))
    statistic = float(((bands[:, 1] - bands[:, 0]) ** 2 / bands[:, 0]).sum())
    return TrendTest(statistic, degrees, float(chdtrc(degrees, statistic)))


def _fit(view: ClassView, some: Booleans, settings: Settings) -> dict[str, object]:
    ages, owner = view.event_ages_years[some], view.owner[some]
    coverage = settings.general.interval_coverage
    law = fit_power_law(view.ages.with_failures(ages), coverage, view.cluster_failures(some))
    window = view.entry_years[owner], view.exit_years[owner]
    laplace, ratio = run_laplace_test(*window, ages), run_log_ratio_test(*window, ages)
    fit = run_fit_test(view, ages, law) if law else TrendTest(float("nan"), 0, float("nan"))
    return {
        "failures": len(ages),
        "shape": law and law.shape,
        "shape_lo": law and law.shape_lo,
        "shape_hi": law and law.shape_hi,
        "scale_years_1km": law and law.scale_years,
        "laplace_z": laplace.statistic,
        "laplace_p": laplace.p_value,
        "log_ratio_p": ratio.p_value,
        "fit_chi_square": fit.statistic,
        "fit_degrees": fit.degrees,
        "fit_p": fit.p_value,
    }


def _thick_from(entry: Floats, leave: Floats) -> float:
    """First age with THIN_SECTIONS in view, or with half the most ever in view where that is fewer."""
    if not len(entry):
        return 0.0
    moments = np.concatenate([entry, leave])
    change = np.concatenate([np.ones(len(entry)), -np.ones(len(leave))])
    order = np.lexsort((-change, moments))
    in_view = np.cumsum(change[order])
    enough = np.flatnonzero(in_view >= min(THIN_SECTIONS, in_view.max() / 2))
    return float(moments[order][enough[0]])
