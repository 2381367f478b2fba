"""The last rankings, kept in the warehouse's raw layer to compare the next one with.

They are written inside the transaction of a refresh, so a refresh that fails leaves them as they were.
"""

import json
from typing import Any

import duckdb

from pipelines.ranking.rank_changes import KEPT_RUNS, LOOP_FACTS, SECTION_FACTS, Ranking
from shared.settings import RENAMED, Settings
from shared.store import has_table

MAKE = """
create table if not exists raw.ranking_runs (
    run_number bigint primary key, as_of date, model_form varchar, settings varchar
);
create table if not exists raw.ranking_loops (
    run_number bigint, loop_id varchar, rank bigint, length_km double, failures_recorded bigint,
    failures_shared double, multiplier double, class_rate_per_100km_year double,
    expected_rate_per_100km_year double
);
create table if not exists raw.ranking_sections (
    run_number bigint, section_id varchar, loop_id varchar, cable_class varchar, length_km double, installed_on date
);
"""

NO_MATTER = ("as_of", "currency", "seed", "small_group", "memory_limit_gb", "interval_coverage", "generations_kept")
"""General settings that no ranking depends on, and the as-of date, which is kept by itself."""


def settings_of_ranking(settings: Settings) -> dict[str, str]:
    """The settings a ranking may depend on, as texts."""
    found: dict[str, Any] = {}
    for section in ("general", "intake", "validation", "survival"):
        for name, value in vars(getattr(settings, section)).items():
            if not (section == "general" and name in NO_MATTER):
                found[f"{section}.{name}"] = value
    return {key: json.dumps(value, sort_keys=True) for key, value in found.items()}


def next_run_number(con: duckdb.DuckDBPyConnection) -> int:
    """The number the run under way will have in the record of runs."""
    if not has_table(con, "raw.runs"):
        return 1
    found = con.execute("select coalesce(max(run_number), 0) + 1 from raw.runs").fetchone()
    return int(found[0]) if found else 1


def read_kept(con: duckdb.DuckDBPyConnection) -> list[Ranking]:
    """The rankings kept, oldest first."""
    if not has_table(con, "raw.ranking_runs"):
        return []
    kept = []
    for number, as_of, form, settings in con.execute(
        "select run_number, as_of, model_form, settings from raw.ranking_runs order by run_number"
    ).fetchall():
        loops, sections = (
            con.execute(
                f"select {', '.join(facts)} from raw.{table} where run_number = ? order by {facts[0]}", [number]
            ).df()
            for table, facts in (("ranking_loops", LOOP_FACTS), ("ranking_sections", SECTION_FACTS))
        )
        known = {RENAMED.get(key, key): value for key, value in json.loads(settings).items()}
        kept.append(Ranking(number, as_of, form, known, loops, sections))
    return kept


def write_kept(con: duckdb.DuckDBPyConnection, ranking: Ranking) -> None:
    """Add a ranking to those kept; of the older ones the last few stay."""
    con.execute(MAKE)
    con.execute(
        "insert into raw.ranking_runs values (?, ?, ?, ?)",
        [ranking.run_number, ranking.as_of, ranking.model_form, json.dumps(dict(ranking.settings), sort_keys=True)],
    )
    for table, facts, frame in (
        ("ranking_loops", LOOP_FACTS, ranking.loops),
        ("ranking_sections", SECTION_FACTS, ranking.sections),
    ):
        con.register("ranking_to_keep", frame)
        try:
            listed = ", ".join(facts)
            con.execute(
                f"insert into raw.{table} (run_number, {listed}) select ?, {listed} from ranking_to_keep",
                [ranking.run_number],
            )
        finally:
            con.unregister("ranking_to_keep")
    for table in ("ranking_runs", "ranking_loops", "ranking_sections"):
        con.execute(f"""
            delete from raw.{table} where run_number not in (
                select run_number from raw.ranking_runs order by run_number desc limit {KEPT_RUNS}
            )
        """)
