"""What a page may read: tables of the warehouse by name, each read once."""

from collections.abc import Mapping, Sequence
from typing import Any, Protocol

import duckdb
import pandas as pd

from shared import dictionary
from shared.store import has_table, read_model


class Marts:
    """The tables a page may read, each read once; one that is not built yet has its columns and no row."""

    def __init__(self, con: duckdb.DuckDBPyConnection) -> None:
        self._con = con
        self._read: dict[str, pd.DataFrame] = {}

    def _make(self, name: str) -> None:
        """Make a table that is not there until it is asked for; here every one is there already."""

    def read(self, name: str) -> pd.DataFrame:
        """A table by its name with the layer, in the order of its key. The frame is the caller's own."""
        self._make(name)
        if name not in self._read:
            listed = dictionary.tables().get(name)
            if listed is None:
                self._read[name] = pd.DataFrame()
            elif has_table(self._con, name):
                self._read[name] = read_model(self._con, name)
            else:
                self._read[name] = pd.DataFrame(columns=list(listed.columns))
        return self._read[name].copy(deep=False)  # pandas copies what the caller then writes to

    def read_only(self, name: str, column: str, values: list[str]) -> pd.DataFrame:
        """Those rows of a table whose column holds one of the values; for tables too large to be read whole."""
        self._make(name)
        if name in dictionary.tables() and has_table(self._con, name):
            return read_model(self._con, name, only=(column, values))
        return self.read(name)

    def select(
        self,
        name: str,
        where: Mapping[str, list[str]] | None = None,
        *,
        has: Sequence[str] = (),
        by: str = "",
        rows: int = 1_000,
        first: int = 0,
    ) -> tuple[pd.DataFrame, int]:
        """Some rows of a table whose columns hold one of the values given, and how many there are in all.

        Parameters
        ----------
        where
            Column to the values it may hold, written as texts.
        has
            Columns that must hold a value.
        by
            Column to order by before the key; with a hyphen before it, the largest first.
        rows, first
            How many rows, from which one on.
        """
        self._make(name)
        table = dictionary.tables()[name]
        if not has_table(self._con, name):
            return pd.DataFrame(columns=list(table.columns)), 0
        given = [f'list_contains(?, "{column}"::varchar)' for column in where or {}]
        kept = " and ".join([*given, *(f'"{column}" is not null' for column in has)]) or "true"
        values = list((where or {}).values())
        order = [f'"{by.removeprefix("-")}" {"desc" if by.startswith("-") else "asc"} nulls last'] if by else []
        listed, order = ", ".join(f'"{c}"' for c in table.columns), [*order, *(f'"{c}"' for c in table.key)]
        query = f"select {listed} from {name} where {kept} order by {', '.join(order)} limit {rows} offset {first}"
        total = self._con.execute(f"select count(*) from {name} where {kept}", values).fetchall()[0][0]
        return self._con.execute(query, values).df(), total

    def fills(self, name: str, column: str = "") -> bool:
        """Whether a table holds a row, or a row with a value in the column."""
        return self.select(name, has=[column] if column else [], rows=0)[1] > 0

    def holding(self, name: str, column: str, text: str, rows: int) -> list[str]:
        """Values of a column that hold a text, whatever its case, the first in order."""
        if not has_table(self._con, name):
            return []
        like = f'contains(lower("{column}"), lower(?))'
        query = f'select distinct "{column}" from {name} where {like} order by 1 limit {rows}'
        return [str(value) for (value,) in self._con.execute(query, [text]).fetchall()]

    def close(self) -> None:
        """Close the connection; frames already read stay."""
        self._con.close()

    @property
    def names(self) -> tuple[str, ...]:
        """Tables read so far, in the order they were asked for."""
        return tuple(self._read)

    def read_book(self, stem: str) -> pd.DataFrame:
        """One of intake's own books in the raw layer (loads, files), in the order things were loaded."""
        if not has_table(self._con, f"raw.{stem}"):
            return pd.DataFrame()
        return self._con.execute(f"select * from raw.{stem} order by all").df()


class Tables(Protocol):
    """Whatever gives tables by their names."""

    def read(self, name: str) -> pd.DataFrame: ...


class Judged(dict[str, Any]):
    """Figures and judgements by name, by group where there are several; one that the tables do not hold is None."""

    def __missing__(self, name: str) -> None:
        return None

    def of(self, name: str, group: object) -> Any:
        """The judgement of a group, or None."""
        return (self[name] or {}).get(str(group))


def judged(marts: Tables, topic: str) -> Judged:
    """What marts.TOPIC_findings says for the pages: the code of a judgement, or the amount of a figure.

    Checked by: tests/unit/test_reports_words.py
    """
    found = Judged()
    rows = marts.read(f"marts.{topic}_findings")
    for figure, group, amount, code in rows[["figure", "group_name", "amount", "judged"]].itertuples(index=False):
        value = (None if pd.isna(amount) else amount) if pd.isna(code) else code
        if group:
            found.setdefault(figure, {})[group] = value
        else:
            found[figure] = value
    return found
