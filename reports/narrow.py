"""The tables of a choice: rows with an id are kept where they belong to it, aggregates are worked out again.

Nothing is estimated here. A topic's own step and its SQL models run again, in memory, on the rows of the choice, so
that every mean, share and limit of a page is what those rows alone would have got. What cannot be narrowed stays
whole, and `parts_left_open` says by which parts of the choice.
"""

from collections.abc import Callable, Collection
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import duckdb

from pipelines import warehouse
from reports.choice import PARTS, Choice
from reports.marts import Marts
from shared import dictionary
from shared.dictionary import lineage
from shared.settings import Settings
from shared.store import LAYERS, create_table, quoted, read_model, write_settings, write_tables

CARRIERS: dict[str, tuple[tuple[str, str], ...]] = {
    "district": (
        ("district_id", "{}"),
        ("loop_id", "select loop_id from results.staging.loops where district_id in ({})"),
        ("section_id", "select section_id from results.core.section_exposure where district_id in ({})"),
        ("job_id", "select job_id from results.core.job_stages where district_id in ({})"),
    ),
    "period": (
        ("reading_id", "select reading_id from results.core.locating_readings where read_at::date {}"),
        ("job_id", "select job_id from results.core.job_stages where reported_on {}"),
    ),
    "class": (
        ("cable_class", "{}"),
        ("section_id", "select section_id from results.core.section_exposure where cable_class in ({})"),
        ("job_id", "select job_id from results.core.job_stages where cable_class in ({})"),
        ("loop_id", "select loop_id from results.core.section_exposure where cable_class in ({})"),
    ),
    "instrument": (
        ("instrument_id", "{}"),
        ("job_id", "select job_id from results.core.locating_readings where instrument_id in ({})"),
    ),
    "crew": (("job_id", "select job_id from results.core.job_groups where crew in ({})"),),
}
"""For each part of a choice the columns by which a row can belong to it, and what they must be among; the first that
a table has counts."""

CONTEXT = ("marts.restoration_major_events", "fitted.major_event_threshold")
"""Tables that stay whole and are right for every choice: which day is a major event, the whole fleet decides."""


def carried(table: dictionary.Table, choice: Choice) -> dict[str, str]:
    """What the rows of a table must meet, by the parts of the choice that they carry; none for aggregates of groups.

    Checked by: tests/unit/test_reports_narrow.py
    """
    if "grouped_by" in table.columns:
        return {}
    found = {}
    for part in choice.parts:
        column, among = next((c for c in CARRIERS[part] if c[0] in table.columns), ("", ""))
        if column:
            found[part] = f'"{column}" in ({among.format(_values(part, choice))})'
    return found


def _values(part: str, choice: Choice) -> str:
    if part == "period":
        return f"between '{choice.first or '0001-01-01'}' and '{choice.last or '9999-12-31'}'"
    fields = {"district": choice.districts, "class": choice.classes, "instrument": choice.instruments}
    return ", ".join(quoted(value) for value in fields.get(part, choice.crews))


@dataclass(frozen=True)
class Topic:
    """Aggregates that are worked out again.

    Parameters
    ----------
    parts
        Parts of a choice that reach them.
    narrowed
        Tables that are narrowed for it; every other one it reads is whole.
    made
        The tables that it makes.
    build
        Makes them in a warehouse in memory.
    """

    parts: tuple[str, ...]
    narrowed: tuple[str, ...]
    made: tuple[str, ...]
    build: Callable[[duckdb.DuckDBPyConnection, Settings], object]


def build_restoration(con: duckdb.DuckDBPyConnection, settings: Settings) -> None:
    """Stages, clocks, indices, trend and savings of the jobs in core."""
    from pipelines.restoration import step

    warehouse.build_models(con, "core", commented=False, only=SERVED)
    # a cost a year is one of all jobs of the choice's period
    is_whole = con.execute(
        """select count(*) = (select count(*) from core.job_stages) from results.core.job_stages
        where reported_on between (select min(reported_on) from core.job_stages)
            and (select max(reported_on) from core.job_stages)"""
    ).fetchall()[0][0]
    tables = step.fit_tables(con, settings, *step.find_known_until(con, "results."), is_whole_fleet=is_whole)
    write_tables(con, {name: frame for name, frame in tables.items() if name not in CONTEXT})
    warehouse.build_models(con, "marts", commented=False, only=restoration_tables())


def build_curves(con: duckdb.DuckDBPyConnection, settings: Settings) -> None:
    """How each class of the sections in core fails."""
    from pipelines.survival import step

    write_tables(con, step.draw_curves(step.read_history(con, settings), settings))


def build_locating(con: duckdb.DuckDBPyConnection, settings: Settings) -> None:
    """How long the readings in core read, and whether the windows of their time held."""
    from pipelines.locating.coverage import summarise_coverage
    from pipelines.locating.proposals import describe_reads_long
    from pipelines.locating.step import dug_with_both

    coverage, tested = settings.general.interval_coverage, read_model(con, "fitted.window_backtest")
    frames = {
        "marts.reads_long": describe_reads_long(dug_with_both(read_model(con, "core.locating_readings")), coverage)
    }
    if len(tested):
        frames["marts.window_coverage"] = summarise_coverage(tested, coverage)
    else:
        create_table(con, "marts.window_coverage")
    write_tables(con, frames)


@cache
def restoration_tables() -> tuple[str, ...]:
    """Aggregates of restoration: its tables that hold no row of one job and are right for a choice only anew."""
    made = [t for t in dictionary.tables().values() if t.layer in ("marts", "fitted") and "job_id" not in t.columns]
    return tuple(t.name for t in made if lineage.topic_of(t) == "restoration" and t.name not in CONTEXT)


SERVED = ("core.customers_served", "core.customers_served_by_year")
CURVES = (
    "marts.class_survival", "marts.age_rates", "marts.mean_cumulative_failures", "marts.mean_cumulative_by_vintage",
    "marts.installation_years", "marts.attribute_effects", "marts.splice_failures", "fitted.splice_comparison",
)  # fmt: skip


@cache
def topics() -> tuple[Topic, ...]:
    """Every topic that has aggregates to work out again."""
    jobs = ("core.job_stages", "core.job_groups", "core.restoration_blocks", "staging.districts")
    readings = ("core.locating_readings", "fitted.window_backtest")
    return (
        Topic(PARTS, jobs, (*SERVED, *restoration_tables()), build_restoration),
        Topic(("district", "class"), ("core.section_exposure", "core.failures"), CURVES, build_curves),
        Topic(PARTS, readings, ("marts.reads_long", "marts.window_coverage"), build_locating),
    )


FINDINGS = ("marts.locating_findings", "marts.replacement_findings", "marts.survival_findings")
"""Figures and judgements of a page that follow from its tables by a SQL model alone."""


def parts_left_open(table: str, choice: Choice) -> tuple[str, ...]:
    """The parts of a choice that a table does not follow."""
    if table in CONTEXT or table in FINDINGS:
        return ()
    again = next((topic.parts for topic in topics() if table in topic.made), None)
    reached = again if again is not None else tuple(carried(dictionary.tables()[table], choice))
    return tuple(part for part in choice.parts if part not in reached)


class Narrowed(Marts):
    """The tables of a choice, each topic's aggregates worked out when one of them is first asked for.

    Checked by: tests/unit/test_reports_narrow.py
    """

    def __init__(self, file: Path, choice: Choice, settings: Settings) -> None:
        con = duckdb.connect()
        con.execute("set TimeZone = 'UTC'")
        con.execute(f"attach {quoted(file)} as results (read_only)")
        super().__init__(con)
        self._choice, self._settings = choice, settings
        self._there = {
            f"{layer}.{stem}"
            for layer, stem in con.execute(
                "select schema_name, table_name from duckdb_tables() where database_name = 'results'"
            ).fetchall()
            if layer != "settings"
        }
        self._waiting = list(topics())
        again = {name for topic in self._waiting for name in topic.made}
        self._show(self._there - again - set(FINDINGS), self._there, choice)

    def _show(self, names: set[str], narrowed: Collection[str], choice: Choice) -> None:
        """Views of published tables in the database in use, some of them narrowed to a choice."""
        for layer in LAYERS:
            self._con.execute(f"create schema if not exists {layer}")
        # not those published: an earlier version's lack what the models of this one read
        write_settings(self._con, self._settings)
        for name in sorted(names):
            table = dictionary.tables().get(name)
            kept = carried(table, choice) if table and name in narrowed and name not in CONTEXT else {}
            where = f" where {' and '.join(kept.values())}" if kept else ""
            self._con.execute(f"create or replace view {name} as select * from results.{name}{where}")

    def _make(self, name: str) -> None:
        """Make the aggregates that a table belongs to, each topic in a database of its own, where not yet done."""
        if name in FINDINGS and name in self._there:
            model = warehouse.models()[name]
            for read in model.reads:
                self._make(read)
            self._there.discard(name)
            warehouse.load_macros(self._con)
            self._con.execute(f"create table {name} as {model.query}")
        topic = next((t for t in self._waiting if name in t.made and name in self._there), None)
        if topic is None:
            return
        place = f"topic_{len(self._waiting)}"
        self._con.execute(f"attach ':memory:' as {place}; use {place}")
        try:
            reached = self._choice.without(set(PARTS) - set(topic.parts))
            self._show(self._there - set(topic.made) - set(FINDINGS), topic.narrowed, reached)
            warehouse.load_macros(self._con)
            topic.build(self._con, self._settings)
        except BaseException:
            self._con.execute(f"use memory; detach {place}")
            raise
        self._con.execute("use memory")
        self._waiting.remove(topic)
        for made in topic.made:
            if made in self._there:
                self._con.execute(f"create or replace view {made} as select * from {place}.{made}")
