"""What a workspace holds: rows by table, days covered, findings, last runs."""

import duckdb
import pandas as pd

from shared import dictionary
from shared.store import has_table


def describe_workspace(con: duckdb.DuckDBPyConnection) -> dict[str, pd.DataFrame]:
    """Frames to print, by heading."""
    told = {
        "loaded": pd.DataFrame(
            [
                (stem, *con.execute(f"select count(*), count(distinct load_id) from raw.{stem}").fetchone())  # type: ignore[misc]
                for stem in dictionary.source_tables()
                if has_table(con, f"raw.{stem}")
            ],
            columns=["table", "rows", "loads"],
        )
    }
    if has_table(con, "raw.loads"):
        told["loads"] = con.execute("""
            select load_id, strftime(loaded_at, '%Y-%m-%d %H:%M') as loaded_utc, mapping, files, rows_read, rows_loaded
            from raw.loads
            order by load_id desc
            limit 10
        """).df()
    if has_table(con, "raw.jobs"):
        told["jobs by status"] = con.execute("""
            select
                coalesce(status, 'closed') as status,
                count(distinct job_id) as jobs,
                min(reported_at)::date as first_report,
                max(reported_at)::date as last_report
            from raw.jobs
            group by all
            order by status
        """).df()
    if has_table(con, "raw.findings"):
        told["findings"] = con.execute("""
            select "table", severity, rule, count(*) as findings
            from raw.findings
            group by all
            order by any_value(list_position(['reject', 'empty', 'warn'], severity)), findings desc, "table", rule
        """).df()
    if has_table(con, "marts.restoration_indices"):
        told["bounds of the indices, for jobs whose interruption has no usable end"] = con.execute("""
            select
                year,
                jobs,
                jobs_without_end,
                saidi_least_min,
                saidi_min,
                saidi_most_min,
                saifi_least,
                saifi_most,
                caidi_least_min,
                caidi_min,
                caidi_most_min
            from marts.restoration_indices
            where jobs_without_end > 0 and not is_without_major_events and basis = 'as_recorded'
            order by year desc
        """).df()
    if has_table(con, "raw.file_results"):
        told["warnings of whole files, last load with any first"] = con.execute("""
            select
                load_id,
                min(file) || case when count(distinct file) > 1 then ' and ' || count(distinct file) - 1 || ' more'
                    else '' end as file,
                rule,
                arg_min(message, (file, -coalesce(measured, 0), year)) || case
                    when count(year) > 1 then '; ' || count(year) - 1 || ' more of a year'
                    else '' end as message
            from raw.file_results
            where message is not null
            group by load_id, rule, "column"
            order by load_id desc, min(file), rule, "column"
            limit 20
        """).df()
    if has_table(con, "raw.runs"):
        told["last runs"] = con.execute("""
            select
                run_number,
                command,
                strftime(started_at, '%Y-%m-%d %H:%M') as started_utc,
                round(seconds, 1) as seconds,
                outcome,
                as_of,
                coalesce(failed_step, '') as failed_step
            from raw.runs
            order by run_number desc
            limit 5
        """).df()
        told["where the time of the last run went"] = con.execute("""
            select step, round(seconds, 2) as seconds, rows_written
            from raw.run_steps
            where run_number = (select max(run_number) from raw.runs)
            order by step_number
        """).df()
    return told
