"""Are the exports of two runs the same? Every table, every column.

python -m tests.compare_exports BEFORE AFTER [--except COLUMN ...]

BEFORE and AFTER are folders of exports (*.parquet). Prints each table that differs with its columns, the largest
relative difference of numbers and the rows whose texts differ; exits 1 where a number differs by more than 1e-9 of
itself, or anything else at all. Columns that AFTER has besides are named and allowed.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd

ALLOWED = 1e-9


def differences(before: pd.DataFrame, after: pd.DataFrame) -> dict[str, float]:
    """Largest relative difference by column; infinite for rows or values that are not numbers."""
    missing = [c for c in before.columns if c not in after.columns]
    if missing or len(before) != len(after):
        return dict.fromkeys(missing or ["rows"], np.inf)
    found = {}
    for name in before.columns:
        a, b = before[name], after[name]
        if pd.api.types.is_float_dtype(a) and pd.api.types.is_float_dtype(b):
            gap = (a - b).abs() / np.maximum(a.abs(), b.abs()).replace(0, 1)
            off = float(gap.max()) if a.isna().equals(b.isna()) and not gap.dropna().empty else 0.0
            found[name] = off if a.isna().equals(b.isna()) else np.inf
        else:
            found[name] = (
                0.0
                if a.astype(object).where(a.notna(), None).equals(b.astype(object).where(b.notna(), None))
                else np.inf
            )
    return {name: off for name, off in found.items() if off}


def compare(before: Path, after: Path, left_out: list[str]) -> int:
    """Print what differs; 1 where more does than rounding."""
    failed, same = 0, 0
    for name in sorted({p.name for p in (*before.glob("*.parquet"), *after.glob("*.parquet"))}):
        if not (before / name).exists() or not (after / name).exists():
            print(f"{name}: only in {'AFTER' if (after / name).exists() else 'BEFORE'}")
            failed |= not (after / name).exists()
            continue
        a, b = (
            duckdb.read_parquet(str(folder / name)).df().drop(columns=left_out, errors="ignore")
            for folder in (before, after)
        )
        off = differences(a, b)
        more = [c for c in b.columns if c not in a.columns]
        if more:
            print(f"{name}: further columns {', '.join(more)}")
        if off:
            print(f"{name}: " + ", ".join(f"{c} {gap:.1e}" for c, gap in off.items()))
            failed |= max(off.values()) > ALLOWED
        else:
            same += 1
    print(f"{same} tables equal to the last bit")
    return int(failed)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("before", type=Path)
    parser.add_argument("after", type=Path)
    parser.add_argument("--except", dest="left_out", nargs="*", default=[])
    given = parser.parse_args()
    raise SystemExit(compare(given.before, given.after, given.left_out))
