"""Did failures fall by more than they would have by themselves?

Cable picked for its record fails less afterwards even where nobody touches it: part of a bad record is bad luck, and
luck does not repeat. So what was seen after a date is compared with what the model expected then, with nothing done,
from what was known then; the fall from the record itself is shown beside it, for that is the one people quote.
"""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipelines.survival import hierarchical_frailty
from pipelines.survival.evidence import REPEAT_DAYS
from pipelines.survival.history import (
    FailureHistory,
    code_names,
    find_rows,
    list_loop_failures,
    list_own_failures,
    years_between,
)
from pipelines.survival.model import FailureModel, gamma_limits
from shared.arrays import Floats, Integers
from shared.intervals import poisson_limits, ratio_limits
from shared.units import DAYS_PER_YEAR

Days = NDArray[np.datetime64]

LEAST_EXPECTED = 3.0
"""With fewer failures expected the limits are too wide for any verdict."""

GROUP = ["grouped_by", "group_name"]


def tabulate_before_after(history: FailureHistory, members: pd.DataFrame, coverage: float) -> pd.DataFrame:
    """Failures before and after a date for sets of sections, beside those to be expected with nothing done.

    Parameters
    ----------
    history
        What is known now.
    members
        The sets with what was to be expected of each section: expect_nothing_done.
    coverage
        Coverage of the limits.

    Returns
    -------
    DataFrame
        One row a set: grouped_by, group_name, picked_from, picked_to, loops, sections, length_km, years_before,
        failures_before, years_after, naive_after, expected_after with limits, seen_after with limits, naive_fall_pct,
        expected_fall_pct, seen_over_expected with limits, effect_verdict, sections_left_out.

    Notes
    -----
    expected_after is the class curve from the date onward times the posterior mean of the section's multiplier, given
    all failures up to the date (the empirical Bayes estimate with nothing done). Its limits are those of a gamma with
    the posterior's variance and the error of the class's level. seen_after has exact Poisson limits; the ratio has
    those of a negative binomial count. naive_after is the record before, carried on. Sections of a loop picked on
    different days of a set are taken as independent.

    References
    ----------
    E. Hauer, Observational Before-After Studies in Road Safety (1997), ch. 11 and 12.

    Checked by: tests/unit/test_evaluation_before_after.py, tests/simulated/test_evaluation_before_after.py
    """
    if members.empty:
        return pd.DataFrame()
    used = (
        members["expected"].notna()
        & members["after_years"].gt(0)
        & members["before_years"].gt(0)
        & members["is_followed"]
    )
    kept = members[used]
    if kept.empty:
        return pd.DataFrame()
    left_out = (~used).groupby([members[column] for column in GROUP]).sum()
    return (
        _finish(_sum_up(kept, history.keep(code_names)), coverage)
        .merge(left_out.rename("sections_left_out").reset_index(), on=GROUP, how="left")
        .sort_values(GROUP, kind="stable", ignore_index=True)
    )


def expect_nothing_done(
    history: FailureHistory, model: FailureModel, members: pd.DataFrame, years: float
) -> pd.DataFrame:
    """Members of sets with their time before and after, and what a model expects of them with nothing done.

    Parameters
    ----------
    history
        What is known now.
    model
        Fitted at a past date to what was known then (history.known_at of this history; its windows say when): the last
        that stands no later than the members' dates.
    members
        The sets: cohorts.list_members and list_by_rules give them.
    years
        Years looked at on either side of each date; less where the records or the time since are shorter.

    Returns
    -------
    DataFrame
        members with since, until, before_years, after_years, loop_code, position, length_km, and expected, variance
        and level_error of expect_members; expected is missing where the model does not know the section or stands
        later.

    Notes
    -----
    Checked by: tests/unit/test_evaluation_before_after.py
    """
    history = history.keep(code_names)
    dated = _set_windows(members, history, years)
    known = find_in_model(model, dated["section_code"].to_numpy(dtype=np.int64)) >= 0
    mine = np.flatnonzero(known & dated["on"].ge(model.windows.as_of))
    expected, variance, error = np.full(len(dated), np.nan), np.zeros(len(dated)), np.zeros(len(dated))
    if len(mine):
        retired = pd.to_datetime(history.sections["retired_on"]).to_numpy()[history.keep(find_rows)]
        expected[mine], variance[mine], error[mine] = expect_members(
            model, dated.iloc[mine], history.keep(list_events), retired
        )
    return dated.assign(expected=expected, variance=variance, level_error=error)


def _set_windows(members: pd.DataFrame, history: FailureHistory, years: float) -> pd.DataFrame:
    """Members with where their time before begins and their time after ends."""
    members = members.reset_index(drop=True)
    facts = (
        history.sections[
            ["loop_code", "position", "length_km", "installed_on", "is_installed_on_known", "recorded_from"]
        ]
        .iloc[history.keep(find_rows)[members["section_code"].to_numpy(dtype=np.int64)]]
        .reset_index(drop=True)
    )
    span, as_of = pd.Timedelta(days=round(years * DAYS_PER_YEAR)), pd.Timestamp(history.as_of)
    on = pd.to_datetime(members["on"])
    installed = pd.to_datetime(facts["installed_on"]).where(facts["is_installed_on_known"].astype(bool))
    since = pd.concat([on - span, pd.to_datetime(facts["recorded_from"]), installed], axis=1).max(axis=1)
    until = pd.concat([on + span, pd.to_datetime(members["until"])], axis=1).min(axis=1)
    until = until.where(until <= as_of, as_of)
    return members.assign(
        on=on,
        since=since,
        until=until,
        loop_code=facts["loop_code"],
        position=facts["position"],
        length_km=facts["length_km"].astype(float),
        before_years=years_between(since, on),
        after_years=years_between(on, until),
    )


def list_events(history: FailureHistory) -> pd.DataFrame:
    """Failures of the cable on a known section, and those known by loop alone.

    Returns
    -------
    DataFrame
        One row a failure, by section and day: section_code (-1 where only the loop is known), loop_code (-1 where no
        section lies on it), failed_on, closed_on (failed_on where it is missing), is_occasion (no repeat soon after
        another failure of the section).
    """
    history = history.keep(code_names)
    own, alone = history.keep(list_own_failures), history.keep(list_loop_failures)
    row = history.keep(find_rows)[own["section_code"]]
    own = own.assign(loop_code=history.sections["loop_code"].to_numpy()[row])
    events = pd.concat([own, alone.assign(section_code=-1)], ignore_index=True)
    section, failed = events["section_code"].to_numpy(), events["failed_on"].to_numpy()
    order = np.lexsort((failed, section))
    section, failed = section[order], failed[order]
    # as in evidence.count_occasions: a repeat soon after a failure is no new occasion
    again = (np.diff(section) == 0) & (np.diff(failed) <= np.timedelta64(REPEAT_DAYS, "D"))
    return (
        events.iloc[order]
        .reset_index(drop=True)
        .assign(is_occasion=(section >= 0) & ~np.concatenate([np.zeros(min(len(section), 1), dtype=bool), again]))
    )


# ------------------------------------------------------------------ what was to be expected


def find_in_model(model: FailureModel, code: Integers) -> Integers:
    """Row of the model's sections for each section_code; -1 where it has none."""
    own = model.windows.sections["section_code"].to_numpy(dtype=np.int64)
    row_of = np.full(int(max(own.max(initial=-1), code.max(initial=-1))) + 1, -1)
    row_of[own] = np.arange(len(own))
    return row_of[code]


def expect_members(
    model: FailureModel, members: pd.DataFrame, events: pd.DataFrame, retired: Days
) -> tuple[Floats, Floats, Floats]:
    """Failures to expect of members between their date and their end, had nothing been done.

    Parameters
    ----------
    model
        Stands no later than any member's date.
    members
        grouped_by, group_name, section_code, loop_code, on, until: sections that the model knows.
    events
        list_events.
    retired
        Day of retirement by section_code.

    Returns
    -------
    mean, variance, level_error
        Of each member: its share, by its curve, of the failures expected of its loop; the posterior variance of its
        loop's total within its set, on the first member of the loop, else 0; coefficient of variation of the level of
        its curve.

    Notes
    -----
    Each loop of a set is put up anew as it was known on the member's date: the failures and the exposure since the
    model's own date are added to its evidence, then the multipliers' posterior is taken again.
    """
    keys = [*GROUP, "loop_code", "on"]
    code = members.groupby(keys).ngroup().to_numpy()
    copies = members.assign(copy=code).drop_duplicates("copy").sort_values("copy")
    tree, row, copy = _copy_loops(model, copies, events, retired)
    place = find_in_model(model, members["section_code"].to_numpy())
    # sections of a copy are unique, so copy and row together find the member's place in the tree
    width = len(model.windows.sections)
    at = pd.Index(copy * width + row).get_indexer(code * width + place)
    start = _years_since(model, members["on"])
    ahead = _cumulate(model, place, start, _years_since(model, members["until"])) * model.end_factor[place]
    ahead *= model.class_level[place]
    weights = np.zeros(len(row))
    weights[at] = ahead
    totals = hierarchical_frailty.fit_totals(tree, model.variances, weights)
    summed = np.bincount(code, weights=ahead, minlength=len(copies))
    mean = ahead * np.divide(totals.loop_mean, summed, out=np.ones(len(copies)), where=summed > 0)[code]
    first = ~pd.Series(code).duplicated().to_numpy()
    return mean, np.where(first, totals.loop_variance[code], 0.0), model.variation[place]


def _copy_loops(
    model: FailureModel, copies: pd.DataFrame, events: pd.DataFrame, retired: Days
) -> tuple[hierarchical_frailty.Tree, Integers, Integers]:
    """The loops of the copies as known on their dates, with the model's section and the copy of each leaf."""
    sections = model.windows.sections
    loop = sections["loop_code"].to_numpy()  # sections of a model are in the order of their loops
    copy, row = _fill_ranges(*(np.searchsorted(loop, copies["loop_code"], side=side) for side in ("left", "right")))
    on = copies["on"].to_numpy()[copy]
    gone = retired[sections["section_code"].to_numpy()[row]]
    end = _years_since(model, pd.Series(np.where(gone < on, gone, on)))
    since = _cumulate(model, row, np.zeros(len(row)), np.maximum(end, 0.0)) * model.end_factor[row]
    since = np.where(model.windows.in_service[row], since, 0.0)
    told, shares = model.failures.sum(), (model.failures - model.recorded).sum()
    occasions = model.tree.failures.sum() - shares
    tree = hierarchical_frailty.Tree(
        failures=model.tree.failures[row] + _count_new(model, events, row, on),
        expected=model.tree.expected[row] + since * occasions / max(told, 1e-300),
        relative_length=model.tree.relative_length[row],
        half_starts=np.flatnonzero(np.r_[True, (np.diff(copy) != 0) | (np.diff(model.tree.half_of_section[row]) != 0)]),
        loop_starts=np.zeros(0, dtype=np.int64),
    )
    starts = np.flatnonzero(np.r_[True, np.diff(copy[tree.half_starts]) != 0])
    return (
        hierarchical_frailty.Tree(tree.failures, tree.expected, tree.relative_length, tree.half_starts, starts),
        row,
        copy,
    )


def _count_new(model: FailureModel, events: pd.DataFrame, row: Integers, on: Days) -> Floats:
    """Occasions on which each leaf failed between the model's knowledge and the leaf's date."""
    stand = model.windows.as_of
    fresh = events[events["is_occasion"] & ((events["failed_on"] > stand) | (events["closed_on"] > stand))]
    code, failed = fresh["section_code"].to_numpy(), fresh["failed_on"].to_numpy()  # in the order of the codes
    wanted = model.windows.sections["section_code"].to_numpy()[row]
    leaf, event = _fill_ranges(*(np.searchsorted(code, wanted, side=side) for side in ("left", "right")))
    return np.bincount(leaf[failed[event] <= on[leaf]], minlength=len(row)).astype(np.float64)


def _fill_ranges(begin: Integers, end: Integers) -> tuple[Integers, Integers]:
    """Number of the range and place of every place of the ranges [begin, end), one range after another."""
    count = end - begin
    number = np.repeat(np.arange(len(count)), count)
    return number, np.arange(len(number)) - np.repeat(np.cumsum(count) - count, count) + np.repeat(begin, count)


def _years_since(model: FailureModel, days: pd.Series) -> Floats:
    return np.asarray((pd.to_datetime(days) - model.windows.as_of).dt.days.to_numpy(dtype=np.float64) / DAYS_PER_YEAR)


def _cumulate(model: FailureModel, row: Integers, start: Floats, end: Floats) -> Floats:
    """Failures the curves expect of sections between two moments, in years after the model's own date."""
    w = model.windows
    leaf, window = _fill_ranges(*(np.searchsorted(w.owner, row, side=side) for side in ("left", "right")))
    age, later = w.age_now[window], np.maximum(end, start)
    expected = model.expect_between(window, age + start[leaf], age + later[leaf])
    return np.bincount(leaf, weights=w.km[window] * expected, minlength=len(row)).astype(np.float64)


# ------------------------------------------------------------------ what was seen


def _sum_up(members: pd.DataFrame, history: FailureHistory) -> pd.DataFrame:
    """One row a set: its size, its time, failures before and after, and the expectation."""
    events = history.keep(list_events)
    failures_before, seen_after = _count_failures(members, events, history)
    weighed = members.assign(
        before_km=members["length_km"] * members["before_years"],
        after_km=members["length_km"] * members["after_years"],
        expected=members["expected"] * _share_recorded(members, events),
        level_weight=members["expected"] * members["level_error"],
        raw=members["expected"],
    )
    sums = weighed.groupby(GROUP).agg(
        picked_from=("on", "min"),
        picked_to=("on", "max"),
        loops=("loop_code", "nunique"),
        sections=("section_code", "size"),
        length_km=("length_km", "sum"),
        before_km=("before_km", "sum"),
        after_km=("after_km", "sum"),
        expected_after=("expected", "sum"),
        variance=("variance", "sum"),
        level_weight=("level_weight", "sum"),
        raw=("raw", "sum"),
    )
    return sums.assign(failures_before=failures_before, seen_after=seen_after).reset_index()


SUCCESSION_DAYS = 60
"""Cable laid in a place up to so many days before the old was taken out of service has taken its place."""


def _count_failures(members: pd.DataFrame, events: pd.DataFrame, history: FailureHistory) -> tuple[Integers, Integers]:
    """Failures of each set (in the order of their names) before and after, each counted once a set."""
    picked = members[
        ["loop_code", "section_code", "position", "since", "on", "until", "counts", "counts_loop_only"]
    ].assign(number=members.groupby(GROUP).ngroup())
    struck = events[["loop_code", "section_code", "failed_on"]].assign(event=np.arange(len(events)))
    pairs = picked.merge(struck, on="loop_code", suffixes=("", "_struck"))
    section, failed_on = pairs["section_code_struck"], pairs["failed_on"]
    place = history.keep(find_rows)[section]  # of no matter where only the loop is known
    position = pd.Series(history.sections["position"].to_numpy()[place], pairs.index)
    laid_on = pd.Series(pd.to_datetime(history.sections["installed_on"]).to_numpy()[place], pairs.index)
    before = failed_on.gt(pairs["since"]) & failed_on.le(pairs["on"])
    after = failed_on.gt(pairs["on"]) & failed_on.le(pairs["until"])
    same, by_loop = pairs["section_code"].eq(section), section.lt(0) & pairs["counts_loop_only"]
    whole, in_place = pairs["counts"].eq("loop"), pairs["counts"].eq("place")
    follows = (
        section.ge(0)
        & ~same
        & pairs["position"].eq(position)
        & laid_on.ge(pairs["on"] - pd.Timedelta(days=SUCCESSION_DAYS))
    )
    seen = np.where(in_place, follows, same | whole) | by_loop

    def count(chosen: pd.Series) -> Integers:
        once = pairs.loc[chosen, ["number", "event"]].drop_duplicates()
        return np.bincount(once["number"], minlength=int(picked["number"].max()) + 1)

    return count(before & (same | by_loop | whole)), count(after & seen)


def _share_recorded(members: pd.DataFrame, events: pd.DataFrame) -> Floats:
    """Share of the fleet's failures since a set's first date whose section is on record; 1 where loops are counted.

    The model expects every failure, those known by loop alone included; a set that counts sections sees only the rest.
    """
    first = members.groupby(GROUP)["on"].transform("min").to_numpy()

    def count_since(failed_on: pd.Series) -> Integers:
        return len(failed_on) - np.searchsorted(np.sort(failed_on.to_numpy()), first, side="right")

    later, own = count_since(events["failed_on"]), count_since(events.loc[events["section_code"].ge(0), "failed_on"])
    share = np.divide(own, later, out=np.ones(len(first)), where=later > 0)
    return np.where(members["counts_loop_only"] | members["counts"].eq("loop"), 1.0, share)


def _finish(sums: pd.DataFrame, coverage: float) -> pd.DataFrame:
    """Falls, limits and verdicts."""
    mean = sums["expected_after"].to_numpy(dtype=np.float64)
    raw = np.maximum(sums["raw"].to_numpy(dtype=np.float64), 1e-12)
    spread = sums["variance"].to_numpy() / raw**2 + (sums["level_weight"].to_numpy() / raw) ** 2
    shape = 1.0 / np.maximum(spread, 1e-9)
    seen = sums["seen_after"].to_numpy(dtype=np.float64)
    lo, hi = gamma_limits(shape, shape / np.maximum(mean, 1e-12), coverage)
    seen_lo, seen_hi = poisson_limits(seen, coverage)
    ratio_lo, ratio_hi = ratio_limits(seen, np.maximum(mean, 1e-12), shape, coverage)
    naive = (sums["failures_before"] * sums["after_km"] / sums["before_km"]).to_numpy(dtype=np.float64)
    carried = np.where(naive > 0, naive, np.nan)
    verdict = np.select(
        [mean < LEAST_EXPECTED, ratio_hi < 1.0, ratio_lo > 1.0],
        ["too_few", "fewer_than_expected", "more_than_expected"],
        "as_expected",
    )
    return sums.assign(
        years_before=sums["before_km"] / sums["length_km"],
        years_after=sums["after_km"] / sums["length_km"],
        naive_after=naive,
        expected_after_lo=lo,
        expected_after_hi=hi,
        seen_after_lo=seen_lo,
        seen_after_hi=seen_hi,
        naive_fall_pct=100.0 * (1.0 - seen / carried),
        expected_fall_pct=100.0 * (1.0 - mean / carried),
        seen_over_expected=seen / np.maximum(mean, 1e-12),
        seen_over_expected_lo=ratio_lo,
        seen_over_expected_hi=ratio_hi,
        effect_verdict=verdict,
        failures_before=sums["failures_before"].astype("int64"),
        seen_after=sums["seen_after"].astype("int64"),
    ).drop(columns=["before_km", "after_km", "variance", "level_weight", "raw"])
