"""Where does a column of a table come from: which function or which line of SQL makes it, and from what?"""

import ast
import re
from functools import cache
from pathlib import Path

from shared import dictionary
from shared.dictionary import Table

Definition = ast.FunctionDef | ast.ClassDef
ROOT = Path(__file__).resolve().parents[2]


@cache
def sql_models() -> dict[str, Path]:
    """File of every SQL model, by its table."""
    return {
        f"{path.relative_to(ROOT / 'sql').parts[0]}.{path.stem}": path
        for layer in ("staging", "core", "marts")
        for path in sorted((ROOT / "sql" / layer).rglob("*.sql"))
    }


def maker_of(table: Table, column: str = "") -> str:
    """File and function, or SQL file, that makes a table or a column of it; for raw tables the load."""
    if column in dict(table.column_makers):
        return dict(table.column_makers)[column]
    if table.name in sql_models():
        return sql_models()[table.name].relative_to(ROOT).as_posix()
    return table.made_by or "pipelines/intake/load.py:load_paths"


def topic_of(table: Table) -> str:
    """Folder of the maker: restoration, locating, survival, ranking, investment, evaluation, intake, validation."""
    return Path(maker_of(table).partition(":")[0]).parent.name


def find_line(maker: str, column: str = "") -> int:
    """Line where the maker begins: a function or class, or the column in the last select of a SQL file; 0: nowhere."""
    name, _, function = maker.partition(":")
    text = (ROOT / name).read_text(encoding="utf-8")
    if name.endswith(".sql"):
        listed = re.compile(rf'^    (?:.*\bas |(?:\w+\.)?)"?{re.escape(column)}"?,?$')
        return max((n for n, line in enumerate(text.splitlines(), 1) if listed.match(line)), default=0 if column else 1)
    node = find_function(ast.parse(text), function)
    return node.lineno if node else 0


def find_function(tree: ast.Module, name: str) -> Definition | None:
    """The function or class of that name in a module; a method as Class.method."""
    found: Definition | None = None
    for part in name.split("."):
        body = found.body if found else tree.body
        found = next((n for n in body if isinstance(n, (ast.FunctionDef, ast.ClassDef)) and n.name == part), None)
        if found is None:
            break
    return found


def inputs_of(table: Table) -> list[str]:
    """Tables that a SQL model reads; what a function of a step reads stands in the __init__ of its folder."""
    if table.name not in sql_models():
        return []
    header = re.search(r"^-- Reads:\s*(.+)$", sql_models()[table.name].read_text(encoding="utf-8"), re.MULTILINE)
    return [name.strip() for name in header.group(1).split(",")] if header else []


def find_column(column: str) -> list[str]:
    """A text for each table that has a column (or TABLE.COLUMN), exported first: maker, inputs, meaning."""
    stem, _, column = column.rpartition(".")
    holders = [t for t in dictionary.tables().values() if column in t.columns and stem in ("", t.stem, t.name)]
    found = []
    for table in sorted(holders, key=lambda t: (not t.export, t.layer in ("raw", "staging"))):
        maker = maker_of(table, column)
        line = find_line(maker, column)
        lines = [f"{table.name}{' (exported)' if table.export else ''}", f"  made by {maker} (line {line})"]
        for name in inputs_of(table):
            passed = dictionary.tables().get(name)
            if passed is None or passed.layer in ("raw", "staging") or column not in passed.columns:
                lines.append(f"  reads {name}")
            else:
                lines.append(f"  reads {name}, which has the column: {maker_of(passed, column)}")
        found.append("\n".join([*lines, f"  {table.meaning_of(column)}"]))
    return found
