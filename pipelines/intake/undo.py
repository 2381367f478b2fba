"""Takes a load back: the warehouse is then as it was before it."""

import duckdb

from pipelines.intake.raw import BOOKS
from shared import dictionary
from shared.errors import UserError
from shared.store import has_table, roll_back


def undo_load(con: duckdb.DuckDBPyConnection, load_id: str) -> dict[str, int]:
    """Undo the last load.

    Parameters
    ----------
    con
        The warehouse, open for writing.
    load_id
        Load to undo, e.g. b0003, as ``loopwear status`` lists it.

    Returns
    -------
    dict
        Table to the rows taken out of it, tables left alone not listed.

    Raises
    ------
    UserError
        There is no such load, or loads stand after it: what they found unchanged rests on its rows, so they have to
        be undone first and can then be loaded again.

    Notes
    -----
    One transaction: rows, findings, quarantine and counts of the load go, rows that it let out of quarantine go back.

    Checked by: tests/unit/test_intake_undo.py
    """
    known = (
        [row[0] for row in con.execute("select load_id from raw.loads order by load_id desc").fetchall()]
        if has_table(con, "raw.loads")
        else []
    )
    if load_id not in known:
        remedy = f"the loads on record are {', '.join(known)}" if known else "nothing is loaded"
        raise UserError(f"there is no load '{load_id}'", "loopwear load --undo", remedy)
    later = known[: known.index(load_id)]
    if later:
        raise UserError(
            f"load {load_id} cannot be undone before {', '.join(reversed(later))}",
            "loopwear load --undo",
            f"undo {later[0]} first; what it brought can be loaded again afterwards",
        )
    taken: dict[str, int] = {}
    con.execute("begin transaction")
    try:
        con.execute("update raw.quarantined_rows set released_by = null where released_by = ?", [load_id])
        for stem in (*dictionary.load_tables(), *BOOKS):
            row = con.execute(f"delete from raw.{stem} where load_id = ?", [load_id]).fetchone()
            if row and row[0]:
                taken[f"raw.{stem}"] = row[0]
        con.execute("commit")
    except BaseException:
        roll_back(con)
        raise
    return taken
