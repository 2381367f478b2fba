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
from pipelines.survival.cox import fit_cox
from pipelines.survival.treatment import PRIOR_FAILURES
from reports import style
from reports.pages.picked import summarise
from reports.pages.reference import Part, Reference
from shared.intervals import poisson_limits, ratio_limits
from shared.units import C_M_PER_US, DAYS_PER_YEAR, one_way_time_us

if TYPE_CHECKING:
    from shared.settings import Settings


def build(settings: Settings) -> Reference:
    """The methods page."""
    return Reference(
        "methods", "Methods", "How is each figure made, and how can I redo it?",
        (("Each method is said in a few sentences, with its source and a small example in round numbers. The numbers "
          "of the examples are made up."),),
        (late_entry(), rates(), power_law(), hazard_ratio(), multipliers(), injected(settings), money(settings),
         plan(settings), back_test(), by_itself(), past_forecast(), places_moved(), stages(), customer_minutes(),
         indices(), comparisons(), velocity(), offset()),
    )  # fmt: skip


def late_entry() -> Part:
    years = (np.datetime64("2025-12-31") - np.datetime64("2006-01-01")).astype(int) / DAYS_PER_YEAR
    age = (np.datetime64("2006-01-01") - np.datetime64("1978-07-01")).astype(int) / DAYS_PER_YEAR
    return Part(
        "late-entry", "Time in view",
        (("A cable counts from the later of its installation and the day its district's records begin, to the earlier "
          "of its retirement and the as-of date. Before that nobody wrote its failures down, so it must not be "
          "counted as time without failure. Exposure is length times years in view."),),
        ("Cable of 1978-07-01, records from 2006-01-01, as of 2025-12-31.",
         (f"It enters at age {age:.2f} and is in view for {years:.2f} years; 0.120 km of it give 0.120 × {years:.2f} = "
          f"{0.120 * years:.2f} km-years.")),
        "Left truncation: J. P. Klein and M. L. Moeschberger, Survival Analysis (2003), section 3.4.",
    )  # fmt: skip


def rates() -> Part:
    lo, hi = (float(v[0]) for v in poisson_limits(np.array([12]), 0.90))
    return Part(
        "rates", "A rate and its limits",
        (("A rate is failures over exposure. Its limits are exact: the smallest and the largest mean count that would "
          "still give such a count with 5 % probability on each side."),),
        (f"12 failures over 150 km-years: 12 / 150 × 100 = {12 / 1.5:.1f} per 100 km and year.",
         (f"Limits of the count: χ²(0.05; 24) / 2 = {lo:.2f} and χ²(0.95; 26) / 2 = {hi:.2f}; over 150 km-years "
          f"{lo / 1.5:.1f} to {hi / 1.5:.1f}.")),
        "F. Garwood, Biometrika 28 (1936), 437-442.",
    )  # fmt: skip


def power_law() -> Part:
    to_30, to_35 = (30 / 50) ** 3.0, (35 / 50) ** 3.0
    return Part(
        "power-law", "How the rate grows with age",
        (("Failures of a kilometre up to an age a follow (a / scale) to the power of the shape: a repair replaces a "
          "few metres and leaves the rest as old as it was. Shape and scale are fitted by maximum likelihood to all "
          "failures of a class, with each section's own time in view. Shape 1 is a constant rate."),),
        ("Shape 3, scale 50 years, one kilometre, from age 30 to 35.",
         f"(35/50)³ − (30/50)³ = {to_35:.3f} − {to_30:.3f} = {to_35 - to_30:.3f} failures."),
        "L. H. Crow, in Reliability and Biometry (SIAM 1974), 379-410.",
    )  # fmt: skip


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
        "hazard-ratio", "What makes cable fail more at one age",
        (("Each failure asks: of all cable of this insulation then in view at this age, how much had the attribute? "
          "The ratio is the one under which the failures that fell on cable with it are as many as expected. No curve "
          "of age is assumed. Limits add up what each loop contributes, so a loop that fails again and again counts "
          "as one witness."),),
        (("In view at every age: 10 km of reference cable, 15 km of the other. Two failures on the first, six on the "
          "second."),
         (f"(6 / 15) / (2 / 10) = {6 / 15 / (2 / 10):.2f}; the model's ratio is "
          f"{float(np.exp(fit.coefficients[0])):.2f}.")),
        "P. K. Andersen and R. D. Gill, Annals of Statistics 10 (1982), 1100-1120; D. Y. Lin and L. J. Wei, JASA 84 "
        "(1989), 1074-1078.",
    )  # fmt: skip


def injected(settings: Settings) -> Part:
    share = settings.replacement.injection_multiplier
    learnt = (PRIOR_FAILURES + 6) / (PRIOR_FAILURES / share + 20.0) if share > 0 else 0.0
    return Part(
        "injected", "What injection leaves of the failures",
        (("Injected cable leaves the curves on the day of its injection. What its own curve and multiplier, both from "
          "before that day, expect of it left alone is held against what came: cable is injected because it failed, "
          "so its record carried on would flatter the fluid. The share left is learnt from that, with the settings' "
          f"share as prior worth {PRIOR_FAILURES:g} failure, and the forecast of injected cable is multiplied by it. "
          "What a new injection is worth still takes the settings' share. Splices of earlier repairs, which the fluid "
          "does not mend, are in the share learnt."),),
        ((f"20 failures expected of the cable left alone, 6 seen, the settings' share {share:g}: "
         f"({PRIOR_FAILURES:g} + 6) / ({PRIOR_FAILURES:g} / {share:g} + 20) = {learnt:.2f}."),),
        "E. Hauer, Observational Before-After Studies in Road Safety (1997), chapter 11.",
    )  # fmt: skip


def multipliers() -> Part:
    shape = 1 / 0.35
    return Part(
        "multipliers", "How much worse than its class",
        (("Each loop's own record is weighed against its class: the class sets a gamma distribution of multipliers "
          "with mean 1, the record moves it. A short record moves it little, so a loop is not condemned for one bad "
          "year."),),
        ((f"Spread between loops: variance 0.35, so 1 / 0.35 = {shape:.2f}. On record 4 failures, expected of its "
          "class 1.3."),
         (f"({shape:.2f} + 4) / ({shape:.2f} + 1.3) = {(shape + 4) / (shape + 1.3):.2f} times its class, where 4 / 1.3 "
          f"= {4 / 1.3:.2f} would take the record at its word.")),
        "E. Hauer, Observational Before-After Studies in Road Safety (1997), chapter 11.",
    )  # fmt: skip


def money(settings: Settings) -> Part:
    part = settings.replacement
    rate, years = part.discount_rate_pct / 100, part.cable_life_years
    factor = (1 - (1 + rate) ** -years) / rate if rate > 0 else years
    each = part.repair_cost + 6_000 * part.customer_minute_value
    return Part(
        "money", "Whether replacing pays",
        (("Benefit is the present value of the failures avoided: repairs and customer-minutes, less the failures of "
          "the new cable. It pays where benefit reaches cost. The prices are settings."),),
        ((f"A failure costs {part.repair_cost:,.0f} for the repair and 6,000 customer-minutes × "
          f"{part.customer_minute_value:g} = {each:,.0f} {settings.general.currency}. Replacing avoids 0.1 failures a "
          "year, the same each year."),
         (f"One a year over {years:g} years at {part.discount_rate_pct:g} % is worth {factor:.2f} today: 0.1 × "
          f"{each:,.0f} × {factor:.2f} = {0.1 * each * factor:,.0f}.")),
        "Annuity: any book of engineering economics.",
    )  # fmt: skip


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
        "plan", "Replace, inject or wait",
        (("Each year of the plan chooses the work that avoids the most cost within its budget: of each section at most "
          "one action, and a fixed cost for each loop opened. It is an integer programme; a price on money gives an "
          "upper limit, which proves how near to the best the choice is. What money is worth over all years settles "
          "whether a section suits injection or replacement; then the years are chosen one after another. What is left "
          "waits: a year on it is older, and its money counts less. A limit of all years' budgets together says what "
          "choosing in turn may cost."),
         ("An injection leaves a share of the failures, for some years; polyethylene cable, directly buried, not "
          "injected before, is offered it. The cost of one more failure avoided comes from the same choice for less "
          "and for more money. Moved inputs are not scaled: every section is valued and chosen anew.")),
        (("Budget 50, each loop opened costs 6. Loop 1: replace A for 20 and avoid 50, or inject it for 8 and avoid "
          "18; replace B for 20 and avoid 30. Loop 2: replace C for 10 and avoid 16."),
         (f"A and B on one loop: 20 + 20 + 6 = {choice.spent:.0f}, avoiding 50 + 30 = {choice.gain:.0f}. With C in "
          "place of B: 20 + 10 + 6 + 6 = 42, avoiding 66. A section of 100 waiting two years counts "
          f"100 × {1 + terms.discount_rate_pct / 100:g}⁻² = {100 * later:.1f}, less what its growth adds.")),
        "M. L. Fisher, Management Science 27 (1981), 1-18; H. Everett, Operations Research 11 (1963), 399-417; solver "
        "HiGHS.",
    )  # fmt: skip


def back_test() -> Part:
    picks = pd.DataFrame({"length_km": [20.0, 30.0, 50.0], "observed": [9.0, 6.0, 5.0], "loop_code": [0, 1, 2]})
    captured, _ = measure_capture(picks, np.arange(3), np.arange(3), np.ones((1, 3)), (0.35,))
    return Part(
        "back-test",
        "Whether the ranking would have worked",
        (
            (
                "On several past dates the whole method is run with only what was known then: failures reported and "
                "closed before, sections installed before. Then the failures that followed are counted on the length "
                "each rule would have picked first. Rules are compared at the same length; a pick that "
                "is cut counts in part."
            ),
        ),
        (
            "A rule picks loops of 20, 30 and 50 km in this order; 9, 6 and 5 failures followed on them.",
            (
                f"On the first 35 km lie all of the first and half of the second: 9 + 6 × 15 / 30 = {captured[0]:.0f} "
                f"of 20, a capture of {style.percent(captured[0] / 20)}; picking blindly gives 35 %."
            ),
        ),
        "Common practice in forecasting: a forecast is judged on data it has not seen.",
    )


def by_itself() -> Part:
    shape = 1 / 0.5
    expected, before, seen = 2.0, 8, 3
    after = (shape + before) / (shape + expected) * expected
    lo, hi = (float(v[0]) for v in ratio_limits(np.array([seen]), np.array([after]), np.array([shape + before]), 0.90))
    return Part(
        "by-itself", "What would have fallen by itself",
        (("Cable picked for a bad record fails less afterwards even where nothing is done: part of the record was bad "
          "luck. So failures after a date are held against what the model expected with nothing done, from what was "
          "known on that date: the class curve from there on times the posterior multiplier. Only a count outside the "
          "limits of that comparison is called a difference, and even then something else may have changed."),),
        ((f"Three years before: {before} failures where the class expects {expected:.0f}; variance of multipliers 0.5, "
          f"so 1 / 0.5 = {shape:.0f}. For the three years after, at the same class rate, "
          f"({shape:.0f} + {before}) / ({shape:.0f} + {expected:.0f}) × {expected:.0f} = {after:.0f} are to be "
          f"expected with nothing done: a fall of {style.percent(1 - after / before, 1)} by itself."),
         (f"Seen: {seen}. Against the record that is {style.percent(1 - seen / before, 1)} less; against what was to "
          f"be expected {seen} / {after:.0f} = {seen / after:.2f} ({style.limits(lo, hi, 2)} at 90 %): chance.")),
        "E. Hauer, Observational Before-After Studies in Road Safety (1997), chapters 11 and 12. Limits: the count is "
        "negative binomial about the expected mean.",
    )  # fmt: skip


def past_forecast() -> Part:
    seen, forecast, constant = np.array([2.0, 0.0, 1.0]), np.array([1.5, 0.5, 1.0]), np.array([1.0, 1.0, 1.0])
    scores = [float(deviance(pd.Series(seen), pd.Series(mean)).sum()) for mean in (forecast, constant)]
    return Part(
        "past-forecast", "How a past forecast is scored",
        (("Deviance is twice the log-likelihood that a forecast loses against knowing every count: the sum of "
          "2 × (n ln(n / m) − n + m) for counts n and forecasts m. Smaller is better; it rewards telling bad loops "
          "from good ones, which the fleet's total alone does not."),),
        ("On three loops 2, 0 and 1 failures came. One forecast says 1.5, 0.5 and 1, the other 1 each: both 3 in all.",
         f"Deviance {scores[0]:.2f} against {scores[1]:.2f}: the first told the loops apart."),
        "P. McCullagh and J. A. Nelder, Generalized Linear Models (1989), section 2.3.",
    )  # fmt: skip


def places_moved() -> Part:
    return Part(
        "places-moved", "Why a loop moved in the ranking",
        (("Each ranking is kept, and the next is held against the last that differs. Failures expected per km are the "
          "class's times the multiplier, so a change is a product of two: what the class expects (age, length, curves) "
          "and what the loop's own record says. Places by its own figure are those it would have moved had no other "
          "loop changed; the rest are the others'."),),
        ("Loops A, B, C expect 40, 30 and 20 per 100 km and year, then 40, 30 and 35.",
         "C rises from 3 to 2 by its own figure; B falls from 2 to 3 though its figure stands: others moved past it."),
        "Arithmetic; no source.",
    )  # fmt: skip


def stages() -> Part:
    minutes = np.array([60.0, 75.0, 90.0, 110.0, 240.0])
    found = summarise(minutes, 0.90)
    return Part(
        "stages", "Mean, median and limits of a stage",
        (("A stage is the time between two stamps. Jobs lacking one are left out of that stage alone. Limits of the "
          "mean come from drawing whole days of jobs again with replacement (percentile bootstrap), or where the page "
          "works them out itself from the mean, spread and skewness."),),
        ("Five jobs of 60, 75, 90, 110 and 240 minutes: mean 575 / 5 = 115, median 90.",
         (f"Spread {minutes.std():.1f}; limits from {style.number(found['mean_lo'], 0)} to "
          f"{style.number(found['mean_hi'], 0)} minutes at 90 %: five jobs say little.")),
        "B. Efron and R. Tibshirani, An Introduction to the Bootstrap (1993), chapter 13; N. J. Johnson, J. Amer. "
        "Statist. Assoc. 73 (1978), 536-544.",
    )  # fmt: skip


def customer_minutes() -> Part:
    by_step, naive = 60 * 40 + 60 * 140, 120 * 140
    return Part(
        "customer-minutes", "Customer-minutes by step",
        (("Customers come back in steps. Each is counted until their own step; counting everyone until the last "
          "overstates."),),
        (f"120 customers out; 60 back after 40 minutes, 60 after 140: 60 × 40 + 60 × 140 = {by_step:,}.",
         f"Everyone until the last would be 120 × 140 = {naive:,}, {style.percent(naive / by_step - 1)} too many."),
        "IEEE Std 1366-2022, definitions of customer interruption duration.",
    )  # fmt: skip


def indices() -> Part:
    saidi, saifi = 120 * 90 / 1_000, 120 / 1_000
    return Part(
        "indices", "SAIDI, SAIFI, CAIDI",
        ("Over interruptions of more than five minutes. On cable faults alone, so a part of the system's index.",),
        ("1,000 customers served; 120 out for 90 minutes, 60 out for 3 minutes. The second does not count.",
         (f"SAIDI 120 × 90 / 1,000 = {saidi:.1f} minutes; SAIFI 120 / 1,000 = {saifi:.2f}; CAIDI {saidi:.1f} / "
          f"{saifi:.2f} = {saidi / saifi:.0f} minutes.")),
        "IEEE Std 1366-2022.",
    )  # fmt: skip


def comparisons() -> Part:
    moving = np.abs(np.diff(np.array([150.0, 162.0, 147.0, 171.0])))
    return Part(
        "months", "Months: chance or change",
        (("A month is compared with what months do by chance: the mean plus or minus 2.66 times the mean step from "
          "month to month. Inside these limits there is nothing to explain."),),
        ((f"Months of 150, 162, 147 and 171 minutes: steps 12, 15 and 24, mean step {moving.mean():.0f}; limits 157.5 "
          f"± 2.66 × {moving.mean():.0f} = {157.5 - 2.66 * moving.mean():.0f} to "
          f"{157.5 + 2.66 * moving.mean():.0f}."),),
        "W. A. Shewhart (1931); individuals chart, constant 3 / 1.128 = 2.66.",
    )  # fmt: skip


def velocity() -> Part:
    time = one_way_time_us(112.0, 56.0)
    right = time * 0.531 * C_M_PER_US
    return Part(
        "velocity", "From a displayed distance to a true one",
        (("An instrument measures time. It shows that time multiplied by the velocity it is set to. With the velocity "
          "fitted to the digs the same time gives the corrected distance. A setting too fast reads far."),),
        (f"Displayed 112.0 m at 56 % of c: 112.0 / (0.56 × {C_M_PER_US:.3f} m/µs) = {time:.4f} µs one way.",
         f"At 53.1 % of c: {time:.4f} × 0.531 × {C_M_PER_US:.3f} = {right:.1f} m, which is 112.0 × 53.1 / 56."),
        "Velocity of light 299.792458 m/µs, exact (SI). A distance is no permission to dig.",
    )  # fmt: skip


def offset() -> Part:
    near, far = 20.0, 200.0
    return Part(
        "offset", "Why percent errors mislead",
        (("An offset adds the same metres to every reading; a wrong velocity adds the same share. Averaging percent "
          "errors mixes the two. So slope and offset are fitted apart: time shown = sum over classes of length × "
          "slowness, times the instrument's scale, plus its offset."),),
        ((f"Offset 1.6 m and a right velocity: at {near:.0f} m the error is {100 * 1.6 / near:.1f} %, at {far:.0f} m "
          f"{100 * 1.6 / far:.1f} %. The mean, {50 * 1.6 / near + 50 * 1.6 / far:.1f} %, looks like a velocity that is "
          "wrong."),),
        "Weighted least squares with random effects: J. C. Pinheiro and D. M. Bates, Mixed-Effects Models (2000), "
        "chapter 2.",
    )  # fmt: skip
