"""What is entered by a command and not by a file: written as a file of the workspace and loaded like any other."""

import csv
import hashlib
from collections.abc import Mapping, Sequence
from pathlib import Path

import duckdb

from pipelines.intake.undo import undo_load
from shared import dictionary
from shared.errors import UserError

ENTERED = "entered"
"""Folder of the workspace with what was entered, one file each; load it again to build a warehouse anew."""
FAR_SHARE = 0.25
"""Share of the known length by which a display that differs may be a slip of the pen."""


def write_entered(workspace: Path, table: str, day: str, rows: Sequence[Mapping[str, str]]) -> Path:
    """The file of what was entered, in the workspace; its name comes from its content.

    Parameters
    ----------
    workspace
        Folder of the workspace.
    table
        Table that the rows are of, e.g. known_lengths.
    day
        Day of the test or decision, for the name.
    rows
        Columns of the table as texts; those left out are empty.

    Notes
    -----
    The same rows entered twice are the same file loaded twice, which changes nothing.

    Checked by: tests/end_to_end/test_known_length.py (through cli.known_length)
    """
    columns = dictionary.load_tables()[table].source_columns
    cells = [[row.get(c, "") for c in columns] for row in rows]
    mark = hashlib.sha256("\x1f".join(cell for row in cells for cell in row).encode()).hexdigest()[:8]
    file = workspace / ENTERED / f"{table}_{day}_{mark}.csv"
    file.parent.mkdir(parents=True, exist_ok=True)
    with file.open("w", encoding="utf-8", newline="") as out:
        csv.writer(out, lineterminator="\n").writerows((columns, *cells))
    return file


def list_doubts(
    con: duckdb.DuckDBPyConnection, load_id: str, file: Path, command: str = "loopwear known-length"
) -> list[str]:
    """What rules of severity warn say of what was entered, and whether a test is far from the known length.

    Raises
    ------
    UserError
        It was rejected: the reasons; the load is then undone and the file removed, for the test entered right may have
        another key, so that the row would wait in quarantine for ever.

    Notes
    -----
    Checked by: tests/end_to_end/test_known_length.py (through cli.known_length)
    """
    found = con.execute(
        "select severity, message from raw.findings where load_id = ? and file = ? order by all", [load_id, file.name]
    ).fetchall()
    rejected = [message for severity, message in found if severity == "reject"]
    if rejected:
        undo_load(con, load_id)
        file.unlink()
        raise UserError("; ".join(rejected), command, "nothing was entered; enter it again")
    far = con.execute(
        "select format('displayed {:g} m on a run of {:g} m', reading_m, known_length_m) from raw.known_lengths "
        "where load_id = ? and abs(reading_m - known_length_m) > ? * known_length_m",
        [load_id, FAR_SHARE],
    ).fetchall()
    return [message for _, message in found] + [words for (words,) in far]
