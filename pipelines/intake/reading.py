"""From files to typed rows: the temporary table ``typed`` of a table's share of a load."""

from pipelines.intake.expression_sql import Marks
from pipelines.intake.formats import read_file
from pipelines.intake.mapping import Join
from pipelines.intake.shapes import Joined, gather_joined, shape_file
from pipelines.intake.share import TableShare
from pipelines.intake.sources import JoinedFile, SourceFile
from pipelines.intake.text import ReadFile
from pipelines.intake.typed import TypedSelect, Zones
from pipelines.intake.zones import change_days, is_zone
from pipelines.validation.quarantine import OWN_COLUMNS, QUARANTINE_ID
from pipelines.validation.register import latest_sql
from shared import dictionary
from shared.errors import UserError, suggest_name


def read_files(share: TableShare) -> None:
    """Read the files of a share as texts and refuse those that lack a column.

    Raises
    ------
    UserError
        A file is empty, no text, or lacks a required column or one that its mapping names.
    """
    zones = _find_zones(share)
    for number, file in enumerate(share.files):
        read = read_one(share, f"read_{number}", file, zones)
        _check_headers(share, file, read)
        share.reads.append(read)
        share.selects.append(TypedSelect(file.source, read, share.settings, zones))


def read_one(share: TableShare, name: str, file: SourceFile, zones: Zones) -> ReadFile:
    """Read a file, and shape its rows where its mapping says so."""
    source = file.source
    careful = file.path in share.careful
    if not source.is_shaped:
        return read_file(share.con, name, file.path, file.label, source, careful=careful)
    read = read_file(share.con, f"{name}_own", file.path, file.label, source, careful=careful)
    joins = [] if QUARANTINE_ID in read.headers else list(zip(source.joins, file.joined, strict=True))
    joined = [_read_joined(share, *pair, zones) for pair in joins]
    marks = Marks(source.decimal, source.formats, source.timezone or zones.sole, zones.days)
    return shape_file(share.con, name, read, source, joined, marks, file.label)


def _read_joined(share: TableShare, join: Join, files: tuple[JoinedFile, ...], zones: Zones) -> Joined:
    """Read the files of a join, once for all files of the share that they stand beside."""
    place = (id(join), tuple(path for path, _ in files))
    if place not in share.joined:
        name = f"joined_{len(share.joined)}"
        reads = [
            (read_one(share, f"{name}_{i}", SourceFile(path, label, join.source), zones), label)
            for i, (path, label) in enumerate(files)
        ]
        share.joined[place] = gather_joined(share.con, name, reads, join)
    return share.joined[place]


def type_rows(share: TableShare) -> frozenset[str]:
    """Make ``typed``: values of every row; returns the time columns of which some hold a date only."""
    union = " union all ".join(select.sql(number) for number, select in enumerate(share.selects))
    share.con.execute(f"create or replace temp table typed as {union}")
    share.con.execute("alter table typed add column date_only_columns VARCHAR")
    if "cable_no" in share.facts.columns:
        share.con.execute("alter table typed add column cable_no BIGINT")
    if "date_only_columns" not in share.facts.columns:
        return frozenset()
    return frozenset(
        c for c in share.facts.columns if dictionary.columns()[c].type == "instant" and _mark_dates(share, c)
    )


def _check_headers(share: TableShare, file: SourceFile, read: ReadFile) -> None:
    present = {h.casefold() for h in read.headers}
    for column in share.facts.required:
        source = file.source.columns.get(column)
        if source is None:
            raise UserError(
                f"the mapping does not give the required column '{column}' of table {share.table}",
                file.label,
                f'add {column} = "HEADER" or {column} = {{ value = "..." }} to its [table.columns]',
            )
        _check_present(share, file, read, column, [h for h in source.columns if h.casefold() not in present])
    if file.source.is_mapped:
        for column, source in file.source.columns.items():
            _check_present(share, file, read, column, [h for h in source.columns if h.casefold() not in present])
        for row_filter in file.source.filters:
            if row_filter.column.casefold() not in present:
                _check_present(share, file, read, "the filter", [row_filter.column])


def _check_present(share: TableShare, file: SourceFile, read: ReadFile, column: str, lacking: list[str]) -> None:
    if not lacking:
        return
    headers = [h for h in read.headers if h and h not in OWN_COLUMNS]
    if file.source.is_mapped:
        raise UserError(
            f"the file has no column '{lacking[0]}', which its mapping reads for {column}",
            file.label,
            f"correct the mapping or the file; {suggest_name(lacking[0], headers)}",
        )
    raise UserError(
        f"the required column '{lacking[0]}' of table {share.table} is missing",
        file.label,
        f"add it, or give a --mapping that says which column it is; {suggest_name(lacking[0], headers)}",
    )


def _find_zones(share: TableShare) -> Zones:
    """The zones of the districts loaded so far, and how a row of this table finds its own."""
    found = share.con.execute(
        f"select distinct timezone from ({latest_sql('districts', ('timezone',))}) order by 1"
    ).fetchall()
    stated = {f.source.timezone for f in share.files if f.source.timezone}
    zones = [z for (z,) in found if z is not None and is_zone(z)]
    if share.table not in ("jobs", "test_shots", "restoration_steps"):
        return Zones(None, None, None, ())
    days = tuple(sorted({d for z in (*zones, *stated) for d in change_days(z)}))
    if len(zones) <= 1:
        return Zones(zones[0] if zones else None, None, None, days)
    by_loop = (
        f"select l.loop_id as id, d.timezone from ({latest_sql('loops', ('loop_id', 'district_id'))}) as l "
        f"join ({latest_sql('districts', ('district_id', 'timezone'))}) as d using (district_id)"
    )
    if share.table != "jobs":
        by_loop = (
            f"select j.job_id as id, f.timezone from ({latest_sql('jobs', ('job_id', 'loop_id'))}) as j "
            f"join ({by_loop}) as f on f.id = j.loop_id"
        )
    share.con.execute(f"create or replace temp table zone_of as {by_loop}")
    return Zones(None, "zone_of", "loop_id" if share.table == "jobs" else "job_id", days)


def _mark_dates(share: TableShare, column: str) -> bool:
    """Add a column to date_only_columns where it holds a date alone, or a midnight where they are far too common."""
    row = share.con.execute(
        f"select count(*) filter (contains(midnight_columns, '{column}') and not contains(coalesce(date_columns, ''), "
        f"'{column}')), count(\"{column}\"), count(*) filter (contains(date_columns, '{column}')) from typed"
    ).fetchone()
    midnights, given, dates = row or (0, 0, 0)
    # A single midnight among few rows proves nothing, whatever its share.
    common = midnights > max(share.settings.intake.midnight_share * given, 1.0)
    if not (common or dates):
        return False
    which = "concat_ws(',', midnight_columns, date_columns)" if common else "date_columns"
    share.con.execute(
        f"update typed set date_only_columns = nullif(concat_ws(',', date_only_columns, '{column}'), '') "
        f"where contains({which}, '{column}')"
    )
    return True
