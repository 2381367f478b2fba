"""The stages of the choice's period beside those of the period it is compared with."""

from typing import Any

import pandas as pd

from pipelines.restoration.periods import compare_periods
from pipelines.restoration.stages import STAGES
from reports.choice import Choice, compared_with, period_words
from reports.figures.restoration import STAGE_NAMES, chart_periods
from reports.links import jobs_of
from reports.page import Exhibit, largest
from reports.results import Results
from reports.words import Words

say = Words("choice")


def compare(results: Results, choice: Choice, other: Choice) -> pd.DataFrame:
    """Means of each stage in a choice's period and in another, and the limits of their difference."""
    now, before = (results.marts(each).read("marts.closed_jobs") for each in (choice, other))
    return compare_periods(now, before, STAGES, results.settings.general.interval_coverage)


def build(results: Results, choice: Choice) -> Exhibit:
    """Mean of each stage in both periods, with the limits of the difference."""
    other, coverage = compared_with(choice, results.known), results.settings.general.interval_coverage
    now, before = results.marts(choice).read("marts.closed_jobs"), results.marts(other).read("marts.closed_jobs")
    period = period_words(other.first or results.known.first, other.last or results.known.last)
    rows = compare(results, choice, other)
    by_stage = rows.set_index("stage")
    whole: Any = by_stage.loc["report_to_restore"]
    if not whole.jobs or not whole.jobs_before:
        return say.absent("against")
    apart = rows[rows["judged"].isin(("longer", "shorter"))]
    most = largest(apart, "difference_min") if len(apart) else None
    totals = [jobs[["customers_interrupted", "customer_minutes"]].sum().to_dict() for jobs in (now, before)]
    shown = rows[(rows["jobs"] > 0) & (rows["jobs_before"] > 0)]
    return say.exhibit(
        "against",
        say("against.finding", row=whole, judged=whole.judged, before=period),
        shown,
        chart=chart_periods(shown, period),
        more=(
            say("against.none") if most is None else say("against.most", row=most, name=STAGE_NAMES[most["stage"]]),
            say("against.indices", now=totals[0], then=totals[1]),
        ),
        before=period,
        jobs=len(now),
        jobs_before=len(before),
        coverage=coverage,
        to={"jobs": [jobs_of(stage=stage) for stage in shown["stage"]]},
    )
