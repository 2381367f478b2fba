"""What counting each failure once changes, and how often the limits of the back-test hold.

`python -m tests.simulated.counts_study WORKSPACE` prints what the past dates of a refreshed workspace add up to: date
by date as if they were independent, and with each failure counted once.
`python -m tests.simulated.counts_study --fleets 400` draws fleets and prints how often 90 % limits of a difference
hold the true one, percentile limits as they are and expanded for few loops, and how often a rule that is as good as
the other is called better or worse.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import pandas as pd

from pipelines.evaluation.backtest import draw_loops
from pipelines.evaluation.backtest_summary import expand_tails
from pipelines.evaluation.capture import measure_capture, sum_drawn
from pipelines.evaluation.rule_orders import order_by_rule

WORLDS = {
    "12 loops, 9 failures": (12, 0.75),
    "30 loops, 20 failures": (30, 0.67),
    "120 loops, 90 failures": (120, 0.75),
}


def print_workspace(exports: Path) -> None:
    """The same past dates, before and after."""
    once, by_date = (pd.read_csv(exports / f"{name}.csv") for name in ("backtest_summary", "backtest"))
    tenths = pd.read_csv(exports / "backtest_calibration.csv")
    at = by_date[by_date["level"].eq("loop") & by_date["length_fraction"].eq(0.1)]
    summed = at.groupby("rule")[["failures_captured", "failures_total"]].sum()
    print(f"later failures: {summed['failures_total'].max():.0f} summed over {at['origin'].nunique()} dates, ", end="")
    print(f"{once['failures_distinct'].max():.0f} distinct")
    sums = tenths[["expected", "observed", "expected_distinct", "observed_distinct"]].sum()
    print("expected and came, summed over dates: {:.1f} {:.1f}; once: {:.1f} {:.1f}".format(*sums))
    rows = once[once["level"].eq("loop") & once["length_fraction"].eq(0.1) & ~once["is_own_length"]].set_index("rule")
    shown = [
        "capture_fraction",
        "capture_lo",
        "capture_hi",
        "difference_to_model",
        "difference_lo",
        "difference_hi",
        "verdict",
    ]
    print(rows[shown].assign(summed_over_dates=summed.iloc[:, 0] / summed.iloc[:, 1]).round(3).to_string())


def draw_fleet(loops: int, mean: float, random: np.random.Generator) -> pd.DataFrame:
    """Loops with a rate each, failures that followed, and two rules of one worth: the rate with an error of its own."""
    km = random.uniform(0.5, 3.0, loops)
    rate = random.gamma(1.0, mean / 1.75, loops)
    return pd.DataFrame(
        {
            "loop_code": np.arange(loops),
            "length_km": km,
            "observed": random.poisson(rate * km).astype(float),
            **{rule: rate * random.gamma(2.0, 0.5, loops) for rule in ("one", "other")},
            "blind": random.random(loops),
        }
    )


def measure_fleet(units: pd.DataFrame, random: np.random.Generator) -> dict[str, tuple[float, np.ndarray, int]]:
    """Difference of capture at a fifth of the length of a rule to one: as it is, and in each replicate."""
    draws = draw_loops(len(units), 400, random)
    whole = sum_drawn(units, draws)
    found = {
        rule: measure_capture(units, *order_by_rule(units, rule), draws, (0.2,), drawn_totals=whole)
        for rule in ("one", "other", "blind")
    }
    total, failed = max(units["observed"].sum(), 1.0), int(units["observed"].gt(0).sum())
    each = np.maximum(whole[1][0], 1e-9)
    return {
        rule: (
            float(found[rule][0][0, 0] - found["one"][0][0, 0]) / total,
            (found[rule][1][:, 0, 0] - found["one"][1][:, 0, 0]) / each,
            failed,
        )
        for rule in ("other", "blind")
    }


def print_coverage(fleets: int, seed: int) -> None:
    """Coverage and verdicts of 90 % limits, with the mean over all fleets as the truth."""
    for name, (loops, mean) in WORLDS.items():
        random = np.random.default_rng(seed)
        tried = [measure_fleet(draw_fleet(loops, mean, random), random) for _ in range(fleets)]
        for rule in ("other", "blind"):
            truth = float(np.mean([one[rule][0] for one in tried]))
            for how in ("plain", "expanded"):
                limits = np.array(
                    [
                        np.quantile(one[rule][1], [0.05, 0.95] if how == "plain" else expand_tails(0.9, one[rule][2]))
                        for one in tried
                    ]
                ).round(12)
                holds = np.mean((limits[:, 0] <= truth) & (truth <= limits[:, 1]))
                worse, better = np.mean(limits[:, 1] < 0), np.mean(limits[:, 0] > 0)
                error = np.sqrt(holds * (1 - holds) / fleets)
                print(
                    f"{name:24s} {rule:6s} {how:9s} holds {holds:.3f} ({error:.3f}), difference {truth:+.3f}, "
                    f"called better {better:.3f}, worse {worse:.3f}"
                )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("workspace", nargs="?", type=Path)
    parser.add_argument("--fleets", type=int, default=400)
    parser.add_argument("--seed", type=int, default=20261130)
    given = parser.parse_args()
    if given.workspace is None:
        print_coverage(given.fleets, given.seed)
    else:
        print_workspace(given.workspace / "exports")


if __name__ == "__main__":
    main()
