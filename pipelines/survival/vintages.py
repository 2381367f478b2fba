"""Does cable of one class fail more by when it was laid? Mean cumulative failures by class and decade of laying."""

import dataclasses

import numpy as np
import pandas as pd

from pipelines.survival.history import FailureHistory
from pipelines.survival.kinds import fit_first_laws
from pipelines.survival.mean_cumulative import estimate_mean_cumulative
from pipelines.survival.observation_windows import build_windows
from pipelines.survival.rates import ClassView, view_classes
from pipelines.survival.treatment import leave_out_treated
from shared import dictionary
from shared.arrays import Booleans
from shared.settings import Settings

VINTAGE_YEARS = 10
"""Cable laid in one decade is one vintage."""

LEAST_SHARE = 0.1
"""Where less of a vintage is observed, one failure lifts the curve by more than it tells."""

MOST_STEPS = 100
"""Steps of a curve that are reported; all count in it."""


def name_vintage(year: int) -> str:
    """The decade of a year, e.g. 1970-1979."""
    start = year // VINTAGE_YEARS * VINTAGE_YEARS
    return f"{start}-{start + VINTAGE_YEARS - 1}"


def tabulate_vintages(history: FailureHistory, settings: Settings) -> pd.DataFrame:
    """One row a step of the mean cumulative failures of a class and vintage.

    Parameters
    ----------
    history
        Sections and failures; sections without a known date are in no vintage.
    settings
        survival.min_failures and general.interval_coverage.

    Returns
    -------
    DataFrame
        cable_class, vintage (decade of laying, e.g. 1970-1979), age_years, at_risk_km, mcf_per_km with limits,
        in_view_from_age_years (age at which LEAST_SHARE of its length was observed: the curve counts from there),
        vintage_length_km, vintage_failures (since that age). Vintages with fewer than min_failures are left out.

    Notes
    -----
    As rates.tabulate_mean_cumulative: late entry, limits robust to failures clustering on loops. A vintage is observed
    only between the ages it had while records were kept, so two vintages may be compared over the ages both have.

    Checked by: tests/unit/test_survival_vintages.py
    """
    frames = []
    for view in view_classes(history):
        decade = view.laid_in // VINTAGE_YEARS * VINTAGE_YEARS
        for start in np.unique(decade):
            curve = _follow(*_part(view, decade == start), settings)
            if curve is not None:
                frames.append(curve.assign(cable_class=view.name, vintage=name_vintage(int(start))))
    table = dictionary.stack_frames("marts.mean_cumulative_by_vintage", frames)
    return table.sort_values(["cable_class", "vintage", "age_years"], kind="stable", ignore_index=True)


def tabulate_years(history: FailureHistory, settings: Settings) -> pd.DataFrame:
    """One row a year of installation of a class: its failures, what the years around it expect, whether it is apart.

    Notes
    -----
    As the failure model has it: it counts the cable of a year that is apart as year_factor times its length
    (installation_years.compare_years). Columns of marts.installation_years.

    Checked by: tests/unit/test_survival_installation_years.py
    """
    bare = leave_out_treated(history.keep(build_windows))
    years = fit_first_laws(bare, settings, 0.0)[1].table
    names = np.asarray(pd.factorize(bare.sections["cable_class"], sort=True)[1], dtype=object)
    named = years.assign(cable_class=names[years["class_code"].to_numpy()])
    return named[list(dictionary.tables()["marts.installation_years"].columns)]


def _part(view: ClassView, mine: Booleans) -> tuple[ClassView, float]:
    """Some sections of a class from the age on at which enough of them is observed, and that age."""
    place = np.cumsum(mine) - 1
    own = mine[view.owner]
    part = dataclasses.replace(
        view,
        entry_years=view.entry_years[mine],
        exit_years=view.exit_years[mine],
        km=view.km[mine],
        cluster=view.cluster[mine],
        laid_in=view.laid_in[mine],
        owner=place[view.owner[own]],
        event_ages_years=view.event_ages_years[own],
        event_components=None,
    )
    start = find_start(part)
    later = part.event_ages_years > start
    entry = np.maximum(part.entry_years, start)
    return dataclasses.replace(
        part,
        entry_years=entry,
        exit_years=np.maximum(part.exit_years, entry),
        owner=part.owner[later],
        event_ages_years=part.event_ages_years[later],
    ), start


def _follow(part: ClassView, start: float, settings: Settings) -> pd.DataFrame | None:
    """The curve of one vintage with what there is of it; None where it has too few failures."""
    if len(part.event_ages_years) < settings.survival.min_failures:
        return None
    curve = estimate_mean_cumulative(
        part.entry_years,
        part.exit_years,
        part.km,
        part.owner,
        part.event_ages_years,
        settings.general.interval_coverage,
        cluster=part.cluster,
        most_steps=MOST_STEPS,
    )
    return curve.to_frame().assign(
        in_view_from_age_years=start,
        vintage_length_km=float(part.km.sum()),
        vintage_failures=len(part.event_ages_years),
    )


def find_start(view: ClassView) -> float:
    """First age, in years, at which LEAST_SHARE of the length is observed; 0 where that is never so."""
    ages = np.r_[view.entry_years, view.exit_years]
    change = np.r_[view.km, -view.km]
    order = np.argsort(ages, kind="stable")
    enough = np.cumsum(change[order]) >= LEAST_SHARE * view.km.sum()
    return float(ages[order][np.argmax(enough)]) if enough.any() else 0.0
