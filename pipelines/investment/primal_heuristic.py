"""A choice that keeps to the budget, made from the relaxation's by a few changes that use up what is left."""

from dataclasses import dataclass

import numpy as np

from pipelines.investment.lagrangian_bound import Problem, Relaxed, spend, total_gain
from shared.arrays import Booleans, Floats, Integers

FILL_STEP = 200
"""Options looked at one by one before those that no longer fit are dropped."""

CHANGES_KEPT = 120
"""Changes of each sort that are paired, those that lose least."""

PAIRS_TRIED = 6
"""Pairs of changes that are carried out and filled up: more gains next to nothing."""


@dataclass(frozen=True)
class _Changes:
    """Changes of a choice: money that each takes, and what it loses against the bound.

    loop: the loop it closes, or the loop it works in. section: the section it touches, -1 for several. drop, add: the
    options it takes out and puts in.
    """

    weight: Floats
    loss: Floats
    loop: Integers
    section: Integers
    drop: list[Integers]
    add: list[Integers]


def fill_up(problem: Problem, start: Booleans) -> Booleans:
    """A choice that keeps to the budget, with what still fits added in the order of gain per weight."""
    chosen = start.copy()
    left = problem.budget - spend(problem, chosen)
    taken = np.zeros(len(problem.loop_of_section), dtype=bool)
    taken[problem.section[chosen]] = True
    opened = np.zeros(problem.loops, dtype=bool)
    opened[problem.loop[chosen]] = True
    rest = np.flatnonzero((problem.weight <= left) & (problem.gain > 0))
    rest = rest[np.argsort(-problem.ratio[rest], kind="stable")]
    while len(rest):
        # What does not fit now will not fit later either: what is left only shrinks.
        rest = rest[~taken[problem.section[rest]] & (problem.weight[rest] <= left)]
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


def fill_up_well(problem: Problem, relaxed: Relaxed, enough: float) -> Booleans:
    """The relaxation's choice with the pair of changes that loses least, then with what still fits.

    Parameters
    ----------
    problem, relaxed
        The problem, and its relaxation with a choice that keeps to the budget.
    enough
        Gain at which it ends.

    Notes
    -----
    Loops are lumps: the relaxation's choice leaves part of a budget, and single options are a dear way to spend it. One
    change frees money (close a loop, leave out an option, do the cheaper action), one takes it (open part of a loop,
    add an option, do the dearer action). Against the bound a pair loses what both lose, and the price of the money
    still left; all pairs are weighed at once.
    """
    best = fill_up(problem, relaxed.chosen)
    if total_gain(problem, best) >= enough:
        return best
    singles = _list_singles(problem, relaxed)
    freeing = _join([_take(singles, singles.weight < 0), _list_closings(problem, relaxed), NOTHING])
    taking = _join([_take(singles, singles.weight > 0), _list_openings(problem, relaxed), NOTHING])
    freeing, taking = (_take(each, np.argsort(each.loss, kind="stable")[:CHANGES_KEPT]) for each in (freeing, taking))
    left = problem.budget - relaxed.spent - freeing.weight[:, None] - taking.weight[None, :]
    loss = freeing.loss[:, None] + taking.loss[None, :] + relaxed.price * left
    whole = (freeing.section == -1)[:, None] & (freeing.loop[:, None] == taking.loop[None, :])
    same = (freeing.section[:, None] == taking.section[None, :]) & (taking.section >= 0)[None, :]
    loss[(left < 0) | whole | same] = np.inf
    for place in np.argsort(loss, axis=None, kind="stable")[:PAIRS_TRIED]:
        row, column = np.unravel_index(place, loss.shape)
        if not np.isfinite(loss[row, column]) or total_gain(problem, best) >= enough:
            break
        tried = relaxed.chosen.copy()
        tried[freeing.drop[row]] = tried[taking.drop[column]] = False
        tried[freeing.add[row]] = tried[taking.add[column]] = True
        tried = fill_up(problem, tried)
        if total_gain(problem, tried) > total_gain(problem, best):
            best = tried
    return best


NONE = np.zeros(0, dtype=np.int64)
NOTHING = _Changes(np.zeros(1), np.zeros(1), np.array([-2]), np.array([-2]), [NONE], [NONE])
"""The change that changes nothing."""


def _take(changes: _Changes, which: Integers | Booleans) -> _Changes:
    places = np.flatnonzero(which) if which.dtype == bool else which
    return _Changes(
        changes.weight[places],
        changes.loss[places],
        changes.loop[places],
        changes.section[places],
        [changes.drop[place] for place in places],
        [changes.add[place] for place in places],
    )


def _join(parts: list[_Changes]) -> _Changes:
    return _Changes(
        np.concatenate([part.weight for part in parts]),
        np.concatenate([part.loss for part in parts]),
        np.concatenate([part.loop for part in parts]),
        np.concatenate([part.section for part in parts]),
        [drop for part in parts for drop in part.drop],
        [add for part in parts for add in part.add],
    )


def _list_singles(problem: Problem, relaxed: Relaxed) -> _Changes:
    """Leave out an option, add one on a loop that is open, or change the action of a section."""
    opened = np.zeros(problem.loops, dtype=bool)
    opened[problem.loop[relaxed.chosen]] = True
    out = np.flatnonzero(relaxed.chosen)
    held_by = np.full(len(problem.loop_of_section), -1)
    held_by[problem.section[out]] = out
    into = np.flatnonzero(~relaxed.chosen & opened[problem.loop] & (problem.gain > 0))
    before = held_by[problem.section[into]]
    is_change = before >= 0
    weight = problem.weight[into] - np.where(is_change, problem.weight[before], 0.0)
    loss = np.where(is_change, relaxed.worth[before], 0.0) - relaxed.worth[into]
    kept_out, kept_in = (np.argsort(each, kind="stable")[: 4 * CHANGES_KEPT] for each in (relaxed.worth[out], loss))
    out, into, before = out[kept_out], into[kept_in], before[kept_in]
    options = np.concatenate([out, into])
    return _Changes(
        np.concatenate([-problem.weight[out], weight[kept_in]]),
        np.concatenate([relaxed.worth[out], loss[kept_in]]),
        problem.loop[options],
        problem.section[options],
        [*(np.array([option]) for option in out), *(np.array([held]) if held >= 0 else NONE for held in before)],
        [*(NONE for _ in out), *(np.array([option]) for option in into)],
    )


def _list_closings(problem: Problem, relaxed: Relaxed) -> _Changes:
    """Close a loop that is open."""
    opened = np.unique(problem.loop[relaxed.chosen])
    spent = np.bincount(problem.loop[relaxed.chosen], problem.weight[relaxed.chosen], problem.loops).astype(np.float64)
    spent += problem.loop_weight
    least = opened[np.argsort(relaxed.surplus_of_loop[opened], kind="stable")[:CHANGES_KEPT]]
    return _Changes(
        -spent[least],
        relaxed.surplus_of_loop[least],
        least,
        np.full(len(least), -1),
        [np.flatnonzero(relaxed.chosen & (problem.loop == loop)) for loop in least],
        [NONE for _ in least],
    )


def _list_openings(problem: Problem, relaxed: Relaxed) -> _Changes:
    """Open a loop for its best options, as many from the best downwards as one likes."""
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

    weight = so_far(problem.weight[order]) + problem.loop_weight
    loss = problem.loop_penalty + relaxed.price * weight - so_far(problem.gain[order])
    ends = np.argsort(loss, kind="stable")[:CHANGES_KEPT]
    return _Changes(
        weight[ends],
        loss[ends],
        loop[ends],
        np.full(len(ends), -1),
        [NONE for _ in ends],
        [order[before[end] : end + 1] for end in ends],
    )
