"""Which sections to work on under a budget, when every loop opened costs its mobilising once?

An integer programme: choose at most one action a section, open the loops they lie on, stay within the
budget, gain the most. It is first shrunk with its Lagrangian bound, which settles nearly every loop of a
large fleet, and the rest is solved by HiGHS. The gap to the bound is kept and printed.
"""

import ctypes
import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from pipelines.investment.lagrangian_bound import (
    Problem,
    Relaxed,
    as_problem,
    find_least_bound,
    keep_best,
    keep_options,
    relax,
    spend,
    total_gain,
)
from pipelines.investment.primal_heuristic import fill_up_well
from shared.arrays import Booleans, Floats, Integers

SEARCH_OPTIONS = 6000
"""Options that the integer search is given at most; HiGHS settles as many in a few seconds."""

FIRST_ROOM, MORE_ROOM = 1 / 16, 4.0
"""Share of what is missing to the bound that the first core is settled with, and how much more the next one has."""


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


def choose_options(
    options: pd.DataFrame,
    budget: float,
    *,
    loop_weight: float = 0.0,
    loop_penalty: float = 0.0,
    relative_gap: float = 1e-4,
    time_limit_s: float = 20.0,
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

    Checked by: tests/published/test_investment_programme.py, tests/properties/test_investment_programme.py
    """
    problem = as_problem(options, budget, loop_weight, loop_penalty)
    if len(problem.weight) == 0:
        return Choice(np.zeros(0, dtype=bool), 0.0, 0.0, 0.0, 0.0, 0)
    relaxed = find_least_bound(problem)
    bound, searched = relaxed.bound, 0
    enough = bound - max(relative_gap, 1e-9) * abs(bound)
    chosen = fill_up_well(problem, relaxed, enough)
    gain = total_gain(problem, chosen)
    if gain < enough:
        better, bound, searched = _search(problem, relaxed, chosen, relative_gap, time_limit_s)
        if total_gain(problem, better) > gain:
            chosen, gain = better, total_gain(problem, better)
    return Choice(chosen, gain, max(bound, gain), spend(problem, chosen), relaxed.price, searched)


def find_price(options: pd.DataFrame, budget: float, *, loop_weight: float = 0.0, loop_penalty: float = 0.0) -> float:
    """Gain that the last unit of a budget brings, to six digits: where the bound of choose_options is least.

    Checked by: tests/properties/test_investment_plan.py
    """
    problem = as_problem(options, budget, loop_weight, loop_penalty)
    return find_least_bound(keep_best(problem), 1e-6).price if len(problem.weight) else 0.0


def choose_at_prices(
    options: pd.DataFrame, prices: Floats, *, loop_weight: float = 0.0
) -> Iterator[tuple[Booleans, float]]:
    """The best choice at each price of the budget, and what it spends, one price after another.

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

    Checked by: tests/properties/test_investment_plan.py
    """
    problem = as_problem(options, 0.0, loop_weight, 0.0)
    for price in prices:
        chosen = problem.gain - price * problem.weight > 0
        relaxed = relax(keep_options(problem, chosen), float(price))
        chosen[chosen] = relaxed.chosen
        yield chosen, relaxed.spent


def _search(
    problem: Problem, relaxed: Relaxed, known: Booleans, relative_gap: float, time_limit_s: float
) -> tuple[Booleans, float, int]:
    """Integer search over what the bound leaves open; returns choice, bound, options searched.

    Notes
    -----
    The most doubtful options are searched first. No choice outside such a core gains more than the bound less the room
    that its options were settled with, so the core's bound or that one, whichever is more, is proven for all. A small
    core mostly comes within the gap at once; a larger one is searched only where it does not.
    """
    bound, searched, ends_at = relaxed.bound, 0, time.monotonic() + time_limit_s
    room = FIRST_ROOM * (relaxed.bound - total_gain(problem, known))
    while True:
        missing = relaxed.bound - total_gain(problem, known) + 1e-9 * max(1.0, abs(relaxed.bound))
        room = min(room, missing)
        core = _settle(problem, relaxed, room)
        is_last = room >= missing
        while core.open_options > SEARCH_OPTIONS:
            room, is_last = room / 2.0, True
            core = _settle(problem, relaxed, room)
        searched = max(searched, core.open_options)
        values, of_core = _solve_core(problem, core, relative_gap / 4.0, max(ends_at - time.monotonic(), 0.0))
        bound = min(bound, max(of_core, relaxed.bound - room))
        if values is not None:  # else nothing was found in the time, and the known choice stands
            found = np.zeros(len(problem.weight), dtype=bool)
            found[core.options[values]] = True
            known = found if total_gain(problem, found) > total_gain(problem, known) else known
        is_enough = total_gain(problem, known) >= bound - relative_gap * abs(bound)
        if is_last or is_enough or time.monotonic() >= ends_at:
            return known, bound, searched
        room *= MORE_ROOM


@dataclass(frozen=True)
class _Core:
    """Options not settled as left out, which of them are settled as taken, and which loops are surely open."""

    options: Integers
    is_taken: Booleans
    is_always_open: Booleans

    @property
    def open_options(self) -> int:
        return int(len(self.options) - self.is_taken.sum())


def _settle(problem: Problem, relaxed: Relaxed, room: float) -> _Core:
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
    problem: Problem, core: _Core, relative_gap: float, time_limit_s: float
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
    with _nothing_printed():
        result = milp(
            -gains,
            constraints=[
                LinearConstraint(csr_array(weights[None, :]), -np.inf, problem.budget),
                LinearConstraint(link, -np.inf, 0.0),
                LinearConstraint(one_each, -np.inf, 1.0),
            ],
            bounds=Bounds(lower, 1.0),
            integrality=np.ones(columns, dtype=np.int64),
            options={"mip_rel_gap": relative_gap, "time_limit": time_limit_s},
        )
    bound = np.inf if result.mip_dual_bound is None else -float(result.mip_dual_bound)
    return None if result.x is None else np.asarray(result.x[:n] > 0.5), bound


@contextmanager
def _nothing_printed() -> Iterator[None]:
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

    Checked by: tests/properties/test_investment_programme.py
    """
    sums = chosen.groupby("loop_id")[["weight", "gain"]].transform("sum")
    ordered = (
        chosen.assign(loop_ratio=sums["gain"] / (sums["weight"] + loop_weight), ratio=chosen["gain"] / chosen["weight"])
        .sort_values(
            ["loop_ratio", "loop_id", "ratio", "section_id"], ascending=[False, True, False, True], kind="stable"
        )
        .reset_index(drop=True)
    )
    return ordered.drop(columns=["loop_ratio", "ratio"]).assign(
        programme_order=np.arange(1, len(ordered) + 1),
        mobilising_cost=np.where(ordered["loop_id"].duplicated(), 0.0, loop_weight),
    )
