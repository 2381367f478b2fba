"""Loads files into raw: read, typed, judged, sorted into new, revised, unchanged, superseded, quarantined, kept.

A load is one batch and one transaction: all of it is kept, or nothing.
"""

from __future__ import annotations

import datetime as dt
import json
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb

from pipelines.intake.mapping import Mapping
from pipelines.intake.mapping_file import parse_mapping
from pipelines.intake.raw import ensure_raw_tables
from pipelines.intake.sources import SourceFile, find_sources
from pipelines.intake.text import ReadFile, read_text
from pipelines.intake.typed import TypedSelect, Zones
from pipelines.intake.zones import change_days, is_zone
from pipelines.validation.judge import judge_rows
from pipelines.validation.register import latest_sql
from pipelines.validation.rules import rules_for
from shared import dictionary
from shared.errors import UserError, suggest_name
from shared.settings import Settings

if TYPE_CHECKING:
    import pandas as pd

DIGEST = "count(*) || '-' || sum(hash(content_hash))"
"""SQL of a file's fingerprint: the same for the same rows in any order, form or name."""
COUNTS = ("new", "revised", "unchanged", "superseded", "quarantined")


@dataclass(frozen=True)
class FileCount:
    """What became of the rows of one file: read = new + revised + unchanged + superseded + quarantined."""

    table: str
    file: str
    read: int
    new: int
    revised: int
    unchanged: int
    superseded: int
    quarantined: int
    warned: int


@dataclass(frozen=True)
class LoadReport:
    """One load: its batch and the count of every file."""

    batch_id: str
    files: tuple[FileCount, ...]

    def to_frame(self) -> pd.DataFrame:
        """One row a file."""
        import pandas as pd

        return pd.DataFrame([vars(f) for f in self.files], columns=list(FileCount.__dataclass_fields__))


def load_paths(
    con: duckdb.DuckDBPyConnection, paths: Sequence[Path], settings: Settings, mapping: Path | None = None,
) -> LoadReport:
    """Load files and folders as one batch.

    Parameters
    ----------
    con
        The warehouse, open for writing.
    paths
        Files and folders.
    settings
        Severities, midnight share, further insulations.
    mapping
        Mapping file for what is not in the canonical form.

    Returns
    -------
    LoadReport
        Counts of every file; read = new + revised + unchanged + superseded + quarantined for each.

    Raises
    ------
    UserError
        A file is missing, empty, no table of texts, or lacks a required column: nothing of the load is kept.

    Notes
    -----
    Checked by: tests/unit/test_intake_load.py, tests/properties/test_intake_readers.py
    """
    rules_for("jobs", settings)
    mapped = parse_mapping(mapping) if mapping else Mapping()
    settings = _with_insulations(settings, mapped)
    sources = find_sources(paths, mapped.tables)
    importing = threading.Thread(target=_import_expectations, daemon=True)
    con.execute("begin transaction")
    try:
        ensure_raw_tables(con)
        if not _seen_before(con, sources):
            importing.start()
        batch = _next_batch(con)
        now = dt.datetime.now(dt.UTC)
        counts: list[FileCount] = []
        for table in dict.fromkeys(s.source.table for s in sources):
            ours = tuple(s for s in sources if s.source.table == table)
            counts.extend(_TableLoad(con, batch, table, ours, settings, now, importing).run())
        con.execute(
            "insert into raw.batches (batch_id, loaded_at, mapping, files, rows_read, rows_loaded) "
            "values (?, ?, ?, ?, ?, ?)",
            [batch, now, str(mapping) if mapping else None, len(counts), sum(c.read for c in counts),
             sum(c.new + c.revised for c in counts)],
        )
        con.execute("commit")
    except BaseException:
        con.execute("rollback")
        raise
    return LoadReport(batch, tuple(counts))


def _with_insulations(settings: Settings, mapped: Mapping) -> Settings:
    """Settings that also know the insulation codes a mapping registers."""
    if not mapped.insulations:
        return settings
    return settings.override("intake", insulations={**settings.intake.insulations, **mapped.insulations})


def _import_expectations() -> None:
    """Import Great Expectations while DuckDB reads; its import takes longer than a small load."""
    import great_expectations  # noqa: F401


def _seen_before(con: duckdb.DuckDBPyConnection, sources: Sequence[SourceFile]) -> bool:
    """Whether files of these names and sizes were loaded before, so that there is probably nothing to judge."""
    known = set(con.execute('select "table", file, bytes from raw.files').fetchall())
    return all((s.source.table, s.label, s.path.stat().st_size) in known for s in sources)


def _next_batch(con: duckdb.DuckDBPyConnection) -> str:
    row = con.execute("select coalesce(max(substr(batch_id, 2)::bigint), 0) + 1 from raw.batches").fetchone()
    return f"b{row[0] if row else 1:04d}"


class _TableLoad:
    """The load of one table: its files, from reading to keeping, over temporary tables of this connection."""

    def __init__(
        self, con: duckdb.DuckDBPyConnection, batch: str, table: str, files: tuple[SourceFile, ...],
        settings: Settings, now: dt.datetime, importing: threading.Thread,
    ) -> None:
        self.con = con
        self.batch = batch
        self.table = table
        self.files = files
        self.settings = settings
        self.now = now
        self.importing = importing
        self.facts = dictionary.source_tables()[table]
        self.key = [f'"{c}"' for c in self.facts.key]
        self.reads: list[ReadFile] = []
        self.selects: list[TypedSelect] = []

    def run(self) -> list[FileCount]:
        self._read()
        self._type()
        date_only = self._mark_dates()
        self._set_known_apart()
        self._judge(date_only)
        self._sort()
        self._keep()
        counts = self._count()
        self._drop()
        return counts

    def _read(self) -> None:
        zones = self._find_zones()
        for number, file in enumerate(self.files):
            read = read_text(self.con, f"read_{number}", file.path, file.label, file.source)
            self._check_headers(file, read)
            self.reads.append(read)
            self.selects.append(TypedSelect(file.source, read, self.settings, zones))

    def _check_headers(self, file: SourceFile, read: ReadFile) -> None:
        """Refuse a file that lacks a required column, or a column its mapping names."""
        present = {h.casefold() for h in read.headers}
        for column in self.facts.required:
            source = file.source.columns.get(column)
            lacking = [h for h in source.columns if h.casefold() not in present] if source else [column]
            if lacking:
                raise UserError(
                    f"the required column '{lacking[0]}' of table {self.table} is missing", file.label,
                    f"add it, or map another column to {column} "
                    f"({suggest_name(lacking[0], [h for h in read.headers if h])})",
                )

    def _find_zones(self) -> Zones:
        """The zones of the districts loaded so far, and how a row of this table finds its own."""
        found = self.con.execute(
            f"select distinct timezone from ({latest_sql('districts', ('timezone',))}) where timezone is not null "
            "order by 1",
        ).fetchall()
        stated = {f.source.timezone for f in self.files if f.source.timezone}
        zones = [z for (z,) in found if is_zone(z)]
        days = tuple(sorted({d for z in (*zones, *stated) for d in change_days(z)}))
        if len(zones) <= 1 or self.table not in ("jobs", "test_shots", "restoration_steps"):
            return Zones(zones[0] if zones else None, None, None, days)
        by_loop = (
            f"select l.loop_id as id, d.timezone from ({latest_sql('loops', ('loop_id', 'district_id'))}) as l "
            f"join ({latest_sql('districts', ('district_id', 'timezone'))}) as d using (district_id)"
        )
        if self.table != "jobs":
            by_loop = (
                f"select j.job_id as id, f.timezone from ({latest_sql('jobs', ('job_id', 'loop_id'))}) as j "
                f"join ({by_loop}) as f on f.id = j.loop_id"
            )
        self.con.execute(f"create or replace temp table zone_of as {by_loop}")
        return Zones(None, "zone_of", "loop_id" if self.table == "jobs" else "job_id", days)

    def _type(self) -> None:
        union = " union all ".join(select.sql(number) for number, select in enumerate(self.selects))
        self.con.execute(f"create or replace temp table typed as {union}")

    def _mark_dates(self) -> frozenset[str]:
        """Fill date_only_columns: dates without a time, and midnights where they are far too common."""
        found: set[str] = set()
        self.con.execute("alter table typed add column date_only_columns VARCHAR")
        columns = [c for c in self.facts.columns if dictionary.columns()[c].type == "instant"]
        if "date_only_columns" not in self.facts.columns:
            return frozenset()
        share = self.settings.intake.midnight_share
        for column in columns:
            row = self.con.execute(
                f"select count(*) filter (contains(midnight_columns, '{column}') and not contains("
                f"coalesce(date_columns, ''), '{column}')), count(\"{column}\"), "
                f"count(*) filter (contains(date_columns, '{column}')) from typed",
            ).fetchone()
            midnights, given, dates = row or (0, 0, 0)
            common = midnights > max(share * given, 1.0)
            if not (common or dates):
                continue
            found.add(column)
            which = "concat_ws(',', midnight_columns, date_columns)" if common else "date_columns"
            self.con.execute(
                f"update typed set date_only_columns = concat_ws(',', date_only_columns, '{column}') "
                f"where contains({which}, '{column}')",
            )
        return frozenset(found)

    def _set_known_apart(self) -> None:
        """Rows whose content stands in raw already need no judging; rows that repeat a key are noted."""
        key, sides = ", ".join(self.key), self._same_key("r", "t")
        listed = ", ".join(c.strip('"') for c in self.key)
        if "revision" in self.facts.key:
            known = """
                select job_id, revision, content_hash from raw.jobs where revision is not null union all
                select job_id, revision, content_hash from raw.jobs where revision is null
                qualify row_number() over (partition by job_id order by load_sequence desc) = 1
            """
        else:
            known = latest_sql(self.table, (*listed.split(", "), "content_hash"))
        self.con.execute(f"create or replace temp table known_rows as {known}")
        self.con.execute(
            f"create or replace temp table exempt as select distinct t.rowid as rid from typed as t join known_rows as "
            f"r on {sides} and r.content_hash = t.content_hash",
        )
        self.con.execute(
            "insert into exempt select t.rowid from typed as t join ("
            + self._files_seen() + f") as seen using (file_no) join raw.{self.table} as r on {sides} and "
            "r.content_hash = t.content_hash where t.rowid not in (select rid from exempt)",
        )
        whole = " and ".join(f"{c} is not null" for c in self.key if c.strip('"') in self.facts.required)
        self.con.execute(f"""
            create or replace temp table repeats as
            with twice as (
                select {key}, file_no from typed where {whole} group by all having count(*) > 1
            ),
            rows_twice as (
                select t.rowid as rid, t.file_no, t.row_number, t.content_hash, {", ".join(f"t.{c}" for c in self.key)}
                from typed as t join twice as r on {sides} and r.file_no = t.file_no
            )
            select rid, first_row as repeats_row, content_hash = first_hash as is_same from (
                select rid, row_number, content_hash,
                    first_value(row_number) over place as first_row,
                    first_value(content_hash) over place as first_hash
                from rows_twice
                window place as (partition by {key}, file_no order by row_number)
            ) where row_number <> first_row
        """)

    def _files_seen(self) -> str:
        """SQL of this load's files whose whole content an earlier load has brought already."""
        return (
            f"select file_no from (select file_no, {DIGEST} as digest "
            f"from typed group by file_no) where digest in (select digest from raw.files where \"table\" = "
            f"'{self.table}')"
        )

    def _same_key(self, one: str, two: str) -> str:
        return " and ".join(
            f"{one}.{c} = {two}.{c}" if c.strip('"') in self.facts.required
            else f"{one}.{c} is not distinct from {two}.{c}" for c in self.key
        )

    def _judge(self, date_only: frozenset[str]) -> None:
        self.con.execute("""
            create or replace temp view judged as
            select t.rowid as rid, t.*, r.repeats_row from typed as t
            left join (select rid, repeats_row from repeats where not is_same) as r on r.rid = t.rowid
            where t.rowid not in (select rid from exempt)
        """)
        if self.importing.ident is not None:
            self.importing.join()
        judge_rows(
            self.con, self.table, rules_for(self.table, self.settings), self._texts_sql(), date_only=date_only,
            now=self.now.timestamp(), insulations=tuple(self.settings.intake.insulations),
        )
        self.con.execute(
            "create or replace temp table rejected as select distinct rid from new_findings where severity = 'reject'",
        )

    def _texts_sql(self) -> str:
        """SQL of the texts, as they came, of the rows in ``failing``."""
        return " union all ".join(
            "select f.rid, " + ", ".join(f'{sql} as "{c}"' for c, sql in select.texts().items())
            + f" from failing as f join typed as t on t.rowid = f.rid and t.file_no = {number} "
            f"join {select.read.name} as r on r.row_number = t.row_number"
            for number, select in enumerate(self.selects)
        )

    def _sort(self) -> None:
        """Sort every row: what it is against what stood before it, in raw and in this load."""
        identity = ", ".join(c for c in self.key if c != '"revision"')
        sides = self._same_key("k", "t")
        has_revision = "revision" in self.facts.key
        rank = "coalesce(revision, -1)" if has_revision else "0"
        prior_top = (
            f"select {identity}, max({rank}) as top from raw.{self.table} group by all"
        )
        same_identity = " and ".join(
            f"p.{c} = t.{c}" if c.strip('"') in self.facts.required else f"p.{c} is not distinct from t.{c}"
            for c in self.key if c != '"revision"'
        )
        self.con.execute(f"""
            create or replace temp table sorted as
            with accepted as (
                select t.rowid as rid, t.file_no, t.row_number, t.content_hash, {", ".join(f"t.{c}" for c in self.key)}
                from typed as t where t.rowid not in (select rid from rejected)
            ),
            in_order as (
                select *, {rank} as revision_rank,
                    lag(content_hash) over (partition by {", ".join(self.key)} order by file_no, row_number) as before,
                    max({rank}) over (partition by {identity}) as top_here,
                    row_number() over (partition by {identity} order by {rank}, file_no, row_number) as place
                from accepted
            )
            select t.rid, t.file_no, t.row_number, case
                when f.file_no is not null and e.rid is not null then 'unchanged'
                when t.content_hash = coalesce(t.before, k.content_hash) then 'unchanged'
                when t.before is null and e.rid is not null then 'unchanged'
                when t.revision_rank < greatest(t.top_here, coalesce(p.top, -1)) then 'superseded'
                when p.top is not null or t.before is not null then 'revised'
                else 'new'
            end as fate
            from in_order as t
            left join exempt as e on e.rid = t.rid
            left join ({self._files_seen()}) as f on f.file_no = t.file_no
            left join ({self._latest_by_key()}) as k on {sides}
            left join ({prior_top}) as p on {same_identity}
        """)

    def _latest_by_key(self) -> str:
        """SQL of the content last kept under each whole key, revision included."""
        key = ", ".join(self.key)
        return (
            f"select {key}, content_hash from raw.{self.table} "
            f"qualify row_number() over (partition by {key} order by load_sequence desc) = 1"
        )

    def _keep(self) -> None:
        columns = ", ".join(f'"{c}"' for c in self.facts.columns)
        labels = self._labels()
        self.con.execute(f"""
            insert into raw.{self.table} ({columns}, batch_id, source_file, row_number, load_sequence, content_hash)
            select {columns}, '{self.batch}', l.file, t.row_number,
                (select coalesce(max(load_sequence), 0) from raw.{self.table})
                    + row_number() over (order by t.file_no, t.row_number),
                t.content_hash
            from typed as t join sorted as s on s.rid = t.rowid join ({labels}) as l on l.file_no = t.file_no
            where s.fate <> 'unchanged'
            order by t.file_no, t.row_number
        """)
        self.con.execute(f"""
            insert into raw.quarantined_rows
            select '{self.batch}', '{self.table}', l.file, q.row_number, q.row_hash, q.key, l.headers, q.cells, null
            from ({self._cells_sql()}) as q join ({labels}) as l using (file_no)
            where not exists (
                from raw.quarantined_rows as o where o."table" = '{self.table}' and o.row_hash = q.row_hash
                and o.headers = l.headers and o.released_by is null
            )
            order by q.file_no, q.row_number
        """)
        self.con.execute(f"""
            insert into raw.findings
            select '{self.batch}', '{self.table}', l.file, t.row_number, n.rule, n.severity, n."column", n."value",
                n.message
            from new_findings as n join typed as t on t.rowid = n.rid join ({labels}) as l using (file_no)
            where (
                n.rid not in (select rid from rejected)
                or (l.file, t.row_number) in (
                    select file, row_number from raw.quarantined_rows
                    where batch_id = '{self.batch}' and "table" = '{self.table}'
                )
            )
            order by t.file_no, t.row_number, n.rule, n."column"
        """)

    def _labels(self) -> str:
        from pipelines.intake.typed import quoted

        rows = ", ".join(
            f"({number}, {quoted(file.label)}, {quoted(json.dumps(read.headers, ensure_ascii=False))})"
            for number, (file, read) in enumerate(zip(self.files, self.reads, strict=True))
        )
        return f"select * from (values {rows}) as v(file_no, file, headers)"

    def _cells_sql(self) -> str:
        """SQL of the rejected rows as they came: their cells as a JSON list, their hash and key."""
        key = ", ".join(f"t.{c}" for c in self.key)
        parts = []
        for number, read in enumerate(self.reads):
            cells = "to_json([" + ", ".join(f"coalesce(r.c{i}, '')" for i in range(1, len(read.headers) + 1)) + "])"
            parts.append(
                f"select t.file_no, t.row_number, coalesce(r.cells, {cells}::varchar) as cells, "
                f"md5(coalesce(r.cells, {cells}::varchar)) as row_hash, concat_ws(' / ', {key}) as key "
                f"from rejected as j join typed as t on t.rowid = j.rid and t.file_no = {number} "
                f"join {read.name} as r on r.row_number = t.row_number",
            )
        return " union all ".join(parts)

    def _count(self) -> list[FileCount]:
        """Count every file's rows and assert that none is lost; write the counts into the books."""
        fates = {(n, f): c for n, f, c in self.con.execute(
            "select file_no, fate, count(*) from sorted group by all").fetchall()}
        rejected = dict(self.con.execute(
            "select file_no, count(*) from rejected as j join typed as t on t.rowid = j.rid group by 1").fetchall())
        warned = dict(self.con.execute(
            "select t.file_no, count(distinct n.rid) from new_findings as n join typed as t on t.rowid = n.rid "
            "where n.rid not in (select rid from rejected) group by 1").fetchall())
        digests = dict(self.con.execute(
            f"select file_no, {DIGEST} from typed group by file_no",
        ).fetchall())
        counts = []
        for number, (file, read) in enumerate(zip(self.files, self.reads, strict=True)):
            count = FileCount(
                self.table, file.label, read.rows, fates.get((number, "new"), 0), fates.get((number, "revised"), 0),
                fates.get((number, "unchanged"), 0), fates.get((number, "superseded"), 0), rejected.get(number, 0),
                warned.get(number, 0),
            )
            kept = sum(getattr(count, name) for name in COUNTS)
            if kept != count.read:
                raise RuntimeError(f"{file.label}: {count.read} rows read, {kept} accounted for")
            counts.append(count)
            self.con.execute(
                "insert into raw.files values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                [self.batch, number, self.table, file.label, file.path.stat().st_size, digests.get(number),
                 count.read, count.new, count.revised, count.unchanged, count.superseded, count.quarantined,
                 count.warned, 0],
            )
        return counts

    def _drop(self) -> None:
        for number in range(len(self.reads)):
            self.con.execute(f"drop view if exists read_{number}")
            self.con.execute(f"drop table if exists read_{number}_cells")
        for name in ("judged",):
            self.con.execute(f"drop view if exists {name}")
        for name in ("typed", "exempt", "repeats", "known_rows", "new_findings", "rejected", "sorted"):
            self.con.execute(f"drop table if exists {name}")
