"""Hurt files of every form, and hurt mappings, loaded for minutes on end: each is loaded whole or refused by name.

python -m tests.simulated.fuzz_readers --minutes 10 --seed 1 [--keep FOLDER]

Prints how many files were tried, refused by name and loaded, and the tracebacks found, which must be none; a file
that made one is kept. A reader that ends its process, hangs or takes 4 GB counts as a traceback. Any mapping and text,
without a load, are tried by tests/properties/test_intake_fuzz.py.
"""

from __future__ import annotations

import argparse
import gzip
import html
import io
import json
import multiprocessing
import random
import resource
import shutil
import sqlite3
import tempfile
import time
import traceback
import zipfile
from collections import Counter
from contextlib import closing
from pathlib import Path

import duckdb
import xlsxwriter

from pipelines.intake.formats import READABLE
from pipelines.intake.load import load_paths
from pipelines.intake.quarantined import export_rows
from pipelines.intake.undo import undo_load
from shared.errors import UserError
from shared.settings import Settings
from shared.store import Workspace, open_warehouse
from tests.cases.small_utility import TABLES, Row, with_changes, write_csv, write_utility

FILES_AT_ONCE = 40
"""Files that one process tries: what an earlier file may have left behind is met by the next."""
MOST_SECONDS = 240.0
MOST_BYTES = 4 << 30
HOSTILE = (
    *("", '"', "'", "\x00", "\x1b[2J", "\r", "\n", ";", "\u202e", "1e999", "-1", "nan", "9" * 20, "0x1", "2018-02-30"),
    *("31.12.2131 25:61", "12,5", "1.234.567,8", "=1+1", "J1", "L1", "é" * 50, "x" * 70_000, "😀"),
)
FORMS = ("csv", "csv", "tsv", "xlsx", "xlsx", "jsonl", "json", "xls", "parquet", "zip", "gz", "db", "mapped", "mended")
MAPPED = ("json", "mapped", "db")
"""Forms that are loaded through a mapping; a document of JSON now and then without."""
PART_NAMES = ("{0}.{1}", "year/{0}-{2}.{1}", "../{0}_{2}.{1}", "{0} {2}.{1}", "{0}.{1}.gz", "\\{0}\x1b.{1}")
TABLE_NAMES = ("jobs", "sections", "loops", "restoration_steps", "known_lengths", "districts", "test_shots")
MAPPING = """
insulations = {{ TAPE = "taped" }}
[[table]]
to = "jobs"
{place}
skip_rows = {skip}
decimal = "{decimal}"
timezone = "America/Chicago"
filters = [{{ column = "status", values = ["closed", ""] }}]
[table.columns]
{columns}
velocity_setting_pct = {{ from = "velocity_setting_pct", unit = "fraction" }}
cause = {{ from = "cause", codes = {{ "squirrel" = "animal" }}, default = "other" }}
reported_at = {{ join = ["reported_at"], formats = ["%Y-%m-%d %H:%M", "%d/%m/%Y"] }}
"""
DEEP = "nested deep"
PLACES = {
    "json": ('files = "*"\nrecords = "data.rows"', 'files = "*"'),
    "db": ('database = "sqlite:book.db"\nfrom = "book"', 'database = "sqlite:book.db"\nquery = "select * from book"'),
}


class Maker:
    """Makes files from the tables of a small utility, and hurts them; all of it follows from the seed."""

    def __init__(self, seed: int, folder: Path, mended: list[Path]) -> None:
        self.draws, self.folder, self.mended = random.Random(seed), folder, mended

    def rows(self) -> tuple[str, list[Row]]:
        """Rows of a table, some cells of which hold what nobody expects."""
        table = self.draws.choice(TABLE_NAMES)
        rows = [dict(row) for row in TABLES[table]]
        for _ in range(self.draws.choice((0, 1, 3, 8))):
            row = self.draws.choice(rows)
            row[self.draws.choice(list(row))] = self.draws.choice(HOSTILE)
        return table, rows

    def text(self, rows: list[Row]) -> bytes:
        delimiter, end = self.draws.choice(",,;\t|"), self.draws.choice(("\n", "\n", "\r\n", "\r"))
        cells = [list(rows[0]), *(list(row.values()) for row in rows)]
        quoted = ['"' + c.replace('"', '""') + '"' if set(c) & set('"\n\r,;\t|') else c for r in cells for c in r]
        width = len(rows[0])
        lines = (delimiter.join(quoted[n : n + width]) for n in range(0, len(quoted), width))
        encoding = self.draws.choice(("utf-8", "utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252"))
        return end.join(lines).encode(encoding, "replace")

    def workbook(self, rows: list[Row], table: str) -> bytes:
        out = io.BytesIO()
        with xlsxwriter.Workbook(out, {"strings_to_formulas": False, "strings_to_urls": False}) as book:
            sheet = book.add_worksheet(table)
            for number, row in enumerate([list(rows[0]), *(list(row.values()) for row in rows)]):
                for place, cell in enumerate(row):
                    kind = self.draws.choice(("text", "text", "text", "number", "formula", "far"))
                    if kind == "number" and cell.replace(".", "").isdigit() and len(cell) < 300:
                        sheet.write_number(number, place, float(cell))
                    elif kind == "formula" and number:
                        sheet.write_formula(number, place, "=1/0", value=self.draws.choice(("#DIV/0!", 5, "x")))
                    elif kind == "far" and self.draws.random() < 0.002:
                        sheet.write_string(self.draws.randrange(1_048_576), self.draws.randrange(16_384), "far")
                    else:
                        sheet.write_string(number, place, cell[:32_000])
        return out.getvalue()

    def parquet(self, rows: list[Row]) -> bytes:
        path = self.folder / "made.parquet"
        listed = ", ".join("(" + ", ".join("?" for _ in rows[0]) + ")" for _ in rows)
        names = ", ".join(f'"{name}"' for name in rows[0])
        with duckdb.connect() as con:
            values = [cell.replace("\x00", "") for row in rows for cell in row.values()]
            made = f"select * from (values {listed}) as t({names})"
            con.execute(f"copy ({made}) to '{path}' (format parquet)", values)
        return path.read_bytes()

    def document(self, rows: list[Row]) -> bytes:
        """An array of records, or one at the depth that the mapping says, with lists within records."""
        listed: list[object] = [self.nested(row) for row in rows]
        listed.insert(self.draws.randrange(len(listed)), self.draws.choice((listed[0], [listed[0]], 5, None)))
        whole: object = self.draws.choice(
            (listed, {"data": {"of": "all", "rows": listed}}, {"data": [{"rows": listed}]})
        )
        return self.json_text(whole)

    def page(self, rows: list[Row], table: str) -> bytes:
        """A table of HTML as programs save it under the name of a workbook."""
        cell, coded = self.draws.choice(("td", "th")), self.draws.choice(("utf-8", "cp1252", "utf-16"))
        spans = ("", "", "", " colspan=2", ' colspan="999999999"', " rowspan=x")
        lines = (
            "<tr>" + "".join(f"<{cell}{self.draws.choice(spans) if self.draws.random() < 0.01 else ''}>{html.escape(c)}"
                             for c in cells)
            for cells in (list(rows[0]), *(row.values() for row in rows))
        )  # fmt: skip
        said = self.draws.choice((coded, coded, "none-such"))
        text = f"<html><meta charset={said}><table><caption>{table}</caption>{''.join(lines)}</table></html>"
        return text.encode(coded, "replace")

    def database(self, rows: list[Row]) -> bytes:
        """A database of SQLite that holds values of every type it has."""
        path = self.folder / "made.db"
        path.unlink(missing_ok=True)
        odd = (None, 1.5, 10**18, b"\xff\x00", float("inf"))
        with closing(sqlite3.connect(path)) as db, db:
            db.execute("create table book (" + ", ".join(f'"{name}"' for name in rows[0]) + ")")
            asked = f"insert into book values ({', '.join('?' for _ in rows[0])})"
            for row in rows:
                db.execute(asked, [c if self.draws.random() > 0.02 else self.draws.choice(odd) for c in row.values()])
            if self.draws.random() < 0.1:
                db.execute(f"update book set \"{self.draws.choice(list(rows[0]))}\" = cast(x'ff41' as text)")
        return path.read_bytes()

    def parts(self, rows: list[Row], table: str) -> bytes:
        """A zip whose parts hold the rows between them, each in a form and under a name of its own, and a register."""
        made = {"loops.csv": self.text(TABLES["loops"])}
        count = self.draws.choice((1, 2, 3))
        for number in range(min(count, len(rows))):
            form = self.draws.choice(("csv", "tsv", "jsonl", "xlsx", "xls", "parquet", "zip", "gz"))
            name = self.draws.choice(PART_NAMES).format(table, form, number)
            made[name] = self.form(form, rows[number::count], table)
        return self.zipped(made)

    def form(self, form: str, rows: list[Row], table: str) -> bytes:
        """Rows as a file of a form."""
        if form == "xlsx":
            return self.workbook(rows, table)
        if form == "jsonl":
            return b"\n".join(self.json_text(self.nested(row)) for row in rows)
        if form == "gz":
            return gzip.compress(self.text(rows))
        own = {"json": self.document, "parquet": self.parquet, "db": self.database}
        by_name = {"xls": self.page, "zip": self.parts}
        return by_name[form](rows, table) if form in by_name else own.get(form, self.text)(rows)

    def make(self) -> tuple[str, str, bytes, str | None]:
        """Form, name and bytes of a file, and a mapping's text where it is loaded through one."""
        table, rows = self.rows()
        form, mapping = self.draws.choice(FORMS), None
        if form in MAPPED and (form != "json" or self.draws.random() < 0.6):
            table, rows = "jobs", [dict(row) for row in TABLES["jobs"]]
            own = ("velocity_setting_pct", "cause", "reported_at")
            mapping = MAPPING.format(
                place=self.draws.choice(PLACES.get(form, ('files = "*"',))),
                columns="\n".join(f'{c} = "{c}"' for c in rows[0] if c not in own),
                skip=self.draws.choice((0, 0, 1)),
                decimal=self.draws.choice(".,"),
            )
        if form == "mended":
            path = self.draws.choice(self.mended)
            name, data = f"any name{path.suffix}", path.read_bytes()
        else:
            name = {"mapped": "book.csv", "db": "book.db", "gz": f"{table}.csv.gz"}.get(form, f"{table}.{form}")
            data = self.form(form, rows, table)
        if mapping is not None and self.draws.random() < 0.5:
            mapping = self.hurt(mapping.encode()).decode("utf-8", "surrogateescape")
        return form, name if form == "db" else self.rename(name), self.hurt_within(data), mapping

    def nested(self, row: Row) -> dict[str, object]:
        odd = self.draws.choice((None, True, 1.5, 10**30, {"a": [1]}, DEEP))
        return {**row, self.draws.choice(list(row)): odd} if self.draws.random() < 0.3 else dict(row)

    def json_text(self, value: object) -> bytes:
        """A value as JSON, some of it nested deeper than it could be written by itself."""
        deep = self.draws.choice((1, 3, 3, 3_000))
        text = json.dumps(value, ensure_ascii=self.draws.random() < 0.5)
        return text.replace(f'"{DEEP}"', "[" * deep + "]" * deep).encode("utf-8", "replace")

    @staticmethod
    def zipped(parts: dict[str, bytes]) -> bytes:
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
            for name, data in parts.items():
                archive.writestr(name, data)
        return out.getvalue()

    def rename(self, name: str) -> str:
        """Now and then another ending than the form has."""
        return (
            name if self.draws.random() > 0.06 else name.split(".")[0] + self.draws.choice((*READABLE, ".zip", ".gz"))
        )

    def hurt_within(self, data: bytes) -> bytes:
        """A hurt file: of an archive, half of the times, a part within it, packed again as if it were sound."""
        if data.startswith(b"PK") and self.draws.random() < 0.6:
            with zipfile.ZipFile(io.BytesIO(data)) as archive:
                parts = {name: archive.read(name) for name in archive.namelist()}
            name = self.draws.choice(list(parts))
            return self.zipped(parts | {name: self.hurt(parts[name])})
        return self.hurt(data)

    def hurt(self, data: bytes) -> bytes:
        """Bytes changed, cut out, doubled, moved or put in, at a few places or none."""
        for _ in range(self.draws.choice((0, 1, 1, 2, 4, 16))):
            at, length = self.draws.randrange(len(data) + 1), self.draws.choice((1, 1, 2, 8, 64, 512))
            before, piece, after = data[:at], data[at : at + length], data[at + length :]
            way = self.draws.choice(("other", "gone", "doubled", "hostile", "mark", "cut"))
            data = {
                "other": before + self.draws.randbytes(length) + after,
                "gone": before + after,
                "doubled": before + piece * self.draws.choice((2, 3, 50)) + after,
                "hostile": before + self.draws.choice(HOSTILE).encode() + piece + after,
                "mark": before + bytes([self.draws.choice((0, 9, 10, 13, 34, 44, 127, 255))]) + piece + after,
                "cut": before if self.draws.random() < 0.2 else data,
            }[way]
        return data


def try_files(seed: int, folder: Path, mended: list[Path]) -> None:
    """Try some files, in a process of its own; every outcome is a line of FOLDER/outcomes."""
    resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))
    maker = Maker(seed, folder, mended)
    space = Workspace(folder / "workspace")
    con = open_warehouse(space)
    with (folder / "outcomes").open("w", encoding="utf-8", errors="backslashreplace") as outcomes:
        for number in range(FILES_AT_ONCE):
            form, name, data, mapping = maker.make()
            place = folder / f"try {number}"
            place.mkdir()
            path, mapped = place / name, place / "mapping.toml" if mapping is not None else None
            path.write_bytes(data)
            if mapped is not None and mapping is not None:
                mapped.write_bytes(mapping.encode("utf-8", "surrogateescape"))
            print(f"began\t{form}\t{place.name}", file=outcomes, flush=True)
            try:
                outcome = try_one(con, path, mapped)
            except BaseException:  # a panic of a reader is no Exception
                (place / "traceback.txt").write_text(
                    traceback.format_exc(), encoding="utf-8", errors="backslashreplace"
                )
                outcome = "traceback"
                con.close()
                con = open_warehouse(space)
            print(f"{outcome}\t{form}\t{place.name}", file=outcomes, flush=True)
            if outcome != "traceback":
                shutil.rmtree(place)
    con.close()


def try_one(con: duckdb.DuckDBPyConnection, path: Path, mapping: Path | None) -> str:
    """What became of a file; loaded, every row is accounted for, and the load is taken back."""
    kept = "select count(*) from raw.jobs union all select count(*) from raw.quarantined_rows where released_by is null"
    before = con.execute(kept).fetchall()
    try:
        report = load_paths(con, [] if path.suffix == ".db" else [path], Settings(), mapping)
    except UserError as refusal:
        assert path.name in refusal.where or str(mapping) in refusal.where or refusal.where.startswith("setting ")
        assert con.execute(kept).fetchall() == before
        return "refused"
    assert all(count.accounted_for == count.read for count in report.files)
    undo_load(con, report.load_id)
    assert con.execute(kept).fetchall() == before
    return "loaded"


def prepare(folder: Path) -> list[Path]:
    """A workspace with a register and rows in quarantine, and the files they are given back in."""
    con = open_warehouse(Workspace(folder / "workspace"))
    bad = with_changes("jobs", {"loop_id": "L9"}, {"reported_at": "soon", "notes": "a\nb"}, {})
    load_paths(con, [write_utility(folder / "export", jobs=bad)], Settings())
    load_paths(
        con, [write_csv(folder / "more" / "loops.csv", [TABLES["loops"][0] | {"district_id": "D9"}])], Settings()
    )
    export_rows(con, folder / "mended.xlsx")
    export_rows(con, folder / "mended.csv", table="jobs")
    con.close()
    return [folder / "mended.xlsx", folder / "mended.csv"]


def run(minutes: float, seed: int, keep: Path) -> tuple[Counter[str], Counter[tuple[str, str]]]:
    """Try files until the time is up; returns counts by outcome, and by form and outcome."""
    until = time.monotonic() + 60 * minutes
    counts, by_form = Counter[str](), Counter[tuple[str, str]]()
    with tempfile.TemporaryDirectory() as made:
        mended = prepare(Path(made))
        slice_no = 0
        while slice_no == 0 or time.monotonic() < until:
            folder = Path(tempfile.mkdtemp(dir=made))
            shutil.copytree(Path(made) / "workspace", folder / "workspace")
            tried = multiprocessing.get_context("spawn").Process(
                target=try_files, args=(seed * 1_000_000 + slice_no, folder, mended)
            )
            tried.start()
            tried.join(MOST_SECONDS)
            if tried.is_alive():
                tried.kill()
                tried.join()
            lines = [line.split("\t") for line in (folder / "outcomes").read_text(encoding="utf-8").splitlines()]
            if lines[-1][0] == "began":  # it ended its process, or never ended
                lines.append(["traceback", *lines[-1][1:]])
                (folder / lines[-1][2] / "traceback.txt").write_text(f"the process ended with {tried.exitcode}\n")
            else:
                assert tried.exitcode == 0, "no file could be made"
            for outcome, form, place in lines:
                if outcome != "began":
                    counts[outcome] += 1
                    by_form[form, outcome] += 1
                if outcome == "traceback":
                    shutil.copytree(folder / place, keep / f"seed {seed} slice {slice_no} {place}", dirs_exist_ok=True)
            shutil.rmtree(folder)
            slice_no += 1
    return counts, by_form


def main() -> None:
    """Run and print; ends with 1 where a traceback was found."""
    given = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    given.add_argument("--minutes", type=float, default=1.0)
    given.add_argument("--seed", type=int, default=1)
    given.add_argument("--keep", type=Path, default=Path("fuzz_found"))
    chosen = given.parse_args()
    counts, by_form = run(chosen.minutes, chosen.seed, chosen.keep)
    print(f"files tried: {counts.total()}, seed {chosen.seed}, {chosen.minutes:g} minutes")
    print(f"refused by name: {counts['refused']}\nloaded: {counts['loaded']}\ntracebacks: {counts['traceback']}")
    for form in sorted({f for f, _ in by_form}):
        told = ", ".join(f"{by_form[form, o]} {o}" for o in ("refused", "loaded", "traceback"))
        print(f"  {form}: {told}")
    if counts["traceback"]:
        print(f"the files that made them are in {chosen.keep}")
        raise SystemExit(1)


if __name__ == "__main__":
    main()
