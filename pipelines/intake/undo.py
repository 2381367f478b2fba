"""Takes a load back: the warehouse is then as it was before it."""

from __future__ import annotations

import duckdb

from pipelines.intake.raw import BOOKS
from shared import dictionary
from shared.errors import UserError
from shared.store import has_table, roll_back


def undo_batch(con: duckdb.DuckDBPyConnection, batch_id: str) -> dict[str, int]:
    """Undo the last load.

    Parameters
    ----------
    con
        The warehouse, open for writing.
    batch_id
        Batch to undo, e.g. b0003, as ``loopwear status`` lists it.

    Returns
    -------
    dict
        Table to the rows taken out of it, tables left alone not listed.

    Raises
    ------
    UserError
        There is no such batch, or loads stand after it: what they found unchanged rests on its rows, so they have to
        be undone first and can then be loaded again.

    Notes
    -----
    One transaction: rows, findings, quarantine and counts of the batch go, rows that it let out of quarantine go back.

    Checked by: tests/unit/test_intake_undo.py
    """
    known = (
        [row[0] for row in con.execute("select batch_id from raw.batches order by batch_id desc").fetchall()]
        if has_table(con, "raw.batches")
        else []
    )
    if batch_id not in known:
        remedy = f"the loads on record are {', '.join(known)}" if known else "nothing is loaded"
        raise UserError(f"there is no load '{batch_id}'", "loopwear load --undo", remedy)
    later = known[: known.index(batch_id)]
    if later:
        raise UserError(
            f"load {batch_id} cannot be undone before {', '.join(reversed(later))}",
            "loopwear load --undo",
            f"undo {later[0]} first; what it brought can be loaded again afterwards",
        )
    taken: dict[str, int] = {}
    con.execute("begin transaction")
    try:
        con.execute("update raw.quarantined_rows set released_by = null where released_by = ?", [batch_id])
        for stem in (*dictionary.load_tables(), *BOOKS):
            row = con.execute(f"delete from raw.{stem} where batch_id = ?", [batch_id]).fetchone()
            if row and row[0]:
                taken[f"raw.{stem}"] = row[0]
        con.execute("commit")
    except BaseException:
        roll_back(con)
        raise
    return taken
