"""Which files a load is made of, and which table each is meant for."""

import fnmatch
import os
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from pipelines.intake.archives import unpack
from pipelines.intake.databases import export_query
from pipelines.intake.formats import READABLE, SHEETS, sheet_names
from pipelines.intake.mapping import TableSource, canonical_source
from shared import dictionary
from shared.errors import UserError, suggest_name

LOAD_ORDER = (
    "districts",
    "customers_by_year",
    "loops",
    "terminals",
    "section_successors",
    "sections",
    "section_pieces",
    "instruments",
    "jobs",
    "test_shots",
    "restoration_steps",
    "known_lengths",
    "decisions",
    "job_clusters",
    "corrections",
)
"""Every table after those its rows point to; successors before the sections they tell a new cable of."""


JoinedFile = tuple[Path, str]
"""A file that stands beside others, and what messages call it."""


@dataclass(frozen=True)
class SourceFile:
    """A file, what messages call it, how it becomes rows of its table, and the files of each join of its mapping."""

    path: Path
    label: str
    source: TableSource
    joined: tuple[tuple[JoinedFile, ...], ...] = ()


def find_sources(
    paths: Sequence[Path],
    mapping: Sequence[TableSource],
    unpacked: Path,
    limit_bytes: int,
    find_corrected: Callable[[Path, str], list[tuple[str, TableSource]]] = lambda _path, _label: [],
) -> tuple[SourceFile, ...]:
    """Files to load, in the order of their tables, then by name.

    Parameters
    ----------
    paths
        Files and folders; a folder gives every readable file in it and below.
    mapping
        Mapping blocks; a file that matches none is read in the canonical form.
    unpacked
        Folder to unpack archives to.
    limit_bytes
        Most that one archive may unpack to.
    find_corrected
        Gives the labels and sources of a file of rows that came from quarantine, nothing for any other.

    Raises
    ------
    UserError
        A path does not exist, a folder holds nothing readable, or a named file is meant for no table.

    Notes
    -----
    Checked by: tests/unit/test_intake_bad_input.py (through load_paths),
    tests/unit/test_intake_formats.py (through load_paths)
    """
    found: list[SourceFile] = []
    given: list[JoinedFile] = []
    joins = [join for source in mapping for join in source.joins]
    for path, named in zip(paths, name_files(paths), strict=True):
        parts = [
            (part, label if part is file else f"{label}{part_label.removeprefix(file.name)}")
            for file, label in named
            for part, part_label in unpack(file, unpacked, limit_bytes)
        ]
        sources = []
        for part in parts:
            corrected = [SourceFile(part[0], told, source) for told, source in find_corrected(*part)]
            sources.extend(corrected or _sources_of(*part, mapping))
        if not sources and not any(fits(part.name, join.source.pattern) for part, _ in parts for join in joins):
            _refuse(path)
        found.extend(sources)
        given.extend(parts)
    found += [
        SourceFile(export_query(source.database, unpacked), source.database.label, source)
        for source in mapping
        if source.database
    ]
    if not found:
        remedy = "name at least one file or folder"
        raise UserError("no file is named, and the mapping reads no database", "loopwear load", remedy)
    # read once, though many files may stand beside it
    beside = {id(j): export_query(j.source.database, unpacked) for j in joins if j.source.database}
    with_joined = [replace(source, joined=find_joined(source, given, beside)) for source in found]
    return tuple(sorted(with_joined, key=lambda s: LOAD_ORDER.index(s.source.table)))


def name_files(paths: Sequence[Path]) -> list[list[JoinedFile]]:
    """The files that each path gives, and what messages call them: by their folders where two have one name.

    Raises
    ------
    UserError
        A path does not exist.
    """
    given: list[list[tuple[Path, Path, str]]] = []
    folders: dict[str, set[Path]] = {}
    for path in paths:
        if not path.exists():
            raise UserError("there is no such file or folder", str(path), "check the path; quote it if it holds spaces")
        root = path if path.is_dir() else path.parent
        files = [p for p in list_files(path)[0] if is_readable(p)] if path.is_dir() else [path]
        given.append([(p, root.resolve(), p.relative_to(root).as_posix()) for p in files])
        for _, folder, name in given[-1]:
            folders.setdefault(name, set()).add(folder)
    return [
        [(p, (folder.relative_to(os.path.commonpath(folders[name])) / name).as_posix()) for p, folder, name in files]
        for files in given
    ]


def fits(name: str, pattern: str) -> bool:
    """Whether a file's name fits a mapping's pattern."""
    return fnmatch.fnmatch(name.casefold(), pattern.casefold())


def find_joined(
    source: SourceFile, given: Sequence[JoinedFile], queried: dict[int, Path]
) -> tuple[tuple[JoinedFile, ...], ...]:
    """The files of each join of a file's mapping: the file itself where the join names none."""
    joined: list[tuple[JoinedFile, ...]] = []
    for join in source.source.joins:
        if join.source.database:
            joined.append(((queried[id(join)], join.source.database.label),))
            continue
        own = not join.source.pattern
        files = (
            ((source.path, source.label),) if own else tuple(f for f in given if fits(f[0].name, join.source.pattern))
        )
        if not files:
            raise UserError(
                f"the mapping joins files = '{join.source.pattern}', and none of the files given is named so",
                source.label,
                "name them in the same load, beside this one",
            )
        joined.append(files)
    return tuple(joined)


def find_passed_over(paths: Sequence[Path], sources: Sequence[SourceFile]) -> tuple[str, ...]:
    """Files within the folders named of which nothing is loaded: no tables by their names, or by their form.

    Notes
    -----
    Hidden files and mappings are not told, links that lead out of a folder are: they are not followed.

    Checked by: tests/unit/test_intake_formats.py (through load_paths)
    """
    used = (*(s.label for s in sources), *(label for s in sources for files in s.joined for _, label in files))
    found = []
    for folder in (p for p in paths if p.is_dir()):
        inside, links_out = list_files(folder)
        found += [f"{link.relative_to(folder).as_posix()} (a link out of the folder)" for link in links_out]
        found += [
            name
            for name in (p.relative_to(folder).as_posix() for p in inside)
            if not name.rpartition("/")[2].startswith(".")
            and not name.endswith(".toml")
            and not any(f"/{name}" in f"/{label}" for label in used)
        ]
    return tuple(found)


def list_files(folder: Path) -> tuple[list[Path], list[Path]]:
    """Files in a folder and below, and links that lead out of it: who may write there must not choose what is read."""
    inside: list[Path] = []
    links_out: list[Path] = []
    root = folder.resolve()
    for path in sorted(folder.rglob("*")):
        if path.is_symlink() and not path.resolve().is_relative_to(root):
            links_out.append(path)
        elif path.is_file():
            inside.append(path)
    return inside, links_out


def is_readable(path: Path) -> bool:
    """Whether a file within a folder is read, by its ending."""
    return path.suffix.casefold() in (*READABLE, ".gz", ".zip")


def _refuse(path: Path) -> None:
    if path.is_dir():
        raise UserError(
            "the folder holds no file that is meant for a table",
            str(path),
            "name the files after their tables (" + ", ".join(LOAD_ORDER) + "), or give a --mapping",
        )
    raise UserError(
        f"the file's name says no table: {suggest_name(path.stem, LOAD_ORDER)}",
        str(path),
        f"name it after its table, or write a mapping: loopwear draft-mapping {path}",
    )


def _sources_of(path: Path, label: str, mapping: Sequence[TableSource]) -> list[SourceFile]:
    """What one file brings: by the mapping, else by its sheets' names, else by its own."""
    mapped = [m for m in mapping if fits(path.name, m.pattern)]
    if mapped or any(fits(path.name, join.source.pattern) for m in mapping for join in m.joins):
        return [SourceFile(path, label, m) for m in mapped]
    if path.suffix.casefold() in SHEETS:
        sheets = [(s, table_of(Path(s))) for s in sheet_names(path, label)]
        named = [SourceFile(path, f"{label}, sheet {s}", replace(canonical_source(t), sheet=s)) for s, t in sheets if t]
        if named:
            return named
    table = table_of(path)
    return [SourceFile(path, label, canonical_source(table))] if table else []


def table_of(path: Path) -> str | None:
    """The table a file in the canonical form is meant for: its stem, or the part before a further mark (jobs_2019)."""
    stem = path.name.partition(".")[0].casefold().removeprefix("proposed_")
    named = [t for t in dictionary.load_tables() if re.fullmatch(rf"{t}([-_. ].*)?", stem)]
    return max(named, key=len) if named else None
