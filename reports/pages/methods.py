"""How the figures are made: each method with its source and an example to redo by hand.

The examples are worked out here by the product's own functions, from small made-up numbers.
"""

from typing import Any

import numpy as np
import pandas as pd

from pipelines.evaluation.capture import measure_capture
from pipelines.evaluation.forecast_score import deviance
from pipelines.investment.programme import arrange_fleet, choose_work
from pipelines.ranking.search_orders import (
    count_tests,
    find_best_order,
    halve_by_count,
    measure_entropy,
    walk_outward,
)  # fmt: skip
from pipelines.restoration import limits
from pipelines.survival.cox import fit_cox
from pipelines.survival.treatment import PRIOR_FAILURES
from reports.pages.reference import Part, Reference
from reports.words import Words
from shared.intervals import poisson_limits, ratio_limits
from shared.settings import Settings
from shared.units import C_M_PER_US, DAYS_PER_YEAR, one_way_time_us

say = Words("methods")


def build(settings: Settings) -> Reference:
    """The methods page."""
    return Reference(
        "methods",
        "Methods",
        say("build.said"),
        (say("build.said_2"),),
        (
            late_entry(),
            rates(),
            power_law(),
            hazard_ratio(),
            multipliers(),
            injected(settings),
            money(settings),
            plan(settings),
            back_test(),
            by_itself(),
            past_forecast(),
            tell("places_moved", "Why a loop moved in the ranking"),
            stages(),
            customer_minutes(),
            indices(),
            months(),
            search_order(),
            velocity(),
            offset(),
        ),
    )


def tell(key: str, title: str, /, paragraphs: int = 1, **values: Any) -> Part:
    """A part with its texts filled in: paragraphs first, the source last, the example to redo by hand between them."""
    texts = tuple(say(f"{key}.{name}", **values) for name in say.text(key))
    return Part(key.replace("_", "-"), title, texts[:paragraphs], texts[paragraphs:-1], texts[-1])


def late_entry() -> Part:
    years = (np.datetime64("2025-12-31") - np.datetime64("2006-01-01")).astype(int) / DAYS_PER_YEAR
    age = (np.datetime64("2006-01-01") - np.datetime64("1978-07-01")).astype(int) / DAYS_PER_YEAR
    return tell("late_entry", "Time observed", age=age, years=years, years_2=0.12 * years)


def rates() -> Part:
    lo, hi = (float(v[0]) for v in poisson_limits(np.array([12]), 0.90))
    return tell("rates", "A rate and its limits", value=12 / 1.5, lo=lo, hi=hi, lo_2=lo / 1.5, hi_2=hi / 1.5)


def power_law() -> Part:
    to_30, to_35 = (30 / 50) ** 3.0, (35 / 50) ** 3.0
    return tell("power_law", "How the rate grows with age", to_35=to_35, to_30=to_30, to_35_2=to_35 - to_30)


def hazard_ratio() -> Part:
    kind = np.array([0, 1, 1])
    fit = fit_cox(
        kind,
        np.zeros(3, dtype=np.int64),
        np.full(3, 4000),
        np.array([10.0, 10.0, 5.0]),
        np.array([0, 0, 1, 1, 1, 1, 2, 2]),
        np.array([500, 2500, 700, 1300, 1900, 3100, 800, 2700]),
        np.array([[0.0], [1.0]]),
        np.zeros(2, dtype=np.int64),
        np.array([0, 1, 2]),
    )
    return tell(
        "hazard_ratio",
        "What makes cable fail more at one age",
        value=6 / 15 / (2 / 10),
        np_2=float(np.exp(fit.coefficients[0])),
    )


def injected(settings: Settings) -> Part:
    share = settings.replacement.injection_multiplier
    learnt = (PRIOR_FAILURES + 6) / (PRIOR_FAILURES / share + 20.0) if share > 0 else 0.0
    return tell(
        "injected", "What injection leaves of the failures", prior_failures=PRIOR_FAILURES, share=share, learnt=learnt
    )


def multipliers() -> Part:
    shape = 1 / 0.35
    return tell(
        "multipliers", "How much worse than its class", shape=shape, shape_2=(shape + 4) / (shape + 1.3), value=4 / 1.3
    )


def money(settings: Settings) -> Part:
    part = settings.replacement
    rate, years = part.discount_rate_pct / 100, part.cable_life_years
    factor = (1 - (1 + rate) ** -years) / rate if rate > 0 else years
    each = part.repair_cost + 6_000 * part.customer_minute_value
    return tell(
        "money",
        "Whether replacing pays",
        part=part,
        each=each,
        settings=settings,
        years=years,
        factor=factor,
        each_2=0.1 * each * factor,
    )


def plan(settings: Settings) -> Part:
    terms = settings.replacement
    options = pd.DataFrame(
        {
            "section_id": ["A", "A", "B", "C"],
            "loop_id": ["1", "1", "1", "2"],
            "weight": [20.0, 8.0, 20.0, 10.0],
            "gain": [50.0, 18.0, 30.0, 16.0],
        }
    )
    gain = options.pop("gain").to_numpy()[None, :]
    choice = choose_work(arrange_fleet(options, gain, [50.0], loop_weight=6.0), 0.0)
    later = (1 + terms.discount_rate_pct / 100) ** -2
    return tell(
        "plan",
        "Replace, inject or wait",
        paragraphs=2,
        choice=choice,
        spent=choice.spent[0],
        discount_rate_pct=1 + terms.discount_rate_pct / 100,
        later_2=100 * later,
    )


def search_order() -> Part:
    chances, unit = np.array([1 / 8, 1 / 8, 1 / 4, 1 / 2]), np.ones((5, 5))
    orders = (find_best_order(chances, unit, unit), walk_outward, halve_by_count)
    best, outward, halving = (float(chances @ count_tests(order, 4)) for order in orders)
    return tell(
        "search_order",
        "Where to test first",
        best=best,
        outward=outward,
        halving=halving,
        entropy=measure_entropy(chances),
    )


def back_test() -> Part:
    picks = pd.DataFrame({"length_km": [20.0, 30.0, 50.0], "observed": [9.0, 6.0, 5.0], "loop_code": [0, 1, 2]})
    (captured,), _ = measure_capture(picks, np.arange(3), np.arange(3), np.ones((0, 3)), (0.35,))
    return tell(
        "back_test", "Whether the ranking would have worked", captured_2=captured[0], captured_3=captured[0] / 20
    )


def by_itself() -> Part:
    shape = 1 / 0.5
    expected, before, seen = 2.0, 8, 3
    after = (shape + before) / (shape + expected) * expected
    lo, hi = (float(v[0]) for v in ratio_limits(np.array([seen]), np.array([after]), np.array([shape + before]), 0.90))
    return tell(
        "by_itself",
        "Regression to the mean",
        before=before,
        expected=expected,
        shape=shape,
        after=after,
        after_2=1 - after / before,
        seen=seen,
        seen_2=1 - seen / before,
        seen_3=seen / after,
        lo=lo,
        hi=hi,
    )


def past_forecast() -> Part:
    seen, forecast, constant = np.array([2.0, 0.0, 1.0]), np.array([1.5, 0.5, 1.0]), np.array([1.0, 1.0, 1.0])
    scores = [float(deviance(pd.Series(seen), pd.Series(mean)).sum()) for mean in (forecast, constant)]
    return tell("past_forecast", "How a past forecast is scored", scores_2=scores[0], scores_3=scores[1])


def stages() -> Part:
    minutes, alone = np.array([60.0, 80.0, 100.0, 160.0]), np.arange(4)
    errors = [
        np.sqrt(limits.find_means(limits.sort_groups(minutes, np.full(4, "all"), clusters))[1].variance[0])
        for clusters in (alone, alone // 2)
    ]
    return tell(
        "stages", "Mean, median and limits of a stage",
        single=errors[0], error=errors[1], days=limits.FEWEST_DAYS, storms=limits.FEWEST_STORMS,
    )  # fmt: skip


def customer_minutes() -> Part:
    by_step, naive = 60 * 40 + 60 * 140, 120 * 140
    return tell(
        "customer_minutes", "Customer-minutes by step", by_step=by_step, naive=naive, naive_2=naive / by_step - 1
    )


def indices() -> Part:
    saidi, saifi = 120 * 90 / 1_000, 120 / 1_000
    return tell("indices", "SAIDI, SAIFI, CAIDI", saidi=saidi, saifi=saifi, saidi_2=saidi / saifi)


def months() -> Part:
    moving = np.abs(np.diff(np.array([150.0, 162.0, 147.0, 171.0]))).mean()
    return tell(
        "months",
        "Months: chance or change",
        moving_2=moving,
        moving_3=157.5 - 2.66 * moving,
        moving_4=157.5 + 2.66 * moving,
    )


def velocity() -> Part:
    time = one_way_time_us(112.0, 56.0)
    right = time * 0.531 * C_M_PER_US
    return tell("velocity", "From a displayed distance to a true one", c_m_per_us=C_M_PER_US, time=time, right=right)


def offset() -> Part:
    near, far = 20.0, 200.0
    return tell(
        "offset",
        "Why percent errors mislead",
        near=near,
        far=far,
        value=100 * 1.6 / near,
        value_2=100 * 1.6 / far,
        value_3=50 * 1.6 / near + 50 * 1.6 / far,
    )
