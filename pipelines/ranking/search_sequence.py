"""Where to test first: the order of opening points that finds the faulted section of an isolated half-loop soonest."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from pipelines.ranking.search_orders import (
    Tests,
    add_costs,
    find_best_order,
    follow,
    halve_by_count,
    measure_entropy,
    walk_outward,
)  # fmt: skip
from shared.arrays import Floats
from shared.errors import UserError, suggest_name
from shared.settings import Settings

MEASURES = {"tests": "tests", "minutes": "minutes of search", "customer_minutes": "customer-minutes during the search"}
"""What an order can be the least of, in words."""

ORDERS = ("this_order", "outward_walk", "halving_by_count")


@dataclass(frozen=True)
class Chain:
    """An isolated run of sections from its source to its open end; terminal k lies between sections k - 1 and k.

    Parameters
    ----------
    half_loop_id
        Which run.
    sections, terminals
        Their names; one terminal more than there are sections.
    chances
        Relative chance of each section to hold the fault, at least 0, of a sum above 0.
    length_m, route_m
        Cable of each section, and its route from terminal to terminal without tails.
    customers
        Customers at each terminal that are out while the fault may lie before it; None: not on record.
    is_fed_beyond
        Whether the part beyond the fault can be fed over the open end.
    """

    half_loop_id: str
    sections: tuple[str, ...]
    terminals: tuple[str, ...]
    chances: Floats
    length_m: Floats
    route_m: Floats
    customers: Floats | None
    is_fed_beyond: bool


@dataclass(frozen=True)
class Evidence:
    """What is known of the fault: terminals whose fault indicators have tripped or not, and a reading's window.

    Parameters
    ----------
    tripped, not_tripped
        Terminals, by their names or the ends of their names.
    window
        Terminal read from, a terminal it was read toward, and the window of the corrected distance, metres of route,
        at locating.window_coverage.
    """

    tripped: tuple[str, ...] = ()
    not_tripped: tuple[str, ...] = ()
    window: tuple[str, str, float, float] | None = None

    def on(self, terminals: Iterable[str]) -> Evidence:
        """The part of it that tells of a chain with these terminals."""
        there = set(terminals)
        window = self.window if self.window and there.issuperset(self.window[:2]) else None
        tripped, not_tripped = (tuple(t for t in ts if t in there) for ts in (self.tripped, self.not_tripped))
        return Evidence(tripped, not_tripped, window)

    def describe(self) -> str:
        """The evidence in words; empty where there is none."""
        told = [f"{terminal} tripped" for terminal in self.tripped]
        told += [f"{terminal} not tripped" for terminal in self.not_tripped]
        if self.window:
            start, toward, lo, hi = self.window
            told.append(f"the fault {lo:.4g} to {hi:.4g} m from {start} toward {toward}")
        return ", ".join(told)


@dataclass(frozen=True)
class SearchSequence:
    """An order of tests on a chain, and what it is expected to need.

    Parameters
    ----------
    chain
        Its chances, summing to 1, with all evidence weighed.
    by
        What the order is the least of: a key of MEASURES.
    tests
        The order, the first test first.
    expected
        Expected tests, minutes and customer_minutes (columns; NaN where no customers are on record) of this order,
        outward_walk and halving_by_count (rows).
    entropy_bits
        No order whatever needs fewer tests than this on average.
    evidence
        What was weighed.
    """

    chain: Chain
    by: str
    tests: Tests
    expected: pd.DataFrame
    entropy_bits: float
    evidence: Evidence

    def list_steps(self) -> pd.DataFrame:
        """The tests, numbered: step, test_at, chance (of getting there), toward_source and beyond (what then)."""
        chain, number = self.chain, {between: place for place, between in enumerate(self.tests, 1)}

        def then(low: int, high: int) -> str:
            if high - low == 1:
                return f"it is {chain.sections[low]}"
            return f"then {chain.terminals[self.tests[low, high][1]]} (step {number[low, high]})"

        rows = [
            (number[low, high], chain.terminals[at], chain.chances[low:high].sum(), then(low, at), then(at, high))
            for (low, high), (_, at) in self.tests.items()
        ]
        return pd.DataFrame(rows, columns=["step", "test_at", "chance", "toward_source", "beyond"])

    def describe(self) -> str:
        """The order in words."""
        chain, mean, likeliest = self.chain, self.expected, int(self.chain.chances.argmax())
        count = f"{len(chain.sections)} section{'s' if self.tests else ', which no test can split,'}"
        most = f"likeliest: {chain.sections[likeliest]} ({chain.chances[likeliest]:.0%})"
        lines = [f"{chain.half_loop_id}: {count} from {chain.terminals[0]} to {chain.terminals[-1]}; {most}"]
        if told := self.evidence.describe():
            lines.append(f"weighed: {told}")
        for step, test_at, chance, toward_source, beyond in self.list_steps().itertuples(index=False, name=None):
            then = f"Fault toward the source: {toward_source}; fault beyond: {beyond}."
            lines.append(f"{step:>3}. {'Test' if step > 1 else 'Test first'} at {test_at} ({chance:.0%}). {then}")
        this, outward, halving = mean.loc[[*ORDERS], "tests"]
        lines.append(
            f"expected: {this:.2f} tests; outward walk {outward:.2f}, halving by count {halving:.2f}; "
            f"no order can need fewer than {self.entropy_bits:.2f} (entropy)"
        )
        if self.by != "tests":
            this, outward, halving = mean.loc[[*ORDERS], self.by]
            others = f"outward walk {outward:,.0f}, halving by count {halving:,.0f}"
            lines.append(f"expected {MEASURES[self.by]}: {this:,.0f}; {others}")
        return "\n".join(lines)


# ------------------------------------------------------------------ the chain and its chances


def section_chances(strip: pd.DataFrame) -> pd.Series:
    """Relative chance of each row of marts.loop_strips to hold the fault of its half-loop.

    Notes
    -----
    The failures expected of it (ageing, its class, its own record), the mean where they are not known; its length where
    none is expected.

    Checked by: tests/unit/test_ranking_search_sequence.py
    """
    half, length = strip["half_loop_id"], strip["end_m"] - strip["start_m"]
    expected = strip["expected_failures"].astype(float)
    weight = expected.where(expected.groupby(half).transform("sum") > 0, length)
    return weight.fillna(weight.groupby(half).transform("mean"))


def lay_chains(strip: pd.DataFrame, terminals: pd.DataFrame) -> list[Chain]:
    """The half-loops of a loop as it lies today, each from its own source.

    Parameters
    ----------
    strip
        Rows of marts.loop_strips of one loop.
    terminals
        Rows of staging.terminals of that loop: terminal_id, customers, tail_m; may be empty.

    Notes
    -----
    The customers of the normally open terminal are those of half-loop A, which core.half_loops ends with it.

    Checked by: tests/unit/test_ranking_search_sequence.py
    """
    known = terminals.set_index("terminal_id")
    tails, served = known["tail_m"].fillna(0.0), known["customers"].dropna()
    chains = []
    for half, rows in (
        strip.assign(chance=section_chances(strip)).sort_values(["position", "section_id"]).groupby("half_loop_id")
    ):
        is_b = str(half) == f"{rows['loop_id'].iloc[0]}/B"
        if is_b:
            rows = rows[::-1].rename(
                columns={"from_terminal_id": "to_terminal_id", "to_terminal_id": "from_terminal_id"}
            )
        sections = rows["section_id"].tolist()
        ends = rows["to_terminal_id"].fillna(rows["from_terminal_id"].shift(-1))
        names = [*rows["from_terminal_id"].iloc[:1].fillna("source"), *ends.fillna("end of " + rows["section_id"])]
        length = (rows["end_m"] - rows["start_m"]).to_numpy(dtype=np.float64)
        tail = tails.reindex(names, fill_value=0.0).to_numpy(dtype=np.float64)
        customers = served.reindex(names, fill_value=0).to_numpy(dtype=np.float64)
        customers[[0, -1] if is_b else [0]] = 0.0
        chains.append(
            Chain(
                str(half), tuple(sections), tuple(names), rows["chance"].to_numpy(dtype=np.float64), length,
                np.maximum(length - tail[:-1] - tail[1:], 0.1), customers if len(served) else None,
                rows["configuration"].iloc[0] != "radial",
            )
        )  # fmt: skip
    return chains


def weigh_evidence(chain: Chain, evidence: Evidence, settings: Settings) -> Floats:
    """Chance of each section to hold the fault, summing to 1, once the evidence is weighed.

    Notes
    -----
    Bayes' rule with independent evidence. A fault beyond a terminal trips its indicator with the probability
    restoration.indicator_sensitivity, one before it with restoration.indicator_false_trips. A reading is normal about
    the middle of its window; its density is averaged over the route of each section, and with the probability
    restoration.reading_elsewhere it says nothing.

    Checked by: tests/unit/test_ranking_search_sequence.py
    """
    terms, n = settings.restoration, len(chain.sections)
    chances = chain.chances
    for names, has_tripped in ((evidence.tripped, True), (evidence.not_tripped, False)):
        for name in names:
            trips = np.where(
                np.arange(n) >= find_terminal(name, chain.terminals),
                terms.indicator_sensitivity,
                terms.indicator_false_trips,
            )
            chances = chances * (trips if has_tripped else 1.0 - trips)
    if evidence.window:
        from scipy.special import ndtr, ndtri

        start, toward = (find_terminal(name, chain.terminals) for name in evidence.window[:2])
        lo, hi = evidence.window[2:]
        spread = (hi - lo) / 2.0 / ndtri(0.5 + settings.locating.window_coverage / 2.0)
        at = np.concatenate([[0.0], np.cumsum(chain.route_m)])
        along = (at - at[start]) * (1.0 if toward > start else -1.0)
        if lo >= along.max():
            what = f"the window begins at {lo:g} m, beyond the last terminal at {along.max():.0f} m"
            raise UserError(what, "--distance-window", "check the terminals, and that the window is in metres")
        mass = np.abs(np.diff(ndtr((along - (lo + hi) / 2.0) / spread)))
        density = np.where(along[1:] + along[:-1] > 0, mass, 0.0) / chain.route_m
        chances = chances * ((1.0 - terms.reading_elsewhere) * density + terms.reading_elsewhere / at[-1])
    return np.asarray(chances / chances.sum(), dtype=np.float64)


def find_terminal(name: str, terminals: Iterable[str]) -> int:
    """Place of the one terminal of that name, or whose name ends with it.

    Raises
    ------
    UserError
        There is none, or more than one.
    """
    listed = list(terminals)
    found = [k for k, t in enumerate(listed) if t == name] or [k for k, t in enumerate(listed) if t.endswith(name)]
    if len(found) != 1:
        what = f"'{name}' is {'no terminal' if not found else 'more than one terminal'} of this loop"
        raise UserError(what, "terminal", suggest_name(name, listed))
    return found[0]


# ------------------------------------------------------------------ the order


def cost_tests(chain: Chain, by: str, settings: Settings) -> tuple[Floats, Floats]:
    """What a test costs: by where the crew is and where it tests, times a factor by what the fault lies between.

    Parameters
    ----------
    by
        A key of MEASURES.

    Returns
    -------
    hop, out
        Both of shape (terminals, terminals): tests or minutes; 1 or the customers still out between two terminals.

    Raises
    ------
    UserError
        Customer-minutes are asked for, and no customers are on record.

    Notes
    -----
    What is proven sound is taken to be switched back at once, as far as it can be fed.

    Checked by: tests/unit/test_ranking_search_sequence.py
    """
    n, terms = len(chain.terminals), settings.restoration
    at = np.concatenate([[0.0], np.cumsum(chain.length_m)])
    minutes = terms.search_test_min + np.abs(at[:, None] - at) / terms.search_m_per_min
    if by == "tests":
        return np.ones((n, n)), np.ones((n, n))
    if by == "minutes":
        return minutes, np.ones((n, n))
    if chain.customers is None:
        remedy = "load terminals.csv with customers, or ask for --by tests or minutes"
        raise UserError("no customers are on record by terminal", chain.half_loop_id, remedy)
    up_to = np.cumsum(chain.customers)
    # where the fault lies before terminal j, what is beyond j is out only as long as it cannot be fed
    until = np.where((np.arange(n) < n - 1) & chain.is_fed_beyond, up_to - chain.customers, up_to[-1])
    return minutes, np.maximum(until - up_to[:, None], 0.0)


def plan_search(chain: Chain, settings: Settings, evidence: Evidence = Evidence(), by: str = "tests") -> SearchSequence:
    """The best order of tests on a chain, beside the outward walk and halving by count.

    Raises
    ------
    UserError
        A terminal of the evidence is not on the chain, or no customers are on record for customer-minutes.

    Checked by: tests/unit/test_ranking_search_sequence.py
    """
    chances, n = weigh_evidence(chain, evidence, settings), len(chain.sections)
    best = find_best_order(chances, *cost_tests(chain, by, settings))
    followed = [follow(order, n) for order in (best, walk_outward, halve_by_count)]
    expected = pd.DataFrame(index=list(ORDERS), columns=list(MEASURES), dtype=np.float64)
    for measure in MEASURES:
        if measure != "customer_minutes" or chain.customers is not None:
            costs = cost_tests(chain, measure, settings)
            expected[measure] = [float(chances @ add_costs(tests, *costs)) for tests in followed]
    weighed = replace(chain, chances=chances)
    return SearchSequence(weighed, by, followed[0], expected, measure_entropy(chances), evidence)


def plan_loop(
    strip: pd.DataFrame,
    terminals: pd.DataFrame,
    settings: Settings,
    *,
    half: str | None = None,
    evidence: Evidence = Evidence(),
    by: str = "tests",
) -> list[SearchSequence]:
    """plan_search of each half-loop of a loop, or of the one asked for, as lay_chains lays them.

    Raises
    ------
    UserError
        There is no such half-loop, measure or terminal, or a window does not lie on one half-loop.

    Checked by: tests/unit/test_ranking_search_sequence.py
    """
    if by not in MEASURES:
        raise UserError(f"unknown measure '{by}'", "--by", suggest_name(by, MEASURES))
    laid = lay_chains(strip, terminals)
    chains = [chain for chain in laid if half is None or chain.half_loop_id.endswith(f"/{half.upper()}")]
    if not chains:
        what = f"there is no half-loop '{half}' with cable in service" if half else "the loop has no cable in service"
        raise UserError(what, "loop", suggest_name(half or "", (chain.half_loop_id for chain in laid)))
    everywhere = list(dict.fromkeys(terminal for chain in chains for terminal in chain.terminals))

    def full(names: Iterable[str]) -> tuple[str, ...]:
        return tuple(everywhere[find_terminal(name, everywhere)] for name in names)

    named = Evidence(full(evidence.tripped), full(evidence.not_tripped))
    if evidence.window:
        start, toward = full(evidence.window[:2])
        named = replace(named, window=(start, toward, *evidence.window[2:]))
        if not any(named.on(chain.terminals).window for chain in chains):
            remedy = "name two of one half-loop"
            raise UserError(f"{start} and {toward} are not on one half-loop", "--distance-window", remedy)
    return [plan_search(chain, settings, named.on(chain.terminals), by) for chain in chains]


def read_window(text: str | None) -> tuple[str, str, float, float] | None:
    """The window of --distance-window FROM,TOWARD,LO,HI.

    Raises
    ------
    UserError
        It has other than four parts, or the last two are no numbers from 0 in ascending order.
    """
    if text is None:
        return None
    try:
        start, toward, lo, hi = (part.strip() for part in text.split(","))
        if 0 <= float(lo) < float(hi) and start != toward:
            return start, toward, float(lo), float(hi)
    except ValueError:
        pass
    remedy = "give FROM,TOWARD,LO,HI: two terminals and the window in metres of route from FROM"
    raise UserError(f"'{text}' is no window", "--distance-window", remedy)
