"""Why does a loop or a section rank where it does? In words and numbers, from the ranking's own columns."""

from __future__ import annotations

from typing import Any

import pandas as pd

Row = dict[str, Any]

LOOP_COLUMNS = [
    "loop_id", "failures_recorded", "expected_recorded", "multiplier", "multiplier_lo", "multiplier_hi",
    "expected_failures", "expected_failures_lo", "expected_failures_hi", "length_km", "worst_class", "worst_class_km",
    "oldest_installed", "last_failure_on", "sections", "sections_paying", "benefit_cost_ratio",
]


def explain_loops(loops: pd.DataFrame, sections: pd.DataFrame, horizon_years: float) -> list[str]:
    """One text a loop: its record against its classes, its cable, where the risk lies, and whether replacing pays.

    Parameters
    ----------
    loops
        Rows of the loop ranking, without reasons, with worst_class, worst_class_km, last_failure_on and
        is_paying's counts in sections_paying.
    sections
        Rows of the section ranking of these loops, with expected_failures.
    horizon_years
        Years looked ahead.

    Notes
    -----
    Checked by: tests/unit/test_replacement_reasons.py
    """
    shares = _leading_sections(sections)
    texts = []
    for row in _rows(loops[LOOP_COLUMNS]):
        said = [
            f"{_record(row)}.",
            f"{_expected(row, horizon_years)}.",
            f"{_cable(row)}.",
            f"{shares[row['loop_id']]}." if row['loop_id'] in shares else "",
            f"{_last(row)}.",
            f"{_pays(row)}.",
        ]
        texts.append(" ".join(part for part in said if part))
    return texts


def _rows(frame: pd.DataFrame) -> list[Row]:
    return [{str(name): value for name, value in row.items()} for row in frame.to_dict("records")]


def _record(row: Row) -> str:
    """What is on record against what the class expects, and what is left of it once chance is allowed for."""
    failures, expected = int(row['failures_recorded']), float(row['expected_recorded'])
    multiplier = (
        f"{row['multiplier']:.1f} times its class once chance is allowed for "
        f"({row['multiplier_lo']:.1f} to {row['multiplier_hi']:.1f})"
    )
    if expected <= 0:
        return f"{_plural(failures, 'failure')} on record, no time in view to compare; {multiplier}"
    return f"{_plural(failures, 'failure')} on record where its class expects {expected:.1f}: {multiplier}"


def _expected(row: Row, horizon_years: float) -> str:
    return (
        f"{_plural(row['expected_failures'], 'failure')} expected in {horizon_years:g} years "
        f"({row['expected_failures_lo']:.1f} to {row['expected_failures_hi']:.1f})"
    )


def _cable(row: Row) -> str:
    oldest = row['oldest_installed']
    since: str = "no installation date known" if pd.isna(oldest) else f"oldest of {pd.Timestamp(oldest):%Y}"
    return (
        f"{row['worst_class_km']:.1f} of {row['length_km']:.1f} km are "
        f"{row['worst_class']}, {since}"
    )


def _last(row: Row) -> str:
    last = row['last_failure_on']
    return "No failure on record" if pd.isna(last) else f"Last failure {pd.Timestamp(last):%Y-%m-%d}"


def _pays(row: Row) -> str:
    paying, sections = int(row['sections_paying']), int(row['sections'])
    ratio = float(row['benefit_cost_ratio'])
    return (
        f"Replacing the whole loop returns {ratio:.2f} of its cost; "
        f"{paying} of {_plural(sections, 'section')} pay alone"
    )


def _leading_sections(sections: pd.DataFrame) -> dict[str, str]:
    """For each loop of more than three sections: how few carry half of what is expected."""
    ordered = sections[["loop_id", "section_id", "expected_failures"]].sort_values(
        ["loop_id", "expected_failures", "section_id"], ascending=[True, False, True], kind="stable",
    )
    loops = ordered.groupby("loop_id", sort=True)["expected_failures"]
    total, size = loops.transform("sum"), loops.transform("size")
    share = loops.cumsum() / total.where(total > 0)
    before = share - ordered["expected_failures"] / total.where(total > 0)
    # The sections up to the one that carries the sum past one half.
    leading = ordered.assign(share=share, size=size)[(before < 0.5) & (size > 3)]
    few = leading.groupby("loop_id", sort=True).agg(
        names=("section_id", ", ".join), share=("share", "max"), count=("section_id", "size"), size=("size", "first"),
    )
    few = few[few["count"] <= 3]
    return {
        str(loop): f"{100 * share:.0f} % of it on {names} ({count} of {size} sections)"
        for loop, names, share, count, size in few.itertuples(name=None)
    }


def _plural(count: float, noun: str, digits: int = 1) -> str:
    number = f"{count:.{digits}f}" if isinstance(count, float) else str(count)
    return f"{number} {noun}" if number == "1" else f"{number} {noun}s"
