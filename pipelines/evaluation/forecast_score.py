"""How good was last year's forecast? Failures expected at past dates beside those of the year that followed."""

import numpy as np
import pandas as pd

from pipelines.evaluation.before_after import find_in_model
from pipelines.survival.history import (
    FailureHistory,
    code_names,
    find_rows,
    list_loop_failures,
    list_own_failures,
    share_over_loops,
)
from pipelines.survival.integer_codes import pair_codes
from pipelines.survival.model import FailureModel
from shared.arrays import Floats, Integers
from shared.intervals import count_coverage, count_limits
from shared.units import DAYS_PER_YEAR

SCORED_YEARS = 1.0
"""Years after each past date that are scored."""

DEVIANCES = ("model", "constant", "class_constant")


def score_forecast(history: FailureHistory, model: FailureModel, coverage: float) -> pd.DataFrame:
    """Expected and seen failures of the year after a past date, for the whole and by class of cable.

    Parameters
    ----------
    history
        What is known now.
    model
        Fitted at the past date to what was known then (history.known_at of this history; its windows say when).
    coverage
        Coverage of the limits.

    Returns
    -------
    DataFrame
        origin, grouped_by (all, cable_class), group_name, length_km, expected, expected_lo, expected_hi (limits of the
        count that was to come), observed_failures, is_inside, deviance_model, deviance_constant,
        deviance_class_constant; of the whole also loops, loops_inside_fraction and loops_inside_promised. No rows
        where the date is less than a year ago.

    Notes
    -----
    The count to come is Poisson about a mean that is a gamma: the posterior of the multipliers and the error of the
    level of each class's curve; its limits are negative binomial. A section counts for the part of the year that it
    stayed in service. Failures known by loop alone are shared over the loop's sections by their forecast, so a class
    may have seen parts of a failure; loops and the whole have whole ones. Sections of a loop of one class are taken to
    vary with the loop. Deviances are Poisson, summed over the cable of a loop of a class: of the forecast, of the
    fleet's failures per km and year up to the date carried on, and of each class's.

    References
    ----------
    P. McCullagh and J. A. Nelder, Generalized Linear Models (1989), section 2.3 (deviance).

    Checked by: tests/unit/test_evaluation_forecast_score.py
    """
    w = model.windows
    if w.as_of > pd.Timestamp(history.as_of) - pd.Timedelta(days=round(SCORED_YEARS * DAYS_PER_YEAR)):
        return pd.DataFrame()
    code, classes = pd.factorize(w.sections["cable_class"], sort=True)
    cells = _sum_cells(history.keep(code_names), model, code)
    fleet, by_class = constant_rates(model, code)
    cells = cells.assign(
        deviance_model=deviance(cells["seen"], cells["expected"]),
        deviance_constant=deviance(cells["seen"], fleet * cells["km_years"]),
        deviance_class_constant=deviance(cells["seen"], by_class[cells["code"].to_numpy()] * cells["km_years"]),
        noise=relative_variance(model)[cells["loop"].to_numpy()] * cells["expected"] ** 2,
    )
    of_class = [
        _row(part, str(classes[part["code"].iloc[0]]), "cable_class", coverage) for _, part in cells.groupby("code")
    ]
    whole = _row(cells, "all", "all", coverage) | judge_loops(cells, coverage)
    return pd.DataFrame([whole, *of_class]).assign(origin=w.as_of, loops=lambda rows: rows["loops"].astype("int64"))


def _sum_cells(history: FailureHistory, model: FailureModel, code: Integers) -> pd.DataFrame:
    """What was expected and seen of the cable of a loop (its place in the tree) and a class: one row of each."""
    w = model.windows
    years = years_in_service(history, model)
    expected = model.ahead(SCORED_YEARS) * model.posterior.mean * years / SCORED_YEARS
    km = w.sections["length_km"].to_numpy(dtype=np.float64) * w.in_service
    loop = model.tree.loop_of_half[model.tree.half_of_section]
    used = km > 0
    of_cell, cell = pair_codes(code[used], loop[used])
    at = np.zeros(len(of_cell), dtype=np.int64)
    at[cell] = loop[used]
    summed = {
        "km": km,
        "km_years": km * years,
        "expected": expected,
        "seen": count_seen(history, model, expected),
        "level_error": expected * model.variation,
    }
    sums = {name: np.bincount(cell, values[used], len(at)) for name, values in summed.items()}
    return pd.DataFrame({"loop": at, "code": of_cell, **sums})


def _row(cells: pd.DataFrame, name: str, grouped_by: str, coverage: float) -> dict[str, object]:
    """Expected with limits, seen, and deviances of some cells."""
    mean, seen = float(cells["expected"].sum()), float(cells["seen"].sum())
    # levels of two classes err independently, those of one class's cable together
    levels = np.bincount(cells["code"], cells["level_error"])
    variance = float(cells["noise"].sum() + (levels**2).sum())
    lo, hi = count_limits(mean, mean**2 / max(variance, 1e-12), coverage)
    sums = {f"deviance_{kind}": float(cells[f"deviance_{kind}"].sum()) for kind in DEVIANCES}
    return {
        "grouped_by": grouped_by,
        "group_name": name,
        "length_km": float(cells["km"].sum()),
        "loops": cells["loop"].nunique(),
        "expected": mean,
        "expected_lo": int(lo),
        "expected_hi": int(hi),
        "observed_failures": seen,
        "is_inside": bool(lo <= round(seen, 6) <= hi),
        **sums,
        "loops_inside_fraction": np.nan,
        "loops_inside_promised": np.nan,
    }


def judge_loops(cells: pd.DataFrame, coverage: float) -> dict[str, float]:
    """Share of loops whose count lies within its own limits, and the share that was promised.

    A count is whole: the limits of most loops are 0 to 0 or 0 to 1 and promise more than the level, so the promise is
    worked out loop by loop.
    """
    loops = cells.groupby("loop")[["expected", "seen", "noise", "level_error"]].sum()
    mean, seen = loops["expected"].to_numpy(), loops["seen"].round().to_numpy()
    spread = (loops["noise"].to_numpy() + loops["level_error"].to_numpy() ** 2) / np.maximum(mean, 1e-12) ** 2
    shape = 1.0 / np.maximum(spread, 1e-9)
    lo, hi = count_limits(mean, shape, coverage)
    return {
        "loops_inside_fraction": float(np.mean((seen >= lo) & (seen <= hi))),
        "loops_inside_promised": float(np.mean(count_coverage(mean, shape, lo, hi))),
    }


def relative_variance(model: FailureModel) -> Floats:
    """Posterior variance of each loop's total of the forecast over its mean squared."""
    totals = model.totals_ahead(SCORED_YEARS)
    return np.divide(
        totals.loop_variance, totals.loop_mean**2, out=np.zeros(len(totals.loop_mean)), where=totals.loop_mean > 0
    )


def years_in_service(history: FailureHistory, model: FailureModel) -> Floats:
    """Part of the year after the model's date for which each of its sections stayed in service."""
    place = history.keep(find_rows)[model.windows.sections["section_code"]]
    retired = pd.to_datetime(history.sections["retired_on"]).iloc[place]
    days = (retired - model.windows.as_of).dt.days.to_numpy(dtype=np.float64, na_value=np.inf)
    return np.asarray(np.clip(days / DAYS_PER_YEAR, 0.0, SCORED_YEARS))


def count_seen(history: FailureHistory, model: FailureModel, expected: Floats) -> Floats:
    """Failures of the year after the model's date by section; those known by loop alone shared by the forecast."""
    w = model.windows
    end = w.as_of + pd.Timedelta(days=round(SCORED_YEARS * DAYS_PER_YEAR))
    own, alone = (
        failures[(failures["failed_on"] > w.as_of) & (failures["failed_on"] <= end)]
        for failures in (history.keep(list_own_failures), history.keep(list_loop_failures))
    )
    place = find_in_model(model, own["section_code"].to_numpy())
    seen = np.bincount(place[place >= 0], minlength=len(w.sections)).astype(np.float64)
    return seen + share_over_loops(alone["loop_code"].to_numpy(), w.sections["loop_code"].to_numpy(), expected)


def constant_rates(model: FailureModel, code: Integers) -> tuple[float, Floats]:
    """Failures per km and year up to the model's date, of the fleet and of each class."""
    w = model.windows
    km_years = np.bincount(code, w.sum_by_section(w.km * (w.exit_years - w.entry_years)))
    failures = np.bincount(code, model.failures)
    return float(failures.sum() / km_years.sum()), np.asarray((failures + 0.5) / np.maximum(km_years, 1e-9))


def deviance(seen: pd.Series, mean: pd.Series) -> Floats:
    """Poisson deviance of counts from their means, one a count."""
    n, m = seen.to_numpy(dtype=np.float64), np.maximum(mean.to_numpy(dtype=np.float64), 1e-12)
    with np.errstate(divide="ignore", invalid="ignore"):
        informative = np.where(n > 0, n * np.log(n / m), 0.0)
    return np.asarray(2.0 * (informative - (n - m)))
