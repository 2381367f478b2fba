"""How much does the ranking capture on real records, beside the rules people use? Prints the table with limits.

    python -m tests.benchmarks.open_data_ranking [FOLDER]

FOLDER holds water_mains.csv and water_main_breaks.csv (open data of the City of Kitchener, see
tests/end_to_end/test_open_data_water_mains.py). Yearly origins 2005 to 2016, five years ahead, sections in service at
the origin with a known date. As in a refresh, the form of the hazard is chosen once, with what was known at the first
origin, and everything is fitted at each origin with what was known then. Limits: 90 %, percentile over resampled road
segments, paired. Last, how far anyone could get: boosted trees that are shown the later years of other road segments,
and all that the ranking knows of a section.
"""

from __future__ import annotations

import datetime as dt
import sys
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

from pipelines.evaluation.backtest import Backtest, list_units, run_backtest
from pipelines.evaluation.capture import LENGTH_FRACTIONS
from pipelines.load import load
from pipelines.survival.history import FailureHistory, known_at
from pipelines.survival.model import FailureModel, fit_failure_model
from pipelines.survival.model_selection import choose_model
from pipelines.survival.step import read_history
from pipelines.warehouse import build_models
from shared.settings import Settings, Validation
from shared.store import Workspace, open_warehouse, write_settings

ROOT = Path(__file__).parents[2]
MAPPING = ROOT / "pipelines/intake/mappings/examples/water_mains.toml"
FILES = ("water_mains.csv", "water_main_breaks.csv")
ORIGINS = [dt.date(year, 1, 1) for year in range(2005, 2017)]
HORIZON = 5.0
LEAST_RATIO = 1.15


def read_records(folder: Path) -> FailureHistory:
    """Load the files through the example mapping and read the history that core makes of them."""
    settings = Settings(validation=Validation(severities={"loop_not_one_chain": "off"}))
    with tempfile.TemporaryDirectory() as space:
        workspace = Workspace(Path(space))
        load(workspace, [folder / name for name in FILES], settings, MAPPING)
        with open_warehouse(workspace) as con:
            last = con.execute("select max(reported_at)::date from raw.jobs").fetchone()[0]
            settings = settings.override("general", as_of=last)
            write_settings(con, settings)
            build_models(con, "staging", "core")
            history = read_history(con, settings)
    # without a date there is no age at which to rank it: left out of the comparison, as every rule would leave it
    return FailureHistory(
        history.sections[history.sections["is_installed_on_known"].astype(bool)], history.failures, history.as_of
    )


def score(history: FailureHistory, replicates: int = 1000) -> tuple[Backtest, dict[dt.date, FailureModel]]:
    """Back-test at ORIGINS; the models are kept for the years' reasons."""
    settings, models = Settings(), {}
    form = choose_model(known_at(history, ORIGINS[0]), settings).chosen

    def fit(known: FailureHistory) -> FailureModel:
        models[known.as_of] = fit_failure_model(known, settings, form)
        return models[known.as_of]

    tested = run_backtest(
        history, fit, ORIGINS, HORIZON, coverage=0.90, replicates=replicates, random=np.random.default_rng(1)
    )
    return tested, models


def learn_with_hindsight(history: FailureHistory, models: dict[dt.date, FailureModel]) -> pd.DataFrame:
    """Captured by trees trained on the later years of four fifths of the road segments, and by the model, on the rest.

    Returns
    -------
    DataFrame
        A row a way, a column a share of the length; means over the origins. The trees know failures, recent failures,
        age, length, material, size, what the class expects and the multipliers of each section at each origin, and are
        trained on the five years after every origin, which nobody at an origin can know.
    """
    from sklearn.ensemble import HistGradientBoostingRegressor
    from sklearn.model_selection import GroupKFold

    panel = pd.concat(
        [
            list_units(history, origin, HORIZON, model)
            .merge(
                model.forecast(HORIZON)[["section_id", "expected_class", "multiplier", "loop_multiplier"]],
                on="section_id",
            )
            .assign(origin=origin)
            for origin, model in models.items()
        ],
        ignore_index=True,
    )
    known = history.sections.set_index("section_id").loc[panel["section_id"]]
    length, observed = panel["length_km"].to_numpy(), panel["observed"].to_numpy(dtype=float)
    facts = panel[
        [
            "failures",
            "failures_recent",
            "failures_five_years",
            "age_years",
            "length_km",
            "expected",
            "expected_class",
            "multiplier",
            "loop_multiplier",
        ]
    ].assign(
        rate=panel["expected"] / length,
        recorded_rate=panel["failures"] / length,
        **{name: pd.factorize(known[name])[0] for name in ("insulation", "conductor")},
    )
    hindsight = np.zeros(len(panel))
    for learn, judge in GroupKFold(5).split(facts, groups=panel["loop_code"]):
        trees = HistGradientBoostingRegressor(
            loss="poisson",
            learning_rate=0.05,
            max_leaf_nodes=8,
            min_samples_leaf=200,
            l2_regularization=5.0,
            random_state=0,
        ).fit(facts.iloc[learn], observed[learn] / length[learn], sample_weight=length[learn])
        hindsight[judge] = trees.predict(facts.iloc[judge])
    ways = {"model": panel["expected"] / length, "trees with hindsight": pd.Series(hindsight)}
    return pd.DataFrame(
        {
            way: panel.assign(rate=rate).groupby("origin")[["rate", "length_km", "observed"]].apply(_capture).mean()
            for way, rate in ways.items()
        }
    ).T


def _capture(units: pd.DataFrame) -> pd.Series:
    """Share of an origin's failures on the units of the highest rate, at each share of the length."""
    picked = units.sort_values("rate", ascending=False, kind="stable")
    length, observed = picked["length_km"].cumsum().to_numpy(), picked["observed"].cumsum().to_numpy()
    at = np.array(LENGTH_FRACTIONS) * length[-1]
    return pd.Series(np.interp(at, length, observed) / observed[-1], index=LENGTH_FRACTIONS)


def explain_years(history: FailureHistory, models: dict[dt.date, FailureModel]) -> pd.DataFrame:
    """Expected over observed by origin, and the class that moved it most: expected less observed of each class."""
    rows = []
    for origin, model in models.items():
        units = list_units(history, origin, HORIZON, model)
        classes = units["section_id"].map(history.sections.set_index("section_id")["insulation"])
        sums = units.groupby(classes)[["expected_in_view", "observed"]].sum()
        gap = sums["expected_in_view"] - sums["observed"]
        rows.append(
            {
                "origin": origin,
                "form": model.choices.hazard,
                "expected": sums["expected_in_view"].sum(),
                "observed": sums["observed"].sum(),
                "class": gap.abs().idxmax(),
                "class_gap": gap[gap.abs().idxmax()],
            }
        )
    table = pd.DataFrame(rows)
    return table.assign(
        ratio=table["expected"] / table["observed"],
        chance=(table["expected"] - table["observed"]) / np.sqrt(table["expected"]),
    )


def main(folder: Path) -> None:
    """Print the tables."""
    history = read_records(folder)
    tested, models = score(history)
    table = tested.captures.pivot_table("capture_fraction", ["level", "rule"], "length_fraction")
    print("captured, mean over the origins\n", table.round(4).to_string())
    section = table.loc["section"].drop("random")
    simple = section.drop("model")
    best = simple.max()
    print(
        "\nsection level, model over the best simple rule at each share:",
        (section.loc["model"] / best).round(3).to_dict(),
        f"(wanted: {LEAST_RATIO} at 5, 10 and 20 %)",
    )
    differences = tested.summary.query("level == 'section' and rule != 'random'")
    print("\neach failure counted once: differences to the model, 90 % limits by resampling road segments")
    print(differences.round(4).to_string(index=False))
    print(
        "\nhow far anyone could get: section level, mean over the origins\n",
        learn_with_hindsight(history, models).round(4).to_string(),
    )
    years = explain_years(history, models)
    total = years["expected"].sum() / years["observed"].sum()
    print(f"\nexpected over observed, all origins: {total:.3f}\n", years.round(2).to_string(index=False))
    print(
        "chance: (expected - observed) / sqrt(expected). Windows of neighbouring origins overlap by four years, so\n"
        "neighbours drift together. class: where the gap is widest, and by how many failures."
    )


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "open_data")
