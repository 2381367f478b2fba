"""Would the ranking have caught the failures that followed, and more of them than the rules people use?

At a past date only what was known then is used; then the cable is picked from the top of each rule until a
share of the length is reached, and the failures that followed on it are counted. Everything here works on
frames, so the same harness scores the warehouse, a simulated fleet and open data.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipelines.evaluation.capture import LENGTH_FRACTIONS, Draws, measure_capture, sum_drawn
from pipelines.evaluation.rule_orders import RULES, order_by_rule
from pipelines.survival.history import (
    FailureHistory,
    code_names,
    find_rows,
    known_at,
    list_loop_failures,
    list_own_failures,
    share_over_loops,
)
from shared.arrays import Floats, Integers
from shared.intervals import poisson_limits
from shared.units import DAYS_PER_YEAR

GRAINS = ("section", "loop")
RECENT_YEARS = 3.0
"""Years that recent_failures looks back."""


class Model(Protocol):
    """What the back-test asks of a fitted failure model."""

    def forecast(self, years: float) -> pd.DataFrame: ...


Fit = Callable[[FailureHistory], Model]

Orders = Mapping[str, tuple[Integers, Integers]]
"""order_by_rule of every rule."""

Measure = Callable[[pd.DataFrame, dt.date, float, str, Orders, Draws], pd.DataFrame]
"""Units, origin, horizon in years, level, orders of the rules, and draws of loops (replicates, loops), to rows of a
table."""


@dataclass(frozen=True)
class Backtest:
    """What each rule caught at each origin, the model's lead over each, and expected beside observed."""

    captures: pd.DataFrame
    differences: pd.DataFrame
    calibration: pd.DataFrame
    further: pd.DataFrame


def choose_origins(history: FailureHistory, horizon_years: float, count: int) -> tuple[list[dt.date], float]:
    """Past dates to stand on, yearly, the latest one horizon ago, and the horizon that the records allow.

    Returns
    -------
    origins, horizon
        Earliest first; none where the records span less than two years. The horizon is shortened to half of a short
        record.

    Notes
    -----
    Before an origin there must be three years of records, or a third of them if that is less.

    Checked by: tests/unit/test_evaluation_backtest.py
    """
    entries = pd.to_datetime(history.sections["in_view_from"]).dropna()
    if entries.empty:
        return [], horizon_years
    first, last = entries.min(), pd.Timestamp(history.as_of)
    span = (last - first).days / DAYS_PER_YEAR
    if span < 2.0:
        return [], horizon_years
    horizon = min(horizon_years, float(max(1.0, np.floor(span / 2.0))))
    earliest = first + pd.Timedelta(days=min(3.0, span / 3.0) * DAYS_PER_YEAR)
    latest = last - pd.DateOffset(years=int(horizon)) - pd.Timedelta(days=round(horizon % 1.0 * DAYS_PER_YEAR))
    origins = [latest - pd.DateOffset(years=k) for k in range(count)]
    return [origin.date() for origin in reversed(origins) if origin >= earliest], horizon


def run_backtest(
    history: FailureHistory,
    fit: Fit,
    origins: list[dt.date],
    horizon_years: float,
    *,
    coverage: float,
    replicates: int,
    random: np.random.Generator,
    further_rules: Mapping[dt.date, Mapping[str, pd.Series]] | None = None,
    further_measure: Measure | None = None,
) -> Backtest:
    """Fit at every origin with what was known then, pick by every rule, and count what followed.

    Parameters
    ----------
    history
        What is known now.
    fit
        Fits the failure model to a history.
    origins, horizon_years
        Dates to stand on; years counted after each.
    coverage
        Coverage of the limits.
    replicates
        Bootstrap replicates, each drawing the fleet's loops anew.
    random
        Draws the loops.
    further_rules
        Scores of sections (by section_id, failures per km, larger is picked first) under further rule names, by
        origin: perfect knowledge of a simulated fleet, for instance.
    further_measure
        Measures the units of each origin and level in another way, with the same orders and draws of loops.

    Returns
    -------
    Backtest
        captures: origin, horizon_years, level, rule, length_fraction, failures_captured, failures_total,
        capture_fraction, capture_lo, capture_hi. differences: level, rule, length_fraction, origins, capture_model,
        capture_rule, difference, difference_lo, difference_hi. calibration: origin, decile, length_km, expected,
        observed, observed_lo, observed_hi. further: what further_measure gave.

    Notes
    -----
    Limits are percentile limits over resampled loops, the same loops for all rules and origins, so that differences
    are paired. Sections are picked as in service at the origin; what is retired within the horizon stops failing, as
    it did.

    References
    ----------
    B. Efron and R. Tibshirani, An Introduction to the Bootstrap, 1993, ch. 8 and 13.

    Checked by: tests/simulated/test_evaluation_backtest.py, tests/unit/test_evaluation_backtest.py
    """
    history = history.keep(code_names)
    draws = draw_loops(int(history.sections["loop_code"].max()) + 1, replicates, random)
    captures, calibrations, others, replicas = [], [], [], {}

    def stand_on(origin: dt.date) -> None:
        """One origin; what it takes is let go before the next is fitted."""
        further = (further_rules or {}).get(origin, {})
        units = list_units(history, origin, horizon_years, fit(known_at(history, origin)), further)
        for grain in GRAINS:
            scored = units if grain == "section" else roll_up(units, tuple(further))
            by_age, _ = order_by_rule(scored, "oldest_first")
            orders = {rule: order_by_rule(scored, rule, by_age) for rule in (*RULES, *further)}
            totals = sum_drawn(scored, draws)
            for rule, (order, groups) in orders.items():
                found, drawn = measure_capture(scored, order, groups, draws, drawn_totals=totals)
                replicas[origin, grain, rule] = drawn
                captures.append(_capture_rows(scored, origin, horizon_years, grain, rule, found, drawn, coverage))
            if further_measure is not None:
                others.append(further_measure(scored, origin, horizon_years, grain, orders, draws))
        calibrations.append(calibrate(units, origin, coverage))

    for origin in origins:
        stand_on(origin)
    frame = _concatenate(captures)
    return Backtest(
        frame, _compare(frame, replicas, origins, coverage), _concatenate(calibrations), _concatenate(others)
    )


def draw_loops(loops: int, replicates: int, random: np.random.Generator) -> NDArray[np.uint8]:
    """How often each loop is drawn in each replicate, shape (replicates, loops).

    Notes
    -----
    Held in bytes, for there are many: that a loop is drawn more than 255 times has no chance. A loop's draws lie
    together, for they are looked up by loop.
    """
    drawn = np.empty((loops, replicates), dtype=np.uint8)
    for first in range(0, replicates, 16):
        some = random.multinomial(loops, np.full(loops, 1.0 / max(loops, 1)), size=min(16, replicates - first))
        drawn[:, first : first + 16] = some.T
    return drawn.T


def list_units(
    history: FailureHistory,
    origin: dt.date,
    horizon_years: float,
    model: Model,
    further: Mapping[str, pd.Series] | None = None,
) -> pd.DataFrame:
    """Sections in service at the origin with what was known then, what was forecast, and what followed.

    Returns
    -------
    DataFrame
        section_id, section_code, loop_code (history.code_names), length_km, expected (forecast over the horizon),
        expected_in_view (the part of it for the time the section stayed in service), failures, failures_recent,
        failures_five_years, age_years (-1 where the date is unknown), observed (failures that followed),
        observed_shared (with those of which only the loop is known, shared over its sections by what was expected of
        each), and one column a further rule. In the order of section_code.

    Notes
    -----
    Checked by: tests/unit/test_evaluation_backtest.py
    """
    history = history.keep(code_names)
    forecast = model.forecast(horizon_years)
    place, code = find_sections(history, forecast)
    if np.any(np.diff(code) < 0):
        by_code = np.argsort(code, kind="stable")
        forecast, place, code = forecast.iloc[by_code], place[by_code], code[by_code]
    facts = history.sections[["retired_on", "installed_on", "is_installed_on_known", "loop_code"]].iloc[place]
    start, end = pd.Timestamp(origin), pd.Timestamp(origin) + pd.Timedelta(days=round(horizon_years * DAYS_PER_YEAR))
    own = history.keep(list_own_failures)
    failed_on = own["failed_on"]
    known = (failed_on <= start) & (own["closed_on"] <= start)

    def count(chosen: pd.Series) -> Integers:
        failed_in = own["section_code"].to_numpy()[chosen.to_numpy()]
        return np.bincount(failed_in, minlength=int(code.max(initial=-1)) + 1)[code]

    def known_within(years: float) -> Integers:
        return count(known & (failed_on > start - pd.Timedelta(days=round(years * DAYS_PER_YEAR))))

    retired = pd.to_datetime(facts["retired_on"]).fillna(end)
    in_service = ((retired - start).dt.days / (end - start).days).clip(0.0, 1.0).to_numpy()
    installed = pd.to_datetime(facts["installed_on"]).where(facts["is_installed_on_known"].astype(bool))
    units = pd.DataFrame(
        {
            "section_id": forecast["section_id"].to_numpy(),
            "section_code": code,
            "loop_code": facts["loop_code"].to_numpy(),
            "length_km": forecast["length_km"].to_numpy(dtype=float),
            "expected": forecast["expected_failures"].to_numpy(dtype=float),
            "expected_in_view": forecast["expected_failures"].to_numpy(dtype=float) * in_service,
            "failures": count(known),
            "failures_recent": known_within(RECENT_YEARS),
            "failures_five_years": known_within(5.0),
            "age_years": ((start - installed).dt.days / DAYS_PER_YEAR).fillna(-1.0).to_numpy(),
            "observed": count((failed_on > start) & (failed_on <= end)),
        }
    )
    alone = history.keep(list_loop_failures)
    struck = alone.loc[(alone["failed_on"] > start) & (alone["failed_on"] <= end), "loop_code"]
    units["observed_shared"] = units["observed"] + share_over_loops(
        struck.to_numpy(), units["loop_code"].to_numpy(), units["expected_in_view"].to_numpy()
    )
    for rule, score in (further or {}).items():
        units[rule] = score.reindex(units["section_id"]).to_numpy(dtype=float)
    return units


def find_sections(history: FailureHistory, forecast: pd.DataFrame) -> tuple[Integers, Integers]:
    """Row of the history's sections and section_code of each row of a forecast, which has the code or the name."""
    codes = history.sections["section_code"].to_numpy(dtype=np.int64)
    if "section_code" in forecast.columns:
        code = forecast["section_code"].to_numpy(dtype=np.int64)
        return history.keep(find_rows)[code], code
    rows = pd.Index(history.sections["section_id"]).get_indexer(pd.Index(forecast["section_id"]))
    return rows, codes[rows]


def roll_up(units: pd.DataFrame, further: tuple[str, ...] = ()) -> pd.DataFrame:
    """Sections summed to loops, by loop_code; the age is the mean by length, further rules' rates likewise."""
    dated = units["age_years"].ge(0)
    weighted = units.drop(columns=["section_id", "section_code", "age_years"]).assign(
        dated_km=units["length_km"].where(dated, 0.0),
        aged_km=(units["length_km"] * units["age_years"]).where(dated, 0.0),
        **{rule: units[rule] * units["length_km"] for rule in further},
    )
    sums = weighted.groupby("loop_code").sum().reset_index()
    aged = (sums["aged_km"] / sums["dated_km"].where(sums["dated_km"] > 0)).fillna(-1.0)
    per_km = {rule: sums[rule] / sums["length_km"] for rule in further}
    return sums.drop(columns=["dated_km", "aged_km"]).assign(age_years=aged, **per_km)


def _capture_rows(
    units: pd.DataFrame,
    origin: dt.date,
    horizon_years: float,
    grain: str,
    rule: str,
    captured: Floats,
    drawn: Floats,
    coverage: float,
) -> pd.DataFrame:
    total = int(units["observed"].sum())
    tails = [(1.0 - coverage) / 2.0, (1.0 + coverage) / 2.0]
    limits = np.quantile(drawn, tails, axis=0) if len(drawn) else np.full((2, len(captured)), np.nan)
    return pd.DataFrame(
        {
            "origin": pd.Timestamp(origin),
            "horizon_years": horizon_years,
            "level": grain,
            "rule": rule,
            "length_fraction": LENGTH_FRACTIONS,
            "failures_captured": captured,
            "failures_total": total,
            "capture_fraction": captured / total if total else np.nan,
            "capture_lo": limits[0],
            "capture_hi": limits[1],
        }
    )


def _compare(
    captures: pd.DataFrame, replicas: dict[tuple[dt.date, str, str], Floats], origins: list[dt.date], coverage: float
) -> pd.DataFrame:
    """The model's capture less each rule's, mean over the origins, with paired limits."""
    tails = [(1.0 - coverage) / 2.0, (1.0 + coverage) / 2.0]
    rows = []
    for grain, rule in sorted({(unit, rule) for _, unit, rule in replicas}):
        if rule == "model":
            continue
        of_grain = captures[captures["level"].eq(grain)]
        mean = of_grain.groupby(["rule", "length_fraction"])["capture_fraction"].mean()
        gaps = np.mean([replicas[o, grain, "model"] - replicas[o, grain, rule] for o in origins], axis=0)
        limits = np.quantile(gaps, tails, axis=0)
        rows.append(
            pd.DataFrame(
                {
                    "level": grain,
                    "rule": rule,
                    "length_fraction": LENGTH_FRACTIONS,
                    "origins": len(origins),
                    "capture_model": mean["model"].to_numpy(),
                    "capture_rule": mean[rule].to_numpy(),
                    "difference": (mean["model"] - mean[rule]).to_numpy(),
                    "difference_lo": limits[0],
                    "difference_hi": limits[1],
                }
            )
        )
    return _concatenate(rows)


def calibrate(units: pd.DataFrame, origin: dt.date, coverage: float) -> pd.DataFrame:
    """Failures expected beside failures seen, by tenths of the length from the least to the most expected per km.

    Notes
    -----
    Expected counts the part of the horizon for which a section stayed in service. Failures known by loop alone are in
    both: shared by expectation, they lean a little to the forecast. Limits of the seen are exact Poisson.

    Checked by: tests/unit/test_evaluation_backtest.py
    """
    rate = (units["expected"] / units["length_km"]).to_numpy()
    ordered = units[["length_km", "expected_in_view", "observed_shared"]].iloc[np.argsort(rate, kind="stable")]
    km = ordered["length_km"].to_numpy(dtype=np.float64)
    decile = np.minimum((np.cumsum(km) - km / 2.0) / km.sum() * 10.0, 9.0).astype(np.int64) + 1
    sums = ordered.groupby(decile)[["length_km", "expected_in_view", "observed_shared"]].sum()
    lo, hi = poisson_limits(sums["observed_shared"].to_numpy(), coverage)
    return pd.DataFrame(
        {
            "origin": pd.Timestamp(origin),
            "decile": sums.index.to_numpy(),
            "length_km": sums["length_km"].to_numpy(),
            "expected": sums["expected_in_view"].to_numpy(),
            "observed": sums["observed_shared"].to_numpy(),
            "observed_lo": lo,
            "observed_hi": hi,
        }
    )


def _concatenate(frames: list[pd.DataFrame]) -> pd.DataFrame:
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame()
