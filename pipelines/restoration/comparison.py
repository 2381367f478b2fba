"""Which districts, crews and methods are slower or faster than their jobs explain?"""

import numpy as np
import pandas as pd

from shared import dictionary
from shared.arrays import Floats

FUNNEL_LEVELS = (0.95, 0.998)
"""Levels of the two funnel limits, about two and three standard deviations (Spiegelhalter 2005)."""


def compare_groups(jobs: pd.DataFrame, grouping: str, measure: str, *, coverage: float, min_jobs: int) -> pd.DataFrame:
    """Time of each group against the fleet, as seen and once its jobs are made alike.

    Parameters
    ----------
    jobs
        One row a job: the grouping's column, the measure's column in minutes, sections_on_loop, is_night, is_radial.
        Jobs whose measure is missing or 0 are left out.
    grouping, measure
        Columns to compare by and to compare.
    coverage
        Two-sided coverage of the limits of a ratio.
    min_jobs
        Groups with fewer jobs stay in the regression but get no row.

    Returns
    -------
    DataFrame
        marts.restoration_comparison: one row a group. ratio_seen and ratio_adjusted are geometric means over
        the fleet's: 1.1 is 10 % slower. funnel_*: where ratio_adjusted of a group of so many jobs wanders when
        nothing but chance differs. verdict: slower, faster, or within.

    Notes
    -----
    Least squares of log minutes on group, log sections, night and radial; the fleet is the groups' effects
    weighted by their jobs. Limits: normal, with White's (HC1) covariance. A term that does not vary is left out.

    References
    ----------
    D. J. Spiegelhalter, Statistics in Medicine 24 (2005), funnel plots. J. G. MacKinnon and H. White, Journal of
    Econometrics 29 (1985), HC1.

    Checked by: tests/unit/test_restoration_comparison.py
    """
    from scipy.special import ndtri

    kept = jobs[(jobs[measure] > 0) & jobs[grouping].notna() & (jobs[grouping] != "unknown")]
    codes, names = pd.factorize(kept[grouping], sort=True)
    counts = np.bincount(codes, minlength=len(names)).astype(np.float64)
    terms = _adjusting_terms(kept)
    columns = len(names) + terms.shape[1]
    if len(names) < 2 or len(kept) <= columns + 1:
        return dictionary.make_frame("marts.restoration_comparison")
    y = np.log(kept[measure].to_numpy(dtype=np.float64))
    design = np.hstack([np.eye(len(names))[codes], terms])
    effects, covariance, residual_sd = _fit_least_squares(design, y)
    contrast = np.zeros((len(names), columns))
    contrast[:, : len(names)] = np.eye(len(names)) - counts / counts.sum()
    difference = contrast @ effects
    error = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", contrast, covariance, contrast), 0.0))
    seen = np.bincount(codes, weights=y, minlength=len(names)) / counts - y.mean()
    reach = ndtri(0.5 + coverage / 2.0) * error
    # by chance alone a group of n out of N jobs strays from the fleet by s sqrt(1/n - 1/N)
    chance = residual_sd * np.sqrt(np.maximum(1.0 / counts - 1.0 / counts.sum(), 0.0))
    inner, outer = (ndtri(0.5 + funnel / 2.0) * chance for funnel in FUNNEL_LEVELS)
    found = pd.DataFrame(
        {
            "grouped_by": grouping,
            "group_name": np.asarray(names, dtype=object),
            "measure": measure,
            "jobs": counts.astype(np.int64),
            "ratio_seen": np.exp(seen),
            "ratio_adjusted": np.exp(difference),
            "ratio_lo": np.exp(difference - reach),
            "ratio_hi": np.exp(difference + reach),
            "funnel_95_lo": np.exp(-inner),
            "funnel_95_hi": np.exp(inner),
            "funnel_998_lo": np.exp(-outer),
            "funnel_998_hi": np.exp(outer),
            "verdict": np.where(difference > outer, "slower", np.where(difference < -outer, "faster", "within")),
        }
    )
    return found[found["jobs"] >= min_jobs].reset_index(drop=True)


def _adjusting_terms(jobs: pd.DataFrame) -> Floats:
    """What makes jobs unlike one another, centred; columns without variation are dropped, shape (jobs, terms)."""
    terms = np.column_stack(
        [
            np.log(np.maximum(jobs["sections_on_loop"].to_numpy(dtype=np.float64), 1.0)),
            jobs["is_night"].to_numpy(dtype=np.float64),
            jobs["is_radial"].to_numpy(dtype=np.float64),
        ]
    )
    terms = terms - terms.mean(axis=0) if len(terms) else terms
    return np.asarray(terms[:, np.ptp(terms, axis=0) > 0] if len(terms) else terms[:, :0], dtype=np.float64)


def _fit_least_squares(design: Floats, y: Floats) -> tuple[Floats, Floats, float]:
    """Coefficients, their HC1 covariance, and the standard deviation of the residuals."""
    n, k = design.shape
    bread = np.linalg.pinv(design.T @ design)
    effects = bread @ (design.T @ y)
    residuals = y - design @ effects
    scored = design * residuals[:, None]
    covariance = bread @ (scored.T @ scored) @ bread * n / (n - k)
    return effects, covariance, float(np.sqrt((residuals**2).sum() / (n - k)))
