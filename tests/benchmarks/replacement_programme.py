"""A programme for a large fleet: how near to the proven bound, and in what time, beside the integer programme whole.

Run: python -m tests.benchmarks.replacement_programme [SECTIONS]
"""

from __future__ import annotations

import sys
import time

import numpy as np
import pandas as pd

from pipelines.investment.programme import choose_options


def draw_options(sections: int, seed: int = 0) -> pd.DataFrame:
    """Replace or inject each section of a fleet of loops of about eleven sections."""
    rng = np.random.default_rng(seed)
    loops = max(1, sections // 11)
    loop = np.sort(rng.integers(0, loops, sections))
    length = rng.lognormal(np.log(85.0), 0.45, sections)
    gain = length * 80.0 * rng.gamma(0.5, 1.0, sections) * rng.gamma(2.0, 0.5, loops)[loop]
    replace = pd.DataFrame(
        {
            "section_id": np.arange(sections),
            "loop_id": loop,
            "action": "replace",
            "weight": 190.0 * length,
            "gain": gain,
        }
    )
    inject = replace.assign(action="inject", weight=55.0 * length, gain=0.5 * gain)
    return pd.concat([inject, replace]).sort_values(["section_id", "action"]).reset_index(drop=True)


def main(sections: int = 100_000, budget_share: float = 0.03) -> float:
    """Print gap and time; returns the gap."""
    options = draw_options(sections)
    budget = budget_share * options.loc[options["action"].eq("replace"), "weight"].sum()
    start = time.perf_counter()
    choice = choose_options(options, budget, loop_weight=6_000.0)
    seconds = time.perf_counter() - start
    print(
        f"{sections:,} sections, {len(options):,} options, budget {budget:,.0f}: {choice.chosen.sum():,} chosen, "
        f"gap {100 * choice.gap:.4f} % of the bound, {seconds:.1f} s, {choice.searched:,} options searched"
    )
    return choice.gap


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
