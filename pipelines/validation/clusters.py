"""Which jobs may be one and the same, which of them would stand, and what speaks for it?"""

from collections.abc import Iterable

import duckdb
import pandas as pd

from pipelines.validation.register import pairs_in_time_sql, same_spot_pairs_sql
from pipelines.warehouse import queries, read_query

COLUMNS = ["cluster_id", "jobs_in_cluster", "job_id", "joined_with", "likeness", "grounds", "cluster_decision"]


def group_jobs(pairs: Iterable[tuple[str, str]], rank: dict[str, tuple[float, str]]) -> dict[str, str]:
    """Each job of a pair with the job of its cluster that would stand.

    Parameters
    ----------
    pairs
        Jobs that may be one; what hangs together by a chain of pairs is one cluster.
    rank
        Job to what orders it: the lowest of a cluster stands.

    Notes
    -----
    Checked by: tests/unit/test_intake_clusters.py
    """
    parent: dict[str, str] = {}

    def root(job: str) -> str:
        parent.setdefault(job, job)
        while parent[job] != job:
            parent[job] = parent[parent[job]]
            job = parent[job]
        return job

    for one, two in pairs:
        low, high = sorted((root(one), root(two)), key=lambda job: rank[job])
        parent[high] = low
    return {job: root(job) for job in sorted(parent)}


def find_clusters(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Jobs that may be one, as they stand, less those that a person has separated.

    Returns
    -------
    DataFrame
        ``COLUMNS``; one row a job that would be joined with another. cluster_decision is empty, for a person to fill.

    Notes
    -----
    Of jobs entered twice the one that arrived first stands, of jobs opened again the one reported first. A job in
    clusters of both kinds is shown as entered twice.

    Checked by: tests/unit/test_intake_clusters.py
    """
    con.execute(f"create or replace temp table jobs_standing as\n{queries()['validation/jobs_standing'].query}")
    separated = set(
        con.execute("select job_id, joined_with from raw.job_clusters where cluster_decision = 'separate'").fetchall()
    )
    found: dict[str, tuple[str, str, int]] = {}
    for likeness, alike_sql, order in (
        ("entered_twice", pairs_in_time_sql("jobs_standing"), "arrival"),
        ("opened_again", same_spot_pairs_sql("jobs_standing"), "reported_s"),
    ):
        pairs = con.execute(alike_sql + " order by all").fetchall()
        pairs = [p for p in pairs if p not in separated and p[::-1] not in separated]
        rank = {
            job: (float(value), job)
            for job, value in con.execute(
                f"select job_id, {order} from jobs_standing where job_id in (select unnest(?))",
                [sorted({job for pair in pairs for job in pair})],
            ).fetchall()
        }
        stands = group_jobs(pairs, rank)
        size = pd.Series(stands).value_counts() if stands else pd.Series(dtype=int)
        for job, with_job in stands.items():
            if job != with_job and (job, with_job) not in separated:
                found.setdefault(job, (with_job, likeness, int(size[with_job])))
    return _describe(con, found)


def _describe(con: duckdb.DuckDBPyConnection, found: dict[str, tuple[str, str, int]]) -> pd.DataFrame:
    if not found:
        return pd.DataFrame(columns=COLUMNS)
    listed = pd.DataFrame(
        [(job, *facts) for job, facts in sorted(found.items())],
        columns=["job_id", "joined_with", "likeness", "jobs_in_cluster"],
    )
    return read_query(con, "validation/clusters_described", clusters_found=listed)
