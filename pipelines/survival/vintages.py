"""Does cable of one class fail more by when it was laid? Mean cumulative failures by class and decade of laying."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd

from pipelines.survival.history import FailureHistory
from pipelines.survival.mean_cumulative import estimate_mean_cumulative
from pipelines.survival.rates import ClassView, view_classes
from shared.settings import Settings

VINTAGE_YEARS = 10
"""Cable laid in one decade is one vintage."""

LEAST_SHARE = 0.1
"""Where less of a vintage is in view, one failure lifts the curve by more than it tells."""

MOST_STEPS = 100
"""Steps of a curve that are reported; all count in it."""

COLUMNS = [
    "cable_class", "vintage", "age_years", "at_risk_km", "mcf_per_km", "mcf_lo", "mcf_hi", "in_view_from_age_years",
    "vintage_length_km", "vintage_failures",
]


def name_vintages(installed_on: pd.Series) -> pd.Series:
    """The decade of each date, e.g. 1970-1979."""
    start = (pd.to_datetime(installed_on).dt.year // VINTAGE_YEARS * VINTAGE_YEARS).astype("int64")
    return start.astype(str) + "-" + (start + VINTAGE_YEARS - 1).astype(str)


def tabulate_vintages(history: FailureHistory, settings: Settings) -> pd.DataFrame:
    """One row a step of the mean cumulative failures of a class and vintage.

    Parameters
    ----------
    history
        Sections and failures; sections without a known date are in no vintage.
    settings
        survival.min_failures and general.interval_level.

    Returns
    -------
    DataFrame
        cable_class, vintage (decade of laying, e.g. 1970-1979), age_years, at_risk_km, mcf_per_km with limits,
        in_view_from_age_years (age at which LEAST_SHARE of its length was in view: the curve counts from there),
        vintage_length_km, vintage_failures (since that age). Vintages with fewer than min_failures are left out.

    Notes
    -----
    As rates.tabulate_mean_cumulative: late entry, limits robust to failures clustering on loops. A vintage is in view
    only between the ages it had while records were kept, so two vintages may be compared over the ages both have.

    Checked by: tests/unit/test_survival_vintages.py
    """
    dated = history.sections[history.sections["in_view_from"].notna()]
    frames = []
    for vintage, sections in dated.groupby(name_vintages(dated["installed_on"]), sort=True):
        part = dataclasses.replace(history, sections=sections)
        for view in view_classes(part):
            start = find_start(view)
            later = view.event_ages_years > start
            if later.sum() < settings.survival.min_failures:
                continue
            entry = np.maximum(view.entry_years, start)
            curve = estimate_mean_cumulative(
                entry, np.maximum(view.exit_years, entry), view.km, view.owner[later], view.event_ages_years[later],
                settings.general.interval_level, cluster=view.cluster, most_steps=MOST_STEPS,
            )
            frames.append(curve.to_frame().assign(
                cable_class=view.name, vintage=str(vintage),
                in_view_from_age_years=start, vintage_length_km=float(view.km.sum()),
                vintage_failures=int(later.sum()),
            ))
    if not frames:
        return pd.DataFrame(columns=COLUMNS)
    table = pd.concat(frames, ignore_index=True)[COLUMNS]
    return table.sort_values(["cable_class", "vintage", "age_years"], kind="stable", ignore_index=True)


def find_start(view: ClassView) -> float:
    """First age, in years, at which LEAST_SHARE of the length is in view; 0 where that is never so."""
    ages = np.r_[view.entry_years, view.exit_years]
    change = np.r_[view.km, -view.km]
    order = np.argsort(ages, kind="stable")
    enough = np.cumsum(change[order]) >= LEAST_SHARE * view.km.sum()
    return float(ages[order][np.argmax(enough)]) if enough.any() else 0.0
