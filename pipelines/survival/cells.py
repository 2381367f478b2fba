"""Exposure and failures by pattern and year of age: all that a hazard piecewise constant in age needs."""

from __future__ import annotations

from typing import Any

import duckdb
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipelines.survival.windows import Windows

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]

VINTAGE_YEARS = 3.0
SHORTEST_M, LONGEST_M = 8.0, 512.0
"""Bands of the patterns: coarse enough that cells stay few, fine beside what a smooth effect can show."""

MOST_EMPTY = 20
"""Cells in all for each mark, above which they are found by sorting."""

CELLS = """
    with

    -- between two marks a pattern's length in view does not change: whole years are filled in from the marks after them
    spans as (
        select
            pattern, age, km_part,
            sum(km) over (partition by pattern order by age desc) as km_from_here,
            lag(age, 1, -1) over (partition by pattern order by age) as age_before
        from marks_by_age
    ),

    exposure as (
        select pattern, age, km_part + km_from_here_on as exposure_km_years
        from (
            select
                pattern, age, km_part,
                coalesce(lead(km_from_here) over (partition by pattern order by age), 0.0) as km_from_here_on
            from spans
        )
        union all
        select pattern, unnest(range(age_before + 1, age)) as age, km_from_here as exposure_km_years
        from spans
    ),

    sums as (
        select pattern, age, exposure_km_years, 0.0 as failures from exposure
        union all
        select pattern, age, 0.0 as exposure_km_years, failures from failures_by_age
    )

    select pattern, age, sum(exposure_km_years) as exposure_km_years, sum(failures) as failures
    from sums
    group by pattern, age
    having sum(exposure_km_years) > 1e-9 or sum(failures) > 0
    order by pattern, age
"""


def aggregate_cells(
    pattern: Whole, entry_years: Floats, exit_years: Floats, km: Floats, event_pattern: Whole,
    event_age_years: Floats, event_weight: Floats,
) -> pd.DataFrame:
    """Exposure and failures by pattern and whole year of age.

    Parameters
    ----------
    pattern, entry_years, exit_years, km
        Pattern (code), ages in view (years) and length (km) of each window.
    event_pattern, event_age_years, event_weight
        Pattern, age (years) and weight of each failure.

    Returns
    -------
    DataFrame
        pattern, age (the band from it to the next year), exposure_km_years, failures; by pattern and age.

    Notes
    -----
    A window is written as two marks, km at its exit and -km at its entry, so the cost follows windows and cells, not
    window-years. Marks are added up by pattern and year in the order of the windows: the sums do not hang on threads.
    The rest is one statement, run in a database of its own in memory; no sum in it has more than two terms that are
    not ordered.

    Checked by: tests/properties/test_survival_cells.py
    """
    ends, starts = np.floor(exit_years), np.floor(entry_years)
    marks = _sum_by_age(
        np.concatenate([pattern, pattern]), np.concatenate([ends, starts]).astype(np.int64),
        km=np.concatenate([km, -km]), km_part=np.concatenate([km * (exit_years - ends), -km * (entry_years - starts)]),
    )
    # a year of age is open at its start: a failure on the last day in view lies in the last year in view
    failed = np.maximum(np.ceil(event_age_years) - 1.0, 0.0).astype(np.int64)
    failures = _sum_by_age(event_pattern, failed, failures=event_weight)
    with duckdb.connect(":memory:") as con:
        con.register("marks_by_age", marks)
        con.register("failures_by_age", failures)
        return con.execute(CELLS).df()


def _sum_by_age(pattern: Whole, age: Whole, **values: Floats) -> pd.DataFrame:
    """Sums of values by pattern and year of age, added in the order given."""
    width = int(age.max(initial=0)) + 1
    code = pattern * width + age
    size = (int(pattern.max(initial=0)) + 1) * width
    if size > max(MOST_EMPTY * len(code), 10**6):  # too many cells would be empty: only those met are numbered
        met, code = np.unique(code, return_inverse=True)
    else:
        met = np.flatnonzero(np.bincount(code, minlength=size))
        place = np.zeros(size, dtype=np.int64)
        place[met] = np.arange(len(met))
        code = place[code]
    sums = {name: np.bincount(code, each, len(met)).astype(np.float64) for name, each in values.items()}
    return pd.DataFrame({"pattern": met // width, "age": met % width, **sums})


def find_patterns(windows: Windows) -> tuple[pd.DataFrame, Whole]:
    """Kinds of cable that the hazard tells apart, and the kind of each window.

    Returns
    -------
    patterns
        One row a pattern: cable_class, insulation, neutral, installation, conductor, district_id, vintage_year (middle
        of a band of installation years), log2_length (length rounded to a power of two, metres).
    pattern
        Row of patterns for each window.

    Notes
    -----
    Checked by: tests/properties/test_survival_cells.py
    """
    s = windows.sections
    names = ["cable_class", "insulation", "neutral", "installation", "conductor", "district_id"]
    length = np.clip(s["length_km"].to_numpy(dtype=np.float64) * 1000.0, SHORTEST_M, LONGEST_M)
    installed = windows.as_of.year + windows.as_of.day_of_year / 366.0 - windows.age_now
    kinds = [_number_levels(s[name].fillna("unknown").astype(str)) for name in names]
    kinds.append(_number_levels(pd.Series(np.round(np.log2(length)))))
    code, levels = [each[windows.owner] for each, _ in kinds], [level for _, level in kinds]
    vintage = _number_levels(pd.Series(np.floor(installed / VINTAGE_YEARS) * VINTAGE_YEARS + VINTAGE_YEARS / 2))
    code, levels = [*code, vintage[0]], [*levels, vintage[1]]
    joined = code[0]
    for each, level in zip(code[1:], levels[1:], strict=True):
        joined = np.unique(joined, return_inverse=True)[1] * len(level) + each  # kept small: no product overflows
    _, first, pattern = np.unique(joined, return_index=True, return_inverse=True)
    columns = zip([*names, "log2_length", "vintage_year"], code, levels, strict=True)
    return pd.DataFrame({name: level[each[first]] for name, each, level in columns}), pattern


def _number_levels(values: pd.Series) -> tuple[Whole, NDArray[Any]]:
    """Each value as the place of its level in their order, and the levels."""
    code, levels = pd.factorize(values, sort=True)
    return code.astype(np.int64), np.asarray(levels)
