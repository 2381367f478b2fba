"""The indices of every basis, worked out again with pandas alone from the files of the demo, never from the warehouse.

The years of the fault book, whose dates are written in several ways, are left to the tests of intake.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from reports.choice import Choice
from reports.results import Results
from shared.store import Workspace

FIRST_YEAR, SUSTAINED_MIN, LONGEST_MIN = 2011, 5, 7 * 1440
MEASURES = ["jobs", "days_left_out", "jobs_reconciled", "jobs_joined", "customers_sustained", "saidi_min", "saifi"]
KEY = ["year", "basis", "days_left_out_by"]


def read_jobs(files: Path) -> pd.DataFrame:
    """Closed jobs in their last revision, with what their steps brought back."""
    loops = pd.read_csv(files / "loops.csv").set_index("loop_id")
    zones = pd.read_csv(files / "districts.csv").set_index("district_id")["timezone"]
    (zone,) = set(zones)

    def instants(texts: pd.Series) -> pd.Series:
        moments = pd.to_datetime(texts, errors="coerce")
        return moments.dt.tz_localize(zone, ambiguous="NaT", nonexistent="NaT")

    jobs = pd.read_csv(files / "jobs.csv", low_memory=False).reset_index(names="place")
    for column in ("reported_at", "restored_at", "closed_at"):
        jobs[column] = instants(jobs[column])
    jobs = jobs.dropna(subset=["reported_at"])
    first_place = jobs.groupby("job_id")["place"].min()
    jobs = jobs.sort_values("revision", kind="stable").groupby("job_id").tail(1).set_index("job_id")
    jobs = jobs[(jobs["status"] == "closed") & jobs["loop_id"].isin(loops.index)]
    jobs = jobs.assign(place=first_place, day=jobs["reported_at"].dt.date, year=jobs["reported_at"].dt.year)
    jobs = jobs.join(loops[["district_id", "customers", "configuration"]], on="loop_id")

    steps = pd.read_csv(files / "restoration_steps.csv")
    steps = steps.assign(at=instants(steps["step_at"])).dropna(subset=["at"])
    steps = steps.drop_duplicates(["job_id", "at"], keep="last").join(jobs["reported_at"], on="job_id", how="inner")
    steps["minutes"] = minutes(steps["reported_at"], steps["at"]).clip(lower=0)
    jobs["back"] = steps.groupby("job_id")["customers_restored"].sum()
    jobs["last_back"] = steps.groupby("job_id")["minutes"].max()
    jobs["blocks"] = pd.Series(
        {job: list(zip(own["customers_restored"], own["minutes"], strict=True)) for job, own in steps.groupby("job_id")}
    )
    out = minutes(jobs["reported_at"], jobs["restored_at"])
    is_paper = ((jobs["restored_at"] == jobs["closed_at"]) & (out > 1440)) | (out > LONGEST_MIN)
    jobs["out"] = out.mask(is_paper, jobs["last_back"])
    return jobs


def minutes(first: pd.Series, then: pd.Series) -> pd.Series:
    return (then - first).dt.total_seconds() / 60


def count_job(job: pd.Series, basis: str) -> tuple[float, float, bool]:
    """Customers and customer-minutes of sustained interruptions of a job, and whether it was reconciled."""
    customers, sooner = job["customers_interrupted"], job["sooner"] if basis == "duplicates_joined" else 0
    has_steps = isinstance(job["blocks"], list)
    blocks = list(job["blocks"]) if has_steps else [(customers, max(job["out"], 0))]
    is_reconciled = basis != "as_recorded" and has_steps and job["back"] != customers
    if is_reconciled:
        is_whole = customers == job["customers"] and job["configuration"] != "radial"
        if job["back"] > customers or is_whole:
            customers = job["back"]
        else:
            blocks.append((customers - job["back"], np.nanmax([job["last_back"], job["out"]])))
    if np.isnan(blocks[0][1]):
        return customers, np.nan, is_reconciled
    blocks = [(n, m + sooner) for n, m in blocks]
    soon = sum(n for n, m in blocks if m <= SUSTAINED_MIN)
    return max(customers - soon, 0), sum(n * m for n, m in blocks if m > SUSTAINED_MIN), is_reconciled


def join_duplicates(jobs: pd.DataFrame) -> pd.DataFrame:
    """Jobs of a loop within 15 minutes of one another are one: the one that came first in the file stands."""
    ordered = jobs.sort_values(["loop_id", "reported_at"])
    gap = minutes(ordered["reported_at"].shift(), ordered["reported_at"])
    is_new = (ordered["loop_id"] != ordered["loop_id"].shift()) | ~(gap <= 15)
    groups = ordered.assign(group=is_new.cumsum()).groupby("group")
    stands = groups["place"].transform("min") == ordered["place"]
    sooner = minutes(groups["reported_at"].transform("min"), ordered["reported_at"])
    return jobs.assign(is_joined_away=~stands, sooner=sooner)


def recompute(files: Path, districts: tuple[str, ...] = ()) -> pd.DataFrame:
    """Every row of the indices from the first year of jobs.csv on."""
    jobs = join_duplicates(read_jobs(files))
    served = pd.read_csv(files / "customers_by_year.csv")
    kept = served[served["district_id"].isin(districts)] if districts else served
    every = served.groupby("year")["customers_served"].sum()
    counted = {
        basis: jobs.apply(count_job, axis=1, result_type="expand", basis=basis).set_axis(
            ["hit", "min", "changed"], axis=1
        )
        for basis in ("as_recorded", "reconciled", "duplicates_joined")
    }
    recorded = jobs.assign(minutes=counted["as_recorded"]["min"].astype(float))
    daily = recorded.groupby(["day", "year"])["minutes"].sum(min_count=1).reset_index("year")
    daily["saidi"] = daily["minutes"] / daily["year"].map(every)
    flagged = set(jobs.loc[jobs["major_event"].eq(True), "day"])
    rows = []
    for basis, found in counted.items():
        own = jobs.join(found)
        own = own[own["district_id"].isin(districts)] if districts else own
        away = own["is_joined_away"] if basis == "duplicates_joined" else pd.Series(False, index=own.index)
        for year, of_year in own.groupby("year"):
            before = daily[(daily["year"] >= year - 5) & (daily["year"] < year) & (daily["saidi"] > 0)]["saidi"]
            logs = np.log(before.astype(float))
            threshold = np.exp(logs.mean() + 2.5 * logs.std()) if len(logs) >= 100 else np.nan
            over = set(daily.index[(daily["year"] == year) & (daily["saidi"] > threshold)])
            for by, left_out in (("", set()), ("utility", flagged), ("threshold", over)):
                kept_jobs = of_year[~of_year["day"].isin(left_out)]
                is_away = away.loc[kept_jobs.index]
                standing = kept_jobs[~is_away]
                customers = kept["customers_served"][kept["year"] == year].sum()
                known = {"": 0, "utility": len([d for d in left_out if d.year == year]), "threshold": len(over)}[by]
                rows.append(
                    {
                        "year": year, "basis": basis, "days_left_out_by": by, "jobs": len(standing),
                        "days_left_out": np.nan if by == "threshold" and np.isnan(threshold) else known,
                        "jobs_reconciled": standing["changed"].sum(), "jobs_joined": is_away.sum(),
                        "customers_sustained": standing["hit"].sum(),
                        "saidi_min": standing["min"].astype(float).sum(min_count=1) / customers,
                        "saifi": standing["hit"].sum() / customers,
                    }
                )  # fmt: skip
    return pd.DataFrame(rows).query("year >= @FIRST_YEAR").set_index(KEY).sort_index().astype(float)


def check(space: Workspace) -> pd.DataFrame:
    """The exported indices against the files, of everything and of one district; years without a threshold too."""
    files = space.folder / "demo" / "export"
    exported = pd.read_csv(space.folder / "exports" / "restoration_indices.csv", keep_default_na=False, na_values=[""])
    exported["days_left_out_by"] = exported["days_left_out_by"].fillna("")
    expected = recompute(files)
    assert_same(exported, expected)
    is_equal = np.isclose(exported["caidi_min"], exported["saidi_min"] / exported["saifi"], rtol=1e-12)
    assert (is_equal | exported["why_not_equal"].notna()).all() and is_equal.any()
    district = sorted(pd.read_csv(files / "districts.csv")["district_id"])[0]
    with Results(space.folder / "results.duckdb") as results:
        chosen = results.marts(Choice(districts=(district,))).read("marts.restoration_indices")
    assert_same(chosen, recompute(files, districts=(district,)))
    return expected


def assert_same(found: pd.DataFrame, expected: pd.DataFrame) -> None:
    """Every row, but for thresholds that stand on years of the fault book."""
    found = found[found["year"] >= FIRST_YEAR].set_index(KEY).sort_index()[MEASURES].astype(float)
    found, expected = (
        rows[(rows.index.get_level_values("year") >= FIRST_YEAR + 5) | (rows.index.get_level_values(2) != "threshold")]
        for rows in (found, expected[MEASURES])
    )
    pd.testing.assert_frame_equal(found, expected, rtol=1e-9, check_index_type=False)


def test_the_indices_of_every_basis_are_those_of_the_files(demo_space: Workspace) -> None:
    found = check(demo_space)
    of_basis = found.xs("", level="days_left_out_by").groupby("basis").sum()
    # there is something to tell apart: steps that disagree, duplicates, days flagged
    assert of_basis.loc["reconciled", "jobs_reconciled"] > 0
    assert of_basis.loc["duplicates_joined", "jobs_joined"] > 0
    assert found.xs("utility", level="days_left_out_by")["days_left_out"].sum() > 0
