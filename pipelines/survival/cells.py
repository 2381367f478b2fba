"""Exposure and failures by pattern and year of age: all that a hazard piecewise constant in age needs."""

import numpy as np
import pandas as pd

from pipelines.survival import chunks
from pipelines.survival.integer_codes import join_codes, name_kinds, number_levels
from pipelines.survival.observation_windows import Windows
from shared.arrays import Floats, Integers

VINTAGE_YEARS = 3.0
"""Band of the patterns: coarse enough that cells stay few, fine beside what a smooth effect can show."""

LEAST_KM_YEARS = 1e-9
"""What is left of marks that cancel; no cable is observed so briefly."""


def aggregate_cells(
    pattern: Integers,
    entry_years: Floats,
    exit_years: Floats,
    km: Floats,
    event_pattern: Integers,
    event_age_years: Floats,
    event_weight: Floats,
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
    window-years: in a year of age a pattern has in view all km whose mark is still to come, and of the marks in that
    year the part of it that they reach. Marks are added in the order of the windows, whatever the machine.

    Checked by: tests/properties/test_survival_cells.py
    """
    # a year of age is open at its start: a failure on the last day in view lies in the last year in view
    failed = np.maximum(np.ceil(event_age_years) - 1.0, 0.0).astype(np.int64)
    first, last = _span_ages(pattern, entry_years, exit_years, event_pattern, failed)
    spans = last - first + 1
    start = np.cumsum(spans) - spans
    row_of_birth = start - first  # where the row of age 0 would be
    km_to_come, km_part, failures = (np.zeros(int(spans.sum())) for _ in range(3))
    for part in chunks.split(len(pattern)):
        birth = row_of_birth[pattern[part]]
        for ages, sign in ((exit_years[part], 1.0), (entry_years[part], -1.0)):
            whole = ages.astype(np.int64)
            row, signed = birth + whole, sign * km[part]
            np.add.at(km_to_come, row, signed)
            np.add.at(km_part, row, signed * (ages - whole))
    np.add.at(failures, row_of_birth[event_pattern] + failed, event_weight)
    # marks of a pattern cancel, so that one sum from the end serves all patterns
    later = np.append(np.cumsum(km_to_come[::-1])[::-1][1:], 0.0)
    exposure = km_part + later
    owner = np.repeat(np.arange(len(spans)), spans)
    age = np.arange(len(owner)) - row_of_birth[owner]
    met = (exposure > LEAST_KM_YEARS) | (failures > 0.0)
    return pd.DataFrame(
        {"pattern": owner[met], "age": age[met], "exposure_km_years": exposure[met], "failures": failures[met]}
    )


def _span_ages(
    pattern: Integers, entry_years: Floats, exit_years: Floats, event_pattern: Integers, failed: Integers
) -> tuple[Integers, Integers]:
    """First and last whole year of age at which each pattern has anything; a pattern without has no year."""
    size = int(max(pattern.max(initial=-1), event_pattern.max(initial=-1))) + 1
    youngest, oldest = np.full(size, 1e6), np.full(size, -1.0)
    np.minimum.at(youngest, pattern, entry_years)
    np.maximum.at(oldest, pattern, exit_years)
    first, last = youngest.astype(np.int64), oldest.astype(np.int64)
    np.minimum.at(first, event_pattern, failed)
    np.maximum.at(last, event_pattern, failed)
    return np.minimum(first, last + 1), last


def find_patterns(windows: Windows) -> tuple[pd.DataFrame, Integers]:
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
    Checked by: tests/unit/test_survival_model.py (through fit_failure_model)
    """
    installed = windows.as_of.year + windows.as_of.day_of_year / 366.0 - windows.age_now
    vintage = np.floor(installed / VINTAGE_YEARS) * VINTAGE_YEARS + VINTAGE_YEARS / 2
    kind = windows.sections["kind_code"].to_numpy(dtype=np.int64)[windows.owner]
    pattern = join_codes(kind, number_levels(pd.Series(vintage)))
    first = np.zeros(int(pattern.max(initial=-1)) + 1, dtype=np.int64)
    first[pattern] = np.arange(len(pattern))  # any window of a pattern has what all of it have
    named = name_kinds(windows.sections.iloc[windows.owner[first]]).reset_index(drop=True)
    return named.assign(vintage_year=vintage[first]), pattern
