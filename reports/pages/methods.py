"""How the figures are made: each method with its source and an example to redo by hand.

The examples are worked out here by the product's own functions, from small made-up numbers.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pipelines.evaluation.capture import measure_capture
from pipelines.evaluation.forecast_score import deviance
from pipelines.investment.programme import choose_options
from pipelines.ranking.search_orders import (
    count_tests,
    find_best_order,
    halve_by_count,
    measure_entropy,
    walk_outward,
)  # fmt: skip
from pipelines.survival.cox import fit_cox
from pipelines.survival.treatment import PRIOR_FAILURES
from reports.pages.reference import Part, Reference
from reports.words import Words
from shared.intervals import poisson_limits, ratio_limits
from shared.units import C_M_PER_US, DAYS_PER_YEAR, one_way_time_us

if TYPE_CHECKING:
    from shared.settings import Settings

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
            places_moved(),
            stages(),
            customer_minutes(),
            indices(),
            comparisons(),
            search_order(),
            velocity(),
            offset(),
        ),
    )


def late_entry() -> Part:
    years = (np.datetime64("2025-12-31") - np.datetime64("2006-01-01")).astype(int) / DAYS_PER_YEAR
    age = (np.datetime64("2006-01-01") - np.datetime64("1978-07-01")).astype(int) / DAYS_PER_YEAR
    return Part(
        "late-entry",
        "Time observed",
        (say("late_entry.said"),),
        (say("late_entry.said_2"), say("late_entry.said_3", age=age, years=years, years_2=0.12 * years)),
        say("late_entry.said_4"),
    )


def rates() -> Part:
    lo, hi = (float(v[0]) for v in poisson_limits(np.array([12]), 0.90))
    return Part(
        "rates",
        "A rate and its limits",
        (say("rates.said"),),
        (say("rates.said_2", value=12 / 1.5), say("rates.said_3", lo=lo, hi=hi, lo_2=lo / 1.5, hi_2=hi / 1.5)),
        say("rates.said_4"),
    )


def power_law() -> Part:
    to_30, to_35 = (30 / 50) ** 3.0, (35 / 50) ** 3.0
    return Part(
        "power-law",
        "How the rate grows with age",
        (say("power_law.said"),),
        (say("power_law.said_2"), say("power_law.said_3", to_35=to_35, to_30=to_30, to_35_2=to_35 - to_30)),
        say("power_law.said_4"),
    )


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
    return Part(
        "hazard-ratio",
        "What makes cable fail more at one age",
        (say("hazard_ratio.said"),),
        (
            say("hazard_ratio.said_2"),
            say("hazard_ratio.said_3", value=6 / 15 / (2 / 10), np_2=float(np.exp(fit.coefficients[0]))),
        ),
        say("hazard_ratio.said_4"),
    )


def injected(settings: Settings) -> Part:
    share = settings.replacement.injection_multiplier
    learnt = (PRIOR_FAILURES + 6) / (PRIOR_FAILURES / share + 20.0) if share > 0 else 0.0
    return Part(
        "injected",
        "What injection leaves of the failures",
        (say("injected.said", prior_failures=PRIOR_FAILURES),),
        (say("injected.said_2", share=share, prior_failures=PRIOR_FAILURES, learnt=learnt),),
        say("injected.said_3"),
    )


def multipliers() -> Part:
    shape = 1 / 0.35
    return Part(
        "multipliers",
        "How much worse than its class",
        (say("multipliers.said"),),
        (
            say("multipliers.said_2", shape=shape),
            say("multipliers.said_3", shape=shape, shape_2=(shape + 4) / (shape + 1.3), value=4 / 1.3),
        ),
        say("multipliers.said_4"),
    )


def money(settings: Settings) -> Part:
    part = settings.replacement
    rate, years = part.discount_rate_pct / 100, part.cable_life_years
    factor = (1 - (1 + rate) ** -years) / rate if rate > 0 else years
    each = part.repair_cost + 6_000 * part.customer_minute_value
    return Part(
        "money",
        "Whether replacing pays",
        (say("money.said"),),
        (
            say("money.said_2", part=part, each=each, settings=settings),
            say("money.said_3", years=years, part=part, factor=factor, each=each, each_2=0.1 * each * factor),
        ),
        say("money.said_4"),
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
    choice = choose_options(options, 50.0, loop_weight=6.0, relative_gap=0.0)
    later = (1 + terms.discount_rate_pct / 100) ** -2
    return Part(
        "plan",
        "Replace, inject or wait",
        (say("plan.said"), say("plan.said_2")),
        (
            say("plan.said_3"),
            say("plan.said_4", choice=choice, discount_rate_pct=1 + terms.discount_rate_pct / 100, later_2=100 * later),
        ),
        say("plan.said_5"),
    )


def search_order() -> Part:
    chances, unit = np.array([1 / 8, 1 / 8, 1 / 4, 1 / 2]), np.ones((5, 5))
    orders = (find_best_order(chances, unit, unit), walk_outward, halve_by_count)
    best, outward, halving = (float(chances @ count_tests(order, 4)) for order in orders)
    return Part(
        "search-order",
        "Where to test first",
        (say("search_order.said"),),
        (
            say("search_order.said_2"),
            say("search_order.said_3", best=best, outward=outward, halving=halving, entropy=measure_entropy(chances)),
        ),
        say("search_order.said_4"),
    )


def back_test() -> Part:
    picks = pd.DataFrame({"length_km": [20.0, 30.0, 50.0], "observed": [9.0, 6.0, 5.0], "loop_code": [0, 1, 2]})
    (captured,), _ = measure_capture(picks, np.arange(3), np.arange(3), np.ones((0, 3)), (0.35,))
    return Part(
        "back-test",
        "Whether the ranking would have worked",
        (say("back_test.said"),),
        (say("back_test.said_2"), say("back_test.said_3", captured_2=captured[0], captured_3=captured[0] / 20)),
        say("back_test.said_4"),
    )


def by_itself() -> Part:
    shape = 1 / 0.5
    expected, before, seen = 2.0, 8, 3
    after = (shape + before) / (shape + expected) * expected
    lo, hi = (float(v[0]) for v in ratio_limits(np.array([seen]), np.array([after]), np.array([shape + before]), 0.90))
    return Part(
        "by-itself",
        "Regression to the mean",
        (say("by_itself.said"),),
        (
            say(
                "by_itself.said_2",
                before=before,
                expected=expected,
                shape=shape,
                after=after,
                after_2=1 - after / before,
            ),
            say(
                "by_itself.said_3", seen=seen, seen_2=1 - seen / before, after=after, seen_3=seen / after, lo=lo, hi=hi
            ),
        ),
        say("by_itself.said_4"),
    )


def past_forecast() -> Part:
    seen, forecast, constant = np.array([2.0, 0.0, 1.0]), np.array([1.5, 0.5, 1.0]), np.array([1.0, 1.0, 1.0])
    scores = [float(deviance(pd.Series(seen), pd.Series(mean)).sum()) for mean in (forecast, constant)]
    return Part(
        "past-forecast",
        "How a past forecast is scored",
        (say("past_forecast.said"),),
        (say("past_forecast.said_2"), say("past_forecast.said_3", scores_2=scores[0], scores_3=scores[1])),
        say("past_forecast.said_4"),
    )


def places_moved() -> Part:
    return Part(
        "places-moved",
        "Why a loop moved in the ranking",
        (say("places_moved.said"),),
        (say("places_moved.said_2"), say("places_moved.said_3")),
        "Arithmetic; no source.",
    )


def stages() -> Part:
    minutes = np.array([60.0, 75.0, 90.0, 110.0, 240.0])
    drawn = minutes[np.random.default_rng(1).integers(0, len(minutes), (20_000, len(minutes)))].mean(axis=1)
    lo, hi = np.quantile(drawn, (0.05, 0.95))
    return Part(
        "stages",
        "Mean, median and limits of a stage",
        (say("stages.said"),),
        (say("stages.said_2"), say("stages.said_3", lo=lo, hi=hi)),
        say("stages.said_4"),
    )


def customer_minutes() -> Part:
    by_step, naive = 60 * 40 + 60 * 140, 120 * 140
    return Part(
        "customer-minutes",
        "Customer-minutes by step",
        (say("customer_minutes.said"),),
        (
            say("customer_minutes.said_2", by_step=by_step),
            say("customer_minutes.said_3", naive=naive, naive_2=naive / by_step - 1),
        ),
        say("customer_minutes.said_4"),
    )


def indices() -> Part:
    saidi, saifi = 120 * 90 / 1_000, 120 / 1_000
    return Part(
        "indices",
        "SAIDI, SAIFI, CAIDI",
        (say("indices.said"),),
        (say("indices.said_2"), say("indices.said_3", saidi=saidi, saifi=saifi, saidi_2=saidi / saifi)),
        "IEEE Std 1366-2022.",
    )


def comparisons() -> Part:
    moving = np.abs(np.diff(np.array([150.0, 162.0, 147.0, 171.0])))
    return Part(
        "months",
        "Months: chance or change",
        (say("comparisons.said"),),
        (
            say(
                "comparisons.said_2",
                moving_2=moving.mean(),
                moving_3=157.5 - 2.66 * moving.mean(),
                moving_4=157.5 + 2.66 * moving.mean(),
            ),
        ),
        say("comparisons.said_3"),
    )


def velocity() -> Part:
    time = one_way_time_us(112.0, 56.0)
    right = time * 0.531 * C_M_PER_US
    return Part(
        "velocity",
        "From a displayed distance to a true one",
        (say("velocity.said"),),
        (
            say("velocity.said_2", c_m_per_us=C_M_PER_US, time=time),
            say("velocity.said_3", time=time, c_m_per_us=C_M_PER_US, right=right),
        ),
        say("velocity.said_4"),
    )


def offset() -> Part:
    near, far = 20.0, 200.0
    return Part(
        "offset",
        "Why percent errors mislead",
        (say("offset.said"),),
        (
            say(
                "offset.said_2",
                near=near,
                value=100 * 1.6 / near,
                far=far,
                value_2=100 * 1.6 / far,
                value_3=50 * 1.6 / near + 50 * 1.6 / far,
            ),
        ),
        say("offset.said_3"),
    )
