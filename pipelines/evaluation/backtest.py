"""Would the ranking have caught the failures that followed, and more of them than the rules people use?

At a past date only what was known then is used; then the cable is picked from the top of each rule until a
share of the length is reached, and the failures that followed on it are counted. Everything here works on
frames, so the same harness scores the warehouse, a simulated fleet and open data.
"""

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipelines.evaluation.backtest_summary import Tally
from pipelines.evaluation.capture import LENGTH_FRACTIONS, Draws, measure_capture, sum_drawn
from pipelines.evaluation.class_rates import rate_units
from pipelines.evaluation.rule_orders import PRESENT_RULE, RULES, flag_by_rule, order_by_rule
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

RATES = ("class_rate", "class_age_rate")
"""Rates per km of class_rates.rate_units; a loop's is the mean by length."""

COUNTED = ("observed", "observed_distinct")
"""Failures of the whole horizon, and those that the date judges: up to the next past date."""


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
    """What each rule caught at each origin, and of all failures once, and expected beside observed."""

    captures: pd.DataFrame
    summary: pd.DataFrame
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
    present_rule: Mapping[str, float] | None = None,
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
    present_rule
        Thresholds of the rule in use (rule_orders.flag_by_rule); none: it is left out.
    further_rules
        Scores of sections (by section_id, failures per km, larger is picked first) under further rule names, by
        origin: perfect knowledge of a simulated fleet, for instance.
    further_measure
        Measures the units of each origin and level in another way, with the same orders and draws of loops.

    Returns
    -------
    Backtest
        captures: origin, horizon_years, level, rule, length_fraction, failures_captured, failures_total,
        capture_fraction, capture_lo, capture_hi. summary: marts.backtest_summary. calibration: calibrate, for every
        origin. further: what further_measure gave.

    Notes
    -----
    Limits are by resampling loops, the same loops for all rules and origins, so that differences are paired. Sections
    are picked as in service at the origin; what is retired within the horizon stops failing, as it did. Rules with
    thresholds are also cut at what they flag.

    References
    ----------
    B. Efron and R. Tibshirani, An Introduction to the Bootstrap, 1993, ch. 8 and 13.

    Checked by: tests/simulated/test_evaluation_backtest.py, tests/unit/test_evaluation_backtest.py
    """
    history = history.keep(code_names)
    draws = draw_loops(int(history.sections["loop_code"].max()) + 1, replicates, random)
    captures, calibrations, others, tally = [], [], [], Tally()
    present = present_rule or {}

    def stand_on(origin: dt.date, until: dt.date | None) -> None:
        """One origin; what it takes is let go before the next is fitted."""
        further, known = (further_rules or {}).get(origin, {}), known_at(history, origin)
        units = list_units(history, origin, horizon_years, fit(known), further, until, present.get("years"))
        units = units.assign(**rate_units(known, units))
        for grain in GRAINS:
            scored = units if grain == "section" else roll_up(units, (*RATES, *further))
            by_age, _ = order_by_rule(scored, "oldest_first")
            orders = {rule: order_by_rule(scored, rule, by_age) for rule in (*RULES, *further)}
            captures.append(
                _capture(scored, orders, draws, present, tally, grain, coverage).assign(
                    origin=pd.Timestamp(origin), horizon_years=horizon_years
                )
            )
            if further_measure is not None:
                others.append(further_measure(scored, origin, horizon_years, grain, orders, draws))
        calibrations.append(calibrate(units, origin, coverage))
        tally.origins += 1

    later = dict(pairwise(sorted(origins)))
    for origin in origins:
        stand_on(origin, later.get(origin))
    return Backtest(
        _concatenate(captures),
        tally.tabulate(coverage).rename(columns={"picked_fraction": "length_fraction"}),
        _concatenate(calibrations),
        _concatenate(others),
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
    until: dt.date | None = None,
    present_years: float | None = None,
) -> pd.DataFrame:
    """Sections in service at the origin with what was known then, what was forecast, and what followed.

    Returns
    -------
    DataFrame
        section_id, section_code, loop_code (history.code_names), length_km, expected (forecast over the horizon),
        expected_in_view (the part of it for the time the section stayed in service), failures, failures_recent,
        failures_five_years, age_years (-1 where the date is unknown), observed (failures that followed),
        observed_shared (with those of which only the loop is known, shared over its sections by what was expected of
        each), expected_distinct, observed_distinct and observed_distinct_shared (the same up to the next past date
        alone), failures_present (of present_years; none: of the whole record), and one column a further rule. In the
        order of section_code.

    Notes
    -----
    Checked by: tests/unit/test_evaluation_backtest.py
    """
    history = history.keep(code_names)
    forecast = model.forecast(horizon_years)
    place, code = find_sections(history, forecast)
    by_code = None
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

    alone = history.keep(list_loop_failures)
    retired = pd.to_datetime(facts["retired_on"])

    def follow(last: pd.Timestamp, expected: Floats) -> tuple[Floats, Integers, Floats]:
        """Expected while in service up to a day, failures seen, and with those known by loop alone."""
        in_service = ((retired.fillna(last) - start).dt.days / (last - start).days).clip(0.0, 1.0).to_numpy()
        struck = alone.loc[(alone["failed_on"] > start) & (alone["failed_on"] <= last), "loop_code"]
        seen = count((failed_on > start) & (failed_on <= last))
        shared = share_over_loops(struck.to_numpy(), facts["loop_code"].to_numpy(), expected * in_service)
        return expected * in_service, seen, seen + shared

    expected = forecast["expected_failures"].to_numpy(dtype=float)
    in_view, observed, observed_shared = whole = follow(end, expected)
    if until is not None and pd.Timestamp(until) < end:
        # to a hundredth of a year, so that every year from one date to the next is forecast alike
        years = round((pd.Timestamp(until) - start).days / DAYS_PER_YEAR, 2)
        sooner = model.forecast(years)["expected_failures"].to_numpy(dtype=float)
        whole = follow(pd.Timestamp(until), sooner if by_code is None else sooner[by_code])
    installed = pd.to_datetime(facts["installed_on"]).where(facts["is_installed_on_known"].astype(bool))
    units = pd.DataFrame(
        {
            "section_id": forecast["section_id"].to_numpy(),
            "section_code": code,
            "loop_code": facts["loop_code"].to_numpy(),
            "length_km": forecast["length_km"].to_numpy(dtype=float),
            "expected": expected,
            "expected_in_view": in_view,
            "failures": count(known),
            "failures_recent": known_within(RECENT_YEARS),
            "failures_five_years": known_within(5.0),
            "failures_present": count(known) if present_years is None else known_within(present_years),
            "age_years": ((start - installed).dt.days / DAYS_PER_YEAR).fillna(-1.0).to_numpy(),
            "observed": observed,
            "observed_shared": observed_shared,
            "expected_distinct": whole[0],
            "observed_distinct": whole[1],
            "observed_distinct_shared": whole[2],
        },
        copy=False,
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


def _capture(
    units: pd.DataFrame,
    orders: Orders,
    draws: Draws,
    present_rule: Mapping[str, float],
    tally: Tally,
    grain: str,
    coverage: float,
) -> pd.DataFrame:
    """What every rule captures at one origin and level: rows of backtest; what the origin judges goes to the tally."""
    totals, km = sum_drawn(units, draws, counted=COUNTED), units["length_km"].sum()
    tally.count(grain, units, totals, draws.shape[1], "length_km")
    flagging = ("three_in_five_years", *([PRESENT_RULE] if present_rule else []))
    lengths = []
    for rule in flagging:
        part = units[flag_by_rule(units, rule, present_rule)]
        drawn_km, drawn = sum_drawn(part, draws, counted=COUNTED[1:])
        lengths.append((part["length_km"].sum(), drawn_km))
        tally.add(grain, rule, rule, np.array([lengths[-1][0]]), np.array([part[COUNTED[1]].sum()]), drawn.T)
    own = np.array([length for length, _ in lengths]), np.column_stack([drawn for _, drawn in lengths])
    cuts, rows = len(LENGTH_FRACTIONS), []
    for rule, (order, groups) in orders.items():
        amounts = own if rule == "model" else None
        found, drawn = measure_capture(
            units, order, groups, draws, counted=COUNTED, drawn_totals=totals, amounts=amounts
        )
        tally.add(grain, rule, "", km * np.array(LENGTH_FRACTIONS), found[1, :cuts], drawn[:, 1, :cuts])
        for place, flagged in enumerate(flagging if rule == "model" else (), start=cuts):
            tally.add(grain, rule, flagged, own[0][[place - cuts]], found[1, [place]], drawn[:, 1, [place]])
        shares = drawn[:, 0, :cuts] / np.maximum(totals[1][0], 1e-9)[:, None]
        rows.append(capture_rows(units, found[0, :cuts], shares, coverage).assign(level=grain, rule=rule))
    return pd.concat(rows, ignore_index=True).assign(length_fraction=np.tile(LENGTH_FRACTIONS, len(rows)))


def capture_rows(units: pd.DataFrame, captured: Floats, shares: Floats, coverage: float) -> pd.DataFrame:
    """Captured at each cut, of how many, with percentile limits of the share, which has replicates or not."""
    total = int(units["observed"].sum())
    tails = [(1.0 - coverage) / 2.0, (1.0 + coverage) / 2.0]
    limits = np.quantile(shares, tails, axis=0) if len(shares) else np.full((2, len(captured)), np.nan)
    return pd.DataFrame(
        {
            "failures_captured": captured,
            "failures_total": total,
            "capture_fraction": captured / total if total else np.nan,
            "capture_lo": limits[0],
            "capture_hi": limits[1],
        }
    )


def calibrate(units: pd.DataFrame, origin: dt.date, coverage: float) -> pd.DataFrame:
    """Failures expected beside failures seen, by tenths of the length from the least to the most expected per km.

    Notes
    -----
    Expected counts the part of the horizon for which a section stayed in service. Failures known by loop alone are in
    both: shared by expectation, they lean a little to the forecast. Limits of the seen are exact Poisson.

    Checked by: tests/unit/test_evaluation_backtest.py
    """
    rate = (units["expected"] / units["length_km"]).to_numpy()
    counts = ["expected_in_view", "observed_shared", "expected_distinct", "observed_distinct_shared"]
    ordered = units[["length_km", *counts]].iloc[np.argsort(rate, kind="stable")]
    km = ordered["length_km"].to_numpy(dtype=np.float64)
    decile = np.minimum((np.cumsum(km) - km / 2.0) / km.sum() * 10.0, 9.0).astype(np.int64) + 1
    sums = ordered.groupby(decile)[["length_km", *counts]].sum()
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
            "expected_distinct": sums["expected_distinct"].to_numpy(),
            "observed_distinct": sums["observed_distinct_shared"].to_numpy(),
        }
    )


def _concatenate(frames: list[pd.DataFrame]) -> pd.DataFrame:
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame()
