"""How often is a proposed slip one, and how many slips are proposed? On invented fleets of seeds never looked at.

The likelihoods and priors of the proposals were settled on the demo's own seed. This makes fleets of other seeds, loads
them, proposes, and holds each proposal against the truth that is kept apart:

    python -m tests.simulated.proposals_study --seeds 9001 9002 --loops 900

Limits are Clopper-Pearson at 90 %.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

import pandas as pd

from pipelines import warehouse
from pipelines.intake.load import load_paths
from pipelines.validation import step
from pipelines.validation.heaping import binomial_limits
from shared.settings import Settings
from shared.store import Workspace, open_warehouse, write_settings
from synthetic_data.demo import write_demo

SLIPS = (
    "feet_for_metres", "dug_feet_for_metres", "wrong_terminal", "utc_written_as_local", "velocity_halved",
    "both_halves_counted",
)  # fmt: skip
LIKENESSES = ("entered_twice", "opened_again")
FRESH_SEEDS = (9001, 9002, 9003, 9004, 9005, 9006)


def study_fleet(seed: int, loops: int) -> pd.DataFrame:
    """Counts of one fleet: kind, planted, standing, proposed, right, value_right, likelihood (summed).

    standing: planted on a job that is in use in the revision that stands. right:
    the job and column proposed carry that very slip; value_right: the value proposed is the true one, lengths to 0.1 m
    or 1 %, stamps to the minute.
    """
    with tempfile.TemporaryDirectory() as folder:
        space = Workspace(Path(folder) / "workspace")
        made = write_demo(Path(folder) / "demo", loops=loops, seed=seed)
        con = open_warehouse(space)
        for paths, mapping in made.loads:
            load_paths(con, list(paths), Settings(), mapping)
        write_settings(con, Settings())
        warehouse.build_models(con, "staging", "core")
        step.run(con, Settings())
        errors = pd.read_csv(made.folder / "truth" / "errors.csv", dtype=str, keep_default_na=False)
        proposed = con.execute("select * from marts.proposed_corrections order by all").df()
        clusters = con.execute("select * from marts.job_clusters order by all").df()
        in_use = dict(con.execute("select job_id, coalesce(revision, 1)::varchar from staging.jobs").fetchall())
        con.close()
    errors = errors[errors["table"] == "jobs"]
    rows = [_score_slip(kind, errors, proposed, in_use) for kind in SLIPS]
    rows += [_score_cluster(kind, errors, clusters, in_use) for kind in LIKENESSES]
    return pd.DataFrame(rows).assign(seed=seed)


def _score_slip(kind: str, errors: pd.DataFrame, proposed: pd.DataFrame, in_use: dict[str, str]) -> dict[str, object]:
    own = errors[errors["kind"] == kind]
    truth = {(e.key, e.column): e.true_value for e in own.itertuples()}
    if kind == "wrong_terminal":  # both ends are exchanged; the truth notes the one
        truth |= {(e.key, "toward_terminal_id"): e.written_value for e in own.itertuples()}
    standing = {e.key for e in own.itertuples() if in_use.get(e.key) == e.revision}
    said = proposed[proposed["slip"] == kind]
    right = [(r.job_id, r.column) in truth for r in said.itertuples()]
    value_right = [
        is_right and _agrees(r.value_proposed, truth[r.job_id, r.column])
        for r, is_right in zip(said.itertuples(), right, strict=True)
    ]
    jobs = (
        said.assign(right=right, value_right=value_right)
        .groupby("job_id")
        .agg(right=("right", "all"), value_right=("value_right", "all"), likelihood=("likelihood", "mean"))
    )
    return {
        "kind": kind,
        "planted": own["key"].nunique(),
        "standing": len(standing),
        "proposed": len(jobs),
        "right": int(jobs["right"].sum()),
        "value_right": int(jobs["value_right"].sum()),
        "found": len(standing & set(jobs.index[jobs["right"]])),
        "likelihood": float(jobs["likelihood"].sum()),
    }


def _agrees(proposed: str, true: str) -> bool:
    try:
        return abs(float(proposed) - float(true)) <= max(0.1, 0.01 * float(true))
    except ValueError:
        pass
    try:
        return abs(pd.Timestamp(proposed) - pd.Timestamp(true)) <= pd.Timedelta(minutes=1)
    except (ValueError, TypeError):
        return proposed == true


def _score_cluster(
    kind: str, errors: pd.DataFrame, clusters: pd.DataFrame, in_use: dict[str, str]
) -> dict[str, object]:
    own = errors[errors["kind"] == kind]
    pairs = {frozenset((e.key, e.other_key)) for e in own.itertuples()}
    standing = {pair for pair in pairs if all(job in in_use for job in pair)}
    said = {frozenset((c.job_id, c.joined_with)) for c in clusters[clusters["likeness"] == kind].itertuples()}
    right = len(said & pairs)
    return {
        "kind": kind,
        "planted": len(pairs),
        "standing": len(standing),
        "proposed": len(said),
        "right": right,
        "value_right": right,
        "found": len(said & standing),
        "likelihood": float("nan"),
    }


def summarise(fleets: pd.DataFrame) -> pd.DataFrame:
    """Precision and recall by kind over all fleets, with limits, in percent."""
    total = fleets.drop(columns="seed").groupby("kind", sort=False).sum(min_count=1)
    made = total[["planted", "standing", "proposed", "right", "value_right"]].astype(int)
    for name, hits, tries in (("precision", "right", "proposed"), ("recall", "found", "standing")):
        some = total[tries] > 0
        lo, hi = binomial_limits(total.loc[some, hits], total.loc[some, tries], 0.9)
        made.loc[some, name] = (100 * total.loc[some, hits] / total.loc[some, tries]).round(1)
        made.loc[some, f"{name}_lo"], made.loc[some, f"{name}_hi"] = (100 * lo).round(1), (100 * hi).round(1)
    made["mean_likelihood"] = (100 * total["likelihood"] / total["proposed"].where(total["proposed"] > 0)).round(1)
    return made


def main() -> None:
    """Run the study and print its table."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--seeds", type=int, nargs="+", default=list(FRESH_SEEDS))
    asked.add_argument("--loops", type=int, default=900)
    chosen = asked.parse_args()
    fleets = pd.concat([study_fleet(seed, chosen.loops) for seed in chosen.seeds])
    print(f"{len(chosen.seeds)} fleets of {chosen.loops} loops, seeds {chosen.seeds}")
    print(summarise(fleets).to_string())


if __name__ == "__main__":
    main()
