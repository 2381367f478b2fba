"""Builds only the models that the restoration tables stand on, as a refresh does: tests build hundreds of fleets."""

from __future__ import annotations

import duckdb
import pandas as pd

from pipelines import warehouse
from pipelines.restoration import step
from pipelines.restoration.stages import CLOCKS, summarise_stages
from shared.settings import Settings
from shared.store import create_table, write_table
from tests.conftest import frame_from_pipes, write_raw

OTHERS_READ_BY_THE_STEP = {"core.failures", "core.section_exposure", "staging.test_shots"}


def build_restoration(
    con: duckdb.DuckDBPyConnection, tables: dict[str, str | pd.DataFrame], *, only_summary: bool = False
) -> duckdb.DuckDBPyConnection:
    """Write source tables into a warehouse made by make_warehouse({}, build=()), run the step, build the marts.

    With only_summary the limits of the stages alone are fitted and marts.restoration_summary alone is built.
    """
    settings = Settings()
    for stem, given in tables.items():
        write_raw(con, stem, frame_from_pipes(given) if isinstance(given, str) else given)
    marts = {name for name, model in warehouse.models().items() if model.path.parent.name == "restoration"}
    needed: set[str] = set()
    open_ends = {"marts.restoration_summary"} if only_summary else marts | OTHERS_READ_BY_THE_STEP
    open_ends |= {"core.job_groups", "core.customers_served"}
    while open_ends:
        name = open_ends.pop()
        needed.add(name)
        open_ends |= {r for r in warehouse.models()[name].reads if r in warehouse.models()} - needed
    warehouse.load_macros(con)
    for layers in (("staging", "core"), ("marts",)):
        if layers == ("marts",) and only_summary:
            limits = summarise_stages(warehouse.read_query(con, "restoration/jobs"), coverage=0.9, small_group=10)
            write_table(
                con,
                "marts.restoration_stages",
                limits[limits["grouped_by"].isin(step.STAGE_GROUPINGS) & ~limits["stage"].isin(CLOCKS)],
            )
        elif layers == ("marts",):
            step.run(con, settings)
            create_table(con, "marts.job_clusters")
            create_table(con, "marts.programme")  # nothing is planned
        for model in warehouse.build_order(layers):
            if model.table in needed:
                con.execute(f"create or replace table {model.table} as\n{model.query}")
    return con
