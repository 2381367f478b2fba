"""Which sections to work on under a budget, when every loop opened costs its mobilising once?

An integer programme: choose at most one action a section, open the loops they lie on, stay within the
budget, gain the most. It is first shrunk with its Lagrangian bound, which settles nearly every loop of a
large fleet, and the rest is solved by HiGHS. The gap to the bound is kept and printed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Booleans = NDArray[np.bool_]


SEARCH_OPTIONS = 6000
"""Options that the integer search is given at most; HiGHS settles as many in a few seconds."""


@dataclass(frozen=True)
class Choice:
    """What was chosen among the options, and how near to the best possible it is.

    chosen runs along the options; gain is theirs less loop_penalty a loop; bound is the proven upper limit of the
    gain; spent counts the options' weight and loop_weight a loop; price is the gain that one more unit of budget
    would buy; searched says how many options were left to the integer search.
    """

    chosen: Booleans
    gain: float
    bound: float
    spent: float
    price: float
    searched: int

    @property
    def gap(self) -> float:
        """Share of the bound that may be missing."""
        return max(0.0, self.bound - self.gain) / abs(self.bound) if self.bound else 0.0


@dataclass(frozen=True)
class _Problem:
    """Options as arrays, ordered so that each section's options and each loop's sections are found by index."""

    weight: Floats
    gain: Floats
    section: Integers
    loop: Integers
    loop_of_section: Integers
    loop_weight: float
    loop_penalty: float
    budget: float

    @property
    def loops(self) -> int:
        """How many loops there are."""
        return int(self.loop_of_section.max()) + 1

    @property
    def ratio(self) -> Floats:
        """Gain per weight of each option."""
        return np.asarray(self.gain / np.maximum(self.weight, 1e-12))


@dataclass(frozen=True)
class _Relaxed:
    """The problem with the budget priced instead of kept: it falls apart into loops."""

    price: float
    bound: float
    worth: Floats
    best_of_section: Floats
    surplus_of_loop: Floats
    chosen: Booleans
    spent: float


def choose_options(
    options: pd.DataFrame, budget: float, *, loop_weight: float = 0.0, loop_penalty: float = 0.0,
    relative_gap: float = 1e-4, time_limit_s: float = 20.0,
) -> Choice:
    """Choose at most one option a section, gaining the most within the budget.

    Parameters
    ----------
    options
        One row a possible action: section_id, loop_id, weight (share of the budget, at least 0) and gain. Order
        the rows by key: of two equal choices the solver then always takes the same.
    budget
        What the weights may sum to, loop_weight included.
    loop_weight
        Added to the spending once for each loop with any option chosen.
    loop_penalty
        Taken from the gain once for each such loop.
    relative_gap
        The search stops when the gain is proven to be within this share of the bound.
    time_limit_s
        The search stops after this time with the best found; the gap says how good that is.

    Notes
    -----
    maximise sum gain x - loop_penalty sum y, subject to sum weight x + loop_weight sum y <= budget,
    x_o <= y_loop(o), sum of x over a section <= 1, all 0 or 1. For a price p of the budget the bound is

        L(p) = p budget + sum over loops of max(0, sum over sections of max(0, best gain - p weight)
                                                   - p loop_weight - loop_penalty),

    least over p. A loop or option whose other state would push L below a known choice is settled for good.

    References
    ----------
    M. L. Fisher, Management Science 27 (1981) 1-18, Lagrangian relaxation.

    Checked by: tests/published/test_replacement_programme.py, tests/properties/test_replacement_programme.py
    """
    problem = _as_problem(options, budget, loop_weight, loop_penalty)
    if len(problem.weight) == 0:
        return Choice(np.zeros(0, dtype=bool), 0.0, 0.0, 0.0, 0.0, 0)
    relaxed = _find_price(problem)
    bound, searched = relaxed.bound, 0
    enough = bound - max(relative_gap, 1e-9) * abs(bound)
    chosen = _fill_up_well(problem, relaxed, enough)
    gain = _gain(problem, chosen)
    if gain < enough:
        better, bound, searched = _search(problem, relaxed, chosen, relative_gap, time_limit_s)
        if _gain(problem, better) > gain:
            chosen, gain = better, _gain(problem, better)
    return Choice(chosen, gain, max(bound, gain), _spent(problem, chosen), relaxed.price, searched)


def choose_at_prices(
    options: pd.DataFrame, prices: Floats, *, loop_weight: float = 0.0,
) -> list[tuple[Booleans, float]]:
    """The best choice at each price of the budget, and what it spends.

    Parameters
    ----------
    options, loop_weight
        See choose_options.
    prices
        Gain that one unit of budget must bring.

    Notes
    -----
    The choice at a price gains the most of all that spend as much: no other could, or it would be better at that price
    too (H. Everett, Operations Research 11 (1963) 399-417). So a curve of gain against budget is had without a search.

    Checked by: tests/properties/test_replacement_plan.py
    """
    problem = _as_problem(options, 0.0, loop_weight, 0.0)
    if len(problem.weight) == 0:
        return [(np.zeros(0, dtype=bool), 0.0) for _ in prices]
    relaxed = [_relax(problem, float(price)) for price in prices]
    return [(each.chosen, each.spent) for each in relaxed]


def _as_problem(options: pd.DataFrame, budget: float, loop_weight: float, loop_penalty: float) -> _Problem:
    section, section_ids = pd.factorize(options["section_id"])
    loop, _ = pd.factorize(options["loop_id"])
    loop_of_section = np.zeros(len(section_ids), dtype=np.int64)
    loop_of_section[section] = loop
    return _Problem(
        options["weight"].to_numpy(dtype=float), options["gain"].to_numpy(dtype=float), section.astype(np.int64),
        loop.astype(np.int64), loop_of_section, loop_weight, loop_penalty, budget,
    )


def _loops_opened(problem: _Problem, chosen: Booleans) -> int:
    return len(np.unique(problem.loop[chosen]))


def _spent(problem: _Problem, chosen: Booleans) -> float:
    return float(problem.weight[chosen].sum()) + problem.loop_weight * _loops_opened(problem, chosen)


def _gain(problem: _Problem, chosen: Booleans) -> float:
    return float(problem.gain[chosen].sum()) - problem.loop_penalty * _loops_opened(problem, chosen)


def _relax(problem: _Problem, price: float) -> _Relaxed:
    """Best choice and bound when each unit of budget costs its price."""
    worth = problem.gain - price * problem.weight
    best = np.zeros(len(problem.loop_of_section))
    np.maximum.at(best, problem.section, worth)
    surplus = np.bincount(problem.loop_of_section, best, problem.loops).astype(np.float64)
    surplus -= price * problem.loop_weight + problem.loop_penalty
    wanted = (worth > 0) & (worth == best[problem.section]) & (surplus[problem.loop] > 0)
    # Of a section's options that are worth the same, the first is taken.
    chosen = np.zeros(len(worth), dtype=bool)
    places = np.flatnonzero(wanted)
    chosen[places[np.unique(problem.section[places], return_index=True)[1]]] = True
    bound = price * problem.budget + float(np.maximum(surplus, 0.0).sum())
    return _Relaxed(price, bound, worth, best, surplus, chosen, _spent(problem, chosen))


def _find_price(problem: _Problem) -> _Relaxed:
    """The relaxation at the least price at which its choice keeps to the budget."""
    free = _relax(problem, 0.0)
    if free.spent <= problem.budget:
        return free
    low, high = 0.0, float(np.max(problem.ratio, initial=0.0)) * 1.001 + 1e-12
    least = high
    within, least_bound = problem, _relax(problem, high).bound
    for _ in range(60):
        middle = (low + high) / 2.0
        tried = _relax(within, middle)
        if tried.bound < least_bound:
            least, least_bound = middle, tried.bound
        if tried.spent <= problem.budget:
            high = middle
        else:
            low = middle
            # What is worth nothing at this price is worth nothing at any above it.
            within = _only(within, tried.worth > 0)
        if high - low <= 1e-10 * high:
            break
    best, kept = _relax(problem, least), _relax(problem, high)
    # Choice from the side that keeps to the budget, bound from the lowest seen (both prices agree but for rounding).
    return kept if kept.bound <= best.bound * (1.0 + 1e-12) else _relax_keeping(best, kept)


def _only(problem: _Problem, options: Booleans) -> _Problem:
    """The problem with some of its options alone."""
    return replace(
        problem, weight=problem.weight[options], gain=problem.gain[options], section=problem.section[options],
        loop=problem.loop[options],
    )


def _relax_keeping(best: _Relaxed, kept: _Relaxed) -> _Relaxed:
    return _Relaxed(best.price, best.bound, best.worth, best.best_of_section, best.surplus_of_loop, kept.chosen,
                    kept.spent)


def _fill_up(problem: _Problem, start: Booleans) -> Booleans:
    """A choice that keeps to the budget, with what still fits added in the order of gain per weight."""
    chosen = start.copy()
    left = problem.budget - _spent(problem, chosen)
    taken = np.zeros(len(problem.loop_of_section), dtype=bool)
    taken[problem.section[chosen]] = True
    opened = np.zeros(problem.loops, dtype=bool)
    opened[problem.loop[chosen]] = True
    ratio = problem.ratio
    rest = np.argsort(-ratio, kind="stable")
    while len(rest):
        # What does not fit now will not fit later either: what is left only shrinks.
        rest = rest[~taken[problem.section[rest]] & (problem.weight[rest] <= left) & (problem.gain[rest] > 0)]
        for option in rest[:FILL_STEP]:
            section, loop = problem.section[option], problem.loop[option]
            extra = 0.0 if opened[loop] else problem.loop_weight
            penalty = 0.0 if opened[loop] else problem.loop_penalty
            fits = not taken[section] and problem.weight[option] + extra <= left
            if fits and problem.gain[option] > penalty:
                chosen[option] = taken[section] = opened[loop] = True
                left -= problem.weight[option] + extra
        rest = rest[FILL_STEP:]
    return chosen


FILL_STEP = 200
"""Options looked at one by one before those that no longer fit are dropped."""

PARTS_TRIED = 8
"""Parts of further loops that are tried in filling up: more gains next to nothing."""


def _fill_up_well(problem: _Problem, relaxed: _Relaxed, enough: float) -> Booleans:
    """The relaxation's choice filled up with the part of one further loop that serves best, then with single options.

    Single options are a dear way of spending what is left, since each would open a loop for itself. It ends when the
    gain is enough.
    """
    best = _fill_up(problem, relaxed.chosen)
    for part in _list_parts(problem, relaxed):
        if _gain(problem, best) >= enough:
            break
        tried = relaxed.chosen.copy()
        tried[part] = True
        tried = _fill_up(problem, tried)
        if _gain(problem, tried) > _gain(problem, best):
            best = tried
    return best


def _list_parts(problem: _Problem, relaxed: _Relaxed) -> list[Integers]:
    """Parts of loops not opened that fit into what is left: each loop's options from the best downwards."""
    left = problem.budget - relaxed.spent - problem.loop_weight
    opened = np.zeros(problem.loops, dtype=bool)
    opened[problem.loop[relaxed.chosen]] = True
    offered = np.flatnonzero(
        (relaxed.worth == relaxed.best_of_section[problem.section]) & (problem.gain > 0) & ~opened[problem.loop]
    )
    offered = offered[np.unique(problem.section[offered], return_index=True)[1]]
    order = offered[np.lexsort((-problem.ratio[offered], problem.loop[offered]))]
    loop = problem.loop[order]
    before = np.searchsorted(loop, loop)  # place at which the option's loop begins

    def so_far(values: Floats) -> Floats:
        total = np.concatenate([[0.0], np.cumsum(values)])
        return np.asarray(total[1:] - total[before])

    weight, gain = so_far(problem.weight[order]), so_far(problem.gain[order]) - problem.loop_penalty
    fits = np.flatnonzero((weight <= left) & (gain > 0))
    ends = fits[np.argsort(-gain[fits], kind="stable")[:PARTS_TRIED]]
    return [order[before[end]:end + 1] for end in ends]


def _search(
    problem: _Problem, relaxed: _Relaxed, known: Booleans, relative_gap: float, time_limit_s: float,
) -> tuple[Booleans, float, int]:
    """Integer search over what the bound leaves open; returns choice, bound, options searched."""
    room = relaxed.bound - _gain(problem, known) + 1e-9 * max(1.0, abs(relaxed.bound))
    core = _settle(problem, relaxed, room)
    whole = True
    while core.open_options > SEARCH_OPTIONS:
        # Too many to search: only the most doubtful are left open. The choice stays valid; the bound is then the
        # relaxation's, since the search no longer sees everything.
        room, whole = room / 2.0, False
        core = _settle(problem, relaxed, room)
    values, dual_bound = _solve_core(problem, core, relative_gap, time_limit_s)
    if values is None:  # nothing found in the time: the known choice stands
        return known, relaxed.bound, core.open_options
    chosen = np.zeros(len(problem.weight), dtype=bool)
    chosen[core.options[values]] = True
    return chosen, min(relaxed.bound, dual_bound) if whole else relaxed.bound, core.open_options


@dataclass(frozen=True)
class _Core:
    """Options not settled as left out, which of them are settled as taken, and which loops are surely open."""

    options: Integers
    is_taken: Booleans
    is_always_open: Booleans

    @property
    def open_options(self) -> int:
        return int(len(self.options) - self.is_taken.sum())


def _settle(problem: _Problem, relaxed: _Relaxed, room: float) -> _Core:
    """Settle every loop and option whose other state would lower the bound by more than room."""
    surplus = relaxed.surplus_of_loop
    always_open = surplus > room
    with_option = surplus[problem.loop] - relaxed.best_of_section[problem.section] + relaxed.worth
    loss = np.maximum(surplus, 0.0)[problem.loop] - with_option
    options = np.flatnonzero(loss <= room)
    rivals = np.bincount(problem.section[options], minlength=len(problem.loop_of_section))[problem.section[options]]
    taken = (rivals == 1) & always_open[problem.loop[options]] & (relaxed.worth[options] > room)
    return _Core(options, taken, always_open)


def _solve_core(
    problem: _Problem, core: _Core, relative_gap: float, time_limit_s: float,
) -> tuple[Booleans | None, float]:
    """Solve what is left with HiGHS; returns which of the core's options are chosen (none if none found), bound."""
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import csr_array

    options, n = core.options, len(core.options)
    loops, loop_place = np.unique(problem.loop[options], return_inverse=True)
    _, section_place = np.unique(problem.section[options], return_inverse=True)
    columns, rows = n + len(loops), np.arange(n)
    link = csr_array(
        (np.concatenate([np.ones(n), -np.ones(n)]), (np.tile(rows, 2), np.concatenate([rows, n + loop_place]))),
        shape=(n, columns),
    )
    one_each = csr_array((np.ones(n), (section_place, rows)), shape=(int(section_place.max(initial=-1)) + 1, columns))
    weights = np.concatenate([problem.weight[options], np.full(len(loops), problem.loop_weight)])
    gains = np.concatenate([problem.gain[options], np.full(len(loops), -problem.loop_penalty)])
    lower = np.concatenate([core.is_taken, core.is_always_open[loops]]).astype(float)
    result = milp(
        -gains,
        constraints=[
            LinearConstraint(csr_array(weights[None, :]), -np.inf, problem.budget),
            LinearConstraint(link, -np.inf, 0.0),
            LinearConstraint(one_each, -np.inf, 1.0),
        ],
        bounds=Bounds(lower, 1.0), integrality=np.ones(columns, dtype=np.int64),
        options={"mip_rel_gap": relative_gap, "time_limit": time_limit_s},
    )
    bound = np.inf if result.mip_dual_bound is None else -float(result.mip_dual_bound)
    return None if result.x is None else np.asarray(result.x[:n] > 0.5), bound


def order_programme(chosen: pd.DataFrame, *, loop_weight: float) -> pd.DataFrame:
    """Put the chosen work in order: loops by gain per money, then sections within the loop.

    Parameters
    ----------
    chosen
        Chosen options with section_id, loop_id, weight and gain.
    loop_weight
        Cost of mobilising, counted once a loop.

    Returns
    -------
    DataFrame
        The same rows in order, with programme_order from 1 and mobilising_cost, which the loop's first row bears.

    Notes
    -----
    Ties are broken by loop_id and section_id.

    Checked by: tests/properties/test_replacement_programme.py
    """
    sums = chosen.groupby("loop_id")[["weight", "gain"]].transform("sum")
    ordered = chosen.assign(
        loop_ratio=sums["gain"] / (sums["weight"] + loop_weight), ratio=chosen["gain"] / chosen["weight"],
    ).sort_values(
        ["loop_ratio", "loop_id", "ratio", "section_id"], ascending=[False, True, False, True], kind="stable",
    ).reset_index(drop=True)
    return ordered.drop(columns=["loop_ratio", "ratio"]).assign(
        programme_order=np.arange(1, len(ordered) + 1),
        mobilising_cost=np.where(ordered["loop_id"].duplicated(), 0.0, loop_weight),
    )
