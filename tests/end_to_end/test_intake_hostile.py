"""Hostile texts in every id and field of data, mapping and settings: loaded whole, inert in all that comes out."""

from __future__ import annotations

import csv
import json
import re
import zipfile
from html.parser import HTMLParser

import pytest

from pipelines.load import load
from pipelines.refresh import refresh
from shared import dictionary
from shared.settings import Settings
from shared.store import Workspace, open_warehouse
from tests.cases.small_utility import TABLES, Row, write_csv

SQL = "'; drop table raw.jobs; --"
FORMULA = '=HYPERLINK("http://example.invalid","look")'
SCRIPT = "</script><script>alert(1)</script><img src=x onerror=alert(1)>"
MARKS = {
    "D": f"+{SQL}",
    "L": FORMULA,
    "T": f"-2+3\n{SCRIPT}",
    "S": f'"{SQL}\u202eabc 😀',
    "J": f"@SUM(1){SCRIPT}",
    "R": "\\ %s $1 {value} '' \"\"",
    "C": f"=1+1{SQL}",
}
"""What is put before each id, by its first letter."""
TEXTS = ("name", "conductor", "kind", "notes")


def mark(value: str) -> str:
    """An id with its hostile beginning; other values as they are."""
    return MARKS[value[0]] + value if re.fullmatch(r"[DLTSJRC]\d", value) else value


def hostile(table: str) -> list[Row]:
    return [
        {c: mark(v) if c.endswith("_id") else FORMULA + SCRIPT + SQL if c in TEXTS else v for c, v in row.items()}
        for row in TABLES[table]
    ]


@pytest.fixture(scope="module")
def space(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """A workspace refreshed from hostile files, the jobs through a mapping that is hostile too."""
    folder = tmp_path_factory.mktemp("hostile")
    space = Workspace(folder / f"space {SQL.replace('/', '')} 😀")
    chosen = (
        Settings()
        .override("general", currency=SQL)
        .override("intake", classes={"XLPE/bare/buried": FORMULA + SQL}, insulations={SQL: SQL, FORMULA: SCRIPT})
    )
    others = [write_csv(folder / f"{t}.csv", hostile(t)) for t in TABLES if t != "jobs"]
    load(space, others, chosen)
    jobs = hostile("jobs")
    headers = {c: f"{c}{SQL}{FORMULA}" for c in jobs[0]}
    renamed = write_csv(folder / "jobs'; drop--.csv", [{headers[c]: v for c, v in row.items()} for row in jobs])
    columns = {c: {"from": h} for c, h in headers.items() if c not in ("crew_id", "status", "cause")}
    lines = [f"{c} = {{ from = {json.dumps(h['from'])} }}" for c, h in columns.items()]
    quoted = {name: json.dumps(text) for name, text in (("sql", SQL), ("formula", FORMULA))}
    lines += [
        f'status = {{ from = {json.dumps(headers["status"])}, codes = {{ {quoted["sql"]} = "cancelled" }} }}',
        f'cause = {{ from = {json.dumps(headers["cause"])}, default = "other" }}',
    ]
    both = ", ".join(json.dumps(headers[c]) for c in ("crew_id", "job_id"))
    lines.append(f"crew_id = {{ join = [{both}], with = {quoted['sql']} }}")
    mapping = folder / "mapping'.toml"
    mapping.write_text(
        f'insulations = {{ {quoted["formula"]} = {quoted["sql"]} }}\n[[table]]\nto = "jobs"\n'
        f"filters = [{{ column = {json.dumps(headers['status'])}, values = [{quoted['sql']}], keep = false }}]\n"
        "[table.columns]\n" + "\n".join(lines) + "\n",
        encoding="utf-8",
    )
    load(space, [renamed], chosen, mapping)
    refresh(space, chosen)
    return space


def test_every_id_and_text_is_kept_whole(space: Workspace) -> None:
    with open_warehouse(space, read_only=True) as con:
        for table in ("districts", "loops", "terminals", "sections", "instruments", "jobs"):
            id_column = dictionary.load_tables()[table].key[0]
            found = {v for (v,) in con.execute(f"select {id_column} from raw.{table}").fetchall()}
            assert found == {row[id_column] for row in hostile(table)}, table
        crews = {v for (v,) in con.execute("select crew_id from raw.jobs").fetchall()}
        assert crews == {f"{row['crew_id']}{SQL}{row['job_id']}" for row in hostile("jobs")}
        assert con.execute("select count(*) from core.failures").fetchone() == (3,)


def test_no_cell_of_an_export_runs_as_a_formula(space: Workspace) -> None:
    texts = 0
    for stem, table in dictionary.export_tables().items():
        path = space.exports / f"{stem}.csv"
        if not path.exists():
            continue
        kinds = {c: dictionary.columns()[c].type for c in table.columns}
        with path.open(newline="", encoding="utf-8") as handle:
            for row in csv.DictReader(handle):
                for column, cell in row.items():
                    if kinds[column] == "text" and cell:
                        texts += 1
                        assert cell[0] not in "=+-@\t\r" or re.fullmatch(r"[+-]?[\d.]+", cell), (stem, column, cell)
    assert texts > 100


def test_no_workbook_holds_a_formula_or_a_link(space: Workspace) -> None:
    books = list(space.exports.glob("*.xlsx"))
    assert books
    for book in books:
        with zipfile.ZipFile(book) as parts:
            sheets = [n for n in parts.namelist() if n.startswith("xl/worksheets/sheet")]
            assert not [n for n in sheets if b"<f>" in parts.read(n) or b"hyperlink" in parts.read(n)], book


class Elements(HTMLParser):
    """Counts elements that hostile text would make if it were not escaped."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        # a column of coordinates is called x, and its heading says so
        self.found += [
            f"{tag} {name}={value}"
            for name, value in attrs
            if name == "onerror" or (value == "x" and (tag, name) != ("th", "data-c"))
        ]

    def handle_data(self, data: str) -> None:
        if self.lasttag == "script" and data.startswith("alert(1)"):
            self.found.append(data)


def test_no_page_lets_a_text_become_an_element(space: Workspace) -> None:
    pages = list(space.reports.glob("*.html"))
    shown = 0
    for page in pages:
        text = page.read_text(encoding="utf-8")
        reader = Elements()
        reader.feed(text)
        assert reader.found == [], page.name
        shown += text.count("HYPERLINK")
    assert shown, "the hostile ids are on no page, so nothing was tried"
