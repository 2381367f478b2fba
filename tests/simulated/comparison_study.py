"""How often the limits of compared groups hold, and how often a group is named without reason, on simulated jobs.

Run: python -m tests.simulated.comparison_study --fleets 400 --seed 7217
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.restoration.comparison import compare_groups

SEASONS = np.array(["December to February", "March to May", "June to August", "September to November"])


@dataclass(frozen=True)
class World:
    """Jobs of one kind: how many, of how many days and groups, and what is different."""

    jobs: int = 800
    days: int = 400
    groups: int = 8
    slower: float = 1.0  # the first group's time over the others'
    storm_share: float = 0.0  # share of the jobs that fall on 20 storms
    night_only: bool = False  # the first group works at night alone
    shares: tuple[float, ...] = ()  # of the groups in the jobs; empty: about alike
    grouping: str = "crew"
    min_jobs: int = 30


WORLDS = {
    "equal crews": World(),
    "one crew 30 % slower": World(slower=1.3),
    "night-only crew, equal": World(night_only=True),
    "night-only crew, 30 % slower": World(night_only=True, slower=1.3),
    "storms, equal": World(storm_share=0.4),
    "storms, one crew 30 % slower": World(storm_share=0.4, slower=1.3),
    "few jobs, equal": World(jobs=160, days=100, groups=4),
    "small groups, equal": World(jobs=600, groups=16, shares=tuple(np.geomspace(1, 12, 16)), min_jobs=5),
    "small groups, one 30 % slower": World(
        jobs=600, groups=16, shares=(6.0, *np.geomspace(1, 12, 15)), slower=1.3, min_jobs=5
    ),
    "seasons with storms, equal": World(storm_share=0.4, grouping="season", groups=4),
}


def simulate_jobs(world: World, rng: np.random.Generator) -> tuple[pd.DataFrame, np.ndarray]:
    """Jobs, and the log of each group's own time.

    Storms hit crews unevenly and slow all their jobs alike, days do so a little; the rest is skewed and spreads
    differently in each group; longer loops, nights and winters are slower, and groups differ in all of these.
    """
    n, g = world.jobs, world.groups
    storm = rng.random(n) < world.storm_share
    day = np.where(storm, rng.integers(0, 20, n), 20 + rng.integers(0, world.days, n))
    day_season = np.concatenate([np.arange(20) % 4, np.arange(world.days) % 4])
    shares = np.array(world.shares or rng.uniform(0.7, 1.3, g))
    names = rng.choice(g, n, p=shares / shares.sum())
    hit = rng.integers(0, g, 20)
    moved = storm & (rng.random(n) < 0.3)
    names = np.where(moved, hit[np.minimum(day, 19)], names)
    season = day_season[day]
    if world.grouping == "season":
        names = season
    night = rng.random(n) < rng.uniform(0.1, 0.4, g)[names]
    if world.night_only:
        night |= names == 0
    sections = 1 + rng.poisson(rng.uniform(5, 10, g)[names])
    effects = np.zeros(g)
    effects[0] = np.log(world.slower)
    of_day = np.concatenate([rng.normal(0, 0.4, 20), rng.normal(0, 0.15, world.days)])
    rest = rng.uniform(0.35, 0.6, g)[names] * (rng.gamma(4, 1, n) - 4) / 2
    of_season = np.zeros(4) if world.grouping == "season" else np.array([0.1, 0.0, 0.0, 0.05])
    log = 4 + 0.3 * np.log(sections) + 0.2 * night + of_season[season] + effects[names] + of_day[day] + rest
    found = {"cluster": day, "crew": [f"C{k:02}" for k in names], "season": SEASONS[season]}
    jobs = pd.DataFrame(found | {"sections_on_loop": sections, "is_night": night, "is_radial": False})
    return jobs.assign(minutes=np.exp(log)), effects


def study(world: World, fleets: int, seed: int) -> dict[str, float]:
    """Coverage of the 90 % limits, figures with a false verdict, and how often the first group is named."""
    held, false, named, errors = [], [], [], []
    for fleet in range(fleets):
        jobs, effects = simulate_jobs(world, np.random.default_rng([seed, fleet]))
        rows = compare_groups(jobs, world.grouping, "minutes", coverage=0.9, min_jobs=world.min_jobs)
        order = sorted(jobs[world.grouping].unique())
        value = dict(zip(order, effects, strict=False)) if world.grouping == "crew" else dict.fromkeys(order, 0.0)
        if len(order) < world.groups and world.grouping == "crew":
            value = {f"C{k:02}": effects[k] for k in range(world.groups)}
        truth = rows["group_name"].map(value) - jobs[world.grouping].map(value).mean()
        held += np.exp(truth).between(rows["ratio_lo"], rows["ratio_hi"]).tolist()
        wrong = (rows["verdict"] == "slower") & (truth <= 0) | (rows["verdict"] == "faster") & (truth >= 0)
        false.append(wrong.any())
        named += (rows.loc[rows["group_name"] == "C00", "verdict"] == "slower").tolist()
        own, pooled = np.log(rows["ratio_adjusted"]) - truth, np.log(rows["ratio_shrunk"]) - truth
        errors.append([(own**2).mean(), (pooled**2).mean()])
    own, pooled = np.sqrt(np.mean(errors, axis=0))
    return {
        "held_pct": 100 * np.mean(held),
        "false_figures_pct": 100 * np.mean(false),
        "first_named_slower_pct": 100 * np.mean(named) if named else np.nan,
        "error_own": own,
        "error_shrunk": pooled,
    }


def main() -> None:
    """Print a table of the worlds."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fleets", type=int, default=400)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    found = pd.DataFrame({name: study(world, asked.fleets, asked.seed) for name, world in WORLDS.items()}).T
    print(found.round(3).to_string())


if __name__ == "__main__":
    main()
