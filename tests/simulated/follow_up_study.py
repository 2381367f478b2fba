"""Does the follow-up tell work that halves failures from work that does nothing, and do its limits hold?

python -m tests.simulated.follow_up_study [--fleets 20] [--seed 1] [--world "bad year after"]... [--years 4] [--jobs 2]

On every fleet a programme of the worst sections is committed with the failure model of the day; then years of failures
are drawn from the fleet's truth, once with the work halving failures and once with it doing nothing. A line a world:
coverage of the 90 % limits of the ratio with and without effect, and of the sections not yet done (true ratio 1), in
percent with their standard errors over fleets; where the follow-up's own statement says that it can tell: in how many
it told right, and what part of the idle work it called work.
"""

from __future__ import annotations

import argparse
import dataclasses
import zlib
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd

from pipelines.evaluation.commitments import promise_work
from pipelines.evaluation.follow_up import tabulate_follow_up
from pipelines.ranking.costs import NewCable
from pipelines.survival.history import FailureHistory
from pipelines.survival.model import fit_failure_model
from shared.settings import Settings
from tests.survival_worlds import World, make_world

COVERAGE = 0.90
HALVED, IDLE = 0.5, 1.0
NEW_CABLE = NewCable(1.0, None, 0, 0.0)
NO_SUCCESSORS = pd.DataFrame({"old_section_id": [], "new_section_id": []}, dtype=object)
NO_REASONS = pd.DataFrame({"section_id": [], "retired_because": []}, dtype=object)


@dataclass(frozen=True)
class Programme:
    """A kind of fleet and of programme: share of the length worked on, and what the years after bring.

    bad_year: times by which all cable fails in the first whole year after; bad_district: the same of one district.
    drift: growth a year after the day that the model knows nothing of. replaced: the work gives new ids in the same
    places, else the cable is injected.
    """

    fleet: World = World(loops=300)
    share: float = 0.12
    bad_year: float = 1.0
    bad_district: float = 1.0
    drift: float = 0.0
    replaced: bool = True


PROGRAMMES = {
    "as designed": Programme(),
    "injected": Programme(replaced=False),
    "bad year after": Programme(bad_year=2.5),
    "bad year, one district": Programme(bad_district=3.0),
    "trend that goes on, weather": Programme(World(loops=300, trend=0.03, weather=0.5), drift=0.03),
    "trend from the day": Programme(drift=0.12),
    "strong heterogeneity": Programme(World(loops=300, loop_variance=1.0, section_variance=1.0), share=0.05),
    "few sections": Programme(share=0.01),
    "40 loops": Programme(World(loops=40)),
}


def commit_worst(model_of: FailureHistory, programme: Programme, settings: Settings) -> pd.DataFrame:
    """The worst sections by expected failures per km, committed for the first year: rows as the step reads them."""
    model = fit_failure_model(model_of, settings)
    forecast = model.forecast_means(1.0)
    order = np.argsort(-(forecast["expected_failures"] / forecast["length_km"]).to_numpy(), kind="stable")
    length = forecast["length_km"].to_numpy()[order]
    chosen = forecast.iloc[order[np.cumsum(length) <= programme.share * length.sum()]]
    lines = chosen[["section_id"]].assign(action="inject", plan_year=1, cost=1.0)
    rows, _ = promise_work(model, lines, NEW_CABLE, settings.replacement, settings.general.horizon_years)
    return rows.assign(
        commitment_id="c1", known_on=model.windows.as_of, committed_on=model.windows.as_of,
        section_now=rows["section_id"], is_lifted=False, cost_recorded=np.nan, follow_method="",
    )  # fmt: skip


def live_on(
    made: FailureHistory, truth: pd.DataFrame, promised: pd.DataFrame, programme: Programme, years: int, ratio: float,
    rng: np.random.Generator,
) -> FailureHistory:  # fmt: skip
    """The history some years later: four in five sections worked on in the first 16 months, failures by the truth."""
    start, sections = pd.Timestamp(made.as_of), made.sections.copy()
    now = start + pd.DateOffset(years=years)
    committed = promised.loc[promised["role"].eq("committed"), "section_id"].to_numpy()
    is_done = rng.random(len(committed)) < 0.8
    done_at = pd.Series(1.35 * rng.random(len(committed)), committed)[is_done]
    truth = truth.set_index("section_id")
    work_at = done_at.reindex(truth.index).fillna(np.inf).to_numpy()
    district = pd.factorize(truth["district_id"])[0]
    spread = programme.fleet.weather**2 / 4.0
    weather = np.ones((years, 4))
    if spread:
        weather *= rng.gamma(1 / spread, spread, (years, 1)) * rng.gamma(1 / spread, spread, (years, 4))
    if years > 1:
        weather[1] *= programme.bad_year
        weather[1, 0] *= programme.bad_district
    parts = []
    for year in range(years):
        expected = truth[f"year_{year}"].to_numpy() * weather[year, district] * (1.0 + programme.drift) ** (year + 0.5)
        hit = np.repeat(np.arange(len(truth)), rng.poisson(expected))
        at = year + rng.random(len(hit))
        kept = (at <= work_at[hit]) | (rng.random(len(hit)) < ratio)
        parts.append(pd.DataFrame({"unit": hit[kept], "at": at[kept]}))
    later = pd.concat(parts, ignore_index=True)
    alone = rng.random(len(later)) < programme.fleet.loop_only
    failed_on = (start + pd.to_timedelta(np.ceil(later["at"] * 365.25), unit="D")).clip(upper=now)
    ids = pd.Series(truth.index.to_numpy()[later["unit"]])
    done_on = start + pd.to_timedelta(np.floor(done_at * 365.25) + 1, unit="D")
    day = sections["section_id"].map(done_on)
    if programme.replaced:
        new = sections[day.notna()].assign(
            section_id=sections["section_id"] + "R1", installed_on=day, in_view_from=day, is_installed_on_known=True
        )
        sections["retired_on"] = pd.to_datetime(sections["retired_on"]).fillna(day)
        sections = pd.concat([sections, new], ignore_index=True)
        ids = ids.where(~(failed_on > ids.map(done_on)), ids + "R1")
    else:
        sections["rejuvenated_on"] = day
    loop = pd.Series(truth["loop_id"].to_numpy()[later["unit"]])
    added = pd.DataFrame(
        {
            "job_id": [f"K{n:06d}" for n in range(len(later))], "loop_id": loop, "section_id": ids.where(~alone),
            "failed_on": failed_on, "closed_on": failed_on, "is_counted": ~alone,
            "why_not": np.where(alone, "loop_only", None), "cause": "unknown", "failed_component": "cable",
        }
    )  # fmt: skip
    return FailureHistory(sections, pd.concat([made.failures, added], ignore_index=True), now.date())


def study_fleet(seed: int, name: str, years: int) -> dict[str, float]:
    """One fleet: coverage, verdicts and what the record alone would have said."""
    programme = PROGRAMMES[name]
    seed = zlib.crc32(f"{seed} {name}".encode())
    known = make_world(programme.fleet, seed)
    settings = Settings().override("replacement", injection_multiplier=HALVED)
    promised = commit_worst(known.history, programme, settings)
    found: dict[str, float] = {}
    rng = np.random.default_rng(seed)
    share = rng.choice([0.25, 0.5, 1.0, 2.0])  # programmes of several sizes
    if share != 1.0:
        promised = commit_worst(known.history, dataclasses.replace(programme, share=share * programme.share), settings)
    for told, ratio in (("halved", HALVED), ("idle", IDLE)):
        later = live_on(known.history, known.truth, promised, programme, years, ratio, rng)
        effect = tabulate_follow_up(promised, later, NO_REASONS, NO_SUCCESSORS, COVERAGE)[
            "marts.follow_up_effect"
        ].set_index("followed_group")
        done, rest, cohort = effect.loc["done"], effect.loc["not_done"], effect.loc["cohort"]
        found[f"{told} held"] = float(done["effect_ratio_lo"] <= ratio <= done["effect_ratio_hi"])
        found[f"{told} below"] = float(ratio < done["effect_ratio_lo"])
        found[f"{told} rest held"] = float(rest["effect_ratio_lo"] <= 1.0 <= rest["effect_ratio_hi"])
        found[f"{told} seen"], found[f"{told} adjusted"] = done["seen_after"], done["expected_adjusted"]
        found[f"{told} plain held"] = float(
            abs(done["seen_after"] - ratio * done["expected_without"]) <= 1.645 * np.sqrt(max(done["seen_after"], 1.0))
        )
        found[f"{told} can tell"] = float(done["can_tell"])
        says_work, says_idle = done["effect_ratio_hi"] < 1.0, done["effect_ratio_lo"] > done["planned_ratio"]
        if done["can_tell"]:
            found[f"{told} told right"] = float(says_work if told == "halved" else says_idle)
            found[f"{told} told wrong"] = float(says_idle if told == "halved" else says_work)
        found[f"{told} cohort"] = cohort["effect_ratio"]
    return found


def main() -> None:
    """Print a line a world."""
    asked = argparse.ArgumentParser()
    asked.add_argument("--fleets", type=int, default=20)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--world", action="append", choices=[*PROGRAMMES])
    asked.add_argument("--years", type=int, default=4)
    asked.add_argument("--jobs", type=int, default=2)
    given = asked.parse_args()
    seeds = [1000 * given.seed + n for n in range(given.fleets)]
    whole = []
    with ProcessPoolExecutor(given.jobs) as pool:
        for name in given.world or PROGRAMMES:
            one = pd.DataFrame(list(pool.map(partial(study_fleet, name=name, years=given.years), seeds)))
            whole.append(one)
            print_line(name, one)
    print_line("pooled", pd.concat(whole, ignore_index=True))


def print_line(name: str, found: pd.DataFrame) -> None:
    """What came of a world's fleets."""

    def share(*columns: str) -> str:
        values = found.reindex(columns=list(columns)).to_numpy(dtype=float).ravel()
        values = values[~np.isnan(values)]
        if not len(values):
            return "-"
        mean = values.mean()
        return f"{100 * mean:.1f} ({100 * np.sqrt(max(mean * (1 - mean), 1e-9) / len(values)):.1f}) of {len(values)}"

    sums = found.sum()
    print(
        f"{name}: limits hold {share('halved held', 'idle held')} % (halved {share('halved held')}, idle "
        f"{share('idle held')}), not done {share('halved rest held', 'idle rest held')}; "
        f"without the cohort {share('halved plain held', 'idle plain held')}; "
        f"ratio halved {sums['halved seen'] / sums['halved adjusted']:.2f}, idle "
        f"{sums['idle seen'] / sums['idle adjusted']:.2f}; truth below the limits "
        f"{share('halved below', 'idle below')}; can tell {share('halved can tell', 'idle can tell')}: told right "
        f"halved {share('halved told right')}, idle {share('idle told right')}; wrong "
        f"{share('halved told wrong', 'idle told wrong')}",
        flush=True,
    )


if __name__ == "__main__":
    main()
