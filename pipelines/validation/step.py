"""Weighs the records for slips, for jobs that may be one and for rounded values; writes them down, changes nothing."""

from __future__ import annotations

import duckdb
import pandas as pd

from pipelines.validation import slips
from pipelines.validation.clusters import find_clusters
from pipelines.validation.heaping import measure_heaping
from pipelines.validation.heaps import count_heaps
from shared.settings import Settings
from shared.store import has_table, write_table


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
    places = con.execute(PLACES).df()
    ends = con.execute("""
        select job_id, test_terminal_id, toward_terminal_id, far_end_terminal_id from staging.jobs
        where far_end_terminal_id is not null order by job_id
    """).df()
    stamps = con.execute(STAMPS).df()
    refused = con.execute(REFUSED).df() if has_table(con, "raw.findings") else pd.DataFrame()
    decided = (
        con.execute('select job_id, "column" from raw.corrections').df()
        if has_table(con, "raw.corrections")
        else pd.DataFrame(columns=["job_id", "column"])
    )

    heaps = count_heaps(con)
    clusters = find_clusters(con)

    # ---- compute
    found = [
        slips.propose_unit_slips(readings),
        slips.propose_swapped_ends(ends),
        slips.propose_terminals(places),
        slips.propose_zone_slips(stamps),
        slips.propose_velocities(refused),
    ]
    proposed = pd.concat([f for f in found if len(f)] or [pd.DataFrame(columns=slips.COLUMNS)], ignore_index=True)
    seen = set(map(tuple, decided.to_numpy()))
    pairs = zip(proposed["job_id"], proposed["column"], strict=True)
    # Of no proposals, an untyped list would be read as a choice of no columns.
    open_ = pd.Series([pair not in seen for pair in pairs], index=proposed.index, dtype=bool)
    proposed = proposed[open_].sort_values(["job_id", "column", "slip"]).drop_duplicates(["job_id", "column", "slip"])
    proposed = proposed.assign(decision="")

    heaping = measure_heaping(heaps, settings.general.interval_level)

    # ---- write
    return {
        "marts.proposed_corrections": write_table(con, "marts.proposed_corrections", proposed),
        "marts.job_clusters": write_table(con, "marts.job_clusters", clusters),
        "marts.heaping": write_table(con, "marts.heaping", heaping),
    }


# The chain as it stands today places terminals well enough: a replaced section keeps its ends.
PLACES = """
    with chain as (
        select loop_id, section_id, from_terminal_id, to_terminal_id, position, length_m from staging.sections
    ),
    steps as (
        select loop_id, position, median(length_m) as length_m, max(from_terminal_id) as from_terminal_id,
            max(to_terminal_id) as to_terminal_id from chain group by loop_id, position
    ),
    placed as (
        select *, sum(length_m) over (partition by loop_id order by position) - length_m as from_m,
            sum(length_m) over (partition by loop_id order by position) as to_m from steps
    ),
    terminals as (
        select loop_id, position as step, from_terminal_id as terminal_id, from_m as at_m from placed
        union
        select loop_id, position + 1, to_terminal_id, to_m from placed
    ),
    distinct_terminals as (
        select loop_id, terminal_id, min(step) as step, min(at_m) as at_m from terminals
        where terminal_id is not null group by loop_id, terminal_id
    )
    select j.job_id, j.dug_distance_m, j.test_terminal_id, c.terminal_id as candidate_terminal_id,
        c.at_m as candidate_at_m, p.from_m as section_from_m, p.to_m as section_to_m
    from staging.jobs as j
    join chain as s on s.section_id = j.section_id
    join placed as p on p.loop_id = s.loop_id and p.position = s.position
    join distinct_terminals as t on t.loop_id = s.loop_id and t.terminal_id = j.test_terminal_id
    join distinct_terminals as c on c.loop_id = s.loop_id and abs(c.step - t.step) <= 1
    where j.dug_distance_m > 0
    order by j.job_id, c.terminal_id
"""
STAMPS = """
    select j.job_id, j.source_file, j.dispatched_at, j.arrived_at, j.located_at, j.restored_at,
        (epoch(timezone('UTC', j.arrived_at)) - epoch(timezone(d.timezone, j.arrived_at))) / 60.0 as utc_offset_min
    from staging.jobs as j join staging.loops as l on l.loop_id = j.loop_id
    join staging.districts as d on d.district_id = l.district_id
    where contains(coalesce(j.date_only_columns, ''), 'arrived_at') is not true
    order by j.job_id
"""
REFUSED = """
    select distinct split_part(q.key, ' / ', 1) as job_id, f.value, u.usual_pct
    from raw.findings as f join raw.quarantined_rows as q
        on q.batch_id = f.batch_id and q.file = f.file and q.row_number = f.row_number and q."table" = f."table"
    left join (
        select job_id, instrument_id from raw.jobs
        qualify row_number() over (partition by job_id order by load_sequence desc) = 1
    ) as j on j.job_id = split_part(q.key, ' / ', 1)
    left join (
        select instrument_id, median(velocity_setting_pct) as usual_pct from staging.jobs group by instrument_id
    ) as u on u.instrument_id = j.instrument_id
    where f.rule = 'velocity_out_of_range' and f."table" = 'jobs' and q.released_by is null
    order by all
"""
