"""Proportional hazards of recurrent failures by age, with limits that hold however failures cluster on loops.

Dates are whole days, so what the partial likelihood needs of a fleet is, for each kind of cable, the length at risk on
each day of age on which something failed. Sections are read once, into that table, and once more for the robust limits;
every step of the fit in between costs kinds times days.
"""

from dataclasses import dataclass

import numpy as np

from shared.arrays import Booleans, Floats, Integers

TOLERANCE = 1e-10
LONGEST_STEP = 2.0
"""Of a coefficient at once, so that none leaps past its maximum into where nothing can be told."""

ENDLESS = 12.0
"""A log hazard ratio beyond this has no maximum: the likelihood still grows, by less than anyone can see."""

ALIASED = 1e-8
"""A column of which the others leave less than this share of its information tells nothing of its own."""


@dataclass(frozen=True)
class CoxFit:
    """A fitted model.

    coefficients: log hazard ratios; missing where the data cannot tell the column from the others, infinite where
    nothing fails on one side of it. variance: inverse information. robust_variance: sandwich over clusters.
    log_likelihood: partial, Breslow.
    """

    coefficients: Floats
    variance: Floats
    robust_variance: Floats
    log_likelihood: float


@dataclass(frozen=True)
class _Stratum:
    """Kinds of cable that share a baseline: risk is the length of each at risk on each day with a failure."""

    kinds: Integers
    days: Integers
    risk: Floats
    failures: Floats
    failures_by_kind: Floats


def fit_cox(
    kind: Integers,
    entry_days: Integers,
    exit_days: Integers,
    km: Floats,
    event_section: Integers,
    event_days: Integers,
    design: Floats,
    stratum: Integers,
    cluster: Integers,
) -> CoxFit:
    """Log hazard ratios of the columns of a design, by age, under late entry and recurrence.

    Parameters
    ----------
    kind
        Kind of each section: row of design and stratum.
    entry_days, exit_days
        Ages in whole days at which each section came into view and left it.
    km
        Length of each section: a section of two kilometres is two of one.
    event_section, event_days
        Section and age in days of each failure, entry < age <= exit.
    design
        Columns of each kind, shape (kinds, columns).
    stratum
        Stratum of each kind: kinds of one stratum share a baseline by age.
    cluster
        Code of what stands together (the loop) of each section.

    Returns
    -------
    CoxFit

    Raises
    ------
    ValueError
        A failure lies outside its section's time observed: a fault of ours.

    Notes
    -----
    Andersen and Gill's counting process with Breslow's treatment of ties; Newton's method. The robust variance sums the
    score residuals over clusters (D. Y. Lin and L. J. Wei, JASA 84 (1989) 1074-1078), without correction for their
    number. Columns that the others determine are left out in their order; a coefficient is given only where it does not
    hang on that choice (it is estimable).

    References
    ----------
    P. K. Andersen and R. D. Gill, Annals of Statistics 10 (1982) 1100-1120; N. Breslow, Biometrics 30 (1974) 89-99.

    Checked by: tests/published/test_survival_reference_fleet.py, tests/unit/test_survival_cox.py
    """
    if np.any(event_days <= entry_days[event_section]) or np.any(event_days > exit_days[event_section]):
        raise ValueError("a failure lies outside its section's time observed")
    strata = _tabulate(kind, entry_days, exit_days, km, event_section, event_days, stratum)
    used, told = _tell_apart(strata, design)
    columns = design[:, used]
    beta, log_likelihood, information = _climb(strata, columns)
    ends = np.abs(beta) < ENDLESS
    size = np.flatnonzero(ends)
    variance = np.full((len(beta), len(beta)), np.nan)
    variance[np.ix_(size, size)] = np.linalg.inv(information[np.ix_(size, size)])
    residuals = _sum_residuals(
        strata, columns, beta, kind, entry_days, exit_days, km, event_section, event_days, cluster
    )
    among = variance[np.ix_(size, size)]
    robust = np.full_like(variance, np.nan)
    robust[np.ix_(size, size)] = among @ (residuals[:, size].T @ residuals[:, size]) @ among
    beta = np.where(ends, beta, np.copysign(np.inf, beta))
    return CoxFit(_spread(beta, used, told), _spread(variance, used, told), _spread(robust, used, told), log_likelihood)


def _climb(strata: list[_Stratum], design: Floats) -> tuple[Floats, float, Floats]:
    """Coefficients of the greatest likelihood by Newton's method, with that likelihood and the information there.

    A coefficient that passes ENDLESS stays where it is: the others are found beside it.
    """
    beta = np.zeros(design.shape[1])
    height, score, information = _evaluate(strata, design, beta)
    for _ in range(100):
        moving = np.flatnonzero(np.abs(beta) < ENDLESS)
        if not len(moving):
            break
        step = np.zeros(len(beta))
        step[moving] = np.linalg.solve(information[np.ix_(moving, moving)], score[moving])
        step *= min(1.0, LONGEST_STEP / max(float(np.abs(step).max()), 1e-300))
        further = _evaluate(strata, design, beta + step)
        while further[0] < height - 1e-12 * abs(height) and np.abs(step).max() > 1e-12:
            step = step / 2.0
            further = _evaluate(strata, design, beta + step)
        beta = beta + step
        gained, (height, score, information) = further[0] - height, further
        if gained <= TOLERANCE * abs(height) and np.abs(step).max() < 1e-8:
            break
    return beta, height, information


def _tabulate(
    kind: Integers,
    entry: Integers,
    leave: Integers,
    km: Floats,
    event_section: Integers,
    event_days: Integers,
    stratum: Integers,
) -> list[_Stratum]:
    """Length at risk of each kind on each day with a failure, stratum by stratum."""
    width, kinds = int(leave.max(initial=0)) + 2, len(stratum)
    event_kind = kind[event_section]
    # in view from the day after the entry to the day of the exit
    change = np.bincount(kind * width + entry + 1, weights=km, minlength=kinds * width).reshape(kinds, width)
    change -= np.bincount(kind * width + leave + 1, weights=km, minlength=kinds * width).reshape(kinds, width)
    seen = np.bincount(event_kind * width + event_days, minlength=kinds * width).reshape(kinds, width)
    strata = []
    for number in np.unique(stratum[event_kind]):
        mine = np.flatnonzero(stratum == number)
        failures = seen[mine].sum(axis=0)
        days = np.flatnonzero(failures)
        risk = np.cumsum(change[mine], axis=1)[:, days]
        strata.append(
            _Stratum(
                mine,
                days,
                np.maximum(risk, 0.0),
                failures[days].astype(np.float64),
                seen[mine].sum(axis=1).astype(np.float64),
            )
        )
    return strata


def _evaluate(strata: list[_Stratum], design: Floats, beta: Floats) -> tuple[float, Floats, Floats]:
    """Partial log-likelihood, its gradient, and the information."""
    size = len(beta)
    log_likelihood, score, information = 0.0, np.zeros(size), np.zeros((size, size))
    for s in strata:
        x = design[s.kinds]
        eta = x @ beta
        hazard = np.exp(eta)
        total = hazard @ s.risk
        # share of each kind in what is at risk, and how far the shares of two kinds vary together
        share = s.risk * hazard[:, None] / total
        met = share @ s.failures
        spread = np.diag(met) - (share * s.failures) @ share.T
        log_likelihood += float(s.failures_by_kind @ eta - s.failures @ np.log(total))
        score += (s.failures_by_kind - met) @ x
        information += x.T @ spread @ x
    return log_likelihood, score, information


def _tell_apart(strata: list[_Stratum], design: Floats) -> tuple[Integers, Booleans]:
    """Columns that those before them do not determine, and which of all columns the data can tell by themselves.

    A column alone is told if no combination of columns that changes nothing has a part in it: then its coefficient does
    not hang on which columns were left out.
    """
    information = _evaluate(strata, design, np.zeros(design.shape[1]))[2]
    scale = np.sqrt(np.maximum(np.diag(information), 0.0))
    # a column that does not vary within a stratum leaves nothing but rounding
    seen = scale**2 > ALIASED * sum(s.failures.sum() for s in strata)
    scaled = information[np.ix_(seen, seen)] / np.outer(scale[seen], scale[seen])
    roots, directions = np.linalg.eigh(scaled)
    told = np.zeros(design.shape[1], dtype=np.bool_)
    told[seen] = np.abs(directions[:, roots < ALIASED]).max(axis=1, initial=0.0) < np.sqrt(ALIASED)
    kept: list[int] = []
    for column in np.flatnonzero(seen).tolist():
        left = information[column, column]
        if kept:
            across = information[kept, column]
            left = left - across @ np.linalg.solve(information[np.ix_(kept, kept)], across)
        if left > ALIASED * information[column, column]:
            kept.append(column)
    return np.array(kept, dtype=np.int64), told


def _sum_residuals(
    strata: list[_Stratum],
    design: Floats,
    beta: Floats,
    kind: Integers,
    entry: Integers,
    leave: Integers,
    km: Floats,
    event_section: Integers,
    event_days: Integers,
    cluster: Integers,
) -> Floats:
    """Score residuals summed by cluster, shape (clusters, columns)."""
    clusters, width = int(cluster.max(initial=0)) + 1, int(leave.max(initial=0)) + 1
    sums = np.zeros((clusters, len(beta)))
    hazard = np.exp(design @ beta)
    stratum_of = np.full(len(design), -1)
    for number, s in enumerate(strata):
        stratum_of[s.kinds] = number
    section_stratum, event_kind = stratum_of[kind], kind[event_section]
    for number, s in enumerate(strata):
        mine = np.flatnonzero(section_stratum == number)
        events = np.flatnonzero(stratum_of[event_kind] == number)
        x = design[s.kinds]
        weight = np.exp(x @ beta)
        total = weight @ s.risk
        mean = (x.T * weight) @ s.risk / total
        step = s.failures / total
        baseline = _until(step, s.days, width)
        expected = km[mine] * hazard[kind[mine]]
        met = baseline[leave[mine]] - baseline[entry[mine]]
        place = np.searchsorted(s.days, event_days[events])
        for column in range(len(beta)):
            drawn = _until(step * mean[column], s.days, width)
            rest = expected * (design[kind[mine], column] * met - (drawn[leave[mine]] - drawn[entry[mine]]))
            own = design[event_kind[events], column] - mean[column, place]
            sums[:, column] += np.bincount(cluster[event_section[events]], weights=own, minlength=clusters)
            sums[:, column] -= np.bincount(cluster[mine], weights=rest, minlength=clusters)
    return sums


def _until(steps: Floats, days: Integers, width: int) -> Floats:
    """Sum of the steps up to and with each day of age."""
    return np.cumsum(np.bincount(days, weights=steps, minlength=width)[:width])


def _spread(values: Floats, used: Integers, told: Booleans) -> Floats:
    """Values of the columns used that can be told, at their places among all columns, the others missing."""
    spread = np.full((len(told),) * values.ndim, np.nan)
    own = told[used]
    spread[np.ix_(*[used[own]] * values.ndim)] = values[np.ix_(*[own] * values.ndim)]
    return spread
