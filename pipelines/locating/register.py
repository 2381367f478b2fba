"""Lengths of the register that readings of cable ends contradict."""

from itertools import pairwise

import numpy as np
import pandas as pd
from scipy.optimize import lsq_linear
from scipy.special import ndtr, ndtri

from shared.arrays import Floats, Integers
from shared.units import M_PER_FT

LENGTH_PRIOR_SD = 0.10
"""A section's length on the register errs by a tenth or so before anything is read. Our choice; only the share given to
each of several sections on one path hangs on it."""
LEAST_SHARE = 0.1
"""No section is taken to be shorter than this share of its register length: a mistake of units leaves three tenths, so
readings that ask for less are wrong themselves. Our choice."""
LIMIT_SE = 1.645
"""Standard errors of the 90 % limits."""
EVIDENCE = 3.0
"""Standard errors beyond which a length is called contradicted."""


def find_contradicted_lengths(spans: pd.DataFrame, readings: pd.DataFrame, sections: pd.DataFrame) -> pd.DataFrame:
    """Sections whose register length does not agree with the readings over them, strongest evidence first.

    Parameters
    ----------
    spans
        Rows of core.locating_spans: the sections a reading of cable ends passes whole.
    readings
        Of those readings: reading_id, excess_m (length the reading implies less that of the register) and
        standard_error_m, the register's own error left out.
    sections
        section_id, loop_id, cable_class, length_m.

    Returns
    -------
    DataFrame
        Every section passed, with its evidence; those contradicted are marts.register_lengths.

    Notes
    -----
    excess_j = sum over the path of delta_s + noise, delta_s ~ N(0, (0.1 length_s)^2): solved by least squares with
    that prior, loop by loop, since paths do not leave a loop, and with no section below a tenth of its length. What
    one cannot give is shared among the others; readings that ask for more disagree. Evidence: |delta| over the
    standard error it would have by the readings alone. Readings of one section that disagree widen its standard error.

    Checked by: tests/unit/test_locating_register.py
    """
    joined = spans.merge(readings, on="reading_id").merge(sections, on="section_id")
    (section, _), (reading, _), (loop, loops) = (
        pd.factorize(joined[name], sort=True) for name in ("section_id", "reading_id", "loop_id")
    )
    facts = joined.iloc[np.unique(section, return_index=True)[1]]
    told = joined.iloc[np.unique(reading, return_index=True)[1]]
    length, excess, error = (
        of[name].to_numpy(dtype=np.float64)
        for of, name in ((facts, "length_m"), (told, "excess_m"), (told, "standard_error_m"))
    )
    delta, spread, count = np.zeros(len(facts)), np.ones(len(facts)), np.zeros(len(facts), dtype=np.int64)
    order = np.argsort(loop, kind="stable")
    ends = np.searchsorted(loop[order], np.arange(len(loops) + 1))
    for begin, end in pairwise(ends):
        own, of_section = np.unique(section[order[begin:end]], return_inverse=True)
        met, of_reading = np.unique(reading[order[begin:end]], return_inverse=True)
        passed = np.zeros((len(met), len(own)))
        passed[of_reading, of_section] = 1.0
        delta[own], spread[own] = _solve_loop(passed, length[own], excess[met], error[met])
        count[own] = passed.sum(axis=0)
    return _tabulate(facts, count, length, delta, spread)


def _solve_loop(passed: Floats, length: Floats, excess: Floats, error: Floats) -> tuple[Floats, Floats]:
    """What each section of a loop is longer than its register says, and the standard error by the readings alone.

    passed: 1 where a reading (row) passes a section (column).
    """
    prior = (LENGTH_PRIOR_SD * length) ** -2
    weight = error**-2
    normal, pull = passed.T @ (passed * weight[:, None]), passed.T @ (weight * excess)
    for _ in range(3):
        covariance = np.linalg.inv(normal + np.diag(prior))
        delta = covariance @ pull
        if (delta < (LEAST_SHARE - 1.0) * length).any():
            rows = np.vstack([passed / error[:, None], np.diag(prior**0.5)])
            asked = np.append(excess / error, np.zeros(len(length)))
            delta = lsq_linear(rows, asked, bounds=((LEAST_SHARE - 1.0) * length, np.inf), method="bvls").x
        # a prior of a tenth must not hide that a length is out by a factor of three
        prior = np.maximum(np.maximum(np.abs(delta), LENGTH_PRIOR_SD * length), 1e-3) ** -2
    # readings that disagree about a section say less of it
    misfit = np.abs(excess - passed @ delta) / error
    own_misfit = np.array([np.median(misfit[column > 0]) for column in passed.T])
    return delta, np.sqrt(np.diag(covariance)) * np.maximum(own_misfit, 1.0)


def _tabulate(facts: pd.DataFrame, count: Integers, length: Floats, delta: Floats, spread: Floats) -> pd.DataFrame:
    """Rows from what was found of each section."""
    evidence, implied = np.abs(delta) / spread, length + delta
    # limits of a normal distribution cut off at no length
    above = ndtr(implied / spread)
    tail = ndtr(-LIMIT_SE) * above
    contradicted = (evidence > EVIDENCE) & (np.abs(delta) > np.maximum(0.05 * length, 3.0))
    slips = [_name_slip(i / own) if out else "" for i, own, out in zip(implied, length, contradicted, strict=True)]
    found = facts[["section_id", "loop_id", "cable_class"]].assign(
        readings=count,
        length_m=length,
        implied_length_m=implied,
        implied_lo=implied + spread * ndtri(1.0 - above + tail),
        implied_hi=implied - spread * ndtri(tail),
        difference_m=delta,
        difference_pct=100.0 * delta / length,
        evidence_se=evidence,
        is_contradicted=contradicted,
        likely_slip=slips,
    )
    return found.sort_values(["evidence_se", "section_id"], ascending=[False, True], ignore_index=True)


def _name_slip(ratio: float) -> str:
    """What a ratio of implied to register length looks like: a proposal, for someone to check."""
    if abs(ratio * M_PER_FT - 1.0) < 0.12:
        return "metres taken for feet when the register was filled"
    if abs(ratio / M_PER_FT - 1.0) < 0.12:
        return "feet standing as metres in the register"
    return ""
