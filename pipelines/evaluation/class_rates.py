"""How often the cable of a class fails, and at an age: what the two smoothed rules of the back-test go by."""

from itertools import pairwise

import numpy as np
import pandas as pd

from pipelines.survival.history import FailureHistory
from pipelines.survival.rates import view_classes
from shared.arrays import Floats

BAND_YEARS = 5.0
"""Width of a band of age, in years."""


def rate_units(known: FailureHistory, units: pd.DataFrame) -> dict[str, Floats]:
    """Failures per km and year of each section's class (class_rate), and of the class at its age (class_age_rate).

    Parameters
    ----------
    known
        What was known at the date, with section_code (history.code_names).
    units
        section_code and age_years, -1 where the age is unknown: the class's rate stands for it.

    Notes
    -----
    A rate is drawn to that of the next larger group by half a failure: (failures + 1/2) over (exposure + 1/2 over the
    larger group's rate), so that cable which has not failed has a rate too. Dated cable in view alone is counted.

    Checked by: tests/unit/test_evaluation_backtest_summary.py
    """
    views = view_classes(known)
    failures = sum(len(view.event_ages_years) for view in views)
    exposures = [view.exposure_between(0.0, np.inf) for view in views]
    fleet = (failures + 0.5) / max(sum(exposures), 1e-9)
    oldest = max([float(units["age_years"].max()) if len(units) else 0.0, 0.0])
    edges = np.arange(0.0, oldest + 2 * BAND_YEARS, BAND_YEARS)
    # one column more: the class's own rate, where the age is unknown
    rates = np.empty((len(views), len(edges)))
    for row, (view, exposure) in enumerate(zip(views, exposures, strict=True)):
        rates[row, -1] = own = (len(view.event_ages_years) + 0.5) / (exposure + 0.5 / fleet)
        seen, _ = np.histogram(view.event_ages_years, edges)
        time = [view.exposure_between(low, high) for low, high in pairwise(edges)]
        rates[row, :-1] = (seen + 0.5) / (np.array(time) + 0.5 / own)
    section = known.sections["section_code"].to_numpy()
    class_of = np.zeros(int(section.max(initial=-1)) + 1, dtype=np.int64)
    class_of[section] = pd.factorize(known.sections["cable_class"], sort=True)[0]  # in the order of the views
    of_class = class_of[units["section_code"]]
    age = units["age_years"].to_numpy()
    band = np.where(age < 0, len(edges) - 1, np.floor(age / BAND_YEARS)).astype(np.int64)
    return {"class_rate": rates[of_class, -1], "class_age_rate": rates[of_class, band]}
