"""Minutes by stage for a district and years of the reader's choice, worked out in the page itself."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.special import ndtri

from reports import style
from reports.figures.restoration import STAGE_NAMES, chart_picked
from reports.page import Exhibit, Section
from reports.words import Words

if TYPE_CHECKING:
    from reports.marts import Marts
    from shared.arrays import Floats
    from shared.settings import Settings

say = Words("restoration")

JOBS = "core.job_stages"

MINUTES = {
    "report_to_dispatch": "report_to_dispatch_min",
    "dispatch_to_arrive": "dispatch_to_arrive_min",
    "arrive_to_locate": "arrive_to_locate_min",
    "locate_to_restore": "locate_to_restore_min",
    "report_to_restore": "report_to_restore_min",
}
"""Stages that can be picked, and the column that holds their minutes."""


def section(marts: Marts, settings: Settings) -> Section:
    """The section with the one figure that answers to the page's choice of district and years."""
    return Section("All of it, or a district and years of your choice", (picked(marts, settings),), say("intro.picked"))


def picked(marts: Marts, settings: Settings) -> Exhibit:
    """Minutes by stage over every job, with what the page needs to do the same for a part of them."""
    jobs = marts.read(JOBS)
    if jobs.empty or not set(MINUTES.values()) <= set(jobs.columns):
        return say.absent("picked")
    coverage = settings.general.interval_coverage
    rows = pd.DataFrame(
        [
            {"stage": stage, **summarise(jobs[column].dropna().to_numpy(dtype=float), coverage)}
            for stage, column in MINUTES.items()
        ]
    )
    return say.exhibit(
        "picked",
        whole_in_words(rows.set_index("stage")),
        rows,
        chart=chart_picked(rows),
        cells=cells_of(jobs, coverage) | {"words": say.text("picked_words"), "small": settings.general.small_group},
        coverage=coverage,
    )


def whole_in_words(by_stage: pd.DataFrame) -> str:
    """The finding over all jobs; the page's script says the same of those chosen."""
    whole: Any = by_stage.loc["report_to_restore"]
    where = say("picked_words.all")
    if not whole["jobs"]:
        return say("picked_words.none", where=where)
    mean, lo, hi = (style.number(whole[name], 0) for name in ("mean_min", "mean_lo", "mean_hi"))
    locating = style.number(by_stage.loc["arrive_to_locate", "mean_min"], 0)
    return say("picked_words.finding", where=where, mean=mean, lo=lo, hi=hi, locating=locating)


def summarise(minutes: Floats, coverage: float) -> dict[str, float]:
    """Mean with limits, median, 90th percentile and long shares of some minutes.

    Parameters
    ----------
    minutes
        Minutes of each job.
    coverage
        Two-sided coverage of the limits of the mean.

    Notes
    -----
    Limits: m + s / sqrt(n) (z + g (z^2 - 1) / (6 sqrt(n))) at both z, with g the skewness of the minutes: the
    Cornish-Fisher quantiles of the mean, which the percentile bootstrap approaches. The page's script has the
    same formulas.

    References
    ----------
    N. J. Johnson, J. Amer. Statist. Assoc. 73 (1978), 536-544.

    Checked by: tests/unit/test_reports_restoration_choice.py
    """
    names = ("mean_min", "mean_lo", "mean_hi", "median_min", "p90_min", "over_4_h", "over_8_h")
    n = len(minutes)
    if n == 0:
        return {"jobs": 0, **dict.fromkeys(names, np.nan)}
    mean, spread = float(minutes.mean()), float(minutes.std())
    skewness = float(((minutes - mean) ** 3).mean() / spread**3) if spread > 0 else 0.0
    z = float(ndtri((1 + coverage) / 2))
    lean = skewness * (z * z - 1) / (6 * n**0.5)
    values = (
        mean, mean + spread / n**0.5 * (lean - z), mean + spread / n**0.5 * (lean + z),
        *np.quantile(minutes, (0.5, 0.9)), (minutes > 240).mean(), (minutes > 480).mean(),
    )  # fmt: skip
    return {"jobs": n, **{name: float(v) for name, v in zip(names, values, strict=True)}}


def cells_of(jobs: pd.DataFrame, coverage: float) -> dict[str, Any]:
    """The minutes of every district, year and stage, as distinct minutes and how often each occurs.

    Whole minutes are kept; the size then follows the number of distinct minutes, not of jobs.
    """
    districts = sorted(jobs["district_id"].dropna().unique())
    years = sorted(int(y) for y in jobs["reported_year"].dropna().unique())
    cells: list[list[Any]] = []
    for place, column in enumerate(MINUTES.values()):
        rows = jobs[["district_id", "reported_year", column]].dropna()
        rows = rows.assign(minute=rows[column].astype(float).round(1))
        counts = rows.groupby(["district_id", "reported_year", "minute"], sort=True).size()
        single: dict[tuple[str, int], tuple[list[float], list[int]]] = {}
        for district, year, minute, jobs_then in counts.reset_index(name="jobs").itertuples(index=False):
            minutes, times = single.setdefault((district, int(year)), ([], []))
            minutes.append(float(minute))
            times.append(int(jobs_then))
        cells += [[districts.index(d), y, place, minutes, times] for (d, y), (minutes, times) in single.items()]
    return {
        "districts": districts, "years": years, "level": coverage, "z": float(ndtri((1 + coverage) / 2)),
        "stages": [STAGE_NAMES[stage] for stage in MINUTES], "cells": cells,
    }  # fmt: skip
