"""Would a hazard of its own for the splices of repairs foretell failures better than the multipliers alone?

python -m tests.simulated.splice_term_study WORKSPACE...    workspaces made by `loopwear demo`, e.g. with several seeds

At past dates of each demo fleet the model forecasts five years by section; then the splices of the repairs on record
add their failures at the rates the demo was made with (the most favourable case: nobody knows them so well), the rest
being scaled so that the sum stays. Printed are the Poisson log-likelihood of what followed and its capture, by share of
the splices' failures that is added.
"""

from __future__ import annotations

import datetime as dt
import sys
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd

from pipelines.survival.history import FailureHistory, counts_as_failure, known_at
from pipelines.survival.model import fit_failure_model
from pipelines.survival.step import read_history
from shared.settings import Settings
from shared.units import DAYS_PER_YEAR
from synthetic_data import truth

SHARES = (0.0, 0.25, 0.5, 1.0)
YEARS = 5.0
LENGTHS = (0.05, 0.10, 0.20)


def list_failures(history: FailureHistory) -> pd.DataFrame:
    """Counted failures with a known section: section_id and the day."""
    failures = history.failures
    used = failures[counts_as_failure(failures) & failures["section_id"].notna()]
    return used[["section_id"]].assign(at=pd.to_datetime(used["failed_on"]))


def expect_of_splices(repairs: pd.DataFrame, day: pd.Timestamp) -> pd.Series:
    """Failures to come of the splices of past repairs, by section: one or two splices a repair."""
    age = (day - repairs["at"]).dt.days / DAYS_PER_YEAR
    young = (2.0 - age).clip(lower=0.0, upper=YEARS)
    rate = 1.5 * (truth.SPLICE_HAZARD_YOUNG * young + truth.SPLICE_HAZARD_LATER * (YEARS - young))
    return rate.groupby(repairs["section_id"]).sum()


def score(history: FailureHistory, origin: dt.date, settings: Settings) -> np.ndarray:
    """Log-likelihood and captures, a row a share."""
    known, day = known_at(history, origin), pd.Timestamp(origin)
    forecast = fit_failure_model(known, settings).forecast(YEARS).set_index("section_id")
    failures = list_failures(history)
    later = failures[(failures["at"] > day) & (failures["at"] <= day + pd.Timedelta(days=YEARS * DAYS_PER_YEAR))]
    seen = later.groupby("section_id").size().reindex(forecast.index, fill_value=0).to_numpy(dtype=float)
    splices = expect_of_splices(list_failures(known), day).reindex(forecast.index, fill_value=0.0).to_numpy()
    mean, km = forecast["expected_failures"].to_numpy(), forecast["length_km"].to_numpy()
    rows = []
    for share in SHARES:
        mixed = mean * (seen.sum() - share * splices.sum()) / mean.sum() + share * splices
        order = np.argsort(-mixed / km, kind="stable")
        picked = np.cumsum(km[order]) / km.sum()
        captured = [seen[order][picked <= length].sum() / seen.sum() for length in LENGTHS]
        rows.append([float((seen * np.log(mixed) - mixed).sum()), *captured])
    return np.array(rows)


def main(workspaces: list[str]) -> None:
    """Print the comparison, summed over workspaces and past dates."""
    if not workspaces:
        raise SystemExit(__doc__)
    found = []
    for workspace in workspaces:
        with duckdb.connect(str(Path(workspace) / "warehouse.duckdb"), read_only=True) as con:
            as_of = con.execute("select general_as_of from settings.current").fetchone()
            assert as_of is not None
            settings = Settings().override("general", as_of=as_of[0])
            history = read_history(con, settings)
        last = settings.general.as_of
        assert last is not None
        found += [score(history, last.replace(year=last.year - back), settings) for back in (15, 13, 11, 9, 7, 5)]
    scores = np.array(found)
    gain = scores[:, :, 0] - scores[:, :1, 0]
    print(f"{len(workspaces)} fleets, {len(scores)} past dates, {YEARS:g} years each")
    for place, share in enumerate(SHARES):
        capture = ", ".join(f"{value:.4f}" for value in scores[:, place, 1:].mean(axis=0))
        error = gain[:, place].std(ddof=1) / np.sqrt(len(gain)) if len(gain) > 1 else np.nan
        print(
            f"share of the splices' failures added {share:4.2f}: log-likelihood {gain[:, place].mean():+.2f} a date "
            f"(standard error {error:.2f}), captured on the first {', '.join(f'{x:.0%}' for x in LENGTHS)}: {capture}"
        )


if __name__ == "__main__":
    main(sys.argv[1:])
