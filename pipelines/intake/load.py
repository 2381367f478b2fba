"""Loads files into raw: read, typed, judged, sorted into new, revised, unchanged, superseded, quarantined, kept.

A load is one transaction: all of it is kept, or nothing.
"""

import datetime as dt
import tempfile
import threading
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import duckdb
import pandas as pd

from pipelines.intake.cables import tell_cables
from pipelines.intake.corrections import apply_corrections, join_jobs, renew_decisions
from pipelines.intake.keeping import FileCount, count_files, empty_values, keep_quarantine, keep_rows
from pipelines.intake.mapping import Mapping
from pipelines.intake.mapping_file import parse_mapping
from pipelines.intake.quarantined import CorrectedFiles
from pipelines.intake.raw import ensure_raw_tables
from pipelines.intake.reading import read_files, type_rows
from pipelines.intake.share import TableShare
from pipelines.intake.snapshots import close_gone, find_gone
from pipelines.intake.sorting import set_known_apart, sort_rows
from pipelines.intake.sources import SourceFile, find_passed_over, find_sources
from pipelines.intake.text import DoubtfulFileError
from pipelines.intake.typed import TypedSelect, cells_of
from pipelines.validation.file_results import FileFacts, FileResult
from pipelines.validation.judge import judge_rows, told_columns
from pipelines.validation.judge_files import judge_files
from pipelines.validation.rules import file_rules_for, rules_for
from shared.settings import Settings
from shared.store import UNPACKED, roll_back


@dataclass(frozen=True)
class LoadReport:
    """One load: its id, the count of every file, what the rules of whole files found, and files ignored.

    ``jobs_without_end`` counts the closed jobs kept now that have no restored_at.
    """

    load_id: str
    files: tuple[FileCount, ...]
    broken: tuple[FileResult, ...] = ()
    passed_over: tuple[str, ...] = ()
    jobs_without_end: int = 0

    def to_frame(self) -> pd.DataFrame:
        """One row a file."""
        import pandas as pd

        return pd.DataFrame([vars(f) for f in self.files], columns=list(FileCount.__dataclass_fields__))


def load_paths(
    con: duckdb.DuckDBPyConnection,
    paths: Sequence[Path],
    settings: Settings,
    mapping: Path | None = None,
    unpack_in: Path | None = None,
    as_newest: bool = False,
) -> LoadReport:
    """Load files and folders as one load.

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
    unpack_in
        Folder in which archives are unpacked, the system's for temporary files where none is given. What a killed
        load leaves in a workspace's runs is swept by the next that opens it.
    as_newest
        Take rows too that say again what was loaded before and has changed since: these files are the newest.

    Returns
    -------
    LoadReport
        Counts of every file; read = new + revised + unchanged + superseded + quarantined for each.

    Raises
    ------
    UserError
        A file is missing, empty, no text, or lacks a required column, the mapping or a severity is wrong: nothing
        of the load is kept.

    Notes
    -----
    Checked by: tests/unit/test_intake_revisions.py, tests/properties/test_intake_same_warehouse.py
    """
    mapped = parse_mapping(mapping) if mapping else Mapping()
    rules_for("jobs", settings)
    corrected = CorrectedFiles(con, mapped)
    with tempfile.TemporaryDirectory(prefix=UNPACKED, dir=unpack_in) as unpacked:
        limit = int(settings.intake.unpacked_limit_gb * 1e9)
        sources = find_sources(paths, mapped.tables, Path(unpacked), limit, corrected.find)
        if corrected.insulations:
            settings = settings.override("intake", insulations={**settings.intake.insulations, **corrected.insulations})
        careful: frozenset[Path] = frozenset()
        while True:
            try:
                report = _load_all(con, sources, settings, mapping, careful, as_newest)
                return replace(report, passed_over=find_passed_over(paths, sources))
            except DoubtfulFileError as fault:
                careful |= {fault.path}


def _load_all(
    con: duckdb.DuckDBPyConnection,
    sources: Sequence[SourceFile],
    settings: Settings,
    mapping: Path | None,
    careful: frozenset[Path],
    as_newest: bool,
) -> LoadReport:
    """Load files in one transaction."""
    con.execute("begin transaction")
    try:
        ensure_raw_tables(con)
        importing = _start_import(con, sources)
        load_id = _next_load_id(con)
        now = dt.datetime.now(dt.UTC)
        counts: list[FileCount] = []
        broken: list[FileResult] = []
        for table in dict.fromkeys(s.source.table for s in sources):
            ours = tuple(s for s in sources if s.source.table == table)
            share = TableShare(con, load_id, table, ours, settings, now, careful, as_newest)
            counts.extend(_load_table(share, importing, broken))
        con.execute(
            "insert into raw.loads (load_id, loaded_at, mapping, files, rows_read, rows_loaded) "
            "values (?, ?, ?, ?, ?, ?)",
            [
                load_id,
                now,
                str(mapping) if mapping else None,
                len(counts),
                sum(c.read for c in counts),
                sum(c.new + c.revised for c in counts),
            ],
        )
        without_end = con.execute(
            "select count(*) from raw.jobs where load_id = ? and restored_at is null and coalesce(status, 'closed') = "
            "'closed'",
            [load_id],
        ).fetchone()
        con.execute("commit")
    except BaseException:
        roll_back(con)
        raise
    return LoadReport(load_id, tuple(counts), tuple(broken), jobs_without_end=without_end[0] if without_end else 0)


def _load_table(share: TableShare, importing: threading.Thread | None, broken: list[FileResult]) -> list[FileCount]:
    read_files(share)
    date_only = type_rows(share)
    set_known_apart(share)
    find_gone(share)
    if share.table == "sections":
        tell_cables(share)
    if importing:
        importing.join()
    judge_rows(
        share.con,
        share.table,
        rules_for(share.table, share.settings),
        _texts_sql(share),
        date_only=date_only,
        now=share.now.timestamp(),
        insulations=tuple(share.settings.intake.insulations),
        memory_gb=share.settings.general.memory_limit_gb,
    )
    broken += judge_files(
        share.con,
        share.load_id,
        share.table,
        _describe_files(share),
        file_rules_for(share.table, share.settings),
        share.settings.validation,
    )
    share.con.execute(
        "create or replace temp table rejected as select distinct rid from new_findings where severity = 'reject'"
    )
    empty_values(share)
    sort_rows(share)
    keep_rows(share)
    close_gone(share)
    if share.table == "jobs":
        renew_decisions(share)
    if share.table == "corrections":
        apply_corrections(share)
    if share.table == "job_clusters":
        join_jobs(share)
    keep_quarantine(share)
    counts = count_files(share)
    share.drop_temporary()
    return counts


def _describe_files(share: TableShare) -> list[FileFacts]:
    return [
        FileFacts(
            number,
            file.label,
            select.read.headers,
            select.read.name,
            file.source.is_mapped,
            _given_texts(file, select),
            {c: cells_of(s, select.read) for c, s in file.source.columns.items()},
            file.source.decimal,
            select.read.encoding_assumed,
            select.read.delimiter_assumed,
            select.read.joins,
        )
        for number, (file, select) in enumerate(zip(share.files, share.selects, strict=True))
    ]


def _given_texts(file: SourceFile, select: TypedSelect) -> dict[str, str]:
    """SQL of the texts of the columns of the table that a file, as it is mapped, can fill."""
    present = {h.casefold() for h in select.read.headers}
    texts = select.texts()
    return {
        c: texts[c]
        for c, source in file.source.columns.items()
        if source.value is not None or any(h.casefold() in present for h in source.columns)
    }


def _texts_sql(share: TableShare) -> str:
    """SQL of the texts, as received, of the rows in ``failing``."""
    told = told_columns(share.table)
    # The file's rows run past the narrow list of those wanted: joined the other way round they would be held.
    return " union all ".join(
        "select k.rid, "
        + ", ".join(f'{sql} as "{c}"' for c, sql in select.texts().items() if c in told)
        + f" from {select.read.name} as r join (select f.rid, t.row_number from failing as f join typed as t "
        f"on t.rowid = f.rid and t.file_no = {number}) as k on k.row_number = r.row_number"
        for number, select in enumerate(share.selects)
    )


def _start_import(con: duckdb.DuckDBPyConnection, sources: Sequence[SourceFile]) -> threading.Thread | None:
    """Import Great Expectations while DuckDB reads: its import takes longer than a small load.

    Not where files of these names and sizes were loaded before, so that there is probably nothing to judge.
    """
    known = set(con.execute('select "table", file, bytes from raw.files').fetchall())
    if all((s.source.table, s.label, s.path.stat().st_size) in known for s in sources):
        return None
    thread = threading.Thread(target=_import_expectations, daemon=True)
    thread.start()
    return thread


def _import_expectations() -> None:
    import great_expectations  # noqa: F401


def _next_load_id(con: duckdb.DuckDBPyConnection) -> str:
    row = con.execute("select coalesce(max(substr(load_id, 2)::bigint), 0) + 1 from raw.loads").fetchone()
    return f"b{row[0] if row else 1:04d}"
