"""The priced programme, its changes and what is settled by it, on seven options worked by hand."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from pipelines.investment import lagrangian_bound
from pipelines.investment import primal_heuristic as heuristic
from pipelines.investment.lagrangian_bound import (
    Problem,
    as_problem,
    count_loops,
    find_least_bound,
    keep_options,
    number_names,
    relax,
    spend,
    total_gain,
)
from pipelines.investment.programme import Choice, _settle, _solve_core, choose_options, find_price

SEVEN = Problem(
    weight=np.array([2.0, 4.0, 3.0, 5.0, 1.0, 2.0, 1.0]),
    gain=np.array([6.0, 9.0, 6.0, 7.0, 2.0, 0.5, 0.0]),
    section=np.array([0, 0, 1, 2, 3, 4, 5]),
    loop=np.array([0, 0, 0, 1, 1, 0, 0]),
    loop_of_section=np.array([0, 0, 1, 1, 0, 0]),
    loop_weight=1.0,
    loop_penalty=0.5,
    budget=20.0,
)
"""Loop 0: section 0 by option 0 or 1, sections 1, 4, 5 by options 2, 5, 6. Loop 1: options 3 and 4."""


def places(chosen: np.ndarray) -> list[int]:
    return np.flatnonzero(chosen).tolist()


def test_spending_and_gain_count_each_loop_once() -> None:
    chosen = np.isin(np.arange(7), [0, 2, 3])
    assert count_loops(SEVEN, chosen) == SEVEN.loops == 2
    assert spend(SEVEN, chosen) == 2 + 3 + 5 + 2 * 1
    assert total_gain(SEVEN, chosen) == 6 + 6 + 7 - 2 * 0.5
    assert SEVEN.ratio.tolist() == [3, 9 / 4, 2, 7 / 5, 2, 1 / 4, 0]


def test_relaxed_by_hand() -> None:
    one = relax(SEVEN, 1.0)
    assert one.worth.tolist() == [4, 5, 3, 2, 1, -1.5, -1]
    assert one.best_of_section.tolist() == [5, 3, 2, 1, 0, 0]
    assert one.surplus_of_loop.tolist() == [5 + 3 - 1 - 0.5, 2 + 1 - 1 - 0.5]
    assert places(one.chosen) == [1, 2, 3, 4]
    assert (one.price, one.bound, one.spent) == (1, 20 + 6.5 + 1.5, 4 + 3 + 5 + 1 + 2)
    dear = relax(SEVEN, 1.5)
    # options 0 and 1 are worth 3 both, and the first is taken; loop 1 is worth 0.5 less 1.5 x 1 + 0.5
    assert dear.surplus_of_loop.tolist() == [3 + 1.5 - 2, 0.5 - 2]
    assert places(dear.chosen) == [0, 2]
    assert (dear.bound, dear.spent) == (1.5 * 20 + 2.5, 2 + 3 + 1)
    # what is worth exactly nothing is left: option 4 at 2, and the loop whose surplus is nought
    even = relax(dataclasses.replace(SEVEN, loop_weight=0.0, loop_penalty=3.0), 1.0)
    assert even.surplus_of_loop.tolist() == [5, 0]
    assert places(even.chosen) == [1, 2]
    assert even.spent == 4 + 3


@pytest.mark.parametrize(
    ("budget", "price", "bound", "chosen"), [(2, 3, 9, [0, 1]), (1, 4, 5, [0]), (3, 0, 12, [0, 1, 2])]
)
def test_the_least_bound_of_three_loops(budget: float, price: float, bound: float, chosen: list[int]) -> None:
    # Gains 5, 4, 3 for a unit each: L(p) = p budget + sum of max(0, gain - p), least where the next one would begin.
    options = pd.DataFrame({"section_id": [*"abc"], "loop_id": [*"LMN"], "weight": 1.0, "gain": [5.0, 4.0, 3.0]})
    found = find_least_bound(as_problem(options, budget, 0.0, 0.0))
    assert found.bound == pytest.approx(bound, rel=1e-9)
    assert places(found.chosen) == chosen
    assert found.spent == budget
    assert find_price(options, budget) == pytest.approx(price, rel=1e-6)
    assert find_price(options[:0], budget) == 0.0
    # with a loop's weight of 1 and penalty of 1, gains 4, 3, 2 for 2 units each
    with_loops = find_least_bound(as_problem(options, 2 * budget, 1.0, 1.0))
    assert with_loops.bound == pytest.approx(bound - budget, rel=1e-9)
    dear = find_price(options, 2 * budget, loop_weight=1.0, loop_penalty=1.0)
    assert dear == pytest.approx(max(price - 1, 0) / 2, rel=1e-6)


@pytest.mark.parametrize("share", [0.001, 0.02, 0.3, 1.0])
def test_the_best_options_alone_give_the_price_of_all(share: float, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(5)
    section = np.repeat(np.arange(2_000), 2)
    gain, weight = rng.gamma(1.0, 2.0, len(section)) - 0.5, rng.uniform(0.5, 2.0, len(section))
    options = pd.DataFrame({"section_id": section, "loop_id": section // 8, "gain": gain, "weight": weight})
    budget = share * float(weight.sum())
    narrowed = find_least_bound(as_problem(options, budget, 0.7, 0.2))
    monkeypatch.setattr(lagrangian_bound, "FEW", len(section))
    whole = find_least_bound(as_problem(options, budget, 0.7, 0.2))
    assert (narrowed.price, narrowed.bound, narrowed.spent) == (whole.price, whole.bound, whole.spent)
    assert places(narrowed.chosen) == places(whole.chosen)


def test_options_left_are_numbered_anew() -> None:
    left = keep_options(SEVEN, np.isin(np.arange(7), [1, 3, 4, 6]))
    assert left.section.tolist() == [0, 1, 2, 3]
    assert left.loop_of_section.tolist() == [0, 1, 1, 0]
    assert (left.weight.tolist(), left.gain.tolist(), left.loop.tolist()) == ([4, 5, 1, 1], [9, 7, 2, 0], [0, 1, 1, 0])
    both = keep_options(SEVEN, np.isin(np.arange(7), [0, 1, 5]))
    assert (both.section.tolist(), both.loop_of_section.tolist()) == ([0, 0, 1], [0, 0])
    mixed = dataclasses.replace(SEVEN, section=SEVEN.section[::-1])  # not together: kept as they are
    assert keep_options(mixed, np.isin(np.arange(7), [0, 3])).section.tolist() == [5, 2]
    assert len(keep_options(SEVEN, np.zeros(7, dtype=bool)).weight) == 0


def told(changes: heuristic._Changes) -> list[tuple]:
    arrays = (changes.weight, changes.loss, changes.loop, changes.section)
    return list(
        zip(*(a.tolist() for a in arrays), *([x.tolist() for x in a] for a in (changes.drop, changes.add)), strict=True)
    )


def test_changes_of_a_choice_by_hand() -> None:
    dear = relax(SEVEN, 1.5)
    # left out by what they are worth; option 1 for 0 takes 2 more and loses nothing; option 5 is worth 0.5 - 3
    assert told(heuristic._list_singles(SEVEN, dear)) == [
        (-3, 1.5, 0, 1, [2], []),
        (-2, 3, 0, 0, [0], []),
        (2, 0, 0, 0, [0], [1]),
        (2, 2.5, 0, 4, [], [5]),
    ]
    assert told(heuristic._list_closings(SEVEN, dear)) == [(-(2 + 3 + 1), 2.5, 0, -1, [0, 2], [])]
    # of loop 1 option 4 alone is worth anything: 0.5 + 1.5 x (1 + 1) - 2
    assert told(heuristic._list_openings(SEVEN, dear)) == [(2, 1.5, 1, -1, [], [4])]
    penalised = dataclasses.replace(SEVEN, loop_penalty=5.0)
    # 4 before 3 by gain per weight: both 5 + 7 - 9, option 4 alone 5 + 2 - 2
    assert told(heuristic._list_openings(penalised, relax(penalised, 1.0))) == [
        (5 + 1 + 1, 3, 1, -1, [], [4, 3]),
        (1 + 1, 5, 1, -1, [], [4]),
    ]
    two = relax(SEVEN, 1.0)
    assert told(heuristic._list_closings(SEVEN, two)) == [(-7, 1.5, 1, -1, [3, 4], []), (-8, 6.5, 0, -1, [1, 2], [])]


@pytest.mark.parametrize(
    ("budget", "penalty", "start", "filled"),
    [
        (20, 0.5, [], [0, 2, 3, 4, 5]),  # 2 + 3 + 1 + 5 + 2 and two loops are 15; nobody adds what gains nothing
        (6, 0.5, [], [0, 2]),  # 2 + 3 + 1
        (5.9, 0.5, [], [0, 4]),  # 2 + 1, then 3 does not fit, then 1 + 1
        (5, 0.5, [], [0, 4]),
        (4.9, 0.5, [], [0]),
        (20, 2.0, [], [0, 2, 3, 5]),  # option 4, looked at before 3, gains no more than its loop costs
        (9, 2.0, [], [0, 2, 5]),
        (20, 0.5, [1], [1, 2, 3, 4, 5]),
        (13, 0.5, [3], [0, 2, 3, 4]),  # 5 + 1, 2 + 1, 3, 1
    ],
)
def test_what_still_fits_is_added_by_gain_per_weight(budget: float, penalty: float, start: list, filled: list) -> None:
    problem = dataclasses.replace(SEVEN, budget=float(budget), loop_penalty=penalty)
    found = places(heuristic.fill_up(problem, np.isin(np.arange(7), start)))
    assert found == filled


def test_a_pair_of_changes_beats_filling_up() -> None:
    # 10 units: a (7 for 6) leaves 4 that nobody fills; leaving it out, d (10.5 for 10) fits exactly.
    options = pd.DataFrame({"section_id": ["a", "d"], "loop_id": "L", "weight": [6.0, 10.0], "gain": [7.0, 10.5]})
    problem = as_problem(options, 10.0, 0.0, 0.0)
    relaxed = find_least_bound(problem)
    assert places(relaxed.chosen) == places(heuristic.fill_up_well(problem, relaxed, 7.0)) == [0]
    assert places(heuristic.fill_up_well(problem, relaxed, 7.1)) == [1]
    # on two loops the same by closing one and opening the other, mobilising included
    apart = as_problem(options.assign(loop_id=["L", "M"]), 11.0, 1.0, 0.0)
    assert places(heuristic.fill_up_well(apart, find_least_bound(apart), np.inf)) == [1]
    # dearer action for the cheaper one of the same section, paid for by leaving out another
    three = pd.DataFrame(
        {"section_id": ["a", "a", "b"], "loop_id": "L", "weight": [4.0, 8.0, 4.0], "gain": [6.0, 10.0, 3.9]}
    )
    same = as_problem(three, 8.0, 0.0, 0.0)
    assert places(heuristic.fill_up_well(same, find_least_bound(same), np.inf)) == [1]


def test_filling_up_comes_near_the_best_of_all() -> None:
    rng, lost = np.random.default_rng(3), []
    for _ in range(12):
        options = pd.DataFrame(
            {"section_id": np.repeat(np.arange(12), 2), "loop_id": np.repeat(np.arange(4), 6)}
        ).assign(weight=rng.integers(2, 12, 24).astype(float), gain=rng.integers(1, 20, 24).astype(float))
        problem = as_problem(options, 30.0, 4.0, 1.0)
        chosen = heuristic.fill_up_well(problem, find_least_bound(problem), np.inf)
        assert spend(problem, chosen) <= 30
        assert options.loc[chosen, "section_id"].is_unique
        best = choose_options(options, 30.0, loop_weight=4.0, loop_penalty=1.0, relative_gap=0.0).gain
        lost.append(1 - total_gain(problem, chosen) / best)
    assert min(lost) > -1e-9
    assert np.mean(np.abs(lost) < 1e-9) >= 0.7
    assert np.mean(lost) < 0.01


@pytest.mark.parametrize(
    ("room", "options", "taken", "is_open"),
    [
        (1.4, [0, 1, 2], [2], [True, False]),  # option 2 is worth 1.5
        (1.5, [0, 1, 2, 4, 6], [], [True, False]),  # opening loop 1 for option 4 loses 1.5
        (2.0, [0, 1, 2, 3, 4, 6], [], [True, False]),
        (2.5, [0, 1, 2, 3, 4, 5, 6], [], [False, False]),
    ],
)
def test_what_the_bound_settles(room: float, options: list[int], taken: list[int], is_open: list[bool]) -> None:
    core = _settle(SEVEN, relax(SEVEN, 1.5), room)
    assert core.options.tolist() == options
    assert core.options[core.is_taken].tolist() == taken
    assert core.is_always_open.tolist() == is_open
    assert core.open_options == len(options) - len(taken)


def test_the_core_is_solved_with_what_is_settled() -> None:
    problem = dataclasses.replace(SEVEN, budget=9.0)
    core = _settle(problem, relax(problem, 1.5), 2.5)
    chosen, bound = _solve_core(problem, core, 0.0, 10.0)
    # 4 + 3 + 1 for 15 leave 1 of 9, which no loop is opened for
    assert core.options[chosen].tolist() == [1, 2]
    assert bound == pytest.approx(9 + 6 - 0.5)
    forced = dataclasses.replace(core, is_taken=core.options == 3)
    chosen, bound = _solve_core(problem, forced, 0.0, 10.0)
    assert core.options[chosen].tolist() == [0, 3]
    assert bound == pytest.approx(6 + 7 - 2 * 0.5)


def test_the_gap_is_a_share_of_the_bound() -> None:
    chosen = np.zeros(0, dtype=bool)
    assert Choice(chosen, 9.0, 10.0, 0.0, 0.0, 0).gap == pytest.approx(0.1)
    assert Choice(chosen, 11.0, 10.0, 0.0, 0.0, 0).gap == 0
    assert Choice(chosen, -3.0, -2.0, 0.0, 0.0, 0).gap == pytest.approx(0.5)
    assert Choice(chosen, 0.0, 0.0, 0.0, 0.0, 0).gap == 0
    nothing = choose_options(pd.DataFrame({"section_id": [], "loop_id": [], "weight": [], "gain": []}), 5.0)
    assert (nothing.gain, nothing.bound, nothing.spent, nothing.price, nothing.searched) == (0, 0, 0, 0, 0)


@pytest.mark.parametrize("names", [["b", "b", "c", "f"], ["c", "a", "c", "b"], []])
def test_names_are_numbered_as_they_first_come(names: list[str]) -> None:
    texts = pd.Series(names, dtype="str")
    categories = pd.Series(pd.Categorical(names, categories=list("abcdef")))
    expected = [list(dict.fromkeys(names)).index(name) for name in names]
    for given in (texts, categories, categories.cat.codes.astype("int64")):
        assert number_names(given).tolist() == expected
