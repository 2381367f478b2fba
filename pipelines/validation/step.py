"""Weighs the records for suspected errors, jobs that may be one, rounded values; writes them down, changes nothing."""

import duckdb
import pandas as pd

from pipelines.validation import suspected_errors
from pipelines.validation.clusters import find_clusters
from pipelines.validation.heaping import measure_heaping
from pipelines.validation.heaps import count_heaps
from pipelines.warehouse import read_query
from shared.settings import Settings
from shared.store import has_table, read_model, write_tables


def run(con: duckdb.DuckDBPyConnection, settings: Settings) -> dict[str, int]:
    """Write proposed corrections, clusters of jobs and heaping from the staging tables and the findings.

    Returns
    -------
    dict
        Tables written to their rows.
    """
    # ---- read
    readings = con.execute("""
        select job_id, estimated_distance_m, dug_distance_m from staging.jobs
        where estimated_distance_m > 0 and dug_distance_m > 0 and estimated_distance_m <> dug_distance_m order by job_id
    """).df()
    places = read_query(con, "validation/terminal_places")
    ends = con.execute("""
        select job_id, test_terminal_id, toward_terminal_id, far_end_terminal_id from staging.jobs
        where far_end_terminal_id is not null order by job_id
    """).df()
    contradictions = read_model(con, "core.record_contradictions")
    stamps = read_query(con, "validation/arrival_stamps")
    customers = read_query(con, "validation/customers_by_steps")
    refused = read_query(con, "validation/refused_velocities") if has_table(con, "raw.findings") else pd.DataFrame()
    decided = (
        con.execute('select job_id, "column" from raw.corrections').df()
        if has_table(con, "raw.corrections")
        else pd.DataFrame(columns=["job_id", "column"])
    )

    heaps = count_heaps(con)
    clusters = find_clusters(con)

    # ---- compute
    found = [
        suspected_errors.propose_unit_errors(readings),
        suspected_errors.propose_swapped_ends(ends),
        suspected_errors.propose_terminals(places),
        suspected_errors.propose_zone_errors(stamps),
        suspected_errors.propose_velocities(refused),
        suspected_errors.propose_customers(customers),
    ]
    # what explains the distance or the terminals explains the contradiction too
    explained = {job for f in found[:3] for job in f.loc[f["column"] != "estimated_distance_m", "job_id"]}
    found.append(suspected_errors.propose_contradictions(contradictions[~contradictions["job_id"].isin(explained)]))
    proposed = pd.concat(
        [f for f in found if len(f)] or [pd.DataFrame(columns=suspected_errors.COLUMNS)], ignore_index=True
    )
    seen = set(map(tuple, decided.to_numpy()))
    pairs = zip(proposed["job_id"], proposed["column"], strict=True)
    # Of no proposals, an untyped list would be read as a choice of no columns.
    open_ = pd.Series([pair not in seen for pair in pairs], index=proposed.index, dtype=bool)
    proposed = proposed[open_].sort_values(["job_id", "column", "slip"]).drop_duplicates(["job_id", "column", "slip"])
    proposed = proposed.assign(decision="")

    # ---- write
    return write_tables(
        con,
        {
            "marts.proposed_corrections": proposed,
            "marts.job_clusters": clusters,
            "marts.heaping": measure_heaping(heaps, settings.general.interval_coverage),
        },
    )
