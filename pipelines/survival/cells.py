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

CELLS = """
    with

    marks as (
        select pattern, floor(exit_years)::bigint as age, km, exit_years - floor(exit_years) as part
        from windows
        union all
        select pattern, floor(entry_years)::bigint as age, -km as km, entry_years - floor(entry_years) as part
        from windows
    ),

    marks_by_age as (
        select pattern, age, sum(km) as km, sum(km * part) as km_part from marks group by pattern, age
    ),

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

    failures as (
        -- a year of age is open at its start: a failure on the last day in view lies in the last year in view
        select pattern, greatest(ceil(age_years) - 1, 0)::bigint as age, sum(weight) as failures
        from events
        group by pattern, greatest(ceil(age_years) - 1, 0)
    ),

    sums as (
        select pattern, age, exposure_km_years, 0.0 as failures from exposure
        union all
        select pattern, age, 0.0 as exposure_km_years, failures from failures
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
    One statement, run in a database of its own in memory. A window is written as two marks, km at its exit and -km
    at its entry, so the cost follows windows and cells, not window-years.

    Checked by: tests/properties/test_survival_cells.py
    """
    windows = pd.DataFrame({"pattern": pattern, "entry_years": entry_years, "exit_years": exit_years, "km": km})
    events = pd.DataFrame({"pattern": event_pattern, "age_years": event_age_years, "weight": event_weight})
    with duckdb.connect(":memory:") as con:
        con.register("windows", windows)
        con.register("events", events)
        return con.execute(CELLS).df()


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
