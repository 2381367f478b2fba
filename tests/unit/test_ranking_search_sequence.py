"""Where to test first: chains, evidence, orders and the words of the answer."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from pipelines.ranking.search_orders import (
    Tests,
    add_costs,
    count_tests,
    find_best_order,
    follow,
    halve_by_count,
    walk_outward,
)  # fmt: skip
from pipelines.ranking.search_sequence import (
    Chain,
    Evidence,
    cost_tests,
    find_terminal,
    lay_chains,
    plan_loop,
    plan_search,
    read_window,
    section_chances,
    weigh_evidence,
)  # fmt: skip
from shared.errors import UserError
from shared.settings import Settings

SETTINGS = Settings()


def chain_of(*chances: float, customers: tuple[float, ...] | None = None, is_fed_beyond: bool = True) -> Chain:
    n = len(chances)
    length = np.arange(1.0, n + 1.0) * 50.0
    return Chain(
        "L1/A", tuple(f"S{k}" for k in range(1, n + 1)), tuple(f"L1-T{k}" for k in range(n + 1)), np.array(chances),
        length, length - 4.0, None if customers is None else np.array(customers), is_fed_beyond,
    )  # fmt: skip


def all_orders(low: int, high: int, here: int) -> Iterator[Tests]:
    """Every order of tests between two terminals."""
    if high - low < 2:
        yield {}
        return
    for at in range(low + 1, high):
        for near in all_orders(low, at, at):
            for far in all_orders(at, high, at):
                yield {(low, high): (here, at)} | near | far


@pytest.mark.parametrize("by", ["tests", "minutes", "customer_minutes"])
@pytest.mark.parametrize("is_fed_beyond", [True, False])
def test_no_order_of_all_costs_less(by: str, is_fed_beyond: bool) -> None:
    rng = np.random.default_rng(3)
    orders = list(all_orders(0, 6, 0))
    assert len(orders) == 42  # Catalan's number of binary trees with six leaves
    for _ in range(8):
        customers = (0.0, *rng.integers(1, 20, 6).astype(float))
        chain = replace(
            chain_of(*rng.dirichlet(np.full(6, 0.5)), customers=customers, is_fed_beyond=is_fed_beyond),
            length_m=rng.lognormal(6.0, 1.0, 6),
        )
        costs = cost_tests(chain, by, SETTINGS)
        least = min(float(chain.chances @ add_costs(tests, *costs)) for tests in orders)
        found = follow(find_best_order(chain.chances, *costs), 6)
        assert float(chain.chances @ add_costs(found, *costs)) == pytest.approx(least, rel=1e-12)
        assert found in orders


def test_what_is_asked_to_be_least_is_least() -> None:
    """A far likely section, long cable before it and customers near the source pull the orders apart."""
    chain = replace(
        chain_of(0.2, 0.1, 0.1, 0.1, 0.2, 0.3, customers=(0, 40, 0, 1, 1, 1, 30)),
        length_m=np.array([30.0, 40.0, 3000.0, 20.0, 20.0, 900.0]),
    )
    found = {by: plan_search(chain, SETTINGS, by=by) for by in ("tests", "minutes", "customer_minutes")}
    planned = {by: one.expected for by, one in found.items()}
    for by, expected in planned.items():
        costs = cost_tests(chain, by, SETTINGS)
        assert float(chain.chances @ add_costs(found[by].tests, *costs)) == expected.loc["this_order", by]
        assert expected.loc["this_order", by] == min(other.loc["this_order", by] for other in planned.values())
        assert expected.loc["this_order", by] <= expected.loc[["outward_walk", "halving_by_count"], by].min()
    assert planned["tests"].loc["this_order", "minutes"] > planned["minutes"].loc["this_order", "minutes"]
    assert planned["minutes"].loc["this_order", "tests"] > planned["tests"].loc["this_order", "tests"]


def test_tests_of_the_simple_orders() -> None:
    assert count_tests(walk_outward, 5).tolist() == [1, 2, 3, 4, 4]
    assert count_tests(halve_by_count, 8).tolist() == [3] * 8
    assert count_tests(halve_by_count, 5).tolist() == [2, 2, 2, 3, 3]
    assert count_tests(walk_outward, 1).tolist() == [0]


def test_of_equal_orders_the_one_nearer_to_the_source_is_taken() -> None:
    unit = np.ones((4, 4))
    assert follow(find_best_order([1 / 3] * 3, unit, unit), 3) == {(0, 3): (0, 1), (1, 3): (1, 2)}


def test_costs_of_a_test_are_its_minutes_the_cable_passed_and_who_is_out() -> None:
    chain = chain_of(1, 1, 1, customers=(0, 5, 7, 11))
    settings = SETTINGS.override("restoration", search_test_min=10.0, search_m_per_min=25.0)
    hop, out = cost_tests(chain, "customer_minutes", settings)
    assert hop[0].tolist() == [10, 10 + 50 / 25, 10 + 150 / 25, 10 + 300 / 25]
    assert hop[2, 1] == 10 + 100 / 25
    # between the ends all are out; before T2 only T1 is, beyond T1 both that follow
    assert (out[0, 3], out[0, 2], out[1, 3], out[0, 1]) == (23, 5, 18, 0)
    radial = cost_tests(replace(chain, is_fed_beyond=False), "customer_minutes", settings)[1]
    assert (radial[0, 3], radial[0, 2], radial[1, 3]) == (23, 23, 18)
    assert cost_tests(chain, "minutes", settings)[1].max() == 1
    assert np.ptp(cost_tests(chain, "tests", settings)[0]) == 0
    with pytest.raises(UserError, match="no customers are on record by terminal"):
        cost_tests(chain_of(1, 1), "customer_minutes", settings)
    assert plan_search(chain_of(1, 1), settings).expected["customer_minutes"].isna().all()


# ------------------------------------------------------------------ evidence


def test_indicators_are_weighed_by_bayes() -> None:
    chain = chain_of(0.4, 0.3, 0.2, 0.1)
    settings = SETTINGS.override("restoration", indicator_sensitivity=0.8, indicator_false_trips=0.1)
    tripped = weigh_evidence(chain, Evidence(tripped=("L1-T2",)), settings)
    by_hand = np.array([0.4 * 0.1, 0.3 * 0.1, 0.2 * 0.8, 0.1 * 0.8])
    assert tripped == pytest.approx(by_hand / by_hand.sum())
    both = weigh_evidence(chain, Evidence(("L1-T1",), ("L1-T3",)), settings)
    by_hand = np.array([0.4 * 0.1 * 0.9, 0.3 * 0.8 * 0.9, 0.2 * 0.8 * 0.9, 0.1 * 0.8 * 0.2])
    assert both == pytest.approx(by_hand / by_hand.sum())


@pytest.mark.parametrize("backwards", [False, True])
def test_a_window_is_weighed_by_the_density_over_each_section(backwards: bool) -> None:
    chain = replace(chain_of(0.1, 0.2, 0.3, 0.4), route_m=np.array([40.0, 60.0, 100.0, 50.0]))
    settings = SETTINGS.override("restoration", reading_elsewhere=0.02)
    # an 80 % window of 70 to 110 m: normal about 90 m
    known = stats.norm(90.0, 20.0 / stats.norm.ppf(0.9))
    window = ("L1-T3", "L1-T2", 70.0, 110.0) if backwards else ("L1-T1", "L1-T2", 70.0, 110.0)
    spans = {0: (160, 200), 1: (100, 160), 2: (0, 100)} if backwards else {1: (0, 60), 2: (60, 160), 3: (160, 210)}
    density = [
        (known.cdf(spans[k][1]) - known.cdf(spans[k][0])) / chain.route_m[k] if k in spans else 0.0 for k in range(4)
    ]
    by_hand = chain.chances * (0.98 * np.array(density) + 0.02 / 250.0)
    assert weigh_evidence(chain, Evidence(window=window), settings) == pytest.approx(by_hand / by_hand.sum())


def test_a_window_beyond_the_last_terminal_is_refused() -> None:
    evidence = Evidence(window=("L1-T0", "L1-T1", 300.0, 400.0))
    with pytest.raises(UserError) as fault:
        weigh_evidence(chain_of(1, 1, 1), evidence, SETTINGS)
    assert str(fault.value) == (
        "the window begins at 300 m, beyond the last terminal at 288 m\n  where: --distance-window\n"
        "  to do: check the terminals, and that the window is in metres"
    )


# ------------------------------------------------------------------ a loop

STRIP = pd.DataFrame(
    {
        "loop_id": "L1",
        "half_loop_id": ["L1/A"] * 2 + ["L1/B"] * 3,
        "position": [1, 2, 3, 4, 5],
        "section_id": ["S1", "S2", "S3", "S4", "S5"],
        "from_terminal_id": ["L1-T0", "L1-T1", "L1-T2", "L1-T3", "L1-T4"],
        "to_terminal_id": ["L1-T1", "L1-T2", "L1-T3", "L1-T4", "L1-T5"],
        "start_m": [0.0, 100.0, 150.0, 250.0, 300.0],
        "end_m": [100.0, 150.0, 250.0, 300.0, 420.0],
        "expected_failures": [0.3, 0.1, 0.1, 0.2, 0.4],
        "configuration": "loop",
    }
)
TERMINALS = pd.DataFrame(
    {
        "terminal_id": [f"L1-T{k}" for k in range(6)],
        "customers": [9, 5, 6, 7, 8, 9],
        "tail_m": [1.0, 2.0, np.nan, 4.0, 5.0, 6.0],
    }
)


def test_a_section_without_a_forecast_has_the_mean_chance_of_its_half_loop() -> None:
    lacking = STRIP.assign(expected_failures=[np.nan, np.nan, 0.1, np.nan, 0.3])
    assert section_chances(lacking).tolist() == [100.0, 50.0, 0.1, 0.2, 0.3]
    (a, _) = lay_chains(lacking, TERMINALS)
    assert weigh_evidence(a, Evidence(), SETTINGS).tolist() == [100 / 150, 50 / 150]


def test_each_half_loop_begins_at_its_own_source() -> None:
    a, b = lay_chains(STRIP, TERMINALS)
    assert (a.sections, a.terminals) == (("S1", "S2"), ("L1-T0", "L1-T1", "L1-T2"))
    assert (b.sections, b.terminals) == (("S5", "S4", "S3"), ("L1-T5", "L1-T4", "L1-T3", "L1-T2"))
    assert b.chances.tolist() == [0.4, 0.2, 0.1]
    assert b.length_m.tolist() == [120, 50, 100]
    assert b.route_m.tolist() == [120 - 6 - 5, 50 - 5 - 4, 100 - 4 - 0]
    # the normally open terminal is fed from half-loop A, the sources are not out
    assert a.customers is not None and a.customers.tolist() == [0, 5, 6]
    assert b.customers is not None and b.customers.tolist() == [0, 8, 7, 0]
    assert a.is_fed_beyond


def test_a_register_that_lacks_terminals_and_forecasts_still_gives_a_chain() -> None:
    bare = STRIP.assign(
        half_loop_id="L1", expected_failures=np.nan, configuration="radial",
        from_terminal_id=[None, None, "L1-T2", None, None], to_terminal_id=None,
    )  # fmt: skip
    (chain,) = lay_chains(bare, TERMINALS.iloc[:0])
    assert chain.terminals == ("source", "end of S1", "L1-T2", "end of S3", "end of S4", "end of S5")
    assert chain.chances.tolist() == chain.length_m.tolist() == [100, 50, 100, 50, 120]
    assert chain.customers is None and not chain.is_fed_beyond


def test_the_answer_in_words() -> None:
    settings = SETTINGS.override("restoration", search_test_min=10.0, search_m_per_min=50.0)
    (planned,) = plan_loop(STRIP, TERMINALS, settings, half="b", by="minutes")
    # one test and the cable to T4; in 0.3/0.7 a second and the cable to T3
    minutes = 10 + 120 / 50 + 0.3 / 0.7 * (10 + 50 / 50)
    assert planned.describe() == (
        "L1/B: 3 sections from L1-T5 to L1-T2; likeliest: S5 (57%)\n"
        "  1. Test first at L1-T4 (100%). Fault toward the source: it is S5; fault beyond: then L1-T3 (step 2).\n"
        "  2. Test at L1-T3 (43%). Fault toward the source: it is S4; fault beyond: it is S3.\n"
        "expected: 1.43 tests; outward walk 1.43, halving by count 1.43; no order can need fewer than 1.38 (entropy)\n"
        f"expected minutes of search: {minutes:.0f}; outward walk {minutes:.0f}, halving by count {minutes:.0f}"
    )
    (short,) = plan_loop(STRIP.iloc[:1], TERMINALS, SETTINGS)
    assert short.describe().startswith("L1/A: 1 section, which no test can split, from L1-T0 to L1-T1;")


def test_evidence_counts_on_its_own_half_loop_alone() -> None:
    a, b = plan_loop(STRIP, TERMINALS, SETTINGS, evidence=Evidence(("T4",), (), ("T5", "T4", 10.0, 20.0)))
    assert a.chain.chances == pytest.approx([0.75, 0.25])
    expected = weigh_evidence(
        lay_chains(STRIP, TERMINALS)[1], Evidence(("L1-T4",), (), ("L1-T5", "L1-T4", 10.0, 20.0)), SETTINGS
    )
    assert b.chain.chances.tolist() == expected.tolist()
    told = "weighed: L1-T4 tripped, the fault 10 to 20 m from L1-T5 toward L1-T4"
    assert b.describe().splitlines()[1] == told
    assert "weighed" not in a.describe()
    assert (
        replace(b, evidence=Evidence(not_tripped=("L1-T3",))).describe().splitlines()[1] == "weighed: L1-T3 not tripped"
    )
    assert b.entropy_bits != plan_loop(STRIP, TERMINALS, SETTINGS)[1].entropy_bits


@pytest.mark.parametrize(
    ("asked", "what"),
    [
        ({"by": "test"}, "unknown measure 'test'\n  where: --by\n  to do: did you mean 'tests'?"),
        ({"half": "C"}, "there is no half-loop 'C' with cable in service\n  where: loop\n  to do: known: L1/A, L1/B"),
        ({"evidence": Evidence(("T7",)), "half": "A"},
         "'T7' is no terminal of this loop\n  where: terminal\n  to do: known: L1-T0, L1-T1, L1-T2"),
        ({"evidence": Evidence((), (), ("T0", "T5", 1.0, 2.0))},
         "L1-T0 and L1-T5 are not on one half-loop\n  where: --distance-window\n  to do: name two of one half-loop"),
    ],
)  # fmt: skip
def test_what_cannot_be_answered_is_said(asked: dict, what: str) -> None:
    with pytest.raises(UserError) as fault:
        plan_loop(STRIP, TERMINALS, SETTINGS, **asked)
    assert str(fault.value) == what
    with pytest.raises(UserError, match="the loop has no cable in service"):
        plan_loop(STRIP.iloc[:0], TERMINALS, SETTINGS)


def test_a_terminal_is_named_by_its_end_where_that_is_one() -> None:
    names = ("L1-T1", "L1-T11", "T1")
    assert [find_terminal(name, names) for name in ("T11", "L1-T1", "T1")] == [1, 0, 2]
    with pytest.raises(UserError, match="'1' is more than one terminal of this loop"):
        find_terminal("1", names)


@pytest.mark.parametrize("text", ["T1,T2,5", "T1,T1,5,6", "T1,T2,6,5", "T1,T2,-1,5", "T1,T2,a,5", "T1,T2,5,nan"])
def test_a_window_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(UserError, match=f"'{text}' is no window"):
        read_window(text)
    assert read_window("T1, T2, 5.5, 9") == ("T1", "T2", 5.5, 9.0)
    assert read_window(None) is None
