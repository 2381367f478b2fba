"""Do the limits of restoration hold where storms bunch jobs, times are skewed and days are few?

Run: python -m tests.simulated.restoration_limits_study [--fleets N] [--seed S]

Fleets are drawn from worlds of known truth: every day its own level, four districts and five crews their own speed,
storms of one to four days that bring many more jobs, slow together, each storm by its own factor. The truth is over
storms too: what the jobs of a world average over so many years that no storm matters (400 times as long as a fleet).
Storms are found by the models of the product (core.storm_days, core.job_groups), limits by the functions that the
restoration step and the pages call. Printed for every world and figure, for all jobs and for a small district: how
often the limits hold the truth (%), its standard error, how often limits are withheld, their median width over the
truth. Of a difference between like years or periods, in place of the truth: how often none is told.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import duckdb
import numpy as np
import pandas as pd

from pipelines import warehouse
from pipelines.restoration.limits import limit_clustered_means
from pipelines.restoration.periods import compare_periods
from pipelines.restoration.stages import summarise_stages
from pipelines.restoration.trend import compare_last_years

COVERAGE = 0.90
DISTRICTS = {"large": 0.4, "middle": 0.3, "other": 0.1, "small": 0.2}
FIRST = pd.Timestamp("2016-01-01")


@dataclass(frozen=True)
class World:
    """A world of jobs: its records, usual day, skewness and storms.

    Attributes
    ----------
    days, rate
        Days of records and jobs of a usual day.
    sigma
        Standard deviation of the log of a job's minutes within a day, district and crew.
    storms, are_drawn
        Storms in all, drawn from a Poisson distribution or just so many.
    burst
        Jobs that a day of a storm has above a usual one, in usual days, on average.
    """

    days: int
    rate: float = 3.0
    sigma: float = 0.6
    storms: float = 0.0
    are_drawn: bool = True
    burst: float = 10.0


WORLDS = {
    "no storm, 30 days": World(30),
    "no storm, 60 days": World(60),
    "no storm, 60 days, 1 job a day": World(60, rate=1.0),
    "skewed, 60 days": World(60, sigma=1.0),
    "no storm, 120 days": World(120),
    "no storm, 3 years": World(1095, rate=1.5),
    "skewed, 3 years": World(1095, rate=1.5, sigma=1.0),
    "20 and more storm days, 1 year": World(365, rate=2.0, storms=14, burst=5.0),
    "20 and more storm days, 3 years": World(1095, rate=1.5, storms=14),
    "skewed, 20 and more storm days, 3 years": World(1095, rate=1.5, sigma=1.0, storms=14),
    "20 and more storm days, 6 years": World(2190, rate=1.0, storms=24),
    "3 to 6 storm days, 120 days": World(120, rate=2.0, storms=2, are_drawn=False),
    "3 to 6 storm days, 3 years": World(1095, rate=1.5, storms=2, are_drawn=False),
}
BELOW = ("no storm, 30 days", "3 to 6 storm days, 120 days", "3 to 6 storm days, 3 years")
"""Worlds below 60 days or between no storm and 20 storm days, where limits need not hold."""

FIGURES = {
    "mean": "mean_min",
    "median": "median_min",
    "90th percentile": "p90_min",
    "share over 4 h": "share_over_4h",
    "share over 8 h": "share_over_8h",
}


def draw_jobs(world: World, rng: np.random.Generator) -> pd.DataFrame:
    """Jobs of one fleet: reported_on, district, crew, minutes, customer-minutes saved and tests above the least."""
    jobs, level = np.full(world.days, world.rate), rng.normal(0.0, 0.1, world.days)
    for _ in range(rng.poisson(world.storms) if world.are_drawn else int(world.storms)):
        length = rng.integers(1, 5) if world.are_drawn else rng.integers(2, 4)
        days = np.arange(first := rng.integers(0, world.days), min(first + length, world.days))
        size = world.burst * rng.gamma(4.0, 0.25)
        jobs[days] = world.rate * (1.0 + size * rng.gamma(4.0, 0.25, len(days)))
        level[days] = rng.normal(0.5, 0.35) + rng.normal(0.0, 0.15, len(days))
    day = np.repeat(np.arange(world.days), rng.poisson(jobs))
    n = len(day)
    district, crew = rng.choice(4, n, p=list(DISTRICTS.values())), rng.integers(0, 5, n)
    slower = level[day] + np.array([0.0, 0.15, -0.2, 0.3])[district] + np.array([-0.2, -0.1, 0.0, 0.1, 0.25])[crew]
    minutes = np.exp(np.log(90.0) + slower + rng.normal(0.0, world.sigma, n))
    return pd.DataFrame(
        {
            "reported_on": FIRST + pd.to_timedelta(day, unit="D"),
            "district": np.array(list(DISTRICTS))[district],
            "report_to_restore": minutes,
            "saved": 0.2 * minutes * np.exp(rng.normal(4.0, 0.6, n)),
            "excess": rng.poisson(2.5 * np.exp(0.5 * slower)) - rng.integers(1, 4, n).astype(float),
        }
    )


def find_clusters(con: duckdb.DuckDBPyConnection, jobs: pd.DataFrame) -> pd.DataFrame:
    """The jobs with their clusters, by the models of the product."""
    month = jobs["reported_on"].dt.to_period("M").dt.to_timestamp()
    stages = pd.DataFrame(
        {
            "job_id": np.arange(len(jobs)),
            "reported_on": jobs["reported_on"].astype("datetime64[s]"),
            "reported_month": month,
            "reported_year": jobs["reported_on"].dt.year,
            "sections_on_loop": 5,
        }
    )
    con.register("given", stages)
    con.execute("""create or replace table core.job_stages as
        select * replace (reported_on::date as reported_on), false as is_major_event, null::varchar as crew_id,
            null::varchar as district_id, null::varchar as method, null::varchar as cable_class,
            null::varchar as configuration from given""")
    for name in ("core.storm_days", "core.job_groups"):
        con.execute(f"create or replace table {name} as {warehouse.models()[name].query}")
    clusters = con.execute("select job_id, cluster from core.job_groups order by job_id").df()["cluster"]
    return jobs.assign(cluster=clusters.to_numpy(), reported_month=month)


def limit_fleet(jobs: pd.DataFrame) -> pd.DataFrame:
    """Every limit of one fleet, for all jobs and for the small district: figure, group_name, value, lo, hi."""
    jobs = jobs.assign(all="all")
    found = summarise_stages(
        jobs, coverage=COVERAGE, small_group=10, stages=("report_to_restore",), groupings=("all", "district")
    )
    parts = [
        found.assign(
            figure=figure,
            value=found[column],
            lo=found[f"{column.removesuffix('_min')}_lo"],
            hi=found[f"{column.removesuffix('_min')}_hi"],
        )
        for figure, column in FIGURES.items()
    ]
    for figure in ("saved", "excess"):
        for grouping in ("all", "district"):
            groups, mean, lo, hi = limit_clustered_means(
                jobs[figure].to_numpy(), pd.Categorical(jobs[grouping]), jobs["cluster"].to_numpy(), coverage=COVERAGE
            )
            parts.append(
                pd.DataFrame({"figure": figure, "group_name": groups.names, "value": mean, "lo": lo, "hi": hi})
            )
    every = pd.concat(parts)
    return every.loc[every["group_name"].isin(("all", "small")), ["figure", "group_name", "value", "lo", "hi"]]


def find_truth(world: World, fleets: int = 400) -> pd.Series:
    """What the jobs of a world average over storms, by figure and group."""
    rng = np.random.default_rng(1_000_003)
    jobs = pd.concat([draw_jobs(world, rng) for _ in range(fleets)], ignore_index=True)
    truth = {}
    for name, own in (("all", jobs), ("small", jobs[jobs["district"] == "small"])):
        minutes = own["report_to_restore"]
        truth |= {
            ("mean", name): minutes.mean(),
            ("median", name): minutes.median(),
            ("90th percentile", name): minutes.quantile(0.9),
            ("share over 4 h", name): (minutes > 240).mean(),
            ("share over 8 h", name): (minutes > 480).mean(),
            ("saved", name): own["saved"].mean(),
            ("excess", name): own["excess"].mean(),
        }
    return pd.Series(truth).rename_axis(["figure", "group_name"])


def judge_fleet(jobs: pd.DataFrame, before: pd.DataFrame, days: int) -> dict[str, str]:
    """What is said of a fleet beside one of the same world, and of its last year beside the one before."""
    ends = (one.rename(columns={"report_to_restore": "minutes_min"}) for one in (jobs, before))
    judged = {"difference of periods": compare_periods(*ends, ("minutes",), COVERAGE)["judged"][0]}
    if days >= 730:
        months = pd.date_range(end=jobs["reported_month"].max() - pd.offsets.MonthBegin(1), periods=24, freq="MS")
        trend = pd.DataFrame({"measure": "report_to_restore", "reported_month": months, "is_immature": False})
        judged["change of years"] = compare_last_years(jobs, trend, COVERAGE)["judged"][0]
    return judged


def study_world(world: World, fleets: int, seed: int) -> pd.DataFrame:
    """How often the limits of a world's fleets hold the truth, by figure and group.

    Returns
    -------
    DataFrame
        figure, group_name, holds (share of the fleets with limits), fleets (those with limits), width (median, over the
        truth), error (standard error of holds), withheld (share of all fleets).
    """
    rng, con = np.random.default_rng(seed), duckdb.connect()
    con.execute("create schema core")
    found, judged, before = [], [], find_clusters(con, draw_jobs(world, rng))
    for _ in range(fleets):
        jobs = find_clusters(con, draw_jobs(world, rng))
        found.append(limit_fleet(jobs))
        judged += judge_fleet(jobs, before, world.days).items()
        before = jobs
    rows = pd.concat(found).join(find_truth(world).rename("truth"), on=["figure", "group_name"])
    rows["holds"] = rows["lo"].le(rows["truth"]) & rows["hi"].ge(rows["truth"])
    rows["width"] = (rows["hi"] - rows["lo"]) / rows["truth"].abs()
    differences = pd.DataFrame(judged, columns=["figure", "judged"]).assign(group_name="all", width=np.nan)
    differences["holds"] = differences["judged"] == "within"
    rows["is_told"], differences["is_told"] = rows[["lo", "hi"]].notna().all(axis=1), differences["judged"] != "too_few"
    rows = pd.concat([rows, differences])
    keys = ["figure", "group_name"]
    table = (
        rows[rows["is_told"]]
        .groupby(keys, sort=False)
        .agg(holds=("holds", "mean"), fleets=("holds", "size"), width=("width", "median"))
    )
    table = table.reindex(pd.MultiIndex.from_frame(rows[keys].drop_duplicates()))
    table["error"] = np.sqrt(table["holds"] * (1 - table["holds"]) / table["fleets"])
    table["withheld"] = 1.0 - table["fleets"].fillna(0) / rows.groupby(keys, sort=False).size()
    return table.reset_index()


def main() -> None:
    """Print the study."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fleets", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    print(f"{given.fleets} fleets a world, seed {given.seed}: limits of {COVERAGE:.0%}, in % of the fleets with limits")
    for name, world in WORLDS.items():
        print(f"\n{name}{'  (below what limits need)' if name in BELOW else ''}")
        print(
            f"  {'':24}{'all jobs':>12}{'withheld':>10}{'width':>8}   {'small group':>12}{'withheld':>10}{'width':>8}"
        )
        found = study_world(world, given.fleets, given.seed)
        for figure, rows in found.groupby("figure", sort=False):
            ends = rows.set_index("group_name").reindex(["all", "small"])
            line = f"  {figure:24}"
            for row in ends.itertuples():
                if np.isnan(row.withheld):
                    continue
                line += f"{100 * row.holds:8.1f} ± {100 * row.error:.1f}{100 * row.withheld:8.0f} %{row.width:8.2f}   "
            print(line)


if __name__ == "__main__":
    main()
