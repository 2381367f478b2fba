"""Why does a loop or a section rank where it does? In words and numbers, from the ranking's own columns."""

from __future__ import annotations

from typing import Any

import pandas as pd

Row = dict[str, Any]


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
    for row in _rows(loops):
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


def explain_sections(sections: pd.DataFrame, horizon_years: float) -> list[str]:
    """One text a section: its record against its class, its age, and whether replacing it pays.

    Parameters
    ----------
    sections
        Rows of the section ranking, without reasons, with age_years, last_failure_on, expected_rate_per_100km_year
        and pays_above_per_100km_year.
    horizon_years
        Years looked ahead.

    Notes
    -----
    Checked by: tests/unit/test_replacement_reasons.py
    """
    texts = []
    for row in _rows(sections):
        age: str = "age unknown" if pd.isna(row['age_years']) else f"{row['age_years']:.0f} years old"
        paying = "pays" if row['is_paying'] else "does not pay"
        texts.append(
            f"{_record(row)}. {1000 * row['length_km']:.0f} m of {row['cable_class']}, {age}. "
            f"{_plural(row['expected_failures'], 'failure', 2)} expected in {horizon_years:g} years: "
            f"{row['expected_rate_per_100km_year']:.0f} per 100 km and year; replacing pays above "
            f"{row['pays_above_per_100km_year']:.0f}, so by money alone it {paying}. {_last(row)}."
        )
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
    found: dict[str, str] = {}
    for loop_id, part in sections.groupby("loop_id", sort=True):
        total = part["expected_failures"].sum()
        if len(part) <= 3 or total <= 0:
            continue
        ordered = part.sort_values(["expected_failures", "section_id"], ascending=[False, True], kind="stable")
        running = ordered["expected_failures"].cumsum() / total
        few = int((running < 0.5).sum()) + 1
        if few > 3:
            continue
        names = ", ".join(ordered["section_id"].head(few))
        found[str(loop_id)] = f"{100 * running.iloc[few - 1]:.0f} % of it on {names} ({few} of {len(part)} sections)"
    return found


def _plural(count: float, noun: str, digits: int = 1) -> str:
    number = f"{count:.{digits}f}" if isinstance(count, float) else str(count)
    return f"{number} {noun}" if number == "1" else f"{number} {noun}s"
