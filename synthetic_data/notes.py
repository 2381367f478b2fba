"""Notes of the errors put into the records, each with the row it is on and the rule that should find it."""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

KEYS = {"loops": "loop_id", "sections": "section_id", "jobs": "job_id"}
"""Key by which an error names its row; rows of other tables are named by their place in the table, from 1."""


@dataclass
class Notes:
    """The errors put in so far, one frame a kind."""

    frames: list[pd.DataFrame] = field(default_factory=list)

    def add(
        self,
        kind: str,
        table: str,
        rows: pd.DataFrame,
        column: str,
        written: object,
        rule: object = "",
        other_key: object = "",
        *,
        is_extra: bool = False,
        found_in: str | None = None,
    ) -> None:
        """Note that `column` of these rows was given another value than the true one they hold.

        is_extra: the rows should not be there at all. found_in: table on whose rows the rule speaks, where it is
        another one.
        """
        if not len(rows):
            return
        self.frames.append(
            pd.DataFrame(
                {
                    "kind": kind,
                    "table": table,
                    "key": row_keys(table, rows),
                    "revision": rows["revision"].to_numpy() if "revision" in rows else 1,
                    "column": column,
                    "true_value": _said(rows[column]) if column in rows and not is_extra else "",
                    "written_value": _said(written),
                    "rule": rule,
                    "found_in": found_in or table,
                    "other_key": other_key,
                }
            )
        )

    def put(
        self,
        kind: str,
        table: str,
        rows: pd.DataFrame,
        places: np.ndarray,
        column: str,
        written: Any,
        rule: object = "",
        *,
        found_in: str | None = None,
    ) -> None:
        """Note an error and put it into the rows at some places."""
        self.add(kind, table, rows.iloc[places], column, written, rule, found_in=found_in)
        rows.loc[places, column] = written

    def to_frame(self) -> pd.DataFrame:
        """All errors, in the order of kind, table and key."""
        columns = [
            "kind",
            "table",
            "key",
            "revision",
            "column",
            "true_value",
            "written_value",
            "rule",
            "found_in",
            "other_key",
        ]
        if not self.frames:
            return pd.DataFrame(columns=columns)
        return pd.concat(self.frames, ignore_index=True).sort_values(
            ["kind", "table", "key", "revision", "column"], kind="stable", ignore_index=True
        )


def row_keys(table: str, rows: pd.DataFrame) -> np.ndarray:
    """What names each of these rows: its key, or its place in the table from 1."""
    named = rows[KEYS[table]] if table in KEYS else pd.Series(rows.index + 1)
    return named.astype(str).to_numpy()


def _said(values: object) -> object:
    if isinstance(values, pd.Series | pd.Index | np.ndarray):
        return pd.Series(np.asarray(values, dtype=object)).map(lambda v: "" if pd.isna(v) else str(v)).to_numpy()
    return "" if values is None else str(values)


def pick_rows(
    rng: np.random.Generator, fits: pd.Series | np.ndarray, share: float, of: int | None = None
) -> np.ndarray:
    """Rows drawn from those that fit: a share of them, or of a stated number."""
    rows = np.flatnonzero(np.asarray(fits, dtype=bool))
    wanted = round(share * (len(rows) if of is None else of))
    return np.sort(rng.permutation(rows)[:wanted])
