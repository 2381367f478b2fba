"""What does one more failure avoided cost, as the budget of the first year grows?"""

import numpy as np
import pandas as pd

from pipelines.investment.programme import choose_at_prices
from shared.arrays import Floats
from shared.settings import Replacement

POINTS = 40
"""Prices tried, spread evenly in the logarithm of the money spent; those that spend alike fall into one point."""

LEAST_SHARE = 0.05
"""Share of a year's budget at which the curve begins."""

TIMES_THE_PLAN = 2.0
"""How often all years' budgets the curve goes up to: beyond, nobody decides."""

A_HAIR = 1e-9
"""Part by which a price lies below a ratio: far above rounding, far below what tells two options apart."""


def trace_cost_curve(options: pd.DataFrame, terms: Replacement) -> pd.DataFrame:
    """Money against failures avoided, each point the best for what it spends.

    Parameters
    ----------
    options
        list_options of the first year with the budget in money.
    terms
        budget, programme_years and cost_per_loop are used.

    Returns
    -------
    DataFrame
        One row a point, by spending: spent (mobilising included), sections_replaced, sections_injected, loops,
        avoided_failures, avoided_customer_minutes, avoided_cost, net_benefit, cost_per_failure_avoided,
        marginal_cost_per_failure_avoided (money over failures since the point before) and marginal_return (avoided
        cost over money since the point before).

    Notes
    -----
    The points are the choices at a falling price of money (choose_at_prices): what avoids the most cost for its
    spending. So marginal_return falls from point to point; the marginal cost of a failure rises, but for failures that
    cost more or less than others. A loop is opened whole or not at all, so the points do not lie at round budgets.

    Checked by: tests/unit/test_investment_cost_curve.py, tests/properties/test_investment_plan.py
    """
    offered = options[options["is_offered"]].reset_index(drop=True)
    rows = [
        {**_describe_point(offered[chosen]), "spent": spent}
        for chosen, spent in choose_at_prices(offered, _list_prices(offered, terms), loop_weight=terms.cost_per_loop)
        if spent > 0
    ]
    points = (
        pd.DataFrame(rows, columns=["spent", *POINT]).drop_duplicates("spent").sort_values("spent", ignore_index=True)
    )
    most = TIMES_THE_PLAN * terms.programme_years * terms.budget
    points = points[(points["spent"] <= most) | (points.index == 0)]
    step = points[["spent", "avoided_failures", "avoided_cost"]].diff().fillna(points)
    more_failures = step["avoided_failures"].where(step["avoided_failures"] > 0)
    failures = points["avoided_failures"].where(points["avoided_failures"] > 0)
    return points.assign(
        curve_point=np.arange(1, len(points) + 1),
        net_benefit=points["avoided_cost"] - points["spent"],
        cost_per_failure_avoided=points["spent"] / failures,
        marginal_cost_per_failure_avoided=step["spent"] / more_failures,
        marginal_return=step["avoided_cost"] / step["spent"],
    )


POINT = (
    "loops",
    "sections_replaced",
    "sections_injected",
    "avoided_failures",
    "avoided_customer_minutes",
    "avoided_cost",
)
"""Columns of a point that are summed over the work chosen."""


def _describe_point(chosen: pd.DataFrame) -> dict[str, float | int]:
    replaced = int(chosen["action"].eq("replace").sum())
    return {
        "loops": int(chosen["loop_id"].nunique()),
        "sections_replaced": replaced,
        "sections_injected": len(chosen) - replaced,
        **{name: float(chosen[name].sum()) for name in POINT[3:]},
    }


def _list_prices(offered: pd.DataFrame, terms: Replacement) -> Floats:
    """Prices at which about so much money is spent: where the options, best first, have used it up.

    A price lies a hair below an option's gain per unit of money: at the very ratio its last digit would decide whether
    the option is taken.
    """
    ratio = (offered["gain"] / offered["weight"]).to_numpy(dtype=float)
    order = np.argsort(-ratio, kind="stable")
    spent = np.cumsum(offered["weight"].to_numpy(dtype=float)[order])
    if not len(spent) or terms.budget <= 0:
        return np.zeros(0)
    most = max(min(float(spent[-1]), 2.0 * TIMES_THE_PLAN * terms.programme_years * terms.budget), 1.0)
    wanted = np.geomspace(min(LEAST_SHARE * terms.budget, most), most, POINTS)
    ratios = np.unique(ratio[order][np.minimum(np.searchsorted(spent, wanted), len(spent) - 1)])[::-1]
    return np.asarray(ratios * (1.0 - A_HAIR))
