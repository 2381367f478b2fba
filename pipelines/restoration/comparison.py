"""Which districts, crews, methods, hours and seasons are slower or faster than their jobs explain?"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from shared import dictionary
from shared.arrays import Booleans, Floats, Integers

FALSE_FIGURES = 0.04
"""Share of figures without any real difference in which some group is still named; set a little under the usual 5 in
100, which storms and skew then do not pass (tests/simulated/comparison_study.py)."""

PRIOR_FREEDOM = 10.0
"""Degrees of freedom that the common variance of all groups counts for beside a group's own: our choice."""

TOO_CLOSE = 1e-9
"""Information below this share of the largest is none: the group and a covariate are one and the same."""


def compare_groups(jobs: pd.DataFrame, grouping: str, measure: str, *, coverage: float, min_jobs: int) -> pd.DataFrame:
    """Time of each group against the fleet, as seen, once its jobs are made alike, and partly pooled.

    Parameters
    ----------
    jobs
        One row a job: the grouping's column, the measure's column in minutes, cluster (the storm or day whose jobs are
        alike), sections_on_loop, is_night, is_radial, season. Jobs whose measure is missing or 0 are left out.
    grouping, measure
        Columns to compare by and to compare.
    coverage
        Two-sided coverage of the limits of a ratio.
    min_jobs
        Groups with fewer jobs, or all within one cluster, stay in the model but get no row.

    Returns
    -------
    DataFrame
        marts.restoration_comparison: one row a group. ratio_seen and ratio_adjusted are geometric means over
        the fleet's: 1.1 is 10 % slower. funnel_*: where ratio_adjusted of the group wanders when nothing but chance
        differs; funnel_all_*: where all of the figure's groups stay in 95 of 100 such figures. verdict: slower or
        faster beyond funnel_all, within, or not_separable where a covariate holds for all of the group's jobs and for
        no others.

    Notes
    -----
    Log minutes = terms + group + cluster + rest, a linear mixed model; terms: log sections, night, radial, season, but
    for what the grouping itself is. Clusters' effects are random (generalised least squares, their variance by pairs of
    residuals). ratio_adjusted takes the groups as fixed; its variance is the sandwich over clusters, each group's
    scores divided by 1 - the share of its information in the cluster, moderated by the model's with PRIOR_FREEDOM;
    Student's t on the effective number of clusters. ratio_shrunk takes the groups as random, their variance by
    restricted maximum likelihood. The fleet is the groups' effects weighted by their jobs. The figure's limits are
    Sidak's.

    References
    ----------
    W. A. Fuller and G. E. Battese, Journal of Econometrics 2 (1974). R. M. Bell and D. F. McCaffrey, Survey Methodology
    28 (2002). G. K. Smyth, Statistical Applications in Genetics and Molecular Biology 3 (2004), moderated t.
    G. K. Robinson, Statistical Science 6 (1991), best linear unbiased prediction. D. J. Spiegelhalter, Statistics in
    Medicine 24 (2005), funnel plots. Z. Sidak, Journal of the American Statistical Association 62 (1967).

    Checked by: tests/unit/test_restoration_comparison.py, tests/simulated/comparison_study.py
    """
    from scipy.special import stdtrit

    kept = jobs[(jobs[measure] > 0) & jobs[grouping].notna() & (jobs[grouping] != "unknown")]
    codes, names = pd.factorize(kept[grouping], sort=True)
    terms = _adjusting_terms(kept, grouping)
    if len(names) < 2 or len(kept) <= len(names) + terms.shape[1]:
        return dictionary.make_frame("marts.restoration_comparison")
    y = np.log(kept[measure].to_numpy(dtype=np.float64))
    found = fit_groups(y, terms, codes, pd.factorize(kept["cluster"])[0])
    counts = np.bincount(codes).astype(np.float64)
    listed = (counts >= min_jobs) & (found.freedom >= 1)

    def reach(level: float) -> Floats:
        quantile = stdtrit(np.maximum(found.freedom, 1.0), 0.5 + level / 2.0)
        return np.minimum(quantile * found.error, 50.0)  # of groups too small to be listed it would overflow

    difference = found.difference
    together = reach((1.0 - FALSE_FIGURES) ** (1.0 / max(listed.sum(), 1)))
    apart = np.where(difference > together, "slower", np.where(difference < -together, "faster", "within"))
    rows = pd.DataFrame(
        {
            "grouped_by": grouping,
            "group_name": np.asarray(names, dtype=object),
            "measure": measure,
            "jobs": counts.astype(np.int64),
            "ratio_seen": np.exp(np.bincount(codes, weights=y) / counts - y.mean()),
            "ratio_adjusted": np.exp(difference),
            "ratio_lo": np.exp(difference - reach(coverage)),
            "ratio_hi": np.exp(difference + reach(coverage)),
            "funnel_95_lo": np.exp(-reach(0.95)),
            "funnel_95_hi": np.exp(reach(0.95)),
            "funnel_998_lo": np.exp(-reach(0.998)),  # about three standard deviations (Spiegelhalter 2005)
            "funnel_998_hi": np.exp(reach(0.998)),
            "verdict": np.where(found.is_apart, apart, "not_separable"),
            "funnel_all_lo": np.exp(-together),
            "funnel_all_hi": np.exp(together),
            "ratio_shrunk": np.exp(found.shrunk),
        }
    )
    return rows[listed].reset_index(drop=True)


def _adjusting_terms(jobs: pd.DataFrame, grouping: str) -> Floats:
    """A column of ones and what makes jobs unlike one another, centred; without variation it is dropped."""
    night, season = jobs["is_night"].to_numpy(dtype=np.float64), jobs["season"].to_numpy()
    terms = np.column_stack(
        [
            np.log(np.maximum(jobs["sections_on_loop"].to_numpy(dtype=np.float64), 1.0)),
            jobs["is_radial"].to_numpy(dtype=np.float64),
            *([night] if grouping != "hour" else []),
            *([season == name for name in np.unique(season)[1:]] if grouping != "season" else []),
        ]
    )
    terms = terms[:, np.ptp(terms, axis=0) > 0] if len(terms) else terms[:, :0]
    return np.column_stack([np.ones(len(terms)), terms - terms.mean(axis=0) if len(terms) else terms])


@dataclass(frozen=True)
class GroupEffects:
    """What each group adds to the log of the minutes against the fleet, shape (groups,).

    Attributes
    ----------
    difference, error, freedom
        The group's own effect, its standard error, and the degrees of freedom of that error.
    shrunk
        The effect drawn towards the fleet's as far as the group's jobs cannot tell it.
    is_apart
        Whether the group can be told from the terms at all.
    group_variance, cluster_variance, rest_variance
        Of the logs: between groups, between clusters, and of jobs within both.
    """

    difference: Floats
    error: Floats
    freedom: Floats
    shrunk: Floats
    is_apart: Booleans
    group_variance: float
    cluster_variance: float
    rest_variance: float


def fit_groups(y: Floats, terms: Floats, codes: Integers, clusters: Integers) -> GroupEffects:
    """Effects of groups in a mixed model with clusters; how it works is said at compare_groups.

    Parameters
    ----------
    y, terms, codes, clusters
        Log minutes; columns that are adjusted for, the first all ones; group and cluster of each job as whole numbers
        from 0, shapes (jobs,) and (jobs, terms).

    Notes
    -----
    Nothing of the shape (jobs, groups) is made: every product of the design is a sum over the cells of cluster and
    group.

    Checked by: tests/unit/test_restoration_comparison.py, tests/published/test_restoration_published.py
    """
    n, p = terms.shape
    g, c = int(codes.max()) + 1, int(clusters.max()) + 1

    def sums(place: Integers, values: Floats | None, length: int) -> Floats:
        return np.bincount(place, weights=values, minlength=length).astype(np.float64)

    cells = clusters * g + codes
    jobs = sums(cells, None, c * g).reshape(c, g)
    size, y_of = jobs.sum(axis=1), sums(clusters, y, c)
    terms_of = np.column_stack([sums(clusters, column, c) for column in terms.T])
    by_group = np.vstack([sums(codes, column, g) for column in terms.T])

    def fit(pooled: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """Information on the groups once the terms are out, their scores, the terms by group, and the residuals."""
        k = (pooled / size)[:, None]
        tt = np.linalg.pinv(terms.T @ terms - terms_of.T @ (k * terms_of))
        share = tt @ (by_group - terms_of.T @ (k * jobs))
        ty = terms.T @ y - terms_of.T @ (k[:, 0] * y_of)
        gy = sums(codes, y, g) - jobs.T @ (k[:, 0] * y_of)
        information = np.diag(jobs.sum(axis=0)) - jobs.T @ (k * jobs) - (by_group - terms_of.T @ (k * jobs)).T @ share
        score = gy - share.T @ ty
        effects = np.linalg.pinv(information, rcond=TOO_CLOSE, hermitian=True) @ score
        return information, score, share, y - terms @ (tt @ ty - share @ effects) - effects[codes]

    rest = fit(np.zeros(c))[3]
    total = float(rest @ rest) / max(n - g - p + 1, 1)
    pairs = float((size * (size - 1)).sum())
    alike = float((sums(clusters, rest, c) ** 2).sum() - rest @ rest) / pairs if pairs else 0.0
    between = float(np.clip(alike, 0.0, 0.95 * total))
    within = max(total - between, 1e-12)
    pooled = size * between / (within + size * between)
    information, score, share, rest = fit(pooled)
    values, directions = np.linalg.eigh(information)
    known = values > TOO_CLOSE * values.max()
    values, blind, directions = values[known], directions[:, ~known], directions[:, known]
    contrast = np.eye(g) - jobs.sum(axis=0) / n  # a row is a group against the fleet
    reached = (directions / values) @ directions.T @ contrast.T

    # each cluster's scores on each group, and how much of the group's information the cluster holds
    k, rest_of = (pooled / size)[:, None], sums(clusters, rest, c)[:, None]
    own = jobs - k * jobs**2
    leverage = own / own.sum(axis=0)
    scores = (sums(cells, rest, c * g).reshape(c, g) - k * jobs * rest_of) / np.maximum(1.0 - leverage, 1e-9)
    scores -= (np.column_stack([sums(clusters, t * rest, c) for t in terms.T]) - k * terms_of * rest_of) @ share
    parts = own @ reached**2
    freedom = np.maximum(parts.sum(axis=0) ** 2 / (parts**2).sum(axis=0) - 1.0, 0.0)
    sandwich = ((scores @ reached) ** 2).sum(axis=0) * n / (n - p)
    variance = (freedom * sandwich + PRIOR_FREEDOM * within * (contrast * reached.T).sum(axis=1)) / (
        freedom + PRIOR_FREEDOM
    )

    # along the directions of their information random groups are independent: variance light + light^2 x theirs
    seen, light = directions.T @ score / within, values / within
    groups = _fit_group_variance(seen, light)
    # what no job tells varies as the groups do; that all are alike is no difference
    unseen = ((contrast @ blind) ** 2).sum(axis=1)
    return GroupEffects(
        difference=reached.T @ score,
        error=np.sqrt(variance + groups * unseen),
        freedom=np.where(leverage.max(axis=0) < 1.0, freedom + PRIOR_FREEDOM, 0.0),
        shrunk=contrast @ directions @ (groups / (1.0 + groups * light) * seen),
        is_apart=unseen < (contrast**2).sum(axis=1) / 2,
        group_variance=groups,
        cluster_variance=between,
        rest_variance=within,
    )


def _fit_group_variance(seen: Floats, light: Floats) -> float:
    """Restricted maximum likelihood of the variance between groups, from scores of variance light + light^2 x it."""
    from scipy.optimize import minimize_scalar

    def loss(variance: float) -> float:
        spread = light + light**2 * variance
        return float((np.log(spread) + seen**2 / spread).sum())

    most = float((seen**2 / light**2).sum())  # no estimate lies above all that was seen
    found = (
        minimize_scalar(loss, bounds=(0.0, most), method="bounded", options={"xatol": 1e-9 * most}) if most else None
    )
    return float(found.x) if found is not None and found.fun < loss(0.0) else 0.0
