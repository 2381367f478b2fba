"""What the rows of a load are compared with: the register and the jobs as they stand, latest word on each."""

from zoneinfo import available_timezones

import duckdb

from pipelines.validation.facts import DUPLICATE_S, REOPENED_M, REOPENED_S
from pipelines.warehouse import queries
from shared import dictionary
from shared.store import has_table

NEEDED = {
    "loops": ("districts",),
    "customers_by_year": ("districts",),
    "terminals": ("loops",),
    "sections": ("districts", "loops", "terminals"),
    "section_pieces": ("sections",),
    "jobs": ("loops", "sections", "terminals", "instruments"),
    "test_shots": ("jobs", "terminals", "instruments"),
    "restoration_steps": ("jobs",),
    "known_lengths": ("sections", "instruments"),
    "decisions": ("loops", "sections"),
}
KEPT = {
    "districts": ("district_id", "timezone", "recorded_from"),
    "loops": ("loop_id", "district_id"),
    "terminals": ("terminal_id",),
    "sections": (
        "section_id",
        "loop_id",
        "position",
        "length_m",
        "insulation",
        "installed_on",
        "is_install_year_only",
        "cable_no",
    ),
    "instruments": ("instrument_id",),
    "jobs": ("job_id", "loop_id", "customers_interrupted", "status"),
}


def latest_sql(table: str, columns: tuple[str, ...]) -> str:
    """SQL of the latest word on each thing of a raw table: the highest revision, then the last to arrive."""
    facts = dictionary.load_tables()[table]
    identity = [c for c in facts.key if c != "revision"]
    order = ("revision desc nulls last, " if "revision" in facts.key else "") + "load_sequence desc"
    return (
        f"select {', '.join(columns)} from raw.{table} "
        f"qualify row_number() over (partition by {', '.join(identity)} order by {order}) = 1"
    )


def draw_register(con: duckdb.DuckDBPyConnection, table: str) -> frozenset[str]:
    """Make the temporary tables that the facts of one table join; returns the registers that hold anything."""
    for name in NEEDED.get(table, ()):
        con.execute(f"create or replace temp table known_{name} as {latest_sql(name, KEPT[name])}")
    if table == "districts":
        # Both must know a zone: DuckDB turns local times into instants, Python finds the nights of clock changes.
        con.execute(
            "create or replace temp table known_zones as select name from pg_timezone_names() where name in (select "
            "unnest(?))",
            [sorted(available_timezones())],
        )
    if table == "jobs":
        # an id that others came after is known too, though the register may have dropped it
        con.execute(
            "insert into known_sections (section_id) select distinct old_id from raw.section_successors "
            "where old_id not in (select section_id from known_sections)"
        )
        _draw_open_again(con)
        _draw_loop_lengths(con)
        _draw_neighbours(con)
    if table == "sections":
        _draw_chain_breaks(con)
    if table == "known_lengths":
        _draw_classes(con)
    if table == "restoration_steps":
        _draw_step_totals(con)
    if table == "corrections":
        draw_correction_faults(con)
    if table == "job_clusters":
        draw_cluster_faults(con)
    filled = [name for name in NEEDED.get(table, ()) if con.execute(f"select 1 from known_{name} limit 1").fetchone()]
    return frozenset(filled)


def _draw_open_again(con: duckdb.DuckDBPyConnection) -> None:
    """Jobs of this load that are open and were loaded before."""
    con.execute("create or replace temp table open_again (job_id VARCHAR)")
    if con.execute("select 1 from typed where status = 'open' limit 1").fetchone():
        con.execute(
            "insert into open_again select distinct job_id from raw.jobs "
            "where job_id in (select job_id from typed where status = 'open')"
        )


def _draw_classes(con: duckdb.DuckDBPyConnection) -> None:
    """Cable classes of the register, by their parts and, once a refresh has kept them, by the names of the settings."""
    columns = ("insulation", "neutral", "installation")
    con.execute(f"""
        create or replace temp table known_classes as
        select distinct insulation || '/' || coalesce(neutral, 'unknown') || '/' || coalesce(installation, 'unknown')
            as cable_class
        from ({latest_sql("sections", columns)})
    """)
    if has_table(con, "settings.classes"):
        con.execute("insert into known_classes select cable_class from settings.classes")


def _draw_loop_lengths(con: duckdb.DuckDBPyConnection) -> None:
    """Length of each loop from end to end: at each position the longest of the cables that succeeded one another."""
    con.execute("""
        create or replace temp table known_loops as
        with places as (
            select loop_id, position, max(length_m) as length_m from known_sections group by all
        ),
        lengths as (select loop_id, sum(length_m) as length_m from places group by all)
        select l.loop_id, l.district_id, s.length_m from known_loops as l left join lengths as s using (loop_id)
    """)


def _draw_neighbours(con: duckdb.DuckDBPyConnection) -> None:
    """Jobs near one another in time on a loop, and in time and place on a section: each with one other's id."""
    columns = ("job_id", "loop_id", "section_id", "test_terminal_id", "dug_distance_m", "reported_at", "status")
    listed = ", ".join(columns)
    con.execute(f"""
        create or replace temp table pool as
        with both_sources as (
            select {listed}, revision, 1 as newness from typed
            union all by name
            select * from (select {listed}, revision, 0 as newness from ({latest_sql("jobs", (*columns, "revision"))}))
        ),
        jobs as (select *, epoch(reported_at) as reported_s from both_sources where job_id is not null),
        repeated as (select job_id from jobs group by job_id having count(*) > 1)
        select job_id, loop_id, section_id, test_terminal_id, dug_distance_m, reported_s from jobs
        where job_id not in (select job_id from repeated) and coalesce(status, 'closed') = 'closed'
            and reported_s is not null
        union all
        select job_id, loop_id, section_id, test_terminal_id, dug_distance_m, reported_s from (
            select * from jobs where job_id in (select job_id from repeated)
            qualify row_number() over (partition by job_id order by revision desc nulls last, newness desc) = 1
        ) where coalesce(status, 'closed') = 'closed' and reported_s is not null
    """)
    _draw_nearest_in_time(con)
    _draw_near_in_place(con)


def _draw_nearest_in_time(con: duckdb.DuckDBPyConnection) -> None:
    """Jobs with another of their loop reported within a few minutes, each with the one before it, else after it.

    Who has such a neighbour has one next to it in order of time: thousands of jobs with one stamp are not paired.
    """
    con.execute(f"""
        create or replace temp table near_in_time as
        with beside as (
            select job_id, reported_s,
                lag(job_id) over in_time as before, lag(reported_s) over in_time as before_s,
                lead(job_id) over in_time as after, lead(reported_s) over in_time as after_s
            from pool where loop_id is not null
            window in_time as (partition by loop_id order by reported_s, job_id)
        ),
        near as (
            select job_id, case
                when reported_s - before_s <= {DUPLICATE_S} then before
                when after_s - reported_s <= {DUPLICATE_S} then after
            end as other
            from beside
        )
        select job_id, other from near where other is not null
    """)


def same_spot_pairs_sql(source: str) -> str:
    """SQL of the pairs (one, two) of jobs of a source dug at the same spot of a section within weeks; each pair once.

    Equal buckets of time are joined, and each bucket with the next, so that no section is paired with itself whole.
    """
    near = f"abs(a.reported_s - b.reported_s) <= {REOPENED_S} and {SAME_SPOT}"
    return f"""
        with slots as (
            select *, floor(reported_s / {REOPENED_S})::bigint as slot from {source} where section_id is not null
        )
        select a.job_id as one, b.job_id as two from slots as a join slots as b
        on a.section_id = b.section_id and a.slot = b.slot and a.job_id < b.job_id
        where {near}
        union all
        select a.job_id, b.job_id from slots as a join slots as b
        on a.section_id = b.section_id and a.slot + 1 = b.slot and a.job_id <> b.job_id
        where {near}
    """


NEAREST = 20
"""Jobs after it that a job is paired with at most; thousands with one stamp still hang together by a chain of pairs."""


def pairs_in_time_sql(source: str) -> str:
    """SQL of the pairs (one, two) of jobs of a source reported within minutes on one loop, next to one another."""
    return f"""
        with ordered as (
            select job_id, loop_id, reported_s,
                row_number() over (partition by loop_id order by reported_s, job_id) as turn
            from {source} where loop_id is not null
        ),
        asked as (select *, unnest(range(turn + 1, turn + {NEAREST} + 1)) as turn_after from ordered)
        select a.job_id as one, b.job_id as two
        -- each turn of a loop is one job's
        from asked as a join ordered as b on a.loop_id = b.loop_id and a.turn_after = b.turn
        where b.reported_s - a.reported_s <= {DUPLICATE_S}
    """


SAME_SPOT = (
    f"a.test_terminal_id is not distinct from b.test_terminal_id and "
    f"abs(a.dug_distance_m - b.dug_distance_m) <= {REOPENED_M}"
)
"""SQL that says whether two jobs of a section were dug within the same few metres."""


def _draw_near_in_place(con: duckdb.DuckDBPyConnection) -> None:
    """Jobs with another dug at their spot, each with one such."""
    con.execute(f"""
        create or replace temp table near_in_place as
        with pairs as ({same_spot_pairs_sql("pool")})
        select job_id, min(other) as other from (
            select one as job_id, two as other from pairs union all select two, one from pairs
        ) group by job_id
    """)


def _draw_chain_breaks(con: duckdb.DuckDBPyConnection) -> None:
    """Sections that at some date do not join on to the one before: a gap, a fork or another terminal."""
    columns = (
        "section_id",
        "loop_id",
        "position",
        "from_terminal_id",
        "to_terminal_id",
        "installed_on",
        "is_install_year_only",
        "retired_on",
        "cable_no",
    )
    con.execute(f"""
        create or replace temp table chain_breaks as
        with sections_together as (
            select {", ".join(columns)}, 1 as newness, file_no, row_number as place from judged
            union all by name
            select {", ".join(columns)}, 0 as newness, 0 as file_no, load_sequence as place from raw.sections
        )
        select * from ({queries()["validation/chain_breaks"].query})
    """)


def _draw_step_totals(con: duckdb.DuckDBPyConnection) -> None:
    """Customers that the steps of each job restore in all, the rows of this load included."""
    columns = ("job_id", "step_at", "customers_restored")
    con.execute(f"""
        create or replace temp table step_totals as
        with both_sources as (
            select job_id, step_at, customers_restored, 1 as newness, file_no, row_number as place from typed
            union all by name
            select *, 0 as newness, 0 as file_no, 0 as place from ({latest_sql("restoration_steps", columns)})
        ),
        latest as (
            select * from both_sources where job_id is not null and step_at is not null
            qualify row_number() over (
                partition by job_id, step_at order by newness desc, file_no desc, place desc
            ) = 1
        )
        select job_id, sum(customers_restored)::bigint as restored from latest group by job_id
    """)


def draw_correction_faults(con: duckdb.DuckDBPyConnection) -> None:
    """What keeps a correction to be applied from being so: no such job or column, another value now, no new value."""
    facts = dictionary.load_tables()["jobs"]
    listed = [c for c in facts.source_columns if c not in ("job_id", "revision")]
    known = ", ".join(f"'{c}'" for c in listed)
    now = " ".join(f"when '{c}' then j.\"{c}\"::varchar" for c in listed)
    fits = " ".join(
        f"when '{c}' then try_cast(c.value_proposed as {dictionary.columns()[c].duckdb_type}) is not null"
        for c in listed
    )
    con.execute(f"""
        create or replace temp table correction_faults as
        with latest as ({latest_sql("jobs", facts.columns)})
        select c.job_id, c."column", case
            when c.decision <> 'apply' then null
            when j.job_id is null then 'job ' || c.job_id || ' is not loaded'
            when c."column" not in ({known}) then 'jobs have no column ' || c."column" || ' that can be corrected'
            when c.value_proposed is not null and not case c."column" {fits} end
                then 'value_proposed = ' || c.value_proposed || ' does not fit column ' || c."column"
            when {says_sql("c.value_proposed")} then null
            when not {says_sql("c.value_now")}
                then c."column" || ' of ' || c.job_id || ' is now ' || coalesce(case c."column" {now} end, 'empty')
                    || ', not ' || coalesce(c.value_now, 'empty')
        end as fault
        from typed as c left join latest as j on j.job_id = c.job_id
    """)


def draw_cluster_faults(con: duckdb.DuckDBPyConnection) -> None:
    """What keeps two jobs from being joined: one is not loaded, or does not stand, or is to be joined away itself."""
    con.execute(f"""
        create or replace temp table cluster_faults as
        with latest as ({latest_sql("jobs", ("job_id", "status"))}),
        standing as (select job_id from latest where coalesce(status, 'closed') = 'closed'),
        joined as (select job_id from typed where cluster_decision = 'join')
        select c.job_id, c.joined_with, case
            when c.cluster_decision <> 'join' then null
            when c.job_id = c.joined_with then c.job_id || ' cannot be joined with itself'
            when c.job_id not in (select job_id from latest) then 'job ' || c.job_id || ' is not loaded'
            when c.joined_with not in (select job_id from latest) then 'job ' || c.joined_with || ' is not loaded'
            when c.joined_with in (select job_id from joined) then c.joined_with || ' is joined with another job itself'
            when c.joined_with not in (select job_id from standing)
                then c.joined_with || ' is cancelled, so nothing can be joined with it'
            when c.job_id not in (select job_id from standing) then c.job_id || ' is cancelled already'
        end as fault
        from typed as c
    """)


def says_sql(text: str) -> str:
    """SQL that says whether a job (alias j) holds a text in the column that a correction (alias c) names."""
    listed = [c for c in dictionary.load_tables()["jobs"].source_columns if c not in ("job_id", "revision")]
    return f"""case c."column" {" ".join(_same_value(c).replace("$VALUE", text) for c in listed)} end"""


def _same_value(column: str) -> str:
    """SQL arm that says whether a job's value is the text $VALUE; numbers agree to the digits that text can show."""
    kind = dictionary.columns()[column].duckdb_type
    given = f"try_cast($VALUE as {kind})"
    own = f'j."{column}"'
    if kind == "DOUBLE":
        near = f"abs({own} - {given}) <= 1e-5 * abs({given}) + 1e-9"
        return f"when '{column}' then coalesce({near}, {own} is null and $VALUE is null)"
    return f"when '{column}' then {own} is not distinct from {given}"
