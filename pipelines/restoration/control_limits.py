"""Is a month out of the ordinary, or within its usual wandering?"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

D2 = 1.128
"""Mean range of two normal values in standard deviations, as printed in the tables of control charts (NIST 6.3.2.2)."""

D4 = 3.267
"""Upper limit of a moving range of two over its mean (same table)."""


@dataclass(frozen=True)
class IndividualsChart:
    """Limits of an individuals chart, in the unit of its values.

    Attributes
    ----------
    centre, lower, upper
        Mean of the values, and three estimated standard deviations to either side.
    mean_range, range_upper
        Mean moving range of neighbouring values, and its upper limit.
    """

    centre: float
    lower: float
    upper: float
    mean_range: float
    range_upper: float


def fit_individuals(values: ArrayLike) -> IndividualsChart:
    """Limits within which single values of a steady series wander.

    Parameters
    ----------
    values
        Shape (n,), in order of time; NaN (a month without jobs) is ignored.

    Notes
    -----
    centre +- 3 mean moving range / d2. Fewer than two values give NaN limits.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2.

    Checked by: tests/published/test_restoration_published.py
    """
    x = np.asarray(values, dtype=np.float64)
    x = x[~np.isnan(x)]
    if len(x) < 2:
        centre = float(x[0]) if len(x) else float("nan")
        return IndividualsChart(centre, float("nan"), float("nan"), float("nan"), float("nan"))
    centre = float(x.mean())
    mean_range = float(np.abs(np.diff(x)).mean())
    reach = 3.0 * mean_range / D2
    return IndividualsChart(centre, centre - reach, centre + reach, mean_range, D4 * mean_range)


def find_signals(values: ArrayLike, chart: IndividualsChart) -> NDArray[np.object_]:
    """Which rule each value breaks, shape (n,): 'outside', 'run', or '' for none (also where it is NaN).

    Notes
    -----
    outside: beyond a limit. run: the eighth or a later one in a row on one side of the centre.

    References
    ----------
    Western Electric, Statistical Quality Control Handbook (1956), rules 1 and 4.

    Checked by: tests/unit/test_restoration_control_limits.py
    """
    x = np.asarray(values, dtype=np.float64)
    found = np.full(len(x), "", dtype=object)
    run, side = 0, 0.0
    for i, value in enumerate(x):
        if np.isnan(value):
            continue
        here = float(np.sign(value - chart.centre))
        run = run + 1 if here == side and here else int(here != 0)
        side = here
        if value < chart.lower or value > chart.upper:
            found[i] = "outside"
        elif run >= 8:
            found[i] = "run"
    return found
