"""Rows numbered by what they have in common: numbers sort, join and count faster than names."""

import numpy as np
import pandas as pd

from shared.arrays import Floats, Integers

KIND = ("cable_class", "insulation", "neutral", "installation", "conductor", "district_id")
"""What tells kinds of cable apart, beside length and vintage."""

SHORTEST_M, LONGEST_M = 8.0, 512.0
"""Bands of length of the patterns: coarse enough that cells stay few, fine beside what a smooth effect can show."""


def number_levels(values: pd.Series) -> Integers:
    """Each value as the place of its level in their order."""
    if values.is_monotonic_increasing and values.is_unique:  # a key, in order as it is read
        return np.arange(len(values))
    return pd.factorize(values, sort=True)[0].astype(np.int64)


def join_codes(*columns: Integers) -> Integers:
    """Each row's combination of codes as the place of it in their order, the first column leading."""
    joined = columns[0]
    for code in columns[1:]:
        joined = _close_gaps(joined * (int(code.max(initial=0)) + 1) + code)  # kept small: no product overflows
    return joined


def pair_codes(code: Integers, unit: Integers) -> tuple[Integers, Integers]:
    """Code of each pair of a code and a unit that is met, by code and unit, and the pair of each row.

    Notes
    -----
    Units never fall from row to row, so the pairs are in order once the codes are, which small numbers are at a tenth
    of the time.

    Checked by: tests/unit/test_survival_integer_codes.py
    """
    order = np.argsort(code.astype(np.min_scalar_type(int(code.max(initial=0)))), kind="stable")
    ordered, begins = code[order], np.ones(len(code), dtype=bool)
    begins[1:] = (np.diff(ordered) != 0) | (np.diff(unit[order]) != 0)
    pair = np.empty(len(code), dtype=np.int64)
    pair[order] = np.cumsum(begins) - 1
    return ordered[begins], pair


def _close_gaps(code: Integers) -> Integers:
    """The same order in numbers without gaps."""
    size = int(code.max(initial=-1)) + 1
    if size > 8 * len(code) + 10**6:
        return np.asarray(np.unique(code, return_inverse=True)[1])
    met = np.zeros(size, dtype=np.int64)
    met[code] = 1
    return np.asarray((np.cumsum(met) - 1)[code])


def band_lengths(sections: pd.DataFrame) -> Floats:
    """Logarithm to base 2 of each length in metres, rounded: bands that double."""
    length = np.clip(sections["length_km"].to_numpy(dtype=np.float64) * 1000.0, SHORTEST_M, LONGEST_M)
    return np.asarray(np.round(np.log2(length)))


def name_kinds(sections: pd.DataFrame) -> pd.DataFrame:
    """What tells the kinds of cable of some sections apart: KIND as text, missing as unknown, and log2_length."""
    named = {name: sections[name].astype("object").fillna("unknown").astype(str) for name in KIND}
    return pd.DataFrame({**named, "log2_length": band_lengths(sections)})


def code_kinds(sections: pd.DataFrame) -> Integers:
    """Kind of cable and band of length of each section as a number, in the order of name_kinds."""
    as_it_stands = (number_levels(sections[name]) + 1 for name in KIND)  # missing is one below the first
    combination = join_codes(*as_it_stands, number_levels(pd.Series(band_lengths(sections))))
    one_of = np.zeros(int(combination.max(initial=-1)) + 1, dtype=np.int64)
    one_of[combination] = np.arange(len(combination))
    named = name_kinds(sections.iloc[one_of])  # names are spelt out for one section of each combination
    return join_codes(*(number_levels(named[name]) for name in named))[combination]
