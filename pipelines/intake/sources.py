"""Which files a load is made of, and which table each is meant for."""

from __future__ import annotations

import fnmatch
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from pipelines.intake.archives import unpack
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
    "job_clusters",
    "corrections",
)
"""Every table after those its rows point to; successors before the sections they tell a new cable of."""


@dataclass(frozen=True)
class SourceFile:
    """A file, what messages call it, and how it becomes rows of its table."""

    path: Path
    label: str
    source: TableSource


def find_sources(
    paths: Sequence[Path], mapping: Sequence[TableSource], unpacked: Path, limit_bytes: int
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
    for path in paths:
        if not path.exists():
            raise UserError("there is no such file or folder", str(path), "check the path; quote it if it holds spaces")
        if path.is_dir():
            inside = [p for p in sorted(path.rglob("*")) if p.is_file() and _is_readable(p)]
            named = [(p, p.relative_to(path).as_posix()) for p in inside]
        else:
            named = [(path, path.name)]
        sources = []
        for file, label in named:
            for part, part_label in unpack(file, unpacked, limit_bytes):
                shown = label if part is file else f"{label}{part_label.removeprefix(file.name)}"
                sources.extend(_sources_of(part, shown, mapping))
        if not sources:
            _refuse(path)
        found.extend(sources)
    return tuple(sorted(found, key=lambda s: LOAD_ORDER.index(s.source.table)))


def find_passed_over(paths: Sequence[Path], sources: Sequence[SourceFile]) -> tuple[str, ...]:
    """Files within the folders named of which nothing is loaded: no tables by their names, or by their form.

    Notes
    -----
    Hidden files and mappings are not told. Checked by: tests/unit/test_intake_formats.py (through load_paths)
    """
    used = tuple(s.label for s in sources)
    found = []
    for folder in (p for p in paths if p.is_dir()):
        inside = [p.relative_to(folder).as_posix() for p in sorted(folder.rglob("*")) if p.is_file()]
        found += [
            name
            for name in inside
            if not name.rpartition("/")[2].startswith(".")
            and not name.endswith(".toml")
            and not any(label.startswith(name) for label in used)
        ]
    return tuple(found)


def _is_readable(path: Path) -> bool:
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
    name = path.name.casefold()
    mapped = [m for m in mapping if fnmatch.fnmatch(name, m.pattern.casefold())]
    if mapped:
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
