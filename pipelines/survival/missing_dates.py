"""Sections whose installation date is unknown, spread over the years in which their like was laid."""

import numpy as np
import pandas as pd

DONOR_GROUPS = (("loop_id", "cable_class"), ("district_id", "cable_class"), ("cable_class",), ("insulation",), ())
"""Where to look for the years, nearest first."""


def spread_dates(sections: pd.DataFrame, first_failed_on: pd.Series, as_of: pd.Timestamp) -> pd.DataFrame:
    """Likely installation dates of each section, with weights that add up to 1 a section.

    Parameters
    ----------
    sections
        Columns of core.section_exposure, index 0 .. n-1.
    first_failed_on
        First failure of each section, same index; missing where there is none. Cable cannot be younger than it.
    as_of
        No date is later.

    Returns
    -------
    DataFrame
        row (index of the section), installed_on, weight. A section with a known date has one row of weight 1; one
        without has a row a year (1 July), weighted by the kilometres of its class laid that year on its loop; where
        the loop has none, in its district, then anywhere, then of its insulation, then of anything.

    Notes
    -----
    Checked by: tests/unit/test_survival_model.py
    """
    known = sections["is_installed_on_known"].to_numpy(dtype=bool)
    dated = pd.DataFrame(
        {
            "row": np.flatnonzero(known),
            "installed_on": pd.to_datetime(sections["installed_on"])[known].to_numpy(),
            "weight": 1.0,
        }
    )
    open_rows = sections.loc[~known, ["loop_id", "district_id", "cable_class", "insulation"]]
    if open_rows.empty:
        return dated
    latest = pd.to_datetime(first_failed_on).fillna(pd.to_datetime(sections["retired_on"])).fillna(as_of)
    open_rows = open_rows.assign(row=open_rows.index, latest_year=latest[~known].dt.year.clip(upper=as_of.year))
    laid = sections.loc[known, ["loop_id", "district_id", "cable_class", "insulation", "length_km"]].assign(
        year=pd.to_datetime(sections["installed_on"])[known].dt.year
    )
    found = []
    for keys in DONOR_GROUPS:
        years = laid.groupby([*keys, "year"], sort=True)["length_km"].sum().reset_index()
        merged = open_rows.merge(years, on=list(keys)) if keys else open_rows.merge(years, how="cross")
        merged = merged[merged["year"] <= merged["latest_year"]]
        found.append(merged[["row", "year", "length_km"]])
        open_rows = open_rows[~open_rows["row"].isin(merged["row"])]
    found.append(open_rows.assign(year=open_rows["latest_year"], length_km=1.0)[["row", "year", "length_km"]])
    spread = pd.concat(found, ignore_index=True)
    spread["weight"] = spread["length_km"] / spread.groupby("row")["length_km"].transform("sum")
    spread["installed_on"] = pd.to_datetime(spread["year"].astype("int64").astype(str) + "-07-01")
    # the year of the first failure is allowed, its second half is not
    spread["installed_on"] = np.minimum(spread["installed_on"], latest.loc[spread["row"]].to_numpy())
    joined = pd.concat([dated, spread[["row", "installed_on", "weight"]]], ignore_index=True)
    return joined.sort_values(["row", "installed_on"], ignore_index=True)
