"""Lengths of the register that readings of cable ends contradict."""

from __future__ import annotations

import numpy as np
import pandas as pd

from shared.units import M_PER_FT

LENGTH_PRIOR_SD = 0.10
"""A section's length on the register errs by a tenth or so before anything is read. Our choice; only the share given to
each of several sections on one path hangs on it."""
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
        Rows of fitted.register_lengths: every section passed, with its evidence.

    Notes
    -----
    excess_j = sum over the path of delta_s + noise, delta_s ~ N(0, (0.1 length_s)^2): solved by least squares with
    that prior, loop by loop, since paths do not leave a loop. Evidence: |delta| over the standard error it would have
    by the readings alone. Readings of one section that disagree widen its standard error.

    Checked by: tests/unit/test_locating_register.py
    """
    joined = spans.merge(readings, on="reading_id").merge(sections, on="section_id")
    rows = []
    for _, loop in joined.groupby("loop_id", sort=True):
        rows += _solve_loop(loop)
    columns = [
        "section_id", "loop_id", "cable_class", "readings", "length_m", "implied_length_m", "implied_lo", "implied_hi",
        "difference_m", "difference_pct", "evidence_se", "is_contradicted", "likely_slip",
    ]
    found = pd.DataFrame(rows, columns=columns)
    return found.sort_values(["evidence_se", "section_id"], ascending=[False, True], ignore_index=True)


def _solve_loop(loop: pd.DataFrame) -> list[dict[str, object]]:
    names, section = np.unique(loop["section_id"].to_numpy(str), return_inverse=True)
    ids, reading = np.unique(loop["reading_id"].to_numpy(str), return_inverse=True)
    passed = np.zeros((len(ids), len(names)))
    passed[reading, section] = 1.0
    first = loop.drop_duplicates("reading_id").set_index("reading_id").loc[ids]
    facts = loop.drop_duplicates("section_id").set_index("section_id").loc[names]
    length = facts["length_m"].to_numpy(float)
    excess, error = first["excess_m"].to_numpy(float), first["standard_error_m"].to_numpy(float)
    prior = (LENGTH_PRIOR_SD * length) ** -2
    for _ in range(3):
        weight = error**-2
        covariance = np.linalg.inv(passed.T @ (passed * weight[:, None]) + np.diag(prior))
        delta = covariance @ (passed.T @ (weight * excess))
        # a prior of a tenth must not hide that a length is out by a factor of three
        prior = np.maximum(np.maximum(np.abs(delta), LENGTH_PRIOR_SD * length), 1e-3) ** -2
    # readings that disagree about a section say less of it
    misfit = np.abs(excess - passed @ delta) / error
    own_misfit = np.array([np.median(misfit[passed[:, k] > 0]) for k in range(len(names))])
    spread = np.sqrt(np.diag(covariance)) * np.maximum(own_misfit, 1.0)
    evidence = np.abs(delta) / spread
    found: list[dict[str, object]] = []
    for k, name in enumerate(names):
        implied = length[k] + delta[k]
        is_contradicted = bool(evidence[k] > EVIDENCE and abs(delta[k]) > max(0.05 * length[k], 3.0))
        found.append({
            "section_id": name, "loop_id": facts["loop_id"].iloc[k], "cable_class": facts["cable_class"].iloc[k],
            "readings": int(passed[:, k].sum()), "length_m": length[k], "implied_length_m": implied,
            "implied_lo": implied - 1.645 * spread[k], "implied_hi": implied + 1.645 * spread[k],
            "difference_m": delta[k], "difference_pct": 100.0 * delta[k] / length[k], "evidence_se": evidence[k],
            "is_contradicted": is_contradicted,
            "likely_slip": _name_slip(implied / length[k]) if is_contradicted else "",
        })
    return found


def _name_slip(ratio: float) -> str:
    """What a ratio of implied to register length looks like: a proposal, for someone to check."""
    if abs(ratio * M_PER_FT - 1.0) < 0.12:
        return "metres taken for feet when the register was filled"
    if abs(ratio / M_PER_FT - 1.0) < 0.12:
        return "feet standing as metres in the register"
    return ""
