"""How many customer-minutes would a change have saved?"""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from pipelines.restoration.limits import limit_clustered_means
from shared import dictionary

SOONER_MIN = 10.0
"""Minutes by which crews arrive sooner in the first what-if."""

SEARCH_LEFT = 0.5
"""Share of the search that is left in the second what-if."""

SCENARIOS = {
    "arrive_10_minutes_sooner": "every crew arrives 10 minutes sooner (never before the report)",
    "search_halved": "every search for the section takes half as long",
    "both": "both at once",
}


def find_savings(jobs: pd.DataFrame) -> pd.DataFrame:
    """Customer-minutes each change would have saved on each job, one column a scenario of SCENARIOS.

    Parameters
    ----------
    jobs
        One row a job: report_to_arrive in minutes, customers_out_at_arrival, and
        arrive_to_locate_customer_minutes (NaN where a stamp is missing: no saving is claimed).

    Notes
    -----
    Whoever is out when the crew arrives comes back earlier by the minutes gained. A search cut to a share moves
    every step after the arrival: each customer-minute of the search falls by the rest. The later steps keep their
    length; a step that waited for something else would not come sooner, so the figures are upper bounds of the kind
    that planning needs.

    Checked by: tests/unit/test_restoration_what_if.py
    """
    sooner = jobs["customers_out_at_arrival"] * np.minimum(jobs["report_to_arrive"], SOONER_MIN)
    shorter = jobs["arrive_to_locate_customer_minutes"] * (1.0 - SEARCH_LEFT)
    return pd.DataFrame(
        {
            "arrive_10_minutes_sooner": sooner.fillna(0.0),
            "search_halved": shorter.fillna(0.0),
            "both": sooner.fillna(0.0) + shorter.fillna(0.0),
        }
    )


def summarise_savings(jobs: pd.DataFrame, groupings: Sequence[str], years: float, *, coverage: float) -> pd.DataFrame:
    """Savings of every scenario in every group, in all, by year and as a share.

    Parameters
    ----------
    jobs
        As for find_savings, with a column for each grouping, cluster and customer_minutes.
    groupings
        Columns to group by.
    years
        Years the jobs span.
    coverage
        Of the limits: those of the mean saving of a job (limits.py) times the jobs.

    Returns
    -------
    DataFrame
        marts.restoration_what_if.

    Notes
    -----
    Checked by: tests/unit/test_restoration_what_if.py
    """
    savings = find_savings(jobs)
    clusters = jobs["cluster"].to_numpy(dtype=np.int64)
    parts = []
    for scenario in SCENARIOS:
        for grouping in groupings if len(jobs) else ():
            groups, mean, lo, hi = limit_clustered_means(
                savings[scenario].to_numpy(dtype=np.float64),
                pd.Categorical(jobs[grouping]),
                clusters,
                coverage=coverage,
            )
            total = jobs.groupby(grouping, observed=True)["customer_minutes"].sum().to_numpy()
            parts.append(
                pd.DataFrame(
                    {
                        "scenario": scenario,
                        "grouped_by": grouping,
                        "group_name": groups.names,
                        "jobs": groups.counts,
                        "customer_minutes": total,
                        "saved_customer_minutes": mean * groups.counts,
                        "saved_lo": lo * groups.counts,
                        "saved_hi": hi * groups.counts,
                        "saved_share": np.divide(
                            mean * groups.counts, total, out=np.full(len(total), np.nan), where=total > 0
                        ),
                        "saved_per_year": mean * groups.counts / years,
                    }
                )
            )
    return dictionary.stack_frames("marts.restoration_what_if", parts)
