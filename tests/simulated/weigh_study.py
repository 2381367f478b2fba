"""How often do the limits of a picked list hold the failures that were truly to come?

python -m tests.simulated.weigh_study [FLEETS [FIRST_SEED]]

Fleets of 60 loops with a known truth; of each, lists of every kind that a person might pick, the worst by the ranking
among them, over 1 to 40 years.
"""

from __future__ import annotations

import sys

import numpy as np
import pandas as pd

from pipelines.investment.fleet_draws import prepare_draws
from pipelines.investment.lifetime import look_ahead
from pipelines.investment.weigh import Listed
from pipelines.ranking.costs import NewCable
from pipelines.survival.model import fit_failure_model
from shared.settings import Settings
from tests.replacement_fleets import PLAIN
from tests.survival_fleets import make_fleet

YEARS = (1, 5, 10, 20, 40)


def pick_lists(forecast: pd.DataFrame, rng: np.random.Generator) -> dict[str, np.ndarray]:
    """Rows of the sections of each list."""
    loops = rng.choice(forecast["loop_id"].unique(), 3, replace=False)
    per_km = (forecast["expected_failures"] / forecast["length_km"]).to_numpy()
    return {
        "5 at random": rng.choice(len(forecast), 5, replace=False),
        "30 at random": rng.choice(len(forecast), 30, replace=False),
        "1 loop": np.flatnonzero(forecast["loop_id"].eq(loops[0])),
        "3 loops": np.flatnonzero(forecast["loop_id"].isin(loops)),
        "30 worst": np.argsort(-per_km)[:30],
        "all": np.arange(len(forecast)),
    }


def measure(fleets: int, first_seed: int) -> pd.DataFrame:
    """Share of the fleets whose truth the 90 % limits held, and lay below and above, by list and years."""
    rows = []
    for seed in range(first_seed, first_seed + fleets):
        known = make_fleet(seed, loops=60)
        model = fit_failure_model(known.history, Settings())
        forecast = model.forecast(5.0)
        ids = forecast["section_id"]
        lifetime = look_ahead(model, ids, NewCable(0.5, None, 0, 0.0), PLAIN, 5.0)
        place = pd.Index(model.windows.sections["section_id"]).get_indexer(ids)
        rng = np.random.default_rng(seed)
        draws = prepare_draws(model, lifetime, place, rng)
        whole = Listed(forecast[["section_id"]], lifetime, draws, 0.0, 0.5, PLAIN, 0.9)
        for name, picked in pick_lists(forecast, rng).items():
            mask = np.isin(np.arange(len(ids)), picked)
            listed = whole.take(mask)
            for years in YEARS:
                _, lo, hi = listed.expect(years)
                true = known.true_expected(years).loc[ids[mask]].sum()
                rows.append((name, years, lo <= true <= hi, true < lo, true > hi))
    found = pd.DataFrame(rows, columns=["list", "years", "held", "below", "above"])
    return found.groupby(["list", "years"], sort=False).mean().reset_index()


if __name__ == "__main__":
    found = measure(*(int(word) for word in [*sys.argv[1:], *("150", "2000")[len(sys.argv) - 1 :]]))
    print(found.pivot_table(["held", "below", "above"], "list", "years").round(3).to_string())
    print(found.groupby("years")[["held", "below", "above"]].mean().round(3).to_string())
