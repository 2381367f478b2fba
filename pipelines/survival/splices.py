"""How often do splices fail, by the time since the cable was last cut for a repair?"""

import numpy as np
import pandas as pd

from pipelines.survival.history import FailureHistory, code_names, counts_as_failure, no_later_than
from shared.intervals import poisson_limits
from shared.settings import Settings
from shared.units import DAYS_PER_YEAR

BANDS = {
    "up_to_3_months": (0.0, 0.25),
    "3_to_12_months": (0.25, 1.0),
    "1_to_2_years": (1.0, 2.0),
    "2_to_5_years": (2.0, 5.0),
    "over_5_years": (5.0, np.inf),
}
"""Years since the last repair. The first band takes in what was wrong with the repair itself."""

NEVER = "no_repair_on_record"

COLUMNS = [
    "repair_band",
    "section_years",
    "splice_failures",
    "splice_rate_per_100_section_years",
    "splice_rate_lo",
    "splice_rate_hi",
    "cable_failures",
    "cable_rate_per_100_section_years",
    "cable_rate_lo",
    "cable_rate_hi",
]


def tabulate_splices(history: FailureHistory, settings: Settings) -> pd.DataFrame:
    """Splice failures, and cable failures beside them, by the time since the section was last repaired.

    Parameters
    ----------
    history
        Sections and failures. Every failure of cable, splice or an unknown component ends in a repair with splices.
    settings
        general.interval_coverage.

    Returns
    -------
    DataFrame
        One row a band: repair_band (no_repair_on_record, then BANDS), section_years (sections observed times years),
        splice_failures and cable_failures (cable or unknown), each with its rate per 100 section-years and exact
        Poisson limits. Empty where no failure names a splice.

    Notes
    -----
    A section's time observed is cut at each of its repairs, so every section-year and failure falls in one band.
    Failures known by loop alone are in none. Sections repaired are worse than others from the start, so a band is to be
    compared with the cable failures of the same band, not only with the first row.

    Checked by: tests/unit/test_survival_splices.py
    """
    spells = _cut_at_repairs(history)
    if not spells["ended_by"].eq("splice").any():
        return pd.DataFrame(columns=COLUMNS)
    after = spells[spells["is_after_repair"]]
    rows = [_count(spells[~spells["is_after_repair"]], NEVER, 0.0, np.inf, settings)]
    rows += [_count(after, band, low, high, settings) for band, (low, high) in BANDS.items()]
    return pd.DataFrame(rows, columns=COLUMNS)


def _cut_at_repairs(history: FailureHistory) -> pd.DataFrame:
    """Spells of sections between entry, repairs and exit: years, is_after_repair, and what ended each, if anything."""
    as_of = pd.Timestamp(history.as_of)
    history = history.keep(code_names)
    s = history.sections
    installed = pd.to_datetime(s["installed_on"]).where(s["is_installed_on_known"].astype(bool))
    recorded = pd.to_datetime(s["recorded_from"])
    begins = recorded.where(~(installed > recorded), installed).fillna(installed)
    ends = no_later_than(s["retired_on"], as_of).fillna(as_of)
    view = pd.DataFrame({"section_code": s["section_code"], "begins": begins, "ends": ends})
    view = view[view["ends"] > view["begins"]].reset_index(drop=True)
    row_of = np.full(len(s) + 1, -1)  # the last stands for sections out of the register
    row_of[view["section_code"]] = np.arange(len(view))
    repairs = history.failures.loc[
        counts_as_failure(history.failures), ["section_code", "failed_on", "failed_component"]
    ]
    repairs = repairs.assign(at=pd.to_datetime(repairs["failed_on"]), row=row_of[repairs["section_code"]])
    repairs = repairs[repairs["row"] >= 0].sort_values(["row", "at"], kind="stable", ignore_index=True)
    again = repairs["row"].eq(repairs["row"].shift())
    ended = pd.DataFrame(
        {
            "begins": repairs["at"].shift().where(again, view["begins"].iloc[repairs["row"]].reset_index(drop=True)),
            "ends": repairs["at"],
            "is_after_repair": again,
            "ended_by": np.where(repairs["failed_component"].eq("splice"), "splice", "cable"),
        }
    )
    last = repairs.drop_duplicates("row", keep="last").set_index("row")["at"].reindex(view.index)
    open_ended = pd.DataFrame(
        {"begins": last.fillna(view["begins"]), "ends": view["ends"], "is_after_repair": last.notna(), "ended_by": None}
    )
    spells = pd.concat([ended, open_ended], ignore_index=True)
    days = (spells["ends"] - spells["begins"]).dt.days
    return spells.assign(
        years=np.maximum(days.to_numpy(dtype=np.float64), 0.0) / DAYS_PER_YEAR,
        ended_by=spells["ended_by"].astype("category"),
    )


def _count(spells: pd.DataFrame, band: str, low: float, high: float, settings: Settings) -> list[object]:
    """One row of the table: what of the spells lies between two times since their beginning."""
    years = spells["years"].to_numpy(dtype=np.float64)
    exposure = float((np.minimum(years, high) - np.minimum(years, low)).sum())
    # a spell that ends at a band's very start belongs to the band before, one of no length to the first
    inside = ((years > low) | (low == 0.0)) & (years <= high)
    row: list[object] = [band, exposure]
    for kind in ("splice", "cable"):
        count = int((inside & spells["ended_by"].eq(kind).to_numpy()).sum())
        lo, hi = poisson_limits(count, settings.general.interval_coverage)
        scale = 100.0 / exposure if exposure > 0 else np.nan
        row += [count, count * scale, float(lo) * scale, float(hi) * scale]
    return row
