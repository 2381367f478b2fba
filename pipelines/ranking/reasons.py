"""Why does a loop or a section rank where it does? In words and numbers, from the ranking's own columns."""

from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd

Row = Any
"""A row of the loop ranking as a named tuple, its days as text."""


def explain_loops(loops: pd.DataFrame, sections: pd.DataFrame, horizon_years: float) -> list[str]:
    """One text a loop: its record against its classes, its cable, where the risk lies, and whether replacing pays.

    Parameters
    ----------
    loops
        Rows of the loop ranking, without reasons, with worst_class, worst_class_km, last_failure_on and
        is_paying's counts in sections_paying.
    sections
        Rows of the section ranking of these loops, by section_id, with expected_failures.
    horizon_years
        Years looked ahead.

    Notes
    -----
    Checked by: tests/unit/test_ranking_reasons.py
    """
    shares = _leading_sections(sections)
    told = loops.assign(**{day: _days(loops[day]) for day in ("oldest_installed", "last_failure_on")})
    texts = []
    rows: Iterable[Row] = told.itertuples(index=False)
    for row in rows:
        said = [
            f"{_record(row)}.",
            f"{_expected(row, horizon_years)}.",
            f"{_cable(row)}.",
            f"{shares[row.loop_id]}." if row.loop_id in shares else "",
            f"{_last(row)}.",
            f"{_pays(row)}.",
        ]
        texts.append(" ".join(part for part in said if part))
    return texts


def _days(days: pd.Series) -> list[str]:
    """Days as year-month-day; no text where there is none. All at once: one by one they take longer than the rest."""
    said = np.datetime_as_string(pd.to_datetime(days).to_numpy(dtype="datetime64[D]"))
    return ["" if day == "NaT" else day for day in said.tolist()]


def _record(row: Row) -> str:
    """What is on record against what the class expects, and what is left of it once chance is allowed for."""
    failures, expected = int(row.failures_recorded), float(row.expected_recorded)
    multiplier = (
        f"{row.multiplier:.1f} times its class once chance is allowed for "
        f"({row.multiplier_lo:.1f} to {row.multiplier_hi:.1f})"
    )
    if expected <= 0:
        return f"{_plural(failures, 'failure')} on record, no time observed to compare; {multiplier}"
    return f"{_plural(failures, 'failure')} on record where its class expects {expected:.1f}: {multiplier}"


def _expected(row: Row, horizon_years: float) -> str:
    return (
        f"{_plural(row.expected_failures, 'failure')} expected in {horizon_years:g} years "
        f"({row.expected_failures_lo:.1f} to {row.expected_failures_hi:.1f})"
    )


def _cable(row: Row) -> str:
    since = f"oldest of {row.oldest_installed[:4]}" if row.oldest_installed else "no installation date known"
    return f"{row.worst_class_km:.1f} of {row.length_km:.1f} km are {row.worst_class}, {since}"


def _last(row: Row) -> str:
    return f"Last failure {row.last_failure_on}" if row.last_failure_on else "No failure on record"


def _pays(row: Row) -> str:
    paying, sections = int(row.sections_paying), int(row.sections)
    ratio = float(row.benefit_cost_ratio)
    return (
        f"Replacing the whole loop returns {ratio:.2f} of its cost; "
        f"{paying} of {_plural(sections, 'section')} pay alone"
    )


def _leading_sections(sections: pd.DataFrame) -> dict[str, str]:
    """For each loop of more than three sections: how few carry half of what is expected."""
    loop, names = pd.factorize(sections["loop_id"])
    # Loops one after another, in each the most first; equal ones stay in the order of their names.
    order = np.lexsort((-sections["expected_failures"].to_numpy(dtype=float), loop))
    loop, expected = loop[order], sections["expected_failures"].iloc[order].reset_index(drop=True)
    by_loop = expected.groupby(loop, sort=False)
    total = by_loop.transform("sum")
    total = total.where(total > 0)
    shares = by_loop.cumsum() / total
    # The sections up to the one that carries the sum past one half.
    is_leading = (shares - expected / total < 0.5).to_numpy()
    size, count = np.bincount(loop), np.bincount(loop, is_leading).astype(int)
    first = np.cumsum(size) - size
    few = np.flatnonzero((size > 3) & (count > 0) & (count <= 3))
    section, share = sections["section_id"].iloc[order].to_numpy(dtype=object), shares.to_numpy()
    return {
        str(name): f"{100 * share[begin + many - 1]:.0f} % of its expected failures are on "
        f"{', '.join(section[begin : begin + many])} ({many} of {of} sections)"
        for name, begin, many, of in zip(names[few], first[few], count[few], size[few], strict=True)
    }


def _plural(count: float, noun: str, digits: int = 1) -> str:
    number = f"{count:.{digits}f}" if isinstance(count, float) else str(count)
    return f"{number} {noun}" if number == "1" else f"{number} {noun}s"
