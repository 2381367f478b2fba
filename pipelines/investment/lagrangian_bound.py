"""The programme with its budget priced instead of kept: it falls apart into loops, and bounds every choice."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from shared.arrays import Booleans, Floats, Integers

FEW = 1_000
"""Options of which it is not worth while to look at the best alone."""


@dataclass(frozen=True)
class Problem:
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
        return int(self.loop_of_section.max(initial=-1)) + 1

    @property
    def ratio(self) -> Floats:
        """Gain per weight of each option."""
        return np.asarray(self.gain / np.maximum(self.weight, 1e-12))


@dataclass(frozen=True)
class Relaxed:
    """The problem with the budget priced instead of kept: it falls apart into loops."""

    price: float
    bound: float
    worth: Floats
    best_of_section: Floats
    surplus_of_loop: Floats
    chosen: Booleans
    spent: float


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


def as_problem(options: pd.DataFrame, budget: float, loop_weight: float, loop_penalty: float) -> Problem:
    section, loop = number_names(options["section_id"]), number_names(options["loop_id"])
    loop_of_section = np.zeros(int(section.max(initial=-1)) + 1, dtype=np.int64)
    loop_of_section[section] = loop
    return Problem(
        options["weight"].to_numpy(dtype=float),
        options["gain"].to_numpy(dtype=float),
        section,
        loop,
        loop_of_section,
        loop_weight,
        loop_penalty,
        budget,
    )


def count_loops(problem: Problem, chosen: Booleans) -> int:
    return len(np.unique(problem.loop[chosen]))


def spend(problem: Problem, chosen: Booleans) -> float:
    return float(problem.weight[chosen].sum()) + problem.loop_weight * count_loops(problem, chosen)


def total_gain(problem: Problem, chosen: Booleans) -> float:
    return float(problem.gain[chosen].sum()) - problem.loop_penalty * count_loops(problem, chosen)


def relax(problem: Problem, price: float) -> Relaxed:
    """Best choice and bound when each unit of budget costs its price."""
    worth = problem.gain - price * problem.weight
    best = np.zeros(len(problem.loop_of_section))
    np.maximum.at(best, problem.section, worth)
    surplus = np.bincount(problem.loop_of_section, best, problem.loops).astype(np.float64)
    surplus -= price * problem.loop_weight + problem.loop_penalty
    wanted = (worth > 0) & (worth == best[problem.section]) & (surplus[problem.loop] > 0)
    # Of a section's options that are worth the same, the first is taken.
    places = np.flatnonzero(wanted)[::-1]
    first = np.full(len(best), -1)
    first[problem.section[places]] = places
    chosen = np.zeros(len(worth), dtype=bool)
    chosen[first[first >= 0]] = True
    bound = price * problem.budget + float(np.maximum(surplus, 0.0).sum())
    # A loop with a surplus has an option worth taking, so it is opened.
    spent = float(problem.weight[chosen].sum()) + problem.loop_weight * int((surplus > 0).sum())
    return Relaxed(price, bound, worth, best, surplus, chosen, spent)


def find_least_bound(problem: Problem, accuracy: float = 1e-10) -> Relaxed:
    """The relaxation at the least price at which its choice keeps to the budget."""
    within = keep_best(problem)
    if within is problem and (free := relax(problem, 0.0)).spent <= problem.budget:
        return free
    low, high = 0.0, float(np.max(within.ratio, initial=0.0)) * 1.001 + 1e-12
    least, least_bound = high, relax(within, high).bound
    for _ in range(60):
        middle = (low + high) / 2.0
        worthwhile = keep_options(within, within.gain - middle * within.weight > 0)
        tried = relax(worthwhile, middle)
        if tried.bound < least_bound:
            least, least_bound = middle, tried.bound
        if tried.spent <= problem.budget:
            high = middle
        else:
            low = middle
            # What is worth nothing at this price is worth nothing at any above it.
            within = worthwhile
        if high - low <= accuracy * high:
            break
    best, kept = relax(problem, least), relax(problem, high)
    # Choice from the side that keeps to the budget, bound from the lowest seen (both prices agree but for rounding).
    return kept if kept.bound <= best.bound * (1.0 + 1e-12) else _keeping(best, kept)


def keep_best(problem: Problem) -> Problem:
    """The options that return most, as far as they alone spend the budget: nothing else has a say in its price."""
    while len(problem.weight) > FEW:
        price = float(np.quantile(problem.ratio, 0.75))
        best = keep_options(problem, problem.gain - price * problem.weight > 0)
        if relax(best, price).spent <= problem.budget:
            break
        problem = best
    return problem


def keep_options(problem: Problem, options: Booleans) -> Problem:
    """The problem with some of its options alone, and with no section that has none of them."""
    section = problem.section[options]
    rises = np.diff(section, prepend=-1)
    sections = problem.loop_of_section
    if len(section) and rises.min() >= 0:  # options of a section stand together: the rest are numbered anew
        sections, section = sections[section[rises > 0]], np.cumsum(rises > 0) - 1
    return replace(
        problem,
        weight=problem.weight[options],
        gain=problem.gain[options],
        section=section,
        loop=problem.loop[options],
        loop_of_section=sections,
    )


def _keeping(best: Relaxed, kept: Relaxed) -> Relaxed:
    return Relaxed(
        best.price, best.bound, best.worth, best.best_of_section, best.surplus_of_loop, kept.chosen, kept.spent
    )
