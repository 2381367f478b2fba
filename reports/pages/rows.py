"""The rows behind a mark: an exported table, narrowed to a choice and to the conditions of an address."""

from urllib.parse import parse_qsl, urlencode

from markupsafe import Markup

from reports import style
from reports.choice import MANY, SINGLE
from reports.links import Links
from reports.marts import Marts
from reports.page import Exhibit, Page, Section
from reports.table import Table
from reports.words import Words
from shared import dictionary
from shared.errors import UserError, suggest_name

say = Words("choice")

NAMED = {"jobs": "closed_jobs", "readings": "locating_errors", "sections": "section_ranking", "loops": "loop_ranking"}
"""Short names of tables in addresses; every exported table goes by its own name too."""

PAGING = ("by", "has", "from_row")
"""Keys of an address that say the order, columns that must hold a value, and the first row."""

ROWS = 1_000
"""Rows shown at once."""


def find_table(name: str) -> dictionary.Table:
    """The exported table of a name in an address.

    Raises
    ------
    UserError
        There is none.
    """
    exports = dictionary.export_tables()
    table = exports.get(NAMED.get(name, name))
    if table is None:
        raise UserError(f"there is no table '{name}'", "the address", suggest_name(name, [*NAMED, *exports]))
    return table


def build(marts: Marts, name: str, query: str, links: Links) -> Page:
    """The page of some rows.

    Parameters
    ----------
    query
        The address's own query: columns of the table with the values they must hold, `by` and `from_row`; the
        keys of a choice are left to it.

    Raises
    ------
    UserError
        The table has no such column, or from_row is no number.
    """
    table = find_table(name)
    pairs = [(k, v) for k, v in parse_qsl(query) if k in table.columns or k not in (*MANY, *SINGLE)]
    where: dict[str, list[str]] = {}
    for key, value in pairs:
        if key in PAGING:
            continue
        if key not in table.columns:
            raise UserError(f"{table.stem} has no column '{key}'", "the address", suggest_name(key, table.columns))
        where.setdefault(key, []).append(value)
    asked, has = dict(pairs), [value for key, value in pairs if key == "has"]
    by, start = asked.get("by", ""), asked.get("from_row", "1")
    for column in filter(None, (by.removeprefix("-"), *has)):
        if column not in table.columns:
            raise UserError(
                f"{table.stem} has no column '{column}'", "the address", suggest_name(column, table.columns)
            )
    if not (start.isascii() and start.isdigit() and 1 <= int(start) <= 10**9):
        raise UserError(f"'{start}' is no number of a row", "from_row", "give a whole number from 1 on")
    rows, total = marts.select(table.name, where, has=has, by=by, rows=ROWS, first=int(start) - 1)
    met = "; ".join(f"{style.label_of(key).lower()} {', '.join(values)}" for key, values in where.items())
    exhibit = Exhibit(
        key="rows",
        title=table.stem.replace("_", " ").capitalize(),
        finding=say("rows.finding" if total else "rows.nothing", total=total, listed=say(met and "rows.met", met=met)),
        sources=(table.name,),
        count=say("rows.count", first=int(start), last=int(start) + len(rows) - 1, total=total) if len(rows) else "",
        tables=(Table(rows, table.columns, table.name, is_all=True),),
        body=turn_over(links, name, pairs, int(start), total),
    )
    question = say("rows.question", grain=table.grain)
    return Page("rows", exhibit.title, question, (), (Section(say.text("rows.heading"), (exhibit,)),))


def turn_over(links: Links, name: str, pairs: list[tuple[str, str]], start: int, total: int) -> Markup:
    """Links to the rows before and after those shown."""
    own = [(key, value) for key, value in pairs if key != "from_row"]
    ends = []
    for words, first in (("Earlier rows", start - ROWS), ("Later rows", start + ROWS)):
        if (first >= 1 or (words == "Earlier rows" and start > 1)) and first <= total:
            address = links.rows(name, urlencode([*own, ("from_row", max(first, 1))]))
            ends.append(Markup('<a href="{}">{}</a>').format(address, words))
    return Markup("<p>{}</p>").format(Markup(" ").join(ends)) if ends else Markup("")
