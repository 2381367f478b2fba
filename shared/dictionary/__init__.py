"""The data dictionary: every column said once, every table a list of column names.

The facts are in columns.toml, tables.toml, codes.toml and caveats.toml beside this file.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    import pandas as pd

HERE = Path(__file__).parent

DUCKDB_TYPES = {
    "text": "VARCHAR",
    "integer": "BIGINT",
    "number": "DOUBLE",
    "instant": "TIMESTAMPTZ",
    "date": "DATE",
    "boolean": "BOOLEAN",
    "numbers": "FLOAT[]",
}

PROVENANCE = ("load_id", "source_file", "row_number", "load_sequence", "content_hash")
"""Columns that intake adds to every raw table."""

LIKE_RAW = ("grain", "key", "codes", "meanings")
"""What a staging table has of the raw table of its name, where it says nothing else."""


@dataclass(frozen=True)
class Column:
    """One column: its type, unit, meaning, allowed values and bounds (none: no bound)."""

    name: str
    type: str
    meaning: str
    unit: str | None = None
    codes: str | None = None
    low: float | None = None

    @property
    def duckdb_type(self) -> str:
        return DUCKDB_TYPES[self.type]

    @property
    def heading(self) -> str:
        """Name for a table heading, with the unit."""
        return f"{self.name} [{self.unit}]" if self.unit else self.name


@dataclass(frozen=True)
class Table:
    """One table of the warehouse, named with its layer, e.g. raw.jobs."""

    name: str
    grain: str
    key: tuple[str, ...]
    columns: tuple[str, ...]
    required: tuple[str, ...] = ()
    wanted: tuple[str, ...] = ()
    derived: tuple[str, ...] = ()
    caveats: tuple[str, ...] = ()
    export: bool = False
    by_hand: bool = False
    meanings: tuple[tuple[str, str], ...] = ()
    codes: tuple[tuple[str, str], ...] = ()
    made_by: str = ""
    column_makers: tuple[tuple[str, str], ...] = ()

    @property
    def layer(self) -> str:
        return self.name.partition(".")[0]

    @property
    def stem(self) -> str:
        """Name without the layer; also the file stem of a source table or an export."""
        return self.name.partition(".")[2]

    @property
    def source_columns(self) -> tuple[str, ...]:
        """Columns a file may bring (those intake derives are left out)."""
        return tuple(c for c in self.columns if c not in self.derived)

    @property
    def instants(self) -> tuple[str, ...]:
        """Those that are moments."""
        return tuple(c for c in self.source_columns if columns()[c].type == "instant")

    def column(self, name: str) -> Column:
        """A column as it is in this table: with its own meaning and codes, where it has such."""
        own = columns()[name]
        return replace(own, meaning=self.meaning_of(name), codes=dict(self.codes).get(name, own.codes))

    def meaning_of(self, column: str) -> str:
        return dict(self.meanings).get(column) or columns()[column].meaning


def _read(name: str) -> dict[str, Any]:
    return tomllib.loads((HERE / name).read_text(encoding="utf-8"))


@cache
def columns() -> dict[str, Column]:
    """Every column by name."""
    return {name: Column(name=name, **facts) for name, facts in _read("columns.toml").items()}


@cache
def tables() -> dict[str, Table]:
    """Every table by its name with the layer."""
    found: dict[str, Table] = {}
    layers = _read("tables.toml")
    for layer, named in layers.items():
        for stem, own in named.items():
            raw = layers["raw"].get(stem, {}) if layer == "staging" else {}
            facts = {"export": layer == "marts"} | {k: raw[k] for k in LIKE_RAW if k in raw} | own
            listed: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in facts.items()}
            listed |= {name: tuple(listed.get(name, {}).items()) for name in ("meanings", "codes", "column_makers")}
            found[f"{layer}.{stem}"] = Table(name=f"{layer}.{stem}", **listed)
    return found


@cache
def codes() -> dict[str, dict[str, str]]:
    """Every code list: code to meaning."""
    return _read("codes.toml")


@cache
def caveats() -> dict[str, str]:
    """Sentences to be read beside a figure, by key."""
    return _read("caveats.toml")


def caution_of(table: str) -> str:
    """Everything to be read beside a table, as one text."""
    return " ".join(caveats()[key] for key in tables()[table].caveats)


def source_tables() -> dict[str, Table]:
    """Tables a file may bring, by file stem."""
    return {t.stem: t for t in load_tables().values() if not t.by_hand}


def load_tables() -> dict[str, Table]:
    """Tables a file may bring, and those a person fills by hand (decisions on corrections), by file stem."""
    return {t.stem: t for t in tables().values() if t.layer == "raw" and t.required}


def export_tables() -> dict[str, Table]:
    """Tables written to exports/, by file stem."""
    return {t.stem: t for t in tables().values() if t.export}


def tables_made_in(folder: str) -> tuple[str, ...]:
    """Tables whose maker stands in a folder of the product."""
    return tuple(t.name for t in tables().values() if t.made_by.startswith(f"{folder}/"))


def make_frame(table: str, rows: Iterable[Mapping[str, Any]] = ()) -> pd.DataFrame:
    """Rows of a table as a frame of its columns, which stand even where there is no row."""
    import pandas as pd

    return pd.DataFrame(list(rows), columns=list(tables()[table].columns))


def stack_frames(table: str, parts: Iterable[pd.DataFrame]) -> pd.DataFrame:
    """Parts of a table one below the other, in the order of its columns, which stand even where there is no part."""
    import pandas as pd

    empty = make_frame(table)
    filled = [part for part in parts if len(part)]
    return pd.concat(filled, ignore_index=True)[list(empty.columns)] if filled else empty
