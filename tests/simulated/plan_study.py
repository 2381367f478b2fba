"""Plans under decisions, projects and limits: against every plan of small fleets, and within their gap on large ones.

Run ``python -m tests.simulated.plan_study --fleets 200 --seed S``. Small fleets have up to five sections, two actions
and two years; every choice is tried. Large ones have 10,000 sections in loops of about ten; a twentieth of the loops is
decided on, two loops of three share a project with a neighbour, and years and districts are limited.
"""

from __future__ import annotations

import argparse
import dataclasses
import itertools
import time

import numpy as np
import pandas as pd

from pipelines.investment.options import list_options
from pipelines.investment.plan import Plan, plan_years
from shared.settings import Replacement
from tests.replacement_fleets import PLAIN, make_sections

RATE, HORIZON, FIRST_YEAR = 0.5, 5.0, 2026


def draw_fleet(rng: np.random.Generator, sections: int, years: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Sections with districts and projects, and what each is expected to fail over the horizon of each year."""
    loops = max(sections // 10, 3)
    loop = np.sort(rng.integers(0, loops, sections))
    length = rng.lognormal(-2.4, 0.5, sections)
    expected = length * rng.gamma(0.8, 1.0, sections) * rng.gamma(2.0, 0.5, loops)[loop] * 3.0
    frame = make_sections(
        [
            (f"S{n:06}", f"L{loop[n]:05}", length[n], expected[n], "XLPE" if rng.random() < 0.7 else "EPR")
            for n in range(sections)
        ]
    ).assign(installed_on=pd.Timestamp("1980-01-01"))
    leads = np.where(np.arange(loops) % 3 == 1, np.arange(loops) - 1, np.arange(loops))
    district = np.array(["N", "S"])[(leads // 2) % 2]
    frame = frame.assign(project_id=[f"L{leads[n]:05}" for n in loop], district_id=district[loop])
    growth = 1.05 ** np.arange(years)
    return frame, pd.DataFrame(np.outer(expected, growth), index=pd.Index(frame["section_id"]), columns=range(years))


def draw_decisions(rng: np.random.Generator, frame: pd.DataFrame, years: int, share: float) -> pd.DataFrame:
    """Decisions of every kind on some of the loops and on some sections of others."""
    loops = frame["loop_id"].unique()
    rows = []
    for loop in loops[rng.random(len(loops)) < share]:
        section = rng.choice(frame.loc[frame["loop_id"].eq(loop), "section_id"]) if rng.random() < 0.6 else None
        kind = rng.choice(["replace", "inject", "wait", "exclude"], p=[0.5, 0.15, 0.15, 0.2])
        year = pd.NA if rng.random() < 0.4 else int(rng.integers(1, years + 1))
        rows.append((f"D{len(rows):04}", loop, section, kind, year, None, "drawn", pd.Timestamp("2025-06-01")))
    names = ["decision_id", "loop_id", "section_id", "decision", "year", "project_id", "reason", "decided_on"]
    return pd.DataFrame(rows, columns=names).astype({"year": "Int64", "section_id": "object"})


def draw_terms(rng: np.random.Generator, frame: pd.DataFrame, years: int) -> Replacement:
    """Money for about a tenth of the cable over the plan, with limits of years and districts."""
    budget = max(0.1 * 190_000.0 * frame["length_km"].sum() / years, 20_000.0)
    km = frame["length_km"].sum() / years
    return dataclasses.replace(
        PLAIN,
        budget=budget,
        cost_per_loop=float(rng.choice([1000.0, 6000.0])),
        programme_years=years,
        discount_rate_pct=5.0,
        budget_by_year={"2027": 0.6 * budget} if rng.random() < 0.5 else {},
        most_km=0.3 * km if rng.random() < 0.5 else 0.0,
        crew_weeks=0.35 * km if rng.random() < 0.5 else 0.0,
        district_most={"N": 0.7 * budget} if rng.random() < 0.5 and frame["district_id"].eq("N").any() else {},
        district_least_share={"S": 0.3} if rng.random() < 0.5 and frame["district_id"].eq("S").any() else {},
    )


def best_of_all(frame: pd.DataFrame, expected: pd.DataFrame, terms: Replacement, plan: Plan) -> float:
    """Largest gain of every plan that keeps the decisions that the plan keeps, and the limits.

    Notes
    -----
    A least share binds as far as the plan itself meets it: what is compared is what else it could have gained.
    """
    years = len(expected.columns)
    offers = [
        list_options(frame.assign(expected_failures=expected[y].to_numpy()), RATE, terms, HORIZON, year=y)
        for y in range(years)
    ]
    decided = plan.decided
    choices: list[list[tuple[int, int] | None]] = []
    for place, name in enumerate(frame["section_id"]):
        rows = [
            (year, row)
            for year in range(years)
            for row in offers[0].index[offers[0]["section_id"].eq(name)]
            if _is_allowed(decided, offers[year], place, year, row)
        ]
        choices.append(rows if decided is not None and decided.committed[place] >= 0 else [None, *rows])
    project = frame.set_index("section_id")["project_id"]
    district = frame.set_index("section_id")["district_id"]
    limits = plan.limits
    best = -np.inf
    for picks in itertools.product(*choices):
        work = [pick for pick in picks if pick is not None]
        opened = {(project[offers[0]["section_id"][row]], year) for year, row in work}
        if any(len({year for name, year in opened if name == each}) > 2 for each, _ in opened):
            continue
        if all(_keeps(limit, work, opened, offers[0], project, district, terms) for limit in limits.itertuples()):
            best = max(best, sum(offers[year]["gain"][row] for year, row in work))
    return best


def _is_allowed(decided: object, offer: pd.DataFrame, place: int, year: int, row: int) -> bool:
    if decided is None:
        return bool(offer["is_offered"][row])
    action = offer["action"].cat.codes[row]
    wanted = decided.committed[place]  # type: ignore[attr-defined]
    may = bool(decided.may[year, place, action])  # type: ignore[attr-defined]
    return may and (wanted == action if wanted >= 0 else bool(offer["is_offered"][row]))


def _keeps(limit, work, opened, options, project, district, terms: Replacement) -> bool:  # type: ignore[no-untyped-def]
    """Whether some work keeps one limit, added up plainly."""
    taken = 0.0
    for year, row in work:
        name = options["section_id"][row]
        counted = pd.isna(limit.plan_year) or limit.plan_year == year + 1
        if counted and (pd.isna(limit.district_id) or district[name] == limit.district_id):
            km = options["length_m"][row] / 1000.0
            weeks = {"replace": terms.crew_weeks_per_km_buried, "inject": terms.crew_weeks_per_km_injected}
            of = {"money": options["cost"][row], "km": km, "crew_weeks": km * weeks[options["action"][row]]}
            taken += of[limit.limited]
    if limit.limited == "money":
        home = {name: district[section] for section, name in project.items()}
        for name, year in opened:
            counted = pd.isna(limit.plan_year) or limit.plan_year == year + 1
            if counted and (pd.isna(limit.district_id) or home[name] == limit.district_id):
                taken += terms.cost_per_loop
    return taken >= min(limit.amount, limit.taken) - 1e-6 if limit.is_least else taken <= limit.amount + 1e-6


def plan_one(rng: np.random.Generator, sections: int, years: int, share: float):  # type: ignore[no-untyped-def]
    """A drawn fleet and its plan."""
    frame, expected = draw_fleet(rng, sections, years)
    terms = draw_terms(rng, frame, years)
    decisions = draw_decisions(rng, frame, years, share)
    plan = plan_years(frame, expected, RATE, terms, HORIZON, None, decisions, FIRST_YEAR)
    return frame, expected, terms, decisions, plan


def compare_small(rng: np.random.Generator) -> dict[str, float]:
    """One small fleet: what the plan gains against the best of all, and its proven gap."""
    frame, expected, terms, decisions, plan = plan_one(rng, int(rng.integers(3, 6)), 2, 0.6)
    best = best_of_all(frame, expected, terms, plan)
    return {
        "decisions": len(decisions),
        "conflicts": int(plan.decided.pairs["problem"].ne("").sum()) if plan.decided else 0,
        "missed": best - plan.gain,
        "above_bound": best - plan.bound,
        "gap": plan.gap,
        "scale": max(abs(best), 1.0),
    }


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--fleets", type=int, default=200)
    parser.add_argument("--large", type=int, default=6)
    parser.add_argument("--sections", type=int, default=10_000)
    parser.add_argument("--seed", type=int, required=True)
    given = parser.parse_args()
    rng = np.random.default_rng(given.seed)
    small = pd.DataFrame([compare_small(rng) for _ in range(given.fleets)])
    print(
        f"{given.fleets} small fleets, seed {given.seed}: {small['decisions'].sum():.0f} decisions, "
        f"{small['conflicts'].sum():.0f} of them in part in conflict"
    )
    print(
        f"  plans that miss the best by more than 1e-6 of it: {(small['missed'] > 1e-6 * small['scale']).sum()}; "
        f"most missed {100 * (small['missed'] / small['scale']).max():.4f} %"
    )
    print(f"  plans whose bound lies below the best: {(small['above_bound'] > 1e-6 * small['scale']).sum()}")
    beyond = small["missed"] > small["gap"] * small["scale"] + 1e-6
    print(f"  plans missing more than their proven gap: {beyond.sum()}")
    print(f"large fleets of {given.sections:,} sections, five years")
    for number in range(given.large):
        started = time.process_time()
        *_, decisions, plan = plan_one(rng, given.sections, 5, 0.05)
        spent = time.process_time() - started
        kept = plan.decided.pairs["problem"].eq("").mean() if plan.decided else 1.0
        print(
            f"  {number + 1}: gap {100 * plan.gap:.3f} %, {len(decisions)} decisions, {100 * kept:.0f} % of their "
            f"sections kept to, {len(plan.limits)} limits, {spent:.1f} s of processor"
        )


if __name__ == "__main__":
    main()
