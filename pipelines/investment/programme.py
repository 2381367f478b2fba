"""Which work in which year, under a budget each year, when every loop opened costs its mobilising once?

An integer programme over all years together, solved by pricing. With a price on what every limit is of, the fleet falls
apart into loops, and each loop answers with the work that gains it most. A linear programme over the answers found so
far sets the next prices, until they no longer move the bound; HiGHS then chooses among the answers. Fleets small
enough are given to HiGHS whole. What is missing to the proven bound is kept and printed. What is called a loop here is
whatever shares one mobilising: a loop, or a project of several.
"""

import ctypes
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from shared.arrays import Booleans, Floats, Integers

LOOP_YEARS = 2
"""Years of a plan in which the same loop is opened at most: our choice, nobody mobilises there every year."""

SMALL = 1500
"""Choices (options and loops, in each year) up to which HiGHS is given the whole programme."""

LOOPS_PRICED = 1000
"""Loops from which prices are found on an even sample of so many, and then moved on the whole fleet."""

ROUNDS, CLOSE = 60, 1e-4
"""Prices asked for at most, and the share of the bound within which they are good enough."""

AROUND = (0.02, 0.05, 0.1)
"""Shares by which prices, all together and each year's for itself, are moved for other answers to choose among."""

LEAST_WEIGHS = 10.0
"""Times the usual price of money that a unit missing of a least amount costs: more than any work displaced for it."""

LEFT_OPEN = 0.005
"""Share of the budgets of a large fleet that is left to the search among answers."""

NODES = 30, 1000
"""Branches that HiGHS follows among answers and in the whole programme: counts and not a time, so that the same input
gives the same plan."""


@dataclass(frozen=True)
class Work:
    """What was chosen, and how near to the best possible it is.

    year runs along the options: the year of the plan from 0, -1 where an option is not chosen. gain is theirs less
    loop_penalty a loop and year; bound is the proven upper limit of the gain; spent and price run along the limits (the
    budgets of the years first): what the work takes of each, and the gain that one more unit of it would buy.
    """

    year: Integers
    gain: float
    bound: float
    spent: Floats
    price: Floats

    @property
    def gap(self) -> float:
        """Share of the bound that may be missing."""
        return share_missing(self.gain, self.bound)


def share_missing(gain: float, bound: float) -> float:
    """Share of a bound that a gain may miss."""
    return max(0.0, bound - gain) / abs(bound) if bound else 0.0


@dataclass(frozen=True)
class Limit:
    """The most that the work of some years may take of a resource, in one district or (-1) in all; or the least.

    A least amount is kept as far as the work offered goes: what is missing costs LEAST_WEIGHS times the usual price.
    """

    years: tuple[int, ...]
    amount: float
    resource: int = 0
    district: int = -1
    is_least: bool = False

    @property
    def sign(self) -> float:
        """-1 where the amount is the least."""
        return -1.0 if self.is_least else 1.0


@dataclass(frozen=True)
class Fleet:
    """Options in the order of loop and section: gain (years, options), and where each section and loop begins.

    rows is the length of the table that the options come from, row each one's place in it. weight is what each takes of
    every resource (resources, options), loop_weight what opening a loop takes of them, loop_penalty what that takes of
    the gain of each year; bonus is the part of an option's gain that only says it is committed; usual_price is gain per
    unit of the first resource where it would run out.
    """

    rows: int
    row: Integers
    gain: Floats
    weight: Floats
    section_at: Integers
    loop_at: Integers
    limits: tuple[Limit, ...]
    loop_weight: Floats
    loop_penalty: Floats
    district: Integers
    bonus: Floats
    usual_price: float

    @cached_property
    def most(self) -> Floats:
        """Amount of each limit; of a least amount the negative."""
        return np.array([limit.sign * limit.amount for limit in self.limits])

    @cached_property
    def is_least(self) -> Booleans:
        """Which limits are least amounts."""
        return np.array([limit.is_least for limit in self.limits], dtype=bool)

    @property
    def shortfall_costs(self) -> Floats:
        """What a unit missing of each least amount takes from the gain."""
        return np.full(int(self.is_least.sum()), LEAST_WEIGHS * self.usual_price)

    def share_real(self, gain: float) -> float:
        """Share of a gain that is no bonus: gaps are judged by it."""
        return max(1.0 - float(self.bonus.sum()) / gain, 0.01) if gain > 0 else 1.0

    def scale_limits(self, share: float) -> "Fleet":
        """The same with so much of every amount."""
        return replace(self, limits=tuple(replace(each, amount=share * each.amount) for each in self.limits))

    @cached_property
    def loop_of_section(self) -> Integers:
        """Number of the loop of each section."""
        return np.repeat(np.arange(len(self.loop_at)), np.diff(np.append(self.loop_at, len(self.section_at))))

    @cached_property
    def section_of_option(self) -> Integers:
        """Number of the section of each option."""
        return np.repeat(np.arange(len(self.section_at)), np.diff(np.append(self.section_at, len(self.row))))

    def take_options(self, kept: Booleans) -> "Fleet":
        """Some of the options alone; sections and loops that have none are gone."""
        options = np.flatnonzero(kept)
        section = self.section_of_option[options]
        section_at = np.flatnonzero(np.diff(section, prepend=-1))
        loop = self.loop_of_section[section[section_at]]
        return replace(
            self,
            row=self.row[options],
            gain=self.gain[:, options],
            weight=self.weight[:, options],
            section_at=section_at,
            loop_at=(loop_at := np.flatnonzero(np.diff(loop, prepend=-1))),
            district=self.district[loop[loop_at]],
            bonus=self.bonus[options],
        )


@dataclass(frozen=True)
class Resources:
    """What else work takes: weight (resources, options), loop_weight, limits that name them by number, and districts.

    Resource 0 is the weight of the options themselves; those here are numbered from 1. district runs along the options.
    """

    weight: Floats
    loop_weight: Floats
    limits: tuple[Limit, ...]
    district: Integers


@dataclass(frozen=True)
class Answer:
    """Work that gains every loop most at some prices: options and their years, and the bound of all work at them."""

    option: Integers
    year: Integers
    bound: float


def number_names(names: pd.Series) -> Integers:
    """Numbers from 0 for names, in the order in which they first come."""
    if isinstance(names.dtype, pd.CategoricalDtype):
        names = names.cat.codes
    if pd.api.types.is_integer_dtype(names.dtype):
        values = names.to_numpy()
        rises = np.diff(values) > 0
        if (rises | (np.diff(values) == 0)).all():  # in order already: counted up, at a fraction of the time
            return np.concatenate([np.zeros(min(len(values), 1), dtype=np.int64), np.cumsum(rises)])
    return np.asarray(pd.factorize(names)[0], dtype=np.int64)


def arrange_fleet(
    options: pd.DataFrame,
    gain: Floats,
    budget: ArrayLike,
    *,
    loop_weight: float = 0.0,
    loop_penalty: ArrayLike = 0.0,
    more: Resources | None = None,
    committed: Booleans | None = None,
) -> Fleet:
    """Options as the arrays of a fleet; what gains nothing in any year, or fits into no year, is left out.

    Parameters
    ----------
    options
        One row a possible action: section_id, weight (share of a year's budget, at least 0), and loop_id or, where
        there are such, project_id: what shares one mobilising.
    gain
        What each option gains in each year, present value, shape (years, options); 0 or less where it is not offered.
    budget
        The most of weight that each year may take.
    loop_weight, loop_penalty
        See choose_work.
    more
        Further resources and limits.
    committed
        Options that are to be chosen, in a year in which their gain is not -inf, before all others: they gain a bonus
        that outweighs whatever they may displace.
    """
    more = more or Resources(np.zeros((0, len(options))), np.zeros(0), (), np.zeros(len(options), dtype=np.int64))
    weight = np.vstack([options["weight"].to_numpy(dtype=float)[None, :], more.weight])
    loop_weights = np.concatenate([[loop_weight], more.loop_weight])
    budget = np.asarray(budget, dtype=float)
    bonus = np.zeros(len(options))
    best = np.maximum(gain.max(axis=0), 0.0) if len(gain) else bonus
    usual = _find_usual_price(best, weight[0], float(budget.sum()))
    if committed is not None and committed.any():
        own = np.where(np.isfinite(gain), gain, np.inf).min(axis=0)
        least = [LEAST_WEIGHS * usual * limit.amount for limit in more.limits if limit.is_least]
        dearest = (LEAST_WEIGHS if least else 1.0) * usual
        outweighs = np.minimum(best.sum() + sum(least), 3.0 * (dearest * (weight[0] + loop_weight) + best.max()))
        bonus = np.where(committed, outweighs + np.maximum(-own, 0.0) + np.max(loop_penalty) + 1.0, 0.0)
        bonus[~np.isfinite(own)] = 0.0
        gain = gain + bonus
    row = np.flatnonzero((gain > 0).any(axis=0) & (weight[0] + loop_weight <= budget.max(initial=0.0) * (1 + 1e-12)))
    shared = "project_id" if "project_id" in options else "loop_id"
    loop, section = (number_names(options[name])[row] for name in (shared, "section_id"))
    order = np.lexsort((row, section, loop))
    row, loop, section = row[order], loop[order], section[order]
    section_at = np.flatnonzero(np.diff(section, prepend=-1))
    loop_at = np.flatnonzero(np.diff(loop[section_at], prepend=-1))
    return Fleet(
        len(options),
        row,
        np.ascontiguousarray(gain[:, row]),
        np.ascontiguousarray(weight[:, row]),
        section_at,
        loop_at,
        (*(Limit((year,), float(amount)) for year, amount in enumerate(budget)), *more.limits),
        loop_weights,
        np.broadcast_to(np.asarray(loop_penalty, dtype=float), budget.shape),
        more.district[row[section_at[loop_at]]] if len(row) else np.zeros(0, dtype=np.int64),
        bonus[row],
        usual,
    )


def _find_usual_price(best: Floats, weight: Floats, amount: float) -> float:
    """Gain per unit of weight at which so much would be used up, mobilising left aside."""
    if not best.any():
        return 0.0
    ratio = best / np.maximum(weight, 1e-12)
    order = np.argsort(-ratio, kind="stable")
    last = int(np.searchsorted(np.cumsum(weight[order]), amount))
    return float(ratio[order[min(last, int(np.count_nonzero(best > 0)) - 1)]])


def choose_work(fleet: Fleet, relative_gap: float = 1e-4) -> Work:
    """Choose at most one option a section and its year, gaining the most within the budget of each year.

    Parameters
    ----------
    fleet
        Options, limits, and what opening a loop takes of a year's budget (loop_weight) and of the gain (loop_penalty).
    relative_gap
        The search stops when the gain is proven to be within this share of the bound.

    Notes
    -----
    maximise sum gain_ot x_ot - sum penalty_t y_lt, subject to sum weight_o x_ot + loop_weight sum y_lt <= budget_t in
    each year, x_ot <= y_lt of its loop, sum of x over a section <= 1, sum over years of y_lt <= LOOP_YEARS, all 0 or
    1. With a price p_t of each year's budget the bound is

        L(p) = sum p_t budget_t + sum over loops of max over sets of years S of max(0, sum over sections of
               max(0, max over o, t in S of gain_ot - p_t weight_o) - sum over t in S of p_t loop_weight + penalty_t).

    Every other limit adds its own price times its amount, and its price to what the options that it counts must pay; a
    least amount does so with the sign turned, its price at most what a unit missing costs.

    References
    ----------
    G. B. Dantzig and P. Wolfe, Operations Research 8 (1960) 101-111, decomposition; M. L. Fisher, Management Science 27
    (1981) 1-18, the bound.

    Checked by: tests/published/test_investment_programme.py, tests/properties/test_investment_programme.py
    """
    if not len(fleet.row):
        return Work(np.full(fleet.rows, -1), 0.0, 0.0, *np.zeros((2, len(fleet.limits))))
    prices, bound, answers = find_prices(fleet)
    share = fleet.share_real(bound)
    if fleet.gain.size + len(fleet.gain) * len(fleet.loop_at) <= SMALL:
        row, year, proven = _solve_whole(fleet, share * relative_gap)
        bound = min(bound, proven)
    else:
        row, year = _choose_answers(fleet, prices, answers, share * max(relative_gap, 5e-4))
    chosen = np.full(fleet.rows, -1, dtype=np.int64)
    chosen[row] = year
    option = np.flatnonzero(chosen[fleet.row] >= 0)
    year = chosen[fleet.row[option]]
    gain, use = add_up(fleet, option, year)
    real = gain - float(fleet.bonus[option].sum())
    short = np.maximum(use - fleet.most, 0.0)[fleet.is_least] @ fleet.shortfall_costs
    return Work(chosen, real, real + max(bound - gain + float(short), 0.0), np.abs(use), prices)


def add_up(fleet: Fleet, option: Integers, year: Integers) -> tuple[float, Floats]:
    """Gain of some work, and what it takes of each limit."""
    gain, use = _add_up_loops(fleet, option, year)
    return float(gain.sum()), np.asarray(use.sum(axis=0))


def _add_up_loops(fleet: Fleet, option: Integers, year: Integers) -> tuple[Floats, Floats]:
    """The same of each loop: shapes (loops,) and (loops, limits)."""
    gain, taken = _take(fleet, option, year)
    use = np.empty((len(gain), len(fleet.limits)))
    for place, limit in enumerate(fleet.limits):
        of_years = taken[limit.resource][:, list(limit.years)].sum(axis=1)
        counted = of_years if limit.district < 0 else of_years * (fleet.district == limit.district)
        use[:, place] = limit.sign * counted
    return gain, use


def _take(fleet: Fleet, option: Integers, year: Integers) -> tuple[Floats, list[Floats]]:
    """Gain of each loop's work, and what it takes of each resource in each year, shape (loops, years)."""
    years, loops = len(fleet.gain), len(fleet.loop_at)
    loop = fleet.loop_of_section[fleet.section_of_option[option]]
    cell, size = loop * years + year, loops * years
    opened = (np.bincount(cell, minlength=size) > 0).reshape(loops, years)
    gain = np.bincount(loop, fleet.gain[year, option], loops) - opened @ fleet.loop_penalty
    return gain, [
        np.bincount(cell, weight[option], size).reshape(loops, years) + opening * opened
        for weight, opening in zip(fleet.weight, fleet.loop_weight, strict=True)
    ]


def _price(fleet: Fleet, prices: Floats) -> tuple[Floats, Floats]:
    """What each option is worth after paying the prices, shape (years, options), and what opening a loop costs."""
    districts = 1 + max(int(fleet.district.max(initial=0)), *(limit.district for limit in fleet.limits))
    rates = np.zeros((len(fleet.weight), len(fleet.gain), districts))
    for limit, price in zip(fleet.limits, prices, strict=True):
        some = slice(None) if limit.district < 0 else limit.district
        rates[limit.resource, list(limit.years), some] += limit.sign * price
    of_option = fleet.district[fleet.loop_of_section[fleet.section_of_option]] if districts > 1 else None
    worth, opening = fleet.gain, fleet.loop_penalty[:, None]
    for rate, weight, of_loop in zip(rates, fleet.weight, fleet.loop_weight, strict=True):
        worth = worth - (rate if of_option is None else rate[:, of_option]) * weight
        opening = opening + of_loop * (rate if of_option is None else rate[:, fleet.district])
    return worth, opening


def answer(fleet: Fleet, prices: Floats) -> Answer:
    """What each loop answers to a price on what every limit is of."""
    worth, opening = _price(fleet, prices)
    of_section = np.maximum(np.maximum.reduceat(worth, fleet.section_at, axis=1), 0.0)
    surplus, years = np.zeros(len(fleet.loop_at)), np.full((2, len(fleet.loop_at)), -1)
    sets = (each for size in range(1, LOOP_YEARS + 1) for each in combinations(range(len(fleet.gain)), size))
    for some in sets:
        best = of_section[some[0]] if len(some) == 1 else np.maximum(of_section[some[0]], of_section[some[1]])
        value = np.add.reduceat(best, fleet.loop_at) - opening[list(some)].sum(axis=0)
        better = value > surplus
        surplus[better] = value[better]
        years[:, better] = [[some[0]], [some[-1]]]
    first, second = years[:, fleet.loop_of_section]
    sections = np.arange(len(first))
    year = np.where(of_section[second, sections] > of_section[first, sections], second, first)
    most = np.where(first >= 0, of_section[year, sections], 0.0)
    section = fleet.section_of_option
    option = np.flatnonzero((most[section] > 0) & (worth[year[section], np.arange(len(section))] == most[section]))
    option = option[np.diff(section[option], prepend=-1) > 0]  # of a section's equal options the first
    return Answer(option, year[section[option]], float(prices @ fleet.most + surplus.sum()))


class Answers:
    """Answers of single loops, each once: their gain, and what they take of each limit."""

    def __init__(self, fleet: Fleet) -> None:
        self.fleet = fleet
        self.work: dict[tuple[int, bytes], tuple[Integers, Integers]] = {}
        self.gain: list[float] = []
        self.use: list[Floats] = []

    def add(self, given: Answer) -> None:
        """Take in the answer of each loop that has not given it before."""
        fleet, years = self.fleet, len(self.fleet.gain)
        loop = fleet.loop_of_section[fleet.section_of_option[given.option]]
        begins = np.flatnonzero(np.diff(loop, prepend=-1))
        codes = given.option * years + given.year
        gain, use = _add_up_loops(fleet, given.option, given.year)
        for start, end in zip(begins, [*begins[1:], len(loop)], strict=False):
            key = int(loop[start]), codes[start:end].tobytes()
            if key not in self.work:
                self.work[key] = given.option[start:end], given.year[start:end]
                self.gain.append(float(gain[loop[start]]))
                self.use.append(use[loop[start]])

    @property
    def loop(self) -> Integers:
        """Loop of each answer."""
        return np.array([loop for loop, _ in self.work], dtype=np.int64)


def find_prices(fleet: Fleet) -> tuple[Floats, float, Answers]:
    """Prices of the limits at which the bound is about least, that bound, and the answers given on the way.

    Notes
    -----
    The next prices lie half-way between the best so far and those of the linear programme over the answers
    (P. Wentges, International Transactions in Operational Research 4 (1997) 151-162). Of a large fleet an even sample
    of loops is asked, with its share of the budgets; the bound is that of the whole fleet.
    """
    loops = len(fleet.loop_at)
    if loops > LOOPS_PRICED:
        asked = np.unique(np.linspace(0, loops - 1, LOOPS_PRICED).astype(np.int64))
        sample = fleet.take_options(np.isin(fleet.loop_of_section, asked)[fleet.section_of_option])
        prices, _, _ = find_prices(sample.scale_limits(len(asked) / loops))
        return prices, answer(fleet, prices).bound, Answers(fleet)
    yearly = np.array([limit.resource == 0 and limit.district < 0 and not limit.is_least for limit in fleet.limits])
    is_short = fleet.weight[0].sum() > fleet.most[yearly].sum()
    prices = np.where(yearly & is_short, fleet.usual_price, 0.0)
    best, least, answers = prices, np.inf, Answers(fleet)
    for _ in range(ROUNDS):
        given = answer(fleet, prices)
        if given.bound < least:
            best, least = prices, given.bound
        answers.add(given)
        value, dual = _relax(answers)
        if least - value <= CLOSE * fleet.share_real(least) * abs(least):
            break
        prices = (best + dual) / 2.0
    return best, least, answers


def _constraints(answers: Answers) -> tuple[Any, Any]:
    """What the answers take of each limit (limits, answers), and which loop each is of (loops, answers)."""
    from scipy.sparse import csr_array

    _, loop = np.unique(answers.loop, return_inverse=True)
    n = len(loop)
    return csr_array(np.array(answers.use).T), csr_array((np.ones(n), (loop, np.arange(n))), shape=(loop.max() + 1, n))


def _add_shortfalls(fleet: Fleet, loss: Floats, use: Any, *others: Any) -> tuple[Any, ...]:
    """Loss, use of the limits and further rows with a column more for what is missing of each least amount."""
    from scipy.sparse import csr_array, hstack

    places = np.flatnonzero(fleet.is_least)
    n = len(places)
    relief = csr_array((-np.ones(n), (places, np.arange(n))), shape=(len(fleet.limits), n))
    wider = (hstack([rows, csr_array((rows.shape[0], n))]) for rows in others)
    return np.concatenate([loss, fleet.shortfall_costs]), hstack([use, relief]), *wider


def _relax(answers: Answers) -> tuple[float, Floats]:
    """The best mixture of the answers found so far, and the price of each limit in it."""
    from scipy.optimize import linprog
    from scipy.sparse import vstack

    fleet = answers.fleet
    if not answers.work:
        return 0.0, np.zeros(len(fleet.limits))
    loss, use, one_each = _add_shortfalls(fleet, -np.array(answers.gain), *_constraints(answers))
    limits = np.concatenate([fleet.most, np.ones(one_each.shape[0])])
    found = linprog(loss, A_ub=vstack([use, one_each]), b_ub=limits, method="highs")
    return -float(loss @ found.x), np.maximum(-found.ineqlin.marginals[: len(fleet.limits)], 0.0)


def choose_at_prices(
    options: pd.DataFrame, prices: Floats, *, loop_weight: float = 0.0
) -> Iterator[tuple[Booleans, float]]:
    """The best choice of a year at each price of its budget, and what it spends, one price after another.

    Parameters
    ----------
    options
        See arrange_fleet, with gain.
    prices
        Gain that one unit of budget must bring.
    loop_weight
        What opening a loop takes of the budget.

    Notes
    -----
    The choice at a price gains the most of all that spend as much: no other could, or it would be better at that price
    too (H. Everett, Operations Research 11 (1963) 399-417). So a curve of gain against budget is had without a search.

    Checked by: tests/properties/test_investment_plan.py
    """
    gain = options["gain"].to_numpy(dtype=float)[None, :]
    everything = float(options["weight"].sum()) + loop_weight * len(options)
    fleet = arrange_fleet(options, gain, [everything], loop_weight=loop_weight)
    for price in prices:
        given = answer(fleet, np.array([price]))
        chosen = np.zeros(len(options), dtype=bool)
        chosen[fleet.row[given.option]] = True
        yield chosen, float(add_up(fleet, given.option, given.year)[1][0])


def _choose_answers(fleet: Fleet, prices: Floats, answers: Answers, relative_gap: float) -> tuple[Integers, Integers]:
    """One answer a loop at most, within the budgets; most loops of a large fleet are settled before (_settle)."""
    loops = len(fleet.loop_at)
    if loops > LOOPS_PRICED:  # what pays at no price asked is in no answer
        pays = _price(fleet, (1.0 - 2.0 * AROUND[-1]) * prices)[0] > 0
        fleet = fleet.take_options(np.asarray(pays.any(axis=0)))
        answers = Answers(fleet)
    loop_of_option = fleet.loop_of_section[fleet.section_of_option]
    option = year = np.zeros(0, dtype=np.int64)
    in_doubt = np.arange(loops)
    if loops > LOOPS_PRICED:
        option, year, in_doubt, asked = _settle(fleet, prices)
    else:
        asked = [given for share in AROUND for given in _ask_around(fleet, prices, share)]
    rest = fleet.most - add_up(fleet, option, year)[1]
    for each in asked:
        there = np.isin(loop_of_option[each.option], in_doubt)
        answers.add(Answer(each.option[there], each.year[there], each.bound))
    loss, use, one_each = _add_shortfalls(fleet, -np.array(answers.gain), *_constraints(answers))
    taken = _search(loss, [(use, rest), (one_each, 1.0)], relative_gap, NODES[0], int(fleet.is_least.sum()))[0]
    picked = [work for work, is_taken in zip(answers.work.values(), taken, strict=True) if is_taken]
    return (
        fleet.row[np.concatenate([option, *(options for options, _ in picked)])],
        np.concatenate([year, *(years for _, years in picked)]),
    )


def _ask_around(fleet: Fleet, prices: Floats, share: float) -> list[Answer]:
    """Answers at the prices, and with all of them, then each limit's alone, moved up and down by a share."""
    which = [np.ones(len(prices)), *np.eye(len(prices))[prices > 0]] if len(prices) > 1 else [np.ones(1)]
    moved = [(1.0 + sign * share * each) * prices for each in which for sign in (-1.0, 1.0)]
    return [answer(fleet, each) for each in (prices, *moved)]


def _settle(fleet: Fleet, prices: Floats) -> tuple[Integers, Integers, Integers, list[Answer]]:
    """Work of most loops of a large fleet: options, years, the loops left in doubt, and all answers asked for.

    Notes
    -----
    A linear programme finds in which shares the answers of the whole fleet keep to the budgets, and new prices, around
    which it is asked again, nearer each time; each loop then follows one of the answers, so many of the loops each. Of
    the loops that this moves an even sample is left in doubt, to use up what a split by loops leaves.
    """
    from scipy.optimize import linprog
    from scipy.sparse import csr_array

    years, loops = len(fleet.gain), len(fleet.loop_at)
    loop_of_option = fleet.loop_of_section[fleet.section_of_option]
    asked: list[Answer] = []
    shares = np.zeros(1)
    for share in sorted(AROUND, reverse=True):
        asked += _ask_around(fleet, prices, share)
        sums = [add_up(fleet, each.option, each.year) for each in asked]
        gains = np.array([0.0, *(gain for gain, _ in sums)])
        uses = np.array([np.zeros(len(fleet.limits)), *(use for _, use in sums)])
        within = fleet.most - LEFT_OPEN * np.abs(fleet.most)
        loss, use, one = _add_shortfalls(fleet, -gains, csr_array(uses.T), csr_array(np.ones((1, len(gains)))))
        found: Any = linprog(loss, A_ub=use, b_ub=within, A_eq=one, b_eq=[1.0], method="highs")
        shares, prices = found.x[: len(gains)], np.maximum(-found.ineqlin.marginals, 0.0)
    # multiples of the golden ratio spread evenly, however the loops are ordered
    follows = np.searchsorted(np.cumsum(shares), np.arange(loops) * 0.6180339887498949 % 1.0) - 1
    codes = [each.option * years + each.year for each in asked]
    active = [each for each, share in zip(codes, shares[1:], strict=True) if share > 0]
    apart = np.concatenate([np.setxor1d(active[0], each) for each in active] or [np.zeros(0, dtype=np.int64)])
    in_doubt = np.unique(loop_of_option[apart // years])
    in_doubt = in_doubt[np.unique(np.linspace(0, len(in_doubt) - 1, LOOPS_PRICED).astype(np.int64))]
    kept = [
        np.flatnonzero(
            (follows[loop_of_option[each.option]] == place) & ~np.isin(loop_of_option[each.option], in_doubt)
        )
        for place, each in enumerate(asked)
    ]
    return (
        np.concatenate([each.option[some] for each, some in zip(asked, kept, strict=True)]),
        np.concatenate([each.year[some] for each, some in zip(asked, kept, strict=True)]),
        in_doubt,
        asked,
    )


def _solve_whole(fleet: Fleet, relative_gap: float) -> tuple[Integers, Integers, float]:
    """The whole programme by HiGHS: options, their years, and the proven bound."""
    from scipy.sparse import csr_array

    years, options, loops = len(fleet.gain), len(fleet.row), len(fleet.loop_at)
    n, columns = years * options, years * (options + loops)
    place, year = np.arange(n), np.repeat(np.arange(years), options)
    section = np.tile(fleet.section_of_option, years)
    opened = n + year * loops + fleet.loop_of_section[section]
    one = np.ones(n)

    def rows(row: Integers, column: Integers, value: Floats, size: int) -> Any:
        return csr_array((value, (row, column)), shape=(size, columns))

    opening = np.arange(n, columns)
    of_year = np.concatenate([year, np.repeat(np.arange(years), loops)])
    of_district = np.concatenate([fleet.district[fleet.loop_of_section[section]], np.tile(fleet.district, years)])
    use = np.empty((len(fleet.limits), columns))
    for limit, taken_by in zip(fleet.limits, use, strict=True):
        weight = np.tile(fleet.weight[limit.resource], years)
        taken_by[:] = limit.sign * np.append(weight, np.full(len(opening), fleet.loop_weight[limit.resource]))
        taken_by[~np.isin(of_year, limit.years) | ((limit.district >= 0) & (of_district != limit.district))] = 0.0
    gain = np.concatenate([fleet.gain.ravel(), -np.repeat(fleet.loop_penalty, loops)])
    may = (gain > 0) | (np.arange(columns) >= n)
    earlier = np.where(may, gain, 0.0) * (1.0 - 1e-9 * of_year)  # of two years that gain alike the earlier
    loss, *matrices = _add_shortfalls(
        fleet,
        -earlier,
        csr_array(use),
        rows(np.tile(place, 2), np.concatenate([place, opened]), np.concatenate([one, -one]), n),
        rows(section, place, one, len(fleet.section_at)),
        rows(np.tile(np.arange(loops), years), opening, np.ones(len(opening)), loops),
    )
    limits = list(zip(matrices, (fleet.most, 0.0, 1.0, float(LOOP_YEARS)), strict=True))
    taken, bound = _search(loss, limits, relative_gap, NODES[1], int(fleet.is_least.sum()), may)
    found = np.flatnonzero(taken[:n])
    return fleet.row[found % options], found // options, bound


def _search(
    loss: Floats,
    limits: list[tuple[Any, Any]],
    relative_gap: float,
    nodes: int,
    amounts: int,
    may: Booleans | None = None,
) -> tuple[Booleans, float]:
    """What HiGHS takes among choices of 0 or 1 (amounts of any size come last), and its proven bound of the gain."""
    from scipy.optimize import Bounds, LinearConstraint, milp

    choices = len(loss) - amounts
    most = np.append(np.ones(choices) if may is None else may.astype(float), np.full(amounts, np.inf))
    with nothing_printed():
        found = milp(
            loss,
            constraints=[LinearConstraint(matrix, -np.inf, amount) for matrix, amount in limits],
            bounds=Bounds(0.0, most),
            integrality=np.append(np.ones(choices), np.zeros(amounts)),
            options={"mip_rel_gap": relative_gap, "node_limit": nodes},
        )
    bound = np.inf if found.mip_dual_bound is None else -float(found.mip_dual_bound)
    return np.zeros(choices, dtype=bool) if found.x is None else np.asarray(found.x[:choices] > 0.5), bound


@contextmanager
def nothing_printed() -> Iterator[None]:
    """Standard output closed to the solver: it prints lines of its own now and then, whatever its options say."""
    sys.stdout.flush()
    kept = os.dup(1)
    try:
        with Path(os.devnull).open("wb") as nothing:
            os.dup2(nothing.fileno(), 1)
        yield
    finally:
        with suppress(TypeError, OSError):  # where there is no C library to ask, nothing is held back either
            ctypes.CDLL(None).fflush(None)
        os.dup2(kept, 1)
        os.close(kept)
