"""Minutes by stage for a district and years of the reader's choice, worked out in the page itself."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.special import ndtri

from reports import style
from reports.figures.restoration import STAGE_NAMES, chart_picked
from reports.page import Exhibit, Section, Table, absent

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from reports.marts import Marts
    from shared.settings import Settings

JOBS = "core.job_stages"

MINUTES = {
    "report_to_dispatch": "report_to_dispatch_min",
    "dispatch_to_arrive": "dispatch_to_arrive_min",
    "arrive_to_locate": "arrive_to_locate_min",
    "locate_to_restore": "locate_to_restore_min",
    "report_to_restore": "report_to_restore_min",
}
"""Stages that can be picked, and the column that holds their minutes."""

SENTENCES = {
    "all": "Over all districts and years",
    "some": "For {district}, reported {years},",
    "every_district": "all districts",
    "finding": "{where} it takes {mean} minutes on average from the report to the last customer back ({lo} to {hi}), "
    "loops and radials together; {locating} of them go into finding the section.",
    "none": "{where} no job has both the report and a restoration that is believed.",
    "few": "These are {jobs} jobs: too few to judge by.",
    "count": "{jobs} jobs a stage.",
}
"""The words of the figure, filled in here for all jobs and by the page's script for those chosen."""

COLUMNS = ("stage", "jobs", "mean_min", "mean_lo", "mean_hi", "median_min", "p90_min", "over_4_h", "over_8_h")


def section(marts: Marts, settings: Settings) -> Section:
    """The section with the one figure that answers to the page's choice of district and years."""
    return Section(
        "All of it, or a district and years of your choice",
        (picked(marts, settings),),
        "The choice at the head of the page works out this figure, its sentence and its table anew. Every other figure "
        "and sentence of the page is of all districts and years.",
    )


def picked(marts: Marts, settings: Settings) -> Exhibit:
    """Minutes by stage over every job, with what the page needs to do the same for a part of them."""
    title = "Minutes by stage, for the district and years chosen"
    jobs = marts.read(JOBS)
    if jobs.empty or not set(MINUTES.values()) <= set(jobs.columns):
        return absent(
            "picked", title, (), "There are no closed jobs to choose from.",
            "load jobs.csv with reported_at and restored_at, then run: loopwear refresh",
        )  # fmt: skip
    level = settings.general.interval_level
    rows = pd.DataFrame(
        [
            {"stage": stage, **summarise(jobs[column].dropna().to_numpy(dtype=float), level)}
            for stage, column in MINUTES.items()
        ]
    )
    return Exhibit(
        key="picked",
        title=title,
        finding=whole_in_words(rows.set_index("stage")),
        sources=("marts.restoration_stages",),
        definition="Time between the two stamps of each stage. The year is that of the report, local time.",
        count=f"{style.counted_range(rows['jobs'], 'job')} a stage.",
        interval=f"{style.percent(level)} normal limits of the mean with the term for skewness (Johnson 1978), so that "
        "a part can be worked out without drawing samples. Percentiles are interpolated between jobs.",
        left_out="Jobs without both stamps of a stage; jobs whose time of restoration only copies the closing of the "
        "paper.",
        chart=chart_picked(rows),
        tables=(Table(rows, COLUMNS, "core.job_stages", labels={"over_4_h": "Over 4 h", "over_8_h": "Over 8 h"}),),
        cells=cells_of(jobs, level) | {"words": SENTENCES, "small": settings.general.small_group},
    )


def whole_in_words(by_stage: pd.DataFrame) -> str:
    """The finding over all jobs; the page's script says the same of those chosen."""
    whole: Any = by_stage.loc["report_to_restore"]
    if not whole["jobs"]:
        return SENTENCES["none"].format(where=SENTENCES["all"])
    return SENTENCES["finding"].format(
        where=SENTENCES["all"],
        mean=style.number(whole["mean_min"], 0),
        lo=style.number(whole["mean_lo"], 0),
        hi=style.number(whole["mean_hi"], 0),
        locating=style.number(by_stage.loc["arrive_to_locate", "mean_min"], 0),
    )


def summarise(minutes: NDArray[np.float64], level: float) -> dict[str, float]:
    """Mean with limits, median, 90th percentile and long shares of some minutes.

    Parameters
    ----------
    minutes
        Minutes of each job.
    level
        Two-sided coverage of the limits of the mean.

    Notes
    -----
    Limits: m + s / sqrt(n) (z + g (z^2 - 1) / (6 sqrt(n))) at both z, with g the skewness of the minutes: the
    Cornish-Fisher quantiles of the mean, which the percentile bootstrap approaches. The page's script has the
    same formulas.

    References
    ----------
    N. J. Johnson, J. Amer. Statist. Assoc. 73 (1978), 536-544.

    Checked by: tests/unit/test_reports_picked.py
    """
    names = ("mean_min", "mean_lo", "mean_hi", "median_min", "p90_min", "over_4_h", "over_8_h")
    n = len(minutes)
    if n == 0:
        return {"jobs": 0, **dict.fromkeys(names, np.nan)}
    mean, spread = float(minutes.mean()), float(minutes.std())
    skewness = float(((minutes - mean) ** 3).mean() / spread**3) if spread > 0 else 0.0
    z = float(ndtri((1 + level) / 2))
    lean = skewness * (z * z - 1) / (6 * n**0.5)
    values = (
        mean, mean + spread / n**0.5 * (lean - z), mean + spread / n**0.5 * (lean + z),
        *np.quantile(minutes, (0.5, 0.9)), (minutes > 240).mean(), (minutes > 480).mean(),
    )  # fmt: skip
    return {"jobs": n, **{name: float(v) for name, v in zip(names, values, strict=True)}}


def cells_of(jobs: pd.DataFrame, level: float) -> dict[str, Any]:
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
        "districts": districts, "years": years, "level": level, "z": float(ndtri((1 + level) / 2)),
        "stages": [STAGE_NAMES[stage] for stage in MINUTES], "cells": cells,
    }  # fmt: skip
